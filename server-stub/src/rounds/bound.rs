//! An upper bound of what any plan can reach, and prices that guide the search.
//!
//! Lagrangian relaxation (M. L. Fisher, "The Lagrangian relaxation method for solving integer programming problems",
//! Management Science 27(1), 1981, cited from memory): the limits of minutes, visits and parts are taken out and their
//! violation priced. For any prices ≥ 0 the relaxed optimum is a bound, found laptop by laptop and slot by slot:
//!
//! ```text
//! L(λ, κ, μ) = Σ_i max(0, max_s v(i,s) − λ(s)·minutes(i) − κ(s) − Σ μ(p))
//!            + Σ_s max(0, λ(s)·(minutes(s) − trip(s)) + κ(s)·max_visits(s) − trip_cost(s)) + Σ_p μ(p)·stock(p)
//! ```
//!
//! Prices begin where a minute costs what the last laptop that fits is worth, and are lowered and raised along the
//! subgradient with Polyak's step towards a plan that was found. A laptop whose part is not there goes nowhere before it is.

use super::problem::{ItemIdx, Problem, SlotIdx};

/// Steps of the subgradient. Past some hundred the bound moves in the fourth digit only (docs/rounds.md).
const MAX_STEPS: usize = 400;
/// Steps without a better bound, after which the step is halved.
const PATIENCE: usize = 12;
/// Step below which nothing moves any more.
const MIN_SCALE: f64 = 1e-3;

/// Prices of what is scarce, and the bound that they prove.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Prices {
    /// Money a minute, by slot.
    pub(super) minute: Vec<f64>,
    /// Money a visit, by slot.
    pub(super) visit: Vec<f64>,
    /// Money a part in stock, by part.
    pub(super) part: Vec<f64>,
    /// No plan is worth more than this, money.
    pub(super) bound: f64,
}

impl Prices {
    fn free(problem: &Problem) -> Self {
        Self {
            minute: vec![0.0; problem.slots.len()],
            visit: vec![0.0; problem.slots.len()],
            part: vec![0.0; problem.parts.len()],
            bound: f64::INFINITY,
        }
    }

    /// A minute is worth what the laptop brings that is the first to find no place at its site, all days taken together.
    pub(super) fn at_the_margin(problem: &Problem) -> Self {
        let mut prices = Self::free(problem);
        let mut items_of_site = problem.items_by_site();
        for (site, slots) in problem.slots_by_site().iter().enumerate() {
            let per_minute = |item: ItemIdx, slot| {
                problem.value(item, slot).max(0.0) / f64::from(problem.items[item].minutes.max(1))
            };
            let Some(middle) = slots.get(slots.len() / 2) else { continue };
            let items = &mut items_of_site[site];
            items.sort_by(|a, b| per_minute(*b, *middle).total_cmp(&per_minute(*a, *middle)).then(a.cmp(b)));
            let offered = slots.iter().map(|s| problem.slots[*s].free_minutes());
            let mut minutes = f64::from(offered.sum::<u32>());
            let marginal = items.iter().find(|i| {
                minutes -= f64::from(problem.items[**i].minutes);
                minutes < 0.0
            });
            if let Some(marginal) = marginal {
                for slot in slots {
                    prices.minute[*slot] = per_minute(*marginal, *slot);
                }
            }
        }
        prices.bound = relaxed(problem, &problem.slots_by_site(), &prices).bound;
        prices
    }

    /// Worth of visiting `item` at `slot` less the prices of what it takes.
    pub(super) fn net_value(&self, problem: &Problem, item: ItemIdx, slot: SlotIdx) -> f64 {
        problem.value(item, slot) - self.charge(problem, item, slot)
    }

    /// Prices of what a visit of `item` takes at `slot`.
    pub(super) fn charge(&self, problem: &Problem, item: ItemIdx, slot: SlotIdx) -> f64 {
        let wanted = &problem.items[item];
        let parts: f64 = problem.early_parts(item, slot).map(|p| self.part[p]).sum();
        if problem.is_barred(item, slot) {
            return f64::INFINITY;
        }
        self.minute[slot] * f64::from(wanted.minutes) + self.visit[slot] + parts
    }
}

/// What the relaxed optimum takes beyond what there is: the direction in which prices rise.
struct Excess {
    bound: f64,
    minute: Vec<f64>,
    visit: Vec<f64>,
    part: Vec<f64>,
}

