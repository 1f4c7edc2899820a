//! A closer bound for days that hold few visits.
//!
//! [`super::bound`] lets a visit be cut at the end of a day, which says too much where a day holds three. Here every day
//! at a site is filled with whole visits, exactly, and it is each laptop's one visit that is taken out and priced (M. L.
//! Fisher, "The Lagrangian relaxation method for solving integer programming problems", Management Science 27(1), 1981,
//! cited from memory). For any prices ≥ 0:
//!
//! ```text
//! L(u, κ, μ) = Σ_i u(i) + Σ_p μ(p)·stock(p)
//!            + Σ_s max(0, knapsack_s(v(i,s) − u(i) − κ(s) − Σ μ(p)) + κ(s)·max_visits(s) − trip_cost(s))
//! ```
//!
//! Where a day is so long that its table would not fit, the last visit may be cut after all; that is a bound too.

use super::bound::Prices;
use super::knapsack::knapsack;
use super::problem::{ItemIdx, Problem, SlotIdx};

/// Most cells of one day's table.
const MAX_CELLS: usize = 400_000;
/// Cells of all tables of all steps: a tenth of a second.
const MAX_CELLS_IN_ALL: usize = 60_000_000;
/// Most steps of the subgradient.
const MAX_STEPS: usize = 300;
/// Steps without a better bound, after which the step is halved.
const PATIENCE: usize = 8;
/// Step below which nothing moves any more.
const MIN_SCALE: f64 = 1e-3;

/// The bound after some steps from the prices' own; never above theirs. `known` is the worth of some plan.
pub(super) fn tightened(problem: &Problem, prices: &Prices, known: f64) -> f64 {
    let mut relaxed = Relaxed::at(problem, prices);
    let mut best = prices.bound;
    let mut best_worths = relaxed.worths.clone();
    let (mut scale, mut n_stale, mut n_cells) = (1.0_f64, 0, 0);
    for _ in 0..MAX_STEPS {
        let found = relaxed.solve();
        n_cells += found.n_cells;
        if found.bound < best - 1e-6 * best.abs() {
            best = found.bound;
            best_worths.clone_from(&relaxed.worths);
            n_stale = 0;
        } else {
            n_stale += 1;
        }
        if n_stale >= PATIENCE {
            (scale, n_stale) = (scale * 0.5, 0);
            relaxed.worths.clone_from(&best_worths);
        }
        let is_near = best - known <= 1e-4 * best.abs();
        if is_near || scale < MIN_SCALE || found.n_cells == 0 || n_cells + found.n_cells > MAX_CELLS_IN_ALL {
            break;
        }
        relaxed.step(&found, scale * (found.bound - known).max(1e-4 * best.abs()));
    }
    best
}

/// What is priced, money.
#[derive(Clone)]
struct Worths {
    item: Vec<f64>,
    visit: Vec<f64>,
    part: Vec<f64>,
}

struct Relaxed<'a> {
    problem: &'a Problem,
    items_of_site: Vec<Vec<ItemIdx>>,
    worths: Worths,
}

/// The relaxed optimum, and what it takes beyond what there is.
struct Found {
    bound: f64,
    item: Vec<f64>,
    visit: Vec<f64>,
    part: Vec<f64>,
    n_cells: usize,
}

impl<'a> Relaxed<'a> {
    /// Begins where each laptop is worth what the prices leave of it.
    fn at(problem: &'a Problem, prices: &Prices) -> Self {
        let by_site = problem.slots_by_site();
        let mut item_worths = Vec::with_capacity(problem.items.len());
        for (item, wanted) in problem.items.iter().enumerate() {
            let nets = by_site[wanted.site].iter().map(|s| prices.net_value(problem, item, *s));
            item_worths.push(nets.fold(0.0, f64::max));
        }
        let worths = Worths { item: item_worths, visit: prices.visit.clone(), part: prices.part.clone() };
        Self { problem, items_of_site: problem.items_by_site(), worths }
    }

