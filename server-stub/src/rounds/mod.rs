//! Servicing rounds: who is visited where and when for what, which parts to order, and what waiting costs.
//!
//! [`plan`] is a pure function of candidates, hours, stock and costs: no clock, no file, no database, and the same input
//! always gives the same plan. docs/rounds.md tells the method and what was measured.

pub mod advised;
mod bound;
pub mod calendar;
#[cfg(test)]
mod calendar_tests;
pub mod code;
pub mod desk;
pub mod dispatch;
pub mod document;
mod draft;
pub mod hours;
mod knapsack;
pub mod problem;
mod search;
pub mod sheet;
pub mod steps;
#[cfg(test)]
mod tests;
mod tighten;
mod waits;
pub mod worked;

use std::collections::BTreeMap;

use chrono::NaiveDate;
use windrow_model::trace::fleet::ServiceAction;

use self::bound::Prices;
use self::draft::Draft;
use self::hours::{Hours, Stock};
use self::problem::{Assignment, Problem};
pub use self::waits::WaitsFor;
use crate::costs::{Costs, FaultProbabilities, VisitWorth};

/// Longest plan, days.
pub const MAX_DAYS: u32 = 92;
/// The plan before is given up only where it is further than this below the bound, and a fresh one is better by as much;
/// our choice.
const WORTH_A_NEW_PLAN: f64 = 0.02;

/// A judged laptop, as the planner needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The laptop.
    pub device_id: String,
    /// Its site.
    pub site: String,
    /// What a person calls its model: parts are stocked by it.
    pub model: String,
    /// What the judgement advises.
    pub advice: Advice,
    /// First day on which it may be visited, where it is snoozed until then.
    pub not_before: Option<NaiveDate>,
}

impl Candidate {
    /// Whether it may be visited on a day.
    fn is_free_on(&self, day: NaiveDate) -> bool {
        self.not_before.is_none_or(|first| first <= day)
    }
}

/// What the judgement advises for a laptop.
#[derive(Debug, Clone, PartialEq)]
pub enum Advice {
    /// A visit, one for all faults that are suspected.
    Visit {
        /// What is done, in the order clean, fan, paste.
        actions: Vec<ServiceAction>,
        /// How likely each fault is.
        faults: FaultProbabilities,
    },
    /// Nothing is suspected.
    Leave,
    /// It cannot be judged: a check, not a visit.
    CheckAgain,
}

impl Advice {
    /// The visit of the highest worth, where there is one that is worth it.
    pub fn of(faults: FaultProbabilities, costs: &Costs) -> Self {
        let best = costs.best_visit(&faults);
        if best.visit_benefit > 0.0 { Self::Visit { actions: best.actions, faults } } else { Self::Leave }
    }

    fn faults(&self) -> FaultProbabilities {
        match self {
            Self::Visit { faults, .. } => *faults,
            Self::Leave | Self::CheckAgain => NO_FAULTS,
        }
    }
}

/// Nothing is suspected.
const NO_FAULTS: FaultProbabilities = FaultProbabilities { clogged: 0.0, fan: 0.0, contact: 0.0 };

/// What is fixed before planning.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// First day.
    pub from: NaiveDate,
    /// How many days.
    pub n_days: u32,
    /// Today: a booking before it is past, and its laptop is planned anew.
    pub today: NaiveDate,
    /// Visits that are booked and stay so, by laptop; those on days outside the plan are no part of what is planned.
    pub booked: BTreeMap<String, Booking>,
    /// The plan before, by laptop: moving costs.
    pub before: BTreeMap<String, NaiveDate>,
    /// How many random visits keep the calibration honest; 0: none.
    pub n_random: usize,
    /// Visits of these days that were made already: their minutes and spare units are used, their trips paid.
    pub made: Vec<Made>,
}

/// A visit that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Made {
    /// Where.
    pub site: String,
    /// When.
    pub day: NaiveDate,
    /// Technician minutes that were planned for it.
    pub minutes: u32,
}

/// A visit that somebody has been told of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Booking {
    /// When.
    pub day: NaiveDate,
    /// What will be done.
    pub actions: Vec<ServiceAction>,
}

