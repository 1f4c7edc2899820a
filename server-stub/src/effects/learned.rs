//! What the log of visits teaches: how often each action mends, and how long it takes. Both begin at the costs' own
//! numbers and leave them as evidence comes in.
//!
//! **Mends.** A visit to a part that has something to gain either worked, and then its change lies about the gain to
//! as-new, or did nothing, and then about zero; each with the change's own standard deviation. With θ the share that works,
//! the likelihood is Π (θ·L₁ + (1 − θ)·L₀), and the prior a beta distribution about the costs' number. Where every visit is
//! clear this is the beta-binomial rule; where it isn't, a visit counts for as much as it says, so that the clear ones,
//! which are more often the good ones, don't carry the mean.
//!
//! **Minutes.** A visit takes its own minutes and those of its actions, less what is saved as it is opened once. The five
//! numbers are fitted to the logged minutes by least squares with the costs' numbers as prior (ridge regression).

use windrow_model::trace::fleet::ServiceAction;

use super::{Effects, PartEffect, as_new, size_that_matters};
use crate::costs::Costs;
use crate::scoring::Fault;
use crate::store::facts::Visit;

/// The costs' number counts as so many visits. Our choice.
const PRIOR_VISITS: f64 = 10.0;
/// Cells of the grid over the share that works.
const N_CELLS: usize = 400;
/// Standard deviation of a default of minutes, share of it. Our choice.
const PRIOR_SD_SHARE: f64 = 0.4;
/// Scatter of a visit's minutes about what is due, share of it. Our choice.
const VISIT_SD_SHARE: f64 = 0.5;
/// Logged minutes are taken as no less and no more than these multiples of what is due: beyond it is a slip of the pen.
const PLAUSIBLE: (f64, f64) = (0.2, 4.0);

/// The actions that are learned of, in the order of the arrays here.
pub const ACTIONS: [ServiceAction; 3] = [ServiceAction::Clean, ServiceAction::Fan, ServiceAction::Paste];

/// How often an action mends.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Mends {
    /// Mean share.
    pub mean: f64,
    /// 5 % quantile.
    pub low: f64,
    /// 95 % quantile.
    pub high: f64,
    /// Visits that say something of it.
    pub n_visits: usize,
}

/// How long things take, minutes.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Minutes {
    /// Every visit, whatever is done.
    pub visit: f64,
    /// Cleaning, fan, paste.
    pub actions: [f64; 3],
    /// Visits with logged minutes.
    pub n_visits: usize,
}

/// What the log teaches.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Lessons {
    /// Cleaning, fan, paste.
    pub mends: [Mends; 3],
    /// Minutes.
    pub minutes: Minutes,
}

impl Lessons {
    /// From all effects and entries; `costs` are the prior.
    pub fn new(effects: &Effects, visits: &[Visit], costs: &Costs) -> Self {
        Self {
            mends: ACTIONS.map(|action| mends(action, effects, costs)),
            minutes: minutes(visits.iter().filter(|v| v.counts()), costs),
        }
    }

    /// The costs with what was learned in place of what was assumed.
    #[must_use]
    pub fn applied_to(&self, costs: &Costs) -> Costs {
        let mut costs = costs.clone();
        costs.visit_minutes = self.minutes.visit;
        let of = [&mut costs.clean, &mut costs.fan, &mut costs.paste];
        for ((cost, mends), minutes) in of.into_iter().zip(self.mends).zip(self.minutes.actions) {
            cost.mends = mends.mean;
            cost.minutes = minutes;
        }
        costs
    }
}

const fn part_of(action: ServiceAction) -> Option<Fault> {
    match action {
        ServiceAction::Clean => Some(Fault::Clogged),
        ServiceAction::Fan => Some(Fault::Fan),
        ServiceAction::Paste => Some(Fault::Contact),
        ServiceAction::None => None,
    }
}

fn mends(action: ServiceAction, effects: &Effects, costs: &Costs) -> Mends {
    let changes = effects.all().flat_map(|e| &e.parts).filter(|p| Some(p.part) == part_of(action));
    let prior = costs.action(action).map_or(0.5, |cost| cost.mends);
    mends_of(changes.filter_map(Change::of), prior)
}

/// A change beside what it would be, had the action worked.
#[derive(Debug, Clone, Copy)]
struct Change {
    better_by: f64,
    sd: f64,
    gain: f64,
}

impl Change {
    /// `None` where the part had nothing to gain.
    fn of(part: &PartEffect) -> Option<Self> {
        let gain = (as_new(part.part) - part.before).abs();
        let is_worn = (as_new(part.part) - part.before).is_sign_positive() == (part.part != Fault::Contact);
        (is_worn && gain >= size_that_matters(part.part)).then_some(Self {
            better_by: part.better_by,
            sd: part.better_by_sd,
            gain,
        })
    }

    /// Log likelihood of the change for a share that works; common factors left out.
    fn log_likelihood(self, share: f64) -> f64 {
        let bell = |mean: f64| (-0.5 * ((self.better_by - mean) / self.sd).powi(2)).exp();
        // Neither story fits a wild change: a floor keeps one such visit from deciding.
        (share * bell(self.gain) + (1.0 - share) * bell(0.0)).max(1e-6).ln()
    }
}

