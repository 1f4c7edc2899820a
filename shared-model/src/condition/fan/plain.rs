//! The same filter written plainly, in double precision and pass by pass: what the fast one must equal.

use proptest::prelude::*;
use pulp::{Scalar, WithSimd as _};

use super::super::constants::{Constants, FanConstants, MONTH_DAYS};
use super::{
    Action, Evenness, FanEvent, FanEvidence, FanFilter, FanLoop, FanPosterior, FanScatter, Follow, N_CLASSES,
    N_OFFSETS, N_STATES, OFFSET_WEIGHTS, STEP, Stumbles, factor_at,
};

/// How the firmware drives the fan, and whether the laptop is always in a quiet profile.
#[derive(Clone, Copy)]
struct Hypothesis {
    scatter: FanScatter,
    driven: FanLoop,
    always_quiet: bool,
}

/// Weights by class, offset and factor, and the natural logarithm of their common factor.
struct Plain {
    weights: [[[f64; N_STATES]; N_OFFSETS]; N_CLASSES],
    log_scale: f64,
}

fn filter(c: &FanConstants, events: &[FanEvent], until: f64, h: Hypothesis) -> Plain {
    let mut f = Plain { weights: first(c), log_scale: 0.0 };
    let mut now: Option<f64> = None;
    for e in events {
        f.wear(c, now.map_or(0.0, |before| e.day() - before));
        now = Some(e.day());
        match *e {
            FanEvent::Seen { evidence, .. } => f.see(c, &evidence, h),
            FanEvent::Serviced { action: Action::Fan, .. } => f.replace(c),
            FanEvent::Serviced { .. } => {}
        }
    }
    f.wear(c, now.map_or(0.0, |before| until - before));
    f
}

fn as_new(c: &FanConstants) -> [f64; N_STATES] {
    let shape = |k: usize| (-0.5 * ((factor_at(k) - c.as_new.0) / c.as_new.1).powi(2)).exp();
    let sum: f64 = (1..N_STATES).map(shape).sum();
    std::array::from_fn(|k| if k == 0 { 0.0 } else { shape(k) / sum })
}

fn first(c: &FanConstants) -> [[[f64; N_STATES]; N_OFFSETS]; N_CLASSES] {
    let mut steady = as_new(c).map(|p| p * (1.0 - c.first_seized));
    steady[0] = c.first_seized;
    let may_fail = |k: &usize| *k > 0 && factor_at(*k) <= 0.97;
    let n = (0..N_STATES).filter(may_fail).count() as f64;
    let failing: [f64; N_STATES] = std::array::from_fn(|k| if may_fail(&k) { 1.0 / n } else { 0.0 });
    let share = |of: [f64; N_STATES], share: f64| OFFSET_WEIGHTS.map(|w| of.map(|p| p * w * share));
    [share(steady, 1.0 - c.first_failing), share(failing, c.first_failing)]
}

impl Plain {
    fn wear(&mut self, c: &FanConstants, days: f64) {
        let months = days.max(0.0) / MONTH_DAYS;
        let start = 1.0 - (-c.failing_starts * months).exp();
        let [steady, failing] = &mut self.weights;
        for (s, f) in steady.as_flattened_mut().iter_mut().zip(failing.as_flattened_mut()) {
            let moved = *s * start;
            *s -= moved;
            *f += moved;
        }
        for (rows, rate) in self.weights.iter_mut().zip(c.rates) {
            let mean_steps = rate * months / STEP;
            for row in rows {
                let mut carry = 0.0;
                for p in row[1..].iter_mut().rev() {
                    carry = (mean_steps * carry + *p) / (1.0 + mean_steps);
                    *p = carry;
                }
                row[1] += carry * mean_steps;
                for k in 1..N_STATES {
                    let hazard = if factor_at(k) < 0.85 { c.seizing_worn } else { c.seizing };
                    let moved = row[k] * (1.0 - (-hazard * months).exp());
                    row[k] -= moved;
                    row[0] += moved;
                }
            }
        }
    }

