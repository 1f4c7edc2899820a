//! Servicing rounds: who is visited where and when for what, which parts to order, and what waiting costs.
//!
//! [`plan`] is a pure function of candidates, hours, stock and costs: no clock, no file, no database, and the same input
//! always gives the same plan. docs/rounds.md tells the method and what was measured. Not here yet: the store of planned
//! and booked rounds, calendar, work sheets, command and route.

pub mod bound;
pub mod hours;
pub mod problem;
pub mod search;
#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use windrow_model::trace::fleet::ServiceAction;

use self::hours::{Hours, Stock, Stocked};
use self::problem::{Assignment, Item, Part, Problem, Slot};
use crate::costs::{Costs, FaultProbabilities, VisitWorth};

/// Longest plan, days.
pub const MAX_DAYS: u32 = 92;
/// A fresh plan replaces the steadied one only where it is better by this share; our choice.
const WORTH_A_NEW_PLAN: f64 = 0.005;

/// A judged laptop, as the planner needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The laptop.
    pub device_id: String,
    /// Its site.
    pub site: String,
    /// What a person calls its model: parts are stocked by it.
    pub model: String,
    /// How likely each fault is; `None`: it cannot be judged, and is to be checked again, not visited.
    pub faults: Option<FaultProbabilities>,
}

/// What is fixed before planning.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// First day.
    pub from: NaiveDate,
    /// How many days.
    pub n_days: u32,
    /// Visits that are booked and stay so, by laptop.
    pub booked: BTreeMap<String, NaiveDate>,
    /// The plan before, by laptop: moving costs.
    pub before: BTreeMap<String, NaiveDate>,
    /// How many random visits keep the calibration honest; 0: none.
    pub n_random: usize,
}

/// Why a visit takes place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// It is worth it.
    Benefit,
    /// Booked before.
    Booked,
    /// Drawn by lot, whatever its condition.
    Random,
}

/// A planned visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Visit {
    /// The laptop.
    pub device_id: String,
    /// Where.
    pub site: String,
    /// When.
    pub day: NaiveDate,
    /// What is done and what it is worth. A random visit has no action: it is looked at and checked.
    pub work: VisitWorth,
    /// Why.
    pub why: Why,
}

/// A laptop that doesn't fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Waiting {
    /// The laptop.
    pub device_id: String,
    /// Its site.
    pub site: String,
    /// What would be done.
    pub work: VisitWorth,
    /// What waiting until after the plan's last day costs, money.
    pub waiting_cost: f64,
}

/// Parts to order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartOrder {
    /// The part, named after the action that takes it.
    pub part: &'static str,
    /// The model that it fits.
    pub model: String,
    /// How many.
    pub n: u32,
    /// Days until they are there.
    pub lead_days: u32,
}

/// The plan.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Plan {
    /// Visits by day, site and laptop.
    pub visits: Vec<Visit>,
    /// Worth a visit, but without a place; the costliest wait first.
    pub waiting: Vec<Waiting>,
    /// To be checked again, remotely.
    pub retests: Vec<String>,
    /// Parts to order now.
    pub orders: Vec<PartOrder>,
    /// Benefit of the visits less the trips, money.
    pub benefit: f64,
    /// No plan for the same input reaches more than this, money. Booked and random visits are not counted in either.
    pub bound: f64,
}

/// Plans the rounds.
pub fn plan(candidates: &[Candidate], hours: &Hours, stock: &Stock, costs: &Costs, order: &Order) -> Plan {
    let mut draft = Draft::new(candidates, hours, stock, costs, order);
    draft.book();
    let assignment = draft.solve();
    draft.place(&assignment);
    draft.draw_random();
    draft.finish()
}

/// What is known while planning.
struct Draft<'a> {
    costs: &'a Costs,
    order: &'a Order,
    stock: &'a Stock,
    judged: Vec<(&'a Candidate, VisitWorth)>,
    sites: Vec<&'a str>,
    slot_days: Vec<NaiveDate>,
    wanted: Vec<usize>,
    part_names: Vec<(&'static str, &'a str)>,
    problem: Problem,
    plan: Plan,
}