fn mends_of(changes: impl Iterator<Item = Change>, prior_share: f64) -> Mends {
    let prior_share = prior_share.clamp(0.02, 0.98);
    let (a, b) = (PRIOR_VISITS * prior_share, PRIOR_VISITS * (1.0 - prior_share));
    let at = |cell: usize| (cell as f64 + 0.5) / N_CELLS as f64;
    let mut logs: Vec<f64> =
        (0..N_CELLS).map(|cell| (a - 1.0) * at(cell).ln() + (b - 1.0) * (1.0 - at(cell)).ln()).collect();
    let mut n_visits = 0;
    for change in changes {
        n_visits += 1;
        logs.iter_mut().enumerate().for_each(|(cell, log)| *log += change.log_likelihood(at(cell)));
    }
    let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = logs.iter().map(|log| (log - highest).exp()).collect();
    let total: f64 = weights.iter().sum();
    let mean = weights.iter().enumerate().map(|(cell, w)| w * at(cell)).sum::<f64>() / total;
    let quantile = |q: f64| {
        let mut sum = 0.0;
        let cell = weights.iter().position(|w| {
            sum += w;
            sum >= q * total
        });
        at(cell.unwrap_or(N_CELLS - 1))
    };
    Mends { mean, low: quantile(0.05), high: quantile(0.95), n_visits }
}

/// Numbers that are fitted: the visit itself and three actions.
const N: usize = 1 + ACTIONS.len();

fn minutes<'a>(visits: impl Iterator<Item = &'a Visit>, costs: &Costs) -> Minutes {
    let prior = [costs.visit_minutes, costs.clean.minutes, costs.fan.minutes, costs.paste.minutes];
    // Normal equations of the departures from the prior, each in units of its prior's standard deviation.
    let scale = prior.map(|m| (PRIOR_SD_SHARE * m).max(1.0));
    let mut matrix = [[0.0; N]; N];
    let mut right = [0.0; N];
    (0..N).for_each(|i| matrix[i][i] = 1.0);
    let mut n_visits = 0;
    for visit in visits {
        let Some(logged) = visit.minutes.filter(|m| *m > 0) else { continue };
        n_visits += 1;
        let done = ACTIONS.map(|action| visit.actions.contains(&action));
        let n_done = done.iter().filter(|d| **d).count();
        let saved = costs.opened_once_minutes * n_done.saturating_sub(1) as f64;
        let row: [f64; N] = std::array::from_fn(|i| if i == 0 || done[i - 1] { scale[i] } else { 0.0 });
        let due = (0..N).filter(|i| row[*i] > 0.0).map(|i| prior[i]).sum::<f64>() - saved;
        let due = due.max(1.0);
        let sd = VISIT_SD_SHARE * due;
        let beyond = f64::from(logged).clamp(PLAUSIBLE.0 * due, PLAUSIBLE.1 * due) - due;
        for i in 0..N {
            right[i] += row[i] * beyond / (sd * sd);
            (0..N).for_each(|j| matrix[i][j] += row[i] * row[j] / (sd * sd));
        }
    }
    let departures = solve(matrix, right);
    let fitted: [f64; N] = std::array::from_fn(|i| (prior[i] + scale[i] * departures[i]).max(0.0));
    Minutes { visit: fitted[0], actions: [fitted[1], fitted[2], fitted[3]], n_visits }
}

