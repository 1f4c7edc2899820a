//! Finds a plan: fill the days by prices, then improve until no move helps.
//!
//! The moves, and why these: the fixed charge makes whole days worth opening or closing; within a day it is a knapsack,
//! which is small enough to be solved exactly; between days it is an exchange.
//!
//! - *insert, relocate*: a waiting laptop gets a place; a planned one gets a better day.
//! - *exchange*: two planned laptops change days, or a waiting one takes a planned one's place.
//! - *refill*: one day is filled anew, exactly, by dynamic programming over its minutes from its own, the waiting and the
//!   later laptops; who is pushed out looks for another place. Kept where the whole gets better, else undone.
//! - *close*: a day is emptied and its laptops look for other places; kept where the trip saved is worth it.
//!
//! Every loop has a limit that counts moves, never time, so that the same input always gives the same plan.

mod reopen;

use super::bound::Prices;
use super::knapsack::knapsack;
use super::problem::{Assignment, ItemIdx, Problem, SlotIdx};

/// Rounds of all moves over all sites. Ends earlier, where a round helps nothing; beyond it little is gained.
const MAX_ROUNDS: usize = 12;
/// Exchanges tried in one round, shared by the sites: some hundredths of a second.
const MAX_EXCHANGES: usize = 4_000_000;
/// A round that gains less than this share is the last.
const MIN_RELATIVE_GAIN: f64 = 1e-4;
/// Laptops at a site, above which no day is closed on trial: with so many a day is full, and each trial is long.
const MAX_FOR_CLOSE: usize = 600;
/// Laptops that one refill chooses from, as a multiple of what fits.
const POOL_FACTOR: u64 = 4;
/// Cells of one refill's table: 1 MB.
const MAX_CELLS: usize = 1_000_000;
/// Steps of a refill's minutes: longer days are counted in coarser steps, rounded to the safe side.
const MAX_STEPS: i64 = 2000;
/// What is less is rounding, not gain, money.
const MIN_GAIN: f64 = 1e-6;

/// A plan in the making: what is placed and what is left of everything.
struct Draft<'a> {
    problem: &'a Problem,
    prices: &'a Prices,
    by_site: Vec<Vec<SlotIdx>>,
    items_of_site: Vec<Vec<ItemIdx>>,
    at: Assignment,
    placed: Vec<Vec<ItemIdx>>,
    minutes_left: Vec<i64>,
    visits_left: Vec<i64>,
    part_left: Vec<i64>,
    total: f64,
}

/// A first plan: the days filled by the prices, nothing improved.
pub(super) fn filled(problem: &Problem, prices: &Prices) -> Assignment {
    let mut draft = Draft::empty(problem, prices);
    draft.fill();
    draft.at
}

/// The best plan found from nothing, or from `start` where one is given.
pub(super) fn search(problem: &Problem, prices: &Prices, start: Option<&Assignment>) -> Assignment {
    let mut draft = Draft::empty(problem, prices);
    if let Some(start) = start {
        for (item, slot) in start.iter().enumerate() {
            if let Some(slot) = slot.filter(|s| draft.fits(item, *s)) {
                draft.place(item, slot);
            }
        }
    }
    draft.fill();
    draft.improve();
    draft.reopen_days();
    draft.improve();
    draft.at
}

impl<'a> Draft<'a> {
    fn empty(problem: &'a Problem, prices: &'a Prices) -> Self {
        let by_site = problem.slots_by_site();
        let mut items_of_site = problem.items_by_site();
        for items in &mut items_of_site {
            sort_by_benefit(problem, items);
        }
        Self {
            problem,
            prices,
            by_site,
            items_of_site,
            at: vec![None; problem.items.len()],
            placed: vec![Vec::new(); problem.slots.len()],
            minutes_left: problem
                .slots
                .iter()
                .map(|s| i64::from(s.minutes) - i64::from(s.trip_minutes))
                .collect(),
            visits_left: problem.slots.iter().map(|s| i64::from(s.max_visits)).collect(),
            part_left: problem.parts.iter().map(|p| i64::from(p.stock)).collect(),
            total: 0.0,
        }
    }