    fn solve(&self) -> Found {
        let problem = self.problem;
        let of_parts =
            problem.parts.iter().zip(&self.worths.part).map(|(p, worth)| f64::from(p.stock) * worth);
        let mut found = Found {
            bound: self.worths.item.iter().sum::<f64>() + of_parts.sum::<f64>(),
            item: vec![-1.0; problem.items.len()],
            visit: vec![0.0; problem.slots.len()],
            part: problem.parts.iter().map(|p| -f64::from(p.stock)).collect(),
            n_cells: 0,
        };
        for slot in 0..problem.slots.len() {
            self.fill(slot, &mut found);
        }
        found
    }

    /// The best day at a site under the prices, with its own limits of minutes alone.
    fn fill(&self, slot: SlotIdx, found: &mut Found) {
        let offered = &self.problem.slots[slot];
        let minutes = offered.free_minutes() as usize;
        let wanted: Vec<(ItemIdx, f64)> = self.items_of_site[offered.site]
            .iter()
            .filter(|i| !self.problem.is_barred(**i, slot))
            .map(|i| (*i, self.net_value(*i, slot)))
            .filter(|(i, net)| *net > 0.0 && self.problem.items[*i].minutes as usize <= minutes)
            .collect();
        let weighed: Vec<(usize, f64)> =
            wanted.iter().map(|(i, net)| (self.problem.items[*i].minutes as usize, *net)).collect();
        let n_cells = (minutes + 1) * weighed.len();
        let (filled, picked) = if n_cells <= MAX_CELLS {
            found.n_cells += n_cells;
            let picked = knapsack(&weighed, minutes + 1, None);
            (picked.iter().map(|idx| weighed[*idx].1).sum::<f64>(), picked)
        } else {
            with_the_last_cut(&weighed, minutes)
        };
        let of_visits = self.worths.visit[slot] * f64::from(offered.max_visits);
        let worth = filled + of_visits - offered.trip_cost;
        if worth <= 0.0 {
            return;
        }
        found.bound += worth;
        found.visit[slot] = picked.len() as f64 - f64::from(offered.max_visits);
        for idx in picked {
            let item = wanted[idx].0;
            found.item[item] += 1.0;
            self.problem.early_parts(item, slot).for_each(|p| found.part[p] += 1.0);
        }
    }

    fn net_value(&self, item: ItemIdx, slot: SlotIdx) -> f64 {
        let parts: f64 = self.problem.early_parts(item, slot).map(|p| self.worths.part[p]).sum();
        self.problem.value(item, slot) - self.worths.item[item] - self.worths.visit[slot] - parts
    }

    /// One step down: dearer what is taken too often, cheaper what is left. `distance` is how far the bound may fall.
    fn step(&mut self, found: &Found, distance: f64) {
        let worths = &mut self.worths;
        let mut kinds = [
            (&mut worths.item, &found.item),
            (&mut worths.visit, &found.visit),
            (&mut worths.part, &found.part),
        ];
        let counts = kinds.iter().flat_map(|(worths, over)| worths.iter().zip(over.iter()));
        let norm: f64 =
            counts.filter(|(worth, over)| **worth > 0.0 || **over > 0.0).map(|(_, over)| over * over).sum();
        if norm < 1e-12 {
            return;
        }
        for (worths, over) in &mut kinds {
            for (worth, over) in worths.iter_mut().zip(over.iter()) {
                *worth = (*worth + distance / norm * over).max(0.0);
            }
        }
    }
}

/// By worth a minute until the day is full; of the last only the part that still fits counts (G. B. Dantzig, 1957, cited
/// from memory).
fn with_the_last_cut(weighed: &[(usize, f64)], minutes: usize) -> (f64, Vec<usize>) {
    let mut order: Vec<usize> = (0..weighed.len()).collect();
    let per_minute = |idx: usize| weighed[idx].1 / weighed[idx].0.max(1) as f64;
    order.sort_by(|a, b| per_minute(*b).total_cmp(&per_minute(*a)).then(a.cmp(b)));
    let (mut left, mut filled, mut picked) = (minutes, 0.0, Vec::new());
    for idx in order {
        let (needed, worth) = weighed[idx];
        picked.push(idx);
        if needed >= left {
            filled += worth * left as f64 / needed.max(1) as f64;
            break;
        }
        left -= needed;
        filled += worth;
    }
    (filled, picked)
}
