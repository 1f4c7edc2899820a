//! A plan in the making: from names and days to numbers, and back.

use std::collections::BTreeSet;

use chrono::{Datelike as _, NaiveDate};
use windrow_model::trace::fleet::ServiceAction;

use super::hours::{Hours, Stock, Stocked};
use super::problem::{Assignment, Item, Part, Problem, Slot};
use super::waits::{parts_left, waits_for};
use super::{
    Advice, Candidate, MAX_DAYS, NO_FAULTS, Order, PartOrder, Plan, Solution, Visit, Waiting, WaitsFor, Why,
};
use crate::costs::{Costs, VisitWorth};

/// What is known while planning.
pub(super) struct Draft<'a> {
    costs: &'a Costs,
    order: &'a Order,
    hours: &'a Hours,
    stock: &'a Stock,
    judged: Vec<(&'a Candidate, VisitWorth)>,
    sites: Vec<&'a str>,
    slot_days: Vec<NaiveDate>,
    wanted: Vec<usize>,
    part_names: Vec<(&'static str, &'a str)>,
    /// Parts in stock before anything is booked.
    in_stock: Vec<u32>,
    /// Parts that booked visits take.
    n_booked: Vec<u32>,
    /// Where each laptop that wants a visit goes.
    assignment: Assignment,
    problem: Problem,
    plan: Plan,
}

impl<'a> Draft<'a> {
    pub(super) fn new(
        candidates: &'a [Candidate],
        hours: &'a Hours,
        stock: &'a Stock,
        costs: &'a Costs,
        order: &'a Order,
    ) -> Self {
        let mut sorted: Vec<&Candidate> = candidates.iter().collect();
        sorted.sort_by(|a, b| a.device_id.cmp(&b.device_id));
        sorted.dedup_by(|a, b| a.device_id == b.device_id);
        // Who is snoozed isn't asked for a check either.
        let is_untold = |c: &&&Candidate| c.advice == Advice::CheckAgain && c.not_before.is_none();
        let retests = sorted.iter().filter(is_untold).map(|c| c.device_id.clone()).collect();
        let work_of = |c: &'a Candidate| Some((c, work(c, costs, order)?));
        let judged: Vec<(&Candidate, VisitWorth)> = sorted.into_iter().filter_map(work_of).collect();
        let sites: BTreeSet<&str> = judged.iter().map(|(c, _)| c.site.as_str()).collect();
        let mut draft = Self {
            costs,
            order,
            hours,
            stock,
            judged,
            sites: sites.into_iter().collect(),
            slot_days: Vec::new(),
            wanted: Vec::new(),
            part_names: Vec::new(),
            in_stock: Vec::new(),
            n_booked: Vec::new(),
            assignment: Vec::new(),
            problem: Problem {
                horizon_days: costs.horizon_days,
                stay_bonus: costs.moved_visit,
                ..Problem::default()
            },
            plan: Plan { retests, ..Plan::default() },
        };
        draft.add_slots(hours);
        draft.add_items();
        draft
    }

    pub(super) fn problem(&self) -> &Problem {
        &self.problem
    }

    fn day_number(&self, day: NaiveDate) -> Option<u32> {
        let offset = (day - self.order.from).num_days();
        u32::try_from(offset).ok().filter(|d| *d < self.order.n_days.min(MAX_DAYS))
    }

    fn add_slots(&mut self, hours: &Hours) {
        for ((name, day), minutes) in hours {
            let Ok(site) = self.sites.binary_search(&name.as_str()) else { continue };
            let Some(number) = self.day_number(*day) else { continue };
            if *minutes == 0 || self.costs.is_day_off(name, *day) {
                continue;
            }
            let trip = self.costs.trip_to(name);
            let n_laptops = self.judged.len() as u32;
            self.problem.slots.push(Slot {
                site,
                day: number,
                minutes: *minutes,
                trip_minutes: trip.minutes.ceil() as u32,
                trip_cost: trip.money + trip.minutes * self.costs.technician_minute,
                max_visits: self.costs.spare_units_at(name).unwrap_or(n_laptops),
            });
            self.slot_days.push(*day);
        }
    }