    fn uses_stock(&self, part: usize, slot: SlotIdx) -> bool {
        self.problem.slots[slot].day < self.problem.parts[part].arrival
    }

    /// Whether it may be there on that day, and its parts are.
    fn is_ready(&self, item: ItemIdx, slot: SlotIdx) -> bool {
        let has_part = |p: &usize| !self.uses_stock(*p, slot) || self.part_left[*p] > 0;
        !self.problem.is_too_early(item, slot) && self.problem.items[item].parts.iter().all(has_part)
    }

    fn fits(&self, item: ItemIdx, slot: SlotIdx) -> bool {
        i64::from(self.problem.items[item].minutes) <= self.minutes_left[slot]
            && self.visits_left[slot] > 0
            && self.is_ready(item, slot)
    }

    /// What placing it adds, the trip of a day that nobody goes yet included.
    fn gain(&self, item: ItemIdx, slot: SlotIdx) -> f64 {
        let trip = if self.placed[slot].is_empty() { self.problem.slots[slot].trip_cost } else { 0.0 };
        self.problem.value(item, slot) - trip
    }

    fn place(&mut self, item: ItemIdx, slot: SlotIdx) {
        self.total += self.gain(item, slot);
        self.placed[slot].push(item);
        self.at[item] = Some(slot);
        self.take(item, slot, 1);
    }

    fn remove(&mut self, item: ItemIdx) -> Option<SlotIdx> {
        let slot = self.at[item].take()?;
        self.placed[slot].retain(|i| *i != item);
        self.total -= self.gain(item, slot);
        self.take(item, slot, -1);
        Some(slot)
    }

    fn take(&mut self, item: ItemIdx, slot: SlotIdx, sign: i64) {
        let problem = self.problem;
        let wanted = &problem.items[item];
        self.minutes_left[slot] -= sign * i64::from(wanted.minutes);
        self.visits_left[slot] -= sign;
        for part in &wanted.parts {
            if self.uses_stock(*part, slot) {
                self.part_left[*part] -= sign;
            }
        }
    }