impl<'a> Draft<'a> {
    fn new(
        candidates: &'a [Candidate],
        hours: &'a Hours,
        stock: &'a Stock,
        costs: &'a Costs,
        order: &'a Order,
    ) -> Self {
        let mut sorted: Vec<&Candidate> = candidates.iter().collect();
        sorted.sort_by(|a, b| a.device_id.cmp(&b.device_id));
        sorted.dedup_by(|a, b| a.device_id == b.device_id);
        let retests = sorted.iter().filter(|c| c.faults.is_none()).map(|c| c.device_id.clone()).collect();
        let judged: Vec<(&Candidate, VisitWorth)> =
            sorted.into_iter().filter_map(|c| Some((c, costs.best_visit(c.faults.as_ref()?)))).collect();
        let sites: BTreeSet<&str> = judged.iter().map(|(c, _)| c.site.as_str()).collect();
        let mut draft = Self {
            costs,
            order,
            stock,
            judged,
            sites: sites.into_iter().collect(),
            slot_days: Vec::new(),
            wanted: Vec::new(),
            part_names: Vec::new(),
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

    fn day_number(&self, day: NaiveDate) -> Option<u32> {
        let offset = (day - self.order.from).num_days();
        u32::try_from(offset).ok().filter(|d| *d < self.order.n_days.min(MAX_DAYS))
    }

    fn add_slots(&mut self, hours: &Hours) {
        for ((name, day), minutes) in hours {
            let Ok(site) = self.sites.binary_search(&name.as_str()) else { continue };
            let Some(number) = self.day_number(*day) else { continue };
            if self.costs.is_day_off(name, *day) {
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
            if work.visit_benefit <= 0.0 || self.order.booked.contains_key(&candidate.device_id) {
                continue;
            }
            let site = self.sites.binary_search(&candidate.site.as_str()).unwrap_or(0);
            let before = self.order.before.get(&candidate.device_id);
            let stays_at = before.and_then(|day| self.slot_of(site, *day));
            let parts = self.parts_of(candidate, &work.actions);
            self.problem.items.push(Item {
                site,
                minutes: work.minutes.ceil() as u32,
                benefit_per_day: work.benefit_per_day,
                cost: work.cost,
                parts,
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
            self.part_names.len() - 1
        }))
    }

    /// Booked visits take their minutes, spare units and parts first; their trip is paid already.
    fn book(&mut self) {
        for idx in 0..self.judged.len() {
            let (candidate, work) = self.judged[idx].clone();
            let Some(day) = self.order.booked.get(&candidate.device_id).copied() else { continue };
            if self.day_number(day).is_none() {
                continue;
            }
            let parts = self.parts_of(candidate, &work.actions);
            let site = self.sites.binary_search(&candidate.site.as_str()).unwrap_or(0);
            if let Some(slot) = self.slot_of(site, day) {
                let offered = &mut self.problem.slots[slot];
                let needed = work.minutes.ceil() as u32 + offered.trip_minutes;
                offered.minutes = offered.minutes.saturating_sub(needed);
                (offered.trip_minutes, offered.trip_cost) = (0, 0.0);
                offered.max_visits = offered.max_visits.saturating_sub(1);
            }
            for part in parts {
                self.problem.parts[part].stock = self.problem.parts[part].stock.saturating_sub(1);
            }
            self.push(candidate, day, work, Why::Booked);
        }
    }

    /// Solves anew and from the plan before; the plan before wins unless the new one is clearly better.
    fn solve(&mut self) -> Assignment {
        let prices = bound::prices(&self.problem, 0.0);
        let fresh = search::search(&self.problem, &prices, None);
        let before: Assignment = self.problem.items.iter().map(|i| i.stays_at).collect();
        let had_plan = before.iter().any(Option::is_some);
        let chosen = if had_plan {
            let steadied = search::search(&self.problem, &prices, Some(&before));
            let (fresh_worth, worth) = (self.problem.objective(&fresh), self.problem.objective(&steadied));
            if fresh_worth > worth + WORTH_A_NEW_PLAN * worth.abs() { fresh } else { steadied }
        } else {
            fresh
        };
        // The bonus for staying is no benefit: neither the worth nor the bound that is told counts it.
        self.problem.stay_bonus = 0.0;
        self.plan.benefit = self.problem.objective(&chosen);
        self.plan.bound = bound::prices(&self.problem, self.plan.benefit).bound;
        chosen
    }

    fn place(&mut self, assignment: &Assignment) {
        for (item, slot) in assignment.iter().enumerate() {
            let (candidate, work) = self.judged[self.wanted[item]].clone();
            if let Some(slot) = *slot {
                let minutes = self.problem.items[item].minutes;
                self.take(slot, minutes);
                self.push(candidate, self.slot_days[slot], work, Why::Benefit);
            } else {
                let n_days = f64::from(self.order.n_days.min(MAX_DAYS));
                self.plan.waiting.push(Waiting {
                    device_id: candidate.device_id.clone(),
                    site: candidate.site.clone(),
                    waiting_cost: work.benefit_per_day * n_days,
                    work,
                });
            }
        }
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
    fn draw_random(&mut self) {
        let none = FaultProbabilities { clogged: 0.0, fan: 0.0, contact: 0.0 };
        let look = self.costs.worth(&none, &[]);
        let minutes = look.minutes.ceil() as u32;
        let taken: BTreeSet<usize> = self.wanted.iter().copied().collect();
        let free = (0..self.judged.len())
            .filter(|i| !taken.contains(i) && !self.order.booked.contains_key(&self.judged[*i].0.device_id));
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

    fn finish(mut self) -> Plan {
        self.plan.orders = self.orders();
        self.plan.visits.sort_by(|a, b| (a.day, &a.site, &a.device_id).cmp(&(b.day, &b.site, &b.device_id)));
        self.plan.waiting.sort_by(|a, b| {
            b.waiting_cost.total_cmp(&a.waiting_cost).then_with(|| a.device_id.cmp(&b.device_id))
        });
        self.plan
    }

    /// What planned and waiting visits take beyond the stock.
    fn orders(&self) -> Vec<PartOrder> {
        let mut needed = vec![0_u32; self.part_names.len()];
        for item in &self.problem.items {
            item.parts.iter().for_each(|p| needed[*p] += 1);
        }
        let mut orders = Vec::new();
        for (idx, (part, model)) in self.part_names.iter().enumerate() {
            let Part { stock, arrival } = self.problem.parts[idx];
            let n = needed[idx].saturating_sub(stock);
            if n > 0 {
                orders.push(PartOrder { part, model: (*model).to_owned(), n, lead_days: arrival });
            }
        }
        orders.sort_by(|a, b| (a.part, &a.model).cmp(&(b.part, &b.model)));
        orders
    }
}

/// A laptop's lot for a plan that begins on a day.
fn lot(from: NaiveDate, device_id: &str) -> [u8; 32] {
    use sha2::Digest as _;
    sha2::Sha256::digest(format!("windrow-random-visit/1\n{from}\n{device_id}")).into()
}