    fn add_items(&mut self) {
        for idx in 0..self.judged.len() {
            let (candidate, work) = &self.judged[idx];
            let (candidate, work) = (*candidate, work.clone());
            let is_past_it =
                candidate.not_before.is_some_and(|day| self.day_number(day.max(self.order.from)).is_none());
            if work.visit_benefit <= 0.0 || is_past_it || self.order.is_booked(&candidate.device_id) {
                continue;
            }
            let site = self.sites.binary_search(&candidate.site.as_str()).unwrap_or(0);
            let before = self.order.before.get(&candidate.device_id);
            let before = before.filter(|day| candidate.is_free_on(**day));
            let stays_at = before.and_then(|day| self.slot_of(site, *day));
            let earliest = candidate.not_before.map_or(0, |first| (first - self.order.from).num_days());
            let parts = self.parts_of(candidate, &work.actions);
            self.problem.items.push(Item {
                site,
                minutes: work.minutes.ceil() as u32,
                benefit_per_day: work.benefit_per_day,
                cost: work.cost,
                parts,
                earliest: u32::try_from(earliest.max(0)).unwrap_or(u32::MAX),
                stays_at,
            });
            self.wanted.push(idx);
        }
    }

    fn slot_of(&self, site: usize, day: NaiveDate) -> Option<usize> {
        (0..self.problem.slots.len())
            .find(|s| self.problem.slots[*s].site == site && self.slot_days[*s] == day)
    }

    /// Parts that run short: a fan always, material only where `stock.csv` counts it.
    fn parts_of(&mut self, candidate: &'a Candidate, actions: &[ServiceAction]) -> Vec<usize> {
        actions.iter().filter_map(|action| self.part_of(candidate, *action)).collect()
    }

    fn part_of(&mut self, candidate: &'a Candidate, action: ServiceAction) -> Option<usize> {
        let row = |model: &str| self.stock.get(&(action.name().to_owned(), model.to_owned())).copied();
        let (model, stocked) = match (row(&candidate.model), row("*")) {
            (Some(own), _) => (candidate.model.as_str(), own),
            (None, Some(of_all)) => ("*", of_all),
            (None, None) if action == ServiceAction::Fan => {
                let lead_days = self.costs.lead_days.ceil() as u32;
                (candidate.model.as_str(), Stocked { in_stock: 0, lead_days })
            }
            (None, None) => return None,
        };
        let name = (action.name(), model);
        let known = self.part_names.iter().position(|n| *n == name);
        Some(known.unwrap_or_else(|| {
            self.part_names.push(name);
            self.problem.parts.push(Part { stock: stocked.in_stock, arrival: stocked.lead_days });
            self.in_stock.push(stocked.in_stock);
            self.n_booked.push(0);
            self.part_names.len() - 1
        }))
    }

    /// What was made today takes its minutes and spare units first; whoever went there is there.
    pub(super) fn take_made(&mut self) {
        for made in &self.order.made {
            let Ok(site) = self.sites.binary_search(&made.site.as_str()) else { continue };
            if let Some(slot) = self.slot_of(site, made.day) {
                self.take(slot, made.minutes);
            }
        }
    }

    /// Booked visits take their minutes, spare units and parts first; their trip is paid already.
    pub(super) fn book(&mut self) {
        for idx in 0..self.judged.len() {
            let (candidate, work) = self.judged[idx].clone();
            if let Some(booking) = self.order.booking_of(&candidate.device_id) {
                self.book_one(candidate, booking.day, work);
            }
        }
        let known: BTreeSet<&str> = self.judged.iter().map(|(c, _)| c.device_id.as_str()).collect();
        let is_gone = |device: &str| self.order.is_booked(device) && !known.contains(device);
        for (device_id, booking) in self.order.booked.iter().filter(|(device, _)| is_gone(device)) {
            self.plan.unkept.push(Visit {
                device_id: device_id.clone(),
                site: String::new(),
                day: booking.day,
                work: self.costs.worth(&NO_FAULTS, &booking.actions),
                why: Why::Booked,
            });
        }
        self.plan.unkept.sort_by(|a, b| a.device_id.cmp(&b.device_id));
    }