impl Order {
    /// A first plan from today on: nothing booked, nothing planned before, no random visits.
    pub fn fresh(from: NaiveDate, n_days: u32) -> Self {
        Self {
            from,
            n_days,
            today: from,
            booked: BTreeMap::new(),
            before: BTreeMap::new(),
            n_random: 0,
            made: Vec::new(),
        }
    }

    /// The booking of a laptop, unless its day is past.
    fn booking_of(&self, device_id: &str) -> Option<&Booking> {
        self.booked.get(device_id).filter(|b| b.day >= self.today)
    }

    fn is_booked(&self, device_id: &str) -> bool {
        self.booking_of(device_id).is_some()
    }
}

/// Why a visit takes place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
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
    /// What it waits for.
    pub waits_for: WaitsFor,
}

/// Parts to order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartOrder {
    /// The part, named after the action that takes it.
    pub part: &'static str,
    /// The model that it fits.
    pub model: String,
    /// How many the planned visits take beyond the stock.
    pub n_planned: u32,
    /// How many more the waiting laptops will take.
    pub n_waiting: u32,
    /// Days until they are there.
    pub lead_days: u32,
}

/// The plan.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Plan {
    /// Visits by day, site and laptop; those that are booked for days outside the plan are among them.
    pub visits: Vec<Visit>,
    /// Worth a visit, but without a place; the costliest wait first.
    pub waiting: Vec<Waiting>,
    /// To be checked again, remotely: they cannot be judged.
    pub retests: Vec<String>,
    /// Booked, but not among the candidates any more, or on a day without hours: somebody has to look.
    pub unkept: Vec<Visit>,
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
    draft.take_made();
    draft.book();
    draft.place(&solve(draft.problem()));
    draft.draw_random();
    draft.finish()
}

/// The same input as a problem in numbers, without what is booked: for other solvers to judge plans by.
pub fn problem_of(
    candidates: &[Candidate],
    hours: &Hours,
    stock: &Stock,
    costs: &Costs,
    order: &Order,
) -> Problem {
    Draft::new(candidates, hours, stock, costs, order).problem().clone()
}

/// What a plan reaches.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// Where each laptop goes.
    pub assignment: Assignment,
    /// Its benefit less the trips, money; the bonus for staying is not counted.
    pub benefit: f64,
    /// No assignment reaches more, money.
    pub bound: f64,
}

/// Solves a problem, from the plan before where there is one.
pub fn solve(problem: &Problem) -> Solution {
    let prices = priced(problem);
    let assignment = steadied(problem, &prices).unwrap_or_else(|| search::search(problem, &prices, None));
    // The bonus for staying is no benefit: neither the worth nor the bound that is told counts it.
    let plain = Problem { stay_bonus: 0.0, ..problem.clone() };
    let benefit = plain.objective(&assignment);
    let prices = if problem.stay_bonus == 0.0 { prices } else { priced(&plain) };
    let prices = bound::prices(&plain, &prices, benefit);
    Solution { assignment, benefit, bound: tighten::tightened(&plain, &prices, benefit) }
}

fn priced(problem: &Problem) -> Prices {
    let start = Prices::at_the_margin(problem);
    let known = problem.objective(&search::filled(problem, &start));
    bound::prices(problem, &start, known)
}

/// The plan before, mended where the input changed; `None` where there is none, or a fresh one is clearly better.
fn steadied(problem: &Problem, prices: &Prices) -> Option<Assignment> {
    let before: Assignment = problem.items.iter().map(|i| i.stays_at).collect();
    if before.iter().all(Option::is_none) {
        return None;
    }
    let steadied = search::search(problem, prices, Some(&before));
    let worth = problem.objective(&steadied);
    let clearly_below = |best: f64| worth < best - WORTH_A_NEW_PLAN * best.abs();
    if !clearly_below(prices.bound) {
        return Some(steadied);
    }
    let fresh = search::search(problem, prices, None);
    Some(if clearly_below(problem.objective(&fresh)) { fresh } else { steadied })
}