    fn replace(&mut self, c: &FanConstants) {
        let new = as_new(c);
        let [steady, failing] = &mut self.weights;
        for (steady, failing) in steady.iter_mut().zip(failing) {
            let total: f64 = steady.iter().chain(failing.iter()).sum();
            for k in 0..N_STATES {
                steady[k] = steady[k] * (1.0 - c.replacing_works) + c.replacing_works * total * new[k];
                failing[k] *= 1.0 - c.replacing_works;
            }
        }
    }

    fn see(&mut self, c: &FanConstants, e: &FanEvidence, h: Hypothesis) {
        for rows in &mut self.weights {
            for (j, row) in rows.iter_mut().enumerate() {
                for (k, p) in row.iter_mut().enumerate() {
                    *p *= likelihood(c, e, factor_at(k), j as f64 - 2.0, h);
                }
            }
        }
        let all = self.weights.as_flattened_mut().as_flattened_mut();
        let total: f64 = all.iter().sum();
        for p in all {
            *p /= total;
        }
        self.log_scale += total.ln();
    }

    fn states(&self) -> Vec<f64> {
        let rows = self.weights.as_flattened();
        let total: f64 = rows.as_flattened().iter().sum();
        (0..N_STATES).map(|k| rows.iter().map(|row| row[k]).sum::<f64>() / total).collect()
    }
}

fn likelihood(c: &FanConstants, e: &FanEvidence, factor: f64, z: f64, h: Hypothesis) -> f64 {
    match *e {
        FanEvidence::Standing { stands, .. } if factor == 0.0 => stands,
        FanEvidence::Standing { turns, .. } => turns,
        FanEvidence::Even(evenness) => even(c, &evenness, factor),
        FanEvidence::Ratio { ratio, due_share, doubt, quiet, evenness } => {
            let share = due_share.max(0.3);
            let odds = if h.always_quiet { 1.0 - c.quiet_odds } else { quiet };
            let sd = h.scatter.run_sd.hypot(doubt);
            let plain = match h.driven {
                FanLoop::Closed { headroom, held_sd } => {
                    let reach = headroom * factor / share;
                    let held = h.scatter.mid * (1.0 + z * held_sd);
                    robust(c, ratio - reach.min(held), if reach < 0.99 { sd.hypot(c.short_sd) } else { sd })
                }
                FanLoop::Open => {
                    let unit = h.scatter.mid * (1.0 + z * h.scatter.unit_sd.max(c.open_unit_sd_min));
                    let due = factor / c.as_new.0 * unit;
                    robust(c, ratio - due, if factor == 0.0 { 0.05 } else { sd })
                }
            };
            let cap = (c.quiet_cap / share).min(1.0);
            let capped = robust(c, ratio - cap * factor, if factor == 0.0 { 0.05 } else { c.quiet_sd });
            ((1.0 - odds) * plain + odds * capped) * even(c, &evenness, factor)
        }
    }
}

fn even(c: &FanConstants, e: &Evenness, factor: f64) -> f64 {
    if e.seen.watched_s == 0.0 {
        return 1.0;
    }
    let s = &c.stumbling;
    let poisson = |per_s: f64| {
        let mean = per_s * e.seen.watched_s;
        let log_factorial: f64 = (1..=e.seen.count).map(|n| f64::from(n).ln()).sum();
        (f64::from(e.seen.count) * mean.ln() - mean - log_factorial).exp()
    };
    let usual = e.usual_per_s + s.odd_per_s;
    let wear = if factor > 0.0 && factor < s.from { s.from - factor } else { 0.0 };
    let told = s.silent * poisson(usual) + (1.0 - s.silent) * poisson(usual + s.per_s * wear);
    (1.0 - s.junk) * told + s.junk / 2.0_f64.powf(f64::from(e.seen.count).min(10.0))
}

fn robust(c: &FanConstants, residual: f64, sd: f64) -> f64 {
    let z = residual / sd;
    (1.0 - c.junk) * 0.375 * (1.0 + 0.25 * z * z).powf(-2.5) / sd + c.junk
}