    /// First fill: by what a laptop is worth beyond the prices, best first, and then whoever still fits.
    fn fill(&mut self) {
        let mut order: Vec<(f64, ItemIdx)> =
            self.waiting(0..self.problem.items.len()).map(|i| (self.best_net(i), i)).collect();
        order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        for (_, item) in order {
            let nets =
                self.slots_of(item).filter(|s| self.fits(item, **s) && self.problem.value(item, **s) > 0.0);
            let nets = nets.map(|s| (self.prices.net_value(self.problem, item, *s), *s));
            if let Some((_, slot)) = nets.max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1))) {
                self.place(item, slot);
            }
        }
    }

    fn waiting(&self, items: impl Iterator<Item = ItemIdx>) -> impl Iterator<Item = ItemIdx> {
        items.filter(|i| self.at[*i].is_none())
    }

    fn slots_of(&self, item: ItemIdx) -> std::slice::Iter<'_, SlotIdx> {
        self.by_site[self.problem.items[item].site].iter()
    }

    fn best_net(&self, item: ItemIdx) -> f64 {
        self.slots_of(item)
            .map(|s| self.prices.net_value(self.problem, item, *s))
            .fold(f64::NEG_INFINITY, f64::max)
            / f64::from(self.problem.items[item].minutes.max(1))
    }

    fn improve(&mut self) {
        for _ in 0..MAX_ROUNDS {
            let before = self.total;
            for site in 0..self.by_site.len() {
                self.improve_site(site);
            }
            if self.total <= before + MIN_GAIN + MIN_RELATIVE_GAIN * before.abs() {
                break;
            }
        }
    }

    fn improve_site(&mut self, site: usize) {
        let slots = self.by_site[site].clone();
        for slot in &slots {
            self.try_change(site, |draft| draft.refill(site, *slot, Worth::AtPrices));
            self.try_change(site, |draft| draft.refill(site, *slot, Worth::AsPlaced));
        }
        self.exchange(site);
        self.relocate_and_insert(site);
        let may_close = self.items_of_site[site].len() <= MAX_FOR_CLOSE;
        for slot in slots.iter().rev().filter(|_| may_close) {
            if !self.placed[*slot].is_empty() {
                self.try_change(site, |draft| draft.close(site, *slot));
            }
        }
    }

    /// Makes a change of one site, and undoes it where the whole got no better.
    fn try_change(&mut self, site: usize, change: impl FnOnce(&mut Self)) -> bool {
        let before: Vec<(ItemIdx, SlotIdx)> = self.placed_at(site);
        let total = self.total;
        change(self);
        let is_better = self.total > total + MIN_GAIN;
        if !is_better {
            for (item, _) in self.placed_at(site) {
                self.remove(item);
            }
            for (item, slot) in before {
                self.place(item, slot);
            }
            // The same sum again in the same order, without the rounding of the way there and back.
            self.total = total;
        }
        is_better
    }

    fn placed_at(&self, site: usize) -> Vec<(ItemIdx, SlotIdx)> {
        self.by_site[site].iter().flat_map(|s| self.placed[*s].iter().map(|i| (*i, *s))).collect()
    }

    /// Everybody of the site moves to a better day or gets a place, while that helps.
    fn relocate_and_insert(&mut self, site: usize) {
        for idx in 0..self.items_of_site[site].len() {
            self.place_best(self.items_of_site[site][idx]);
        }
    }

    /// Takes the laptop out and puts it where it adds most, or leaves it waiting.
    fn place_best(&mut self, item: ItemIdx) {
        let was = self.remove(item);
        let stays = was.map_or(0.0, |slot| self.gain(item, slot));
        let gains = self.slots_of(item).filter(|s| self.fits(item, **s)).map(|s| (self.gain(item, *s), *s));
        let best = gains.max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
        match (best, was) {
            (Some((gain, slot)), _) if gain > stays.max(0.0) + MIN_GAIN => self.place(item, slot),
            (_, Some(slot)) if stays >= 0.0 => self.place(item, slot),
            _ => {}
        }
    }

    fn close(&mut self, site: usize, slot: SlotIdx) {
        let mut out: Vec<ItemIdx> = self.placed[slot].clone();
        let visits_left = std::mem::replace(&mut self.visits_left[slot], 0);
        for item in &out {
            self.remove(*item);
        }
        // Nobody may come back here while the others are placed.
        let back = std::mem::replace(&mut self.visits_left[slot], 0);
        sort_by_benefit(self.problem, &mut out);
        for item in out {
            self.place_best(item);
        }
        self.visits_left[slot] = back + visits_left;
        for other in self.by_site[site].clone() {
            if other != slot && !self.placed[other].is_empty() {
                self.refill(site, other, Worth::AsPlaced);
            }
        }
    }

    /// Fills one day anew from its own, the waiting and the other days' laptops.
    fn refill(&mut self, site: usize, slot: SlotIdx, worth: Worth) {
        let own = self.placed[slot].clone();
        let pool = self.pool(site, slot, worth);
        let minutes = self.minutes_left[slot]
            + own.iter().map(|i| i64::from(self.problem.items[*i].minutes)).sum::<i64>();
        let visits = self.visits_left[slot] + i64::try_from(own.len()).unwrap_or(i64::MAX / 2);
        let chosen = choose(self.problem, &pool, minutes, visits);
        for item in own.iter().chain(&chosen) {
            self.remove(*item);
        }
        for item in &chosen {
            if self.fits(*item, slot) {
                self.place(*item, slot);
            }
        }
        // The pushed out first, then the waiting take what the chosen left behind.
        let mut pushed_out: Vec<ItemIdx> = own.into_iter().filter(|i| self.at[*i].is_none()).collect();
        sort_by_benefit(self.problem, &mut pushed_out);
        for item in pushed_out {
            self.place_best(item);
        }
        self.insert_waiting(site);
    }

    /// Waiting laptops take what room there is, those with most benefit by the minute first.
    fn insert_waiting(&mut self, site: usize) {
        let most_left = |draft: &Self| {
            let with_visits = draft.by_site[site].iter().filter(|s| draft.visits_left[**s] > 0);
            with_visits.map(|s| draft.minutes_left[*s]).max().unwrap_or(0)
        };
        let mut most = most_left(self);
        for idx in 0..self.items_of_site[site].len() {
            let item = self.items_of_site[site][idx];
            if self.at[item].is_none() && i64::from(self.problem.items[item].minutes) <= most {
                self.place_best(item);
                if self.at[item].is_some() {
                    most = most_left(self);
                }
            }
        }
    }

    /// Who may be chosen for a day and what that is worth, best by the minute first.
    fn pool(&self, site: usize, slot: SlotIdx, worth: Worth) -> Vec<(ItemIdx, f64)> {
        let worths = self.items_of_site[site].iter().map(|i| (*i, self.worth_at(*i, slot, worth)));
        let mut pool: Vec<(ItemIdx, f64)> = worths.filter(|(_, worth)| *worth > 0.0).collect();
        let per_minute =
            |(item, worth): (ItemIdx, f64)| worth / f64::from(self.problem.items[item].minutes.max(1));
        pool.sort_by(|a, b| per_minute(*b).total_cmp(&per_minute(*a)).then(a.0.cmp(&b.0)));
        let mut part_left = self.part_left.clone();
        for item in &self.placed[slot] {
            self.problem.items[*item]
                .parts
                .iter()
                .for_each(|p| part_left[*p] += i64::from(self.uses_stock(*p, slot)));
        }
        let offered = u64::from(self.problem.slots[slot].minutes);
        let mut minutes = 0;
        pool.retain(|(item, _)| {
            let wanted = &self.problem.items[*item];
            let is_own = self.at[*item] == Some(slot);
            let has_parts = wanted.parts.iter().all(|p| !self.uses_stock(*p, slot) || part_left[*p] > 0);
            let is_ready = has_parts && !self.problem.is_too_early(*item, slot);
            let is_in = is_ready && (is_own || minutes < POOL_FACTOR * offered);
            if is_in {
                minutes += u64::from(wanted.minutes);
                wanted.parts.iter().for_each(|p| part_left[*p] -= i64::from(self.uses_stock(*p, slot)));
            }
            is_in
        });
        pool
    }

    fn worth_at(&self, item: ItemIdx, slot: SlotIdx, worth: Worth) -> f64 {
        let here = self.problem.value(item, slot);
        let elsewhere = match worth {
            Worth::AsPlaced => match self.at[item] {
                Some(other) if other != slot => self.problem.value(item, other),
                _ => 0.0,
            },
            Worth::AtPrices => self
                .slots_of(item)
                .filter(|s| **s != slot)
                .map(|s| self.prices.net_value(self.problem, item, *s))
                .fold(0.0, f64::max),
        };
        here - elsewhere
    }

    /// Planned laptops change days with each other, waiting ones take the places of planned ones.
    fn exchange(&mut self, site: usize) {
        let placed: Vec<ItemIdx> = self.placed_at(site).into_iter().map(|(item, _)| item).collect();
        let n_others =
            self.items_of_site[site].len().min(MAX_EXCHANGES / self.by_site.len() / placed.len().max(1));
        for a in placed {
            for idx in 0..n_others {
                self.try_exchange(a, self.items_of_site[site][idx]);
            }
        }
    }

    fn try_exchange(&mut self, a: ItemIdx, b: ItemIdx) {
        let Some(at_a) = self.at[a] else { return };
        let at_b = self.at[b];
        if a == b || at_b == Some(at_a) {
            return;
        }
        let value = |item, slot| self.problem.value(item, slot);
        let gain = value(b, at_a) - value(a, at_a) + at_b.map_or(0.0, |s| value(a, s) - value(b, s));
        let longer = i64::from(self.problem.items[b].minutes) - i64::from(self.problem.items[a].minutes);
        let has_room =
            longer <= self.minutes_left[at_a] && at_b.is_none_or(|s| -longer <= self.minutes_left[s]);
        if gain <= MIN_GAIN || !has_room {
            return;
        }
        self.remove(a);
        self.remove(b);
        let fits = self.is_ready(b, at_a);
        if fits {
            self.place(b, at_a);
        }
        let both_fit = fits && at_b.is_none_or(|s| self.is_ready(a, s));
        if both_fit {
            if let Some(at_b) = at_b {
                self.place(a, at_b);
            }
        } else {
            self.remove(b);
            self.place(a, at_a);
            if let Some(at_b) = at_b {
                self.place(b, at_b);
            }
        }
    }
}