/// Solves a symmetric positive definite system by elimination; its diagonal is 1 or more, so no pivot is small.
fn solve(mut a: [[f64; N]; N], mut b: [f64; N]) -> [f64; N] {
    for i in 0..N {
        let (pivot, pivot_b) = (a[i], b[i]);
        for (row, b) in a.iter_mut().zip(&mut b).skip(i + 1) {
            let factor = row[i] / pivot[i];
            row.iter_mut().zip(pivot).for_each(|(x, p)| *x -= factor * p);
            *b -= factor * pivot_b;
        }
    }
    let mut x = [0.0; N];
    for i in (0..N).rev() {
        let known: f64 = (i + 1..N).map(|col| a[i][col] * x[col]).sum();
        x[i] = (b[i] - known) / a[i][i];
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;
    use windrow_model::emulate::random::Random;

    fn clear(worked: bool) -> Change {
        Change { better_by: if worked { 0.45 } else { 0.0 }, sd: 0.02, gain: 0.45 }
    }

    /// With clear visits it is the beta-binomial rule: prior Beta(8.8, 1.2), 12 of 20 worked, posterior mean
    /// (8.8 + 12) / (10 + 20).
    #[test]
    fn clear_visits_follow_the_beta_binomial_rule() {
        let mends = mends_of((0..20).map(|i| clear(i < 12)), 0.88);
        assert!((mends.mean - 20.8 / 30.0).abs() < 2e-3, "{mends:?}");
        // Quantiles of Beta(20.8, 9.2) by summing its density over 200,000 cells: 0.5498 and 0.8220.
        assert!((mends.low - 0.5498).abs() < 5e-3 && (mends.high - 0.8220).abs() < 5e-3, "{mends:?}");
        assert_eq!(mends.n_visits, 20);
        assert!((mends_of(std::iter::empty(), 0.88).mean - 0.88).abs() < 2e-3);
    }

    #[test]
    fn unclear_visits_move_nothing_and_no_bias_comes_from_clear_ones_alone() {
        let unclear = Change { better_by: 0.22, sd: 3.0, gain: 0.45 };
        let mends = mends_of(std::iter::repeat_n(unclear, 50), 0.88);
        assert!((mends.mean - 0.88).abs() < 0.01, "{mends:?}");
        // Six in ten work, half of the visits are hard to tell: the share is found all the same.
        let mut random = Random::new(3);
        let changes: Vec<Change> = (0..400)
            .map(|i| {
                let sd = if i % 2 == 0 { 0.05 } else { 0.25 };
                let worked = if i % 5 < 3 { 0.45 } else { 0.0 };
                Change { better_by: worked + sd * random.normal(), sd, gain: 0.45 }
            })
            .collect();
        let mends = mends_of(changes.into_iter(), 0.88);
        assert!((mends.mean - 0.6).abs() < 0.05, "{mends:?}");
        assert!(mends.low < 0.6 && 0.6 < mends.high, "{mends:?}");
    }

    #[test]
    fn a_part_with_nothing_to_gain_teaches_nothing() {
        let part = |part: Fault, before: f64| PartEffect {
            part,
            before,
            after: before,
            better_by: 0.0,
            better_by_sd: 0.03,
            verdict: super::super::Verdict::NoChange,
            confidence: 0.9,
        };
        assert!(Change::of(&part(Fault::Clogged, 0.90)).is_none());
        assert!(Change::of(&part(Fault::Clogged, 1.20)).is_none(), "better than as-new is no wear");
        assert!(Change::of(&part(Fault::Clogged, 0.60)).is_some());
        assert!(Change::of(&part(Fault::Contact, 1.1)).is_none());
        assert!(Change::of(&part(Fault::Contact, 0.6)).is_none());
        assert!(Change::of(&part(Fault::Contact, 2.0)).is_some());
    }

    fn visit(actions: &[ServiceAction], minutes: Option<u32>) -> Visit {
        Visit {
            visit_id: 1,
            device_id: "a".into(),
            visited_on: "2026-01-31".parse().unwrap(),
            actions: actions.to_vec(),
            minutes,
            found: String::new(),
            parts: String::new(),
            note: String::new(),
            by_role: "technician".into(),
            logged_at_ms: 0,
            corrects: None,
            corrected_by: None,
            is_withdrawn: false,
            is_erased: false,
        }
    }

    #[test]
    fn minutes_begin_at_the_costs_and_go_to_what_is_logged() {
        use ServiceAction as A;
        let costs = Costs::default();
        let none = minutes([visit(&[A::Clean], None)].iter(), &costs);
        assert_eq!((none.visit, none.actions, none.n_visits), (15.0, [22.0, 32.0, 45.0], 0));
        let many: Vec<Visit> = (0..300).map(|_| visit(&[A::Clean], Some(60))).collect();
        let learned = minutes(many.iter(), &costs);
        assert!((learned.visit + learned.actions[0] - 60.0).abs() < 1.0, "{learned:?}");
        assert_eq!(learned.actions[1..], [32.0, 45.0], "what was not done is not learned");
        let one = minutes([visit(&[A::Clean], Some(60))].iter(), &costs);
        assert!((37.0..48.5).contains(&(one.visit + one.actions[0])), "one visit moves it a part of the way");
    }

    #[test]
    fn combined_visits_are_taken_apart() {
        use ServiceAction as A;
        let costs = Costs::default();
        // Truth: visit 10, clean 40, fan 20, paste 60; opened once saves 12 a further action.
        let cases = [
            (&[A::Clean][..], 50),
            (&[A::Fan], 30),
            (&[A::Paste], 70),
            (&[A::Clean, A::Paste], 98),
            (&[A::None], 10),
        ];
        let log: Vec<Visit> =
            cases.iter().cycle().take(2000).map(|(actions, m)| visit(actions, Some(*m))).collect();
        let learned = minutes(log.iter(), &costs);
        for (found, truth) in [learned.visit].into_iter().chain(learned.actions).zip([10.0, 40.0, 20.0, 60.0])
        {
            assert!((found - truth).abs() < 1.5, "{learned:?}");
        }
    }

    #[test]
    fn a_slip_of_the_pen_is_bounded() {
        let slip = minutes([visit(&[ServiceAction::Clean], Some(1440))].iter(), &Costs::default());
        assert!(slip.visit + slip.actions[0] < 150.0, "{slip:?}");
    }

    #[test]
    fn what_was_learned_takes_the_place_of_what_was_assumed() {
        let costs = Costs::default();
        let same = Lessons::new(&Effects::default(), &[], &costs).applied_to(&costs);
        assert!((same.clean.mends - costs.clean.mends).abs() < 2e-3);
        assert_eq!((same.visit_minutes, same.fan.minutes), (costs.visit_minutes, costs.fan.minutes));
    }
}