    fn book_one(&mut self, candidate: &'a Candidate, day: NaiveDate, work: VisitWorth) {
        for part in self.parts_of(candidate, &work.actions) {
            self.n_booked[part] += 1;
            self.problem.parts[part].stock = self.problem.parts[part].stock.saturating_sub(1);
        }
        let site = self.sites.binary_search(&candidate.site.as_str()).unwrap_or(0);
        let is_kept = match self.slot_of(site, day) {
            _ if !candidate.is_free_on(day) => false,
            Some(slot) => {
                self.take(slot, work.minutes.ceil() as u32);
                true
            }
            None => self.day_number(day).is_none() && is_there(self.hours, self.costs, &candidate.site, day),
        };
        if is_kept {
            self.push(candidate, day, work, Why::Booked);
        } else {
            let (device_id, site) = (candidate.device_id.clone(), candidate.site.clone());
            self.plan.unkept.push(Visit { device_id, site, day, work, why: Why::Booked });
        }
    }

    pub(super) fn place(&mut self, solution: &Solution) {
        (self.plan.benefit, self.plan.bound) = (solution.benefit, solution.bound);
        for (item, slot) in solution.assignment.iter().enumerate() {
            let (candidate, work) = self.judged[self.wanted[item]].clone();
            if let Some(slot) = *slot {
                let minutes = self.problem.items[item].minutes;
                self.take(slot, minutes);
                self.push(candidate, self.slot_days[slot], work, Why::Benefit);
            }
        }
        self.assignment.clone_from(&solution.assignment);
    }

    fn take(&mut self, slot: usize, minutes: u32) {
        let offered = &mut self.problem.slots[slot];
        offered.minutes = offered.minutes.saturating_sub(minutes + offered.trip_minutes);
        (offered.trip_minutes, offered.trip_cost) = (0, 0.0);
        offered.max_visits = offered.max_visits.saturating_sub(1);
    }

    fn push(&mut self, candidate: &Candidate, day: NaiveDate, work: VisitWorth, why: Why) {
        let (device_id, site) = (candidate.device_id.clone(), candidate.site.clone());
        self.plan.visits.push(Visit { device_id, site, day, work, why });
    }

    /// Draws among the judged laptops that nobody wants to visit, by a lot that neither judgement nor benefit touches, and
    /// puts them where somebody goes anyway and has time left.
    pub(super) fn draw_random(&mut self) {
        let look = self.costs.worth(&NO_FAULTS, &[]);
        let minutes = look.minutes.ceil() as u32;
        let taken: BTreeSet<usize> = self.wanted.iter().copied().collect();
        let free = (0..self.judged.len())
            .filter(|i| !taken.contains(i) && !self.order.is_booked(&self.judged[*i].0.device_id));
        let mut lots: Vec<([u8; 32], usize)> =
            free.map(|i| (lot(self.order.from, &self.judged[i].0.device_id), i)).collect();
        lots.sort_unstable();
        for (_, idx) in lots.into_iter().take(self.order.n_random) {
            let candidate = self.judged[idx].0;
            let goes_there = |s: &usize| {
                let offered = &self.problem.slots[*s];
                let has_trip =
                    self.plan.visits.iter().any(|v| v.day == self.slot_days[*s] && v.site == candidate.site);
                self.sites[offered.site] == candidate.site
                    && candidate.is_free_on(self.slot_days[*s])
                    && has_trip
                    && offered.minutes >= minutes
                    && offered.max_visits > 0
            };
            if let Some(slot) = (0..self.problem.slots.len()).find(goes_there) {
                self.take(slot, minutes);
                self.push(candidate, self.slot_days[slot], look.clone(), Why::Random);
            }
        }
    }