impl Excess {
    /// Squared length in money per laptop, without what cannot be lowered below 0.
    fn norm(&self, prices: &Prices, minutes_scale: f64) -> f64 {
        let of = |prices: &[f64], excess: &[f64], scale: f64| -> f64 {
            let counts = prices.iter().zip(excess).filter(|(price, over)| **price > 0.0 || **over > 0.0);
            counts.map(|(_, over)| (over / scale) * (over / scale)).sum()
        };
        of(&prices.minute, &self.minute, minutes_scale)
            + of(&prices.visit, &self.visit, 1.0)
            + of(&prices.part, &self.part, 1.0)
    }
}

/// The best prices found from `start` on; `known` is the worth of some plan, towards which the steps are measured.
pub(super) fn prices(problem: &Problem, start: &Prices, known: f64) -> Prices {
    let by_site = problem.slots_by_site();
    let mut best = start.clone();
    let mut now = best.clone();
    let minutes_scale = usual_minutes(problem);
    let (mut scale, mut n_stale) = (1.0_f64, 0);
    for _ in 0..MAX_STEPS {
        let excess = relaxed(problem, &by_site, &now);
        if excess.bound < best.bound - 1e-9 * best.bound.abs().min(1e12) {
            best = Prices { bound: excess.bound, ..now.clone() };
            n_stale = 0;
        } else {
            n_stale += 1;
        }
        if n_stale >= PATIENCE {
            (scale, n_stale) = (scale * 0.5, 0);
            now = Prices { bound: f64::INFINITY, ..best.clone() };
            if scale < MIN_SCALE {
                break;
            }
            continue;
        }
        let norm = excess.norm(&now, minutes_scale);
        if norm < 1e-12 {
            break;
        }
        // Where the plan is nearly as good as the bound the steps must not vanish at once.
        let distance = (excess.bound - known).max(1e-4 * excess.bound.abs());
        step(&mut now, &excess, scale * distance / norm, minutes_scale);
    }
    best
}

fn step(prices: &mut Prices, excess: &Excess, step: f64, minutes_scale: f64) {
    let move_along = |prices: &mut [f64], excess: &[f64], step: f64| {
        for (price, over) in prices.iter_mut().zip(excess) {
            *price = (*price + step * over).max(0.0);
        }
    };
    move_along(&mut prices.minute, &excess.minute, step / (minutes_scale * minutes_scale));
    move_along(&mut prices.visit, &excess.visit, step);
    move_along(&mut prices.part, &excess.part, step);
}

/// Minutes of a usual visit. A minute and a visit are priced apart; in this unit their prices are of one size, without
/// which the steps would move only one of them.
fn usual_minutes(problem: &Problem) -> f64 {
    let sum: f64 = problem.items.iter().map(|i| f64::from(i.minutes)).sum();
    (sum / problem.items.len().max(1) as f64).max(1.0)
}

fn relaxed(problem: &Problem, by_site: &[Vec<SlotIdx>], prices: &Prices) -> Excess {
    let mut excess = Excess {
        bound: 0.0,
        minute: vec![0.0; problem.slots.len()],
        visit: vec![0.0; problem.slots.len()],
        part: problem.parts.iter().map(|p| -f64::from(p.stock)).collect(),
    };
    excess.bound +=
        problem.parts.iter().zip(&prices.part).map(|(p, price)| f64::from(p.stock) * price).sum::<f64>();
    for (slot, offered) in problem.slots.iter().enumerate() {
        let minutes = f64::from(offered.free_minutes());
        let visits = f64::from(offered.max_visits);
        let worth = prices.minute[slot] * minutes + prices.visit[slot] * visits - offered.trip_cost;
        if worth > 0.0 {
            excess.bound += worth;
            excess.minute[slot] -= minutes;
            excess.visit[slot] -= visits;
        }
    }
    for (item, wanted) in problem.items.iter().enumerate() {
        let nets = by_site[wanted.site].iter().map(|slot| (prices.net_value(problem, item, *slot), *slot));
        let best =
            nets.fold((0.0, None), |best, (net, slot)| if net > best.0 { (net, Some(slot)) } else { best });
        let (net, Some(slot)) = best else { continue };
        excess.bound += net;
        excess.minute[slot] += f64::from(wanted.minutes);
        excess.visit[slot] += 1.0;
        problem.early_parts(item, slot).for_each(|p| excess.part[p] += 1.0);
    }
    excess
}