fn any_event() -> impl Strategy<Value = FanEvent> {
    let day = prop_oneof![0.0..1500.0, (0..60_u32).prop_map(|m| f64::from(m) * 25.0)];
    let watched_s = prop_oneof![1 => Just(0.0), 4 => 0.1..600.0];
    let evenness = (prop_oneof![4 => 0..6_u32, 1 => 0..80_u32], watched_s, 0.0..0.02).prop_map(
        |(count, watched_s, usual_per_s)| Evenness { seen: Stumbles { count, watched_s }, usual_per_s },
    );
    let ratio = prop_oneof![4 => 0.3..1.15, 1 => -2.0..30.0];
    let ratio = (ratio, 0.0..1.05, 0.0..0.3, 0.0..1.0, evenness.clone()).prop_map(
        |(ratio, due_share, doubt, quiet, evenness)| FanEvidence::Ratio {
            ratio,
            due_share,
            doubt,
            quiet,
            evenness,
        },
    );
    let standing =
        (0.001..2.0, 0.001..2.0).prop_map(|(stands, turns)| FanEvidence::Standing { stands, turns });
    let evidence = prop_oneof![4 => ratio, 1 => standing, 1 => evenness.prop_map(FanEvidence::Even)];
    let actions = [Action::Clean, Action::Fan, Action::Paste, Action::None];
    prop_oneof![
        4 => (day.clone(), evidence).prop_map(|(day, evidence)| FanEvent::Seen { day, evidence }),
        1 => (day, prop::sample::select(actions.to_vec()))
            .prop_map(|(day, action)| FanEvent::Serviced { day, action }),
    ]
}

/// Largest difference allowed of a probability and of a log evidence.
const TOLERANCE: f64 = 2e-5;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn the_fast_fan_filter_is_the_plain_one(
        mut events in prop::collection::vec(any_event(), 0..30),
        after in 0.0..800.0,
        // Not the factors' own steps: where the speed is held, rounding would decide.
        headroom in prop::option::of(1.001..1.3),
        held_sd in 0.0..0.1,
        (mid, run_sd, unit_sd) in (0.8..1.2, 0.006..0.1, 0.001..0.1),
    ) {
        let c = Constants::default().fan;
        events.sort_by(|a, b| a.day().total_cmp(&b.day()));
        let until = events.last().map_or(0.0, FanEvent::day) + after;
        let scatter = FanScatter { mid, run_sd, unit_sd };
        let driven = headroom.map_or(FanLoop::Open, |headroom| FanLoop::Closed { headroom, held_sd });
        let both = FanFilter::new(&c, scatter, &events, until).run(driven);
        for (fast, always_quiet) in both.iter().zip([false, true]) {
            let plain = filter(&c, &events, until, Hypothesis { scatter, driven, always_quiet });
            for (k, (a, b)) in fast.states.iter().zip(plain.states()).enumerate() {
                prop_assert!((a - b).abs() < TOLERANCE, "factor {k}: {a} and {b}");
            }
            let (a, b) = (fast.log_evidence, plain.log_scale);
            prop_assert!((a - b).abs() < TOLERANCE, "log evidence: {a} and {b}");
        }
    }
}

#[test]
fn registers_of_one_lane_give_the_same_digits() {
    let c = Constants::default().fan;
    let ratios = [0.99, 1.02, 0.97, 0.9, 0.62, 0.7, 1.0];
    let mut events: Vec<FanEvent> = ratios
        .iter()
        .zip(0_u32..)
        .map(|(&ratio, m)| {
            let evenness = Evenness { seen: Stumbles { count: m % 3, watched_s: 160.0 }, usual_per_s: 0.0 };
            let evidence = FanEvidence::Ratio { ratio, due_share: 0.9, doubt: 0.03, quiet: 0.05, evenness };
            FanEvent::Seen { day: 30.0 * f64::from(m), evidence }
        })
        .collect();
    events.insert(6, FanEvent::Serviced { day: 170.0, action: Action::Fan });
    let scatter = FanScatter { mid: 1.0, run_sd: 0.02, unit_sd: 0.03 };
    let filter = FanFilter::new(&c, scatter, &events, 200.0);
    for driven in [FanLoop::Open, FanLoop::Closed { headroom: 1.12, held_sd: 0.006 }] {
        let paths = Follow { filter: &filter, driven, paths: filter.first() }.with_simd(Scalar);
        for (quiet, wide) in filter.run(driven).into_iter().enumerate() {
            assert_eq!(FanPosterior::new(paths.sums(quiet), paths.log_scale[quiet]), wide);
        }
    }
}