    pub(super) fn finish(mut self) -> Plan {
        self.plan.orders = self.orders();
        self.plan.waiting = self.waiting();
        self.plan.visits.sort_by(|a, b| (a.day, &a.site, &a.device_id).cmp(&(b.day, &b.site, &b.device_id)));
        self.plan.waiting.sort_by(|a, b| {
            b.waiting_cost.total_cmp(&a.waiting_cost).then_with(|| a.device_id.cmp(&b.device_id))
        });
        self.plan
    }

    /// Who has no place, and for what each waits.
    fn waiting(&self) -> Vec<Waiting> {
        let n_days = f64::from(self.order.n_days.min(MAX_DAYS));
        let parts_left = parts_left(&self.problem, &self.assignment);
        let unplaced = self.assignment.iter().enumerate().filter(|(_, slot)| slot.is_none());
        let waits = unplaced.map(|(item, _)| {
            let (candidate, work) = self.judged[self.wanted[item]].clone();
            Waiting {
                device_id: candidate.device_id.clone(),
                site: candidate.site.clone(),
                waiting_cost: work.benefit_per_day * n_days,
                waits_for: if candidate.site.is_empty() {
                    WaitsFor::Site
                } else {
                    waits_for(&self.problem, &parts_left, item)
                },
                work,
            }
        });
        waits.collect()
    }

    /// What visits take beyond the stock: booked ones first, then planned, then waiting.
    fn orders(&self) -> Vec<PartOrder> {
        let (mut n_planned, mut n_waiting) = (self.n_booked.clone(), vec![0_u32; self.part_names.len()]);
        for (item, slot) in self.problem.items.iter().zip(&self.assignment) {
            let needed = if slot.is_some() { &mut n_planned } else { &mut n_waiting };
            item.parts.iter().for_each(|p| needed[*p] += 1);
        }
        let mut orders = Vec::new();
        for (idx, (part, model)) in self.part_names.iter().enumerate() {
            let in_all = (n_planned[idx] + n_waiting[idx]).saturating_sub(self.in_stock[idx]);
            let n_planned = n_planned[idx].saturating_sub(self.in_stock[idx]);
            if in_all > 0 {
                let lead_days = self.problem.parts[idx].arrival;
                let model = (*model).to_owned();
                orders.push(PartOrder { part, model, n_planned, n_waiting: in_all - n_planned, lead_days });
            }
        }
        orders.sort_by(|a, b| (a.part, &a.model).cmp(&(b.part, &b.model)));
        orders
    }
}

/// Whether a technician is at a site on a day.
pub(super) fn is_there(hours: &Hours, costs: &Costs, site: &str, day: NaiveDate) -> bool {
    let minutes = hours.get(&(site.to_owned(), day)).copied().unwrap_or_default();
    minutes > 0 && !costs.is_day_off(site, day)
}

/// What would be done at a laptop: what it was told where it is booked, else what is advised. `None`: a check, no visit.
fn work(candidate: &Candidate, costs: &Costs, order: &Order) -> Option<VisitWorth> {
    let faults = candidate.advice.faults();
    if let Some(booking) = order.booking_of(&candidate.device_id) {
        return Some(costs.worth(&faults, &booking.actions));
    }
    match &candidate.advice {
        Advice::Visit { actions, .. } => Some(costs.worth(&faults, actions)),
        Advice::Leave => Some(costs.worth(&faults, &[])),
        Advice::CheckAgain => None,
    }
}

/// A laptop's lot: the same for all plans that begin in one week, so that a plan made anew draws no others.
fn lot(from: NaiveDate, device_id: &str) -> [u8; 32] {
    use sha2::Digest as _;
    let week = from.iso_week();
    sha2::Sha256::digest(format!("windrow-random-visit/1\n{week:?}\n{device_id}")).into()
}