fn sort_by_benefit(problem: &Problem, items: &mut [ItemIdx]) {
    let per_minute = |i: ItemIdx| {
        let wanted = &problem.items[i];
        wanted.benefit_per_day / f64::from(wanted.minutes.max(1))
    };
    items.sort_by(|a, b| per_minute(*b).total_cmp(&per_minute(*a)).then(a.cmp(b)));
}

/// What a laptop is worth to a day that is filled anew.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Worth {
    /// More than anywhere else, where minutes and parts have their prices: looks past what is placed now.
    AtPrices,
    /// More than where it is placed now: never makes the whole worse.
    AsPlaced,
}

/// The choice of the highest worth within the minutes and visits: the 0/1 knapsack by dynamic programming (R. Bellman,
/// 1957), exact where the day has at most [`MAX_STEPS`] minutes and its table fits. Where the visits are too many for a
/// table of their own, each gets a price that is raised until they suffice.
fn choose(problem: &Problem, pool: &[(ItemIdx, f64)], minutes: i64, visits: i64) -> Vec<ItemIdx> {
    let (minutes, visits) = (minutes.max(0), visits.max(0) as usize);
    let step = ((minutes + MAX_STEPS - 1) / MAX_STEPS).max(1);
    let width = (minutes / step + 1) as usize;
    let pool = &pool[..pool.len().min(MAX_CELLS / width)];
    let steps_of = |item: ItemIdx| ((i64::from(problem.items[item].minutes) + step - 1) / step) as usize;
    let weighed: Vec<(usize, f64)> = pool.iter().map(|(i, worth)| (steps_of(*i), *worth)).collect();
    let free = knapsack(&weighed, width, None);
    let picked = if free.len() <= visits {
        free
    } else if (visits + 1) * width * pool.len() <= MAX_CELLS {
        knapsack(&weighed, width, Some(visits))
    } else {
        knapsack_at_price(&weighed, width, visits)
    };
    picked.into_iter().map(|idx| pool[idx].0).collect()
}

/// Raises the price of a visit until no more are chosen than may be.
fn knapsack_at_price(weighed: &[(usize, f64)], width: usize, visits: usize) -> Vec<usize> {
    /// Halvings of the price's range: the rest is a ten-thousandth of the highest worth.
    const HALVINGS: usize = 13;
    let mut range = (0.0, weighed.iter().map(|(_, worth)| *worth).fold(0.0, f64::max));
    let mut best = Vec::new();
    for _ in 0..HALVINGS {
        let price = 0.5 * (range.0 + range.1);
        let priced: Vec<(usize, f64)> =
            weighed.iter().map(|(steps, worth)| (*steps, worth - price)).collect();
        let picked = knapsack(&priced, width, None);
        if picked.len() > visits {
            range.0 = price;
        } else {
            range.1 = price;
            best = picked;
        }
    }
    best
}
