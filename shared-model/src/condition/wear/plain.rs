//! The same filter written plainly, in double precision and pass by pass: what the fast one must equal.

use proptest::prelude::*;
use pulp::{Scalar, WithSimd as _};

use super::super::constants::{Constants, MONTH_DAYS, WearConstants};
use super::{Action, Event, Filtered, Follow, LANES, N_CLASSES, Offsets, Past, Steps, WearFilter};

/// Weights by class, wear and offset, and the natural logarithm of their common factor.
struct Plain {
    weights: Vec<Vec<Vec<f64>>>,
    log_scale: f64,
}

fn filter(c: &WearConstants, events: &[Event], until: f64, offsets: Offsets) -> Plain {
    let first = |k: usize, rate: f64| -> f64 {
        let w = (k as f64 + 0.5) * c.step;
        let worn = |(part, months): &(f64, f64)| {
            let half = 0.5 * (c.first_new + rate * months);
            part * w / (half * half) * (-w / half).exp() * c.step
        };
        c.first.iter().map(worn).sum()
    };
    let rows = |(share, rate): (f64, f64)| {
        (0..c.n_states).map(|k| vec![share * first(k, rate); offsets.n]).collect()
    };
    let mut f = Plain { weights: c.rates.map(rows).to_vec(), log_scale: 0.0 };
    let first_seen = events.iter().find(|e| matches!(e, Event::Seen { .. })).map_or(f64::MAX, Event::day);
    let mut now: Option<f64> = None;
    let mut past = Past::default();
    for e in events {
        if let Some(odds) = past.jump_odds(c, e) {
            f.jump(c, odds);
        }
        if let Some(before) = now {
            f.drift(c, e.day() - before);
        }
        now = Some(e.day());
        match *e {
            Event::Seen { value, sd, quick, .. } => f.see(c, (value, sd), quick, offsets),
            Event::Serviced { day, action } => {
                let still = if day < first_seen { c.booked_before } else { 1.0 };
                f.serve(c, c.works.get(action as usize).map_or(0.0, |odds| odds * still));
            }
        }
    }
    if let Some(before) = now {
        f.drift(c, until - before);
    }
    f
}

impl Plain {
    fn jump(&mut self, c: &WearConstants, odds: f64) {
        let mean_steps = c.sudden.1 / c.step;
        for rows in &mut self.weights {
            for j in 0..rows[0].len() {
                let mut carry = 0.0;
                for (k, row) in rows.iter_mut().enumerate() {
                    carry = (mean_steps * carry + row[j]) / (1.0 + mean_steps);
                    let beyond = if k + 1 == c.n_states { carry * mean_steps } else { 0.0 };
                    row[j] = (1.0 - odds) * row[j] + odds * (carry + beyond);
                }
            }
        }
    }

    fn drift(&mut self, c: &WearConstants, days: f64) {
        for (rows, (_, rate)) in self.weights.iter_mut().zip(c.rates) {
            let mean_steps = rate * days.max(0.0) / MONTH_DAYS / c.step;
            for j in 0..rows[0].len() {
                let mut carry = 0.0;
                for row in rows.iter_mut() {
                    carry = (mean_steps * carry + row[j]) / (1.0 + mean_steps);
                    row[j] = carry;
                }
                rows[c.n_states - 1][j] += carry * mean_steps;
            }
        }
    }

    fn serve(&mut self, c: &WearConstants, odds: f64) {
        let shape = |k: usize| (-0.5 * (((k as f64 + 0.5) * c.step - c.reset.0) / c.reset.1).powi(2)).exp();
        let norm: f64 = (0..c.n_states).map(shape).sum();
        for rows in &mut self.weights {
            for j in 0..rows[0].len() {
                let total: f64 = rows.iter().map(|row| row[j]).sum();
                for (k, row) in rows.iter_mut().enumerate() {
                    row[j] = (1.0 - odds) * row[j] + odds * total * shape(k) / norm;
                }
            }
        }
    }

    fn see(&mut self, c: &WearConstants, (value, sd): (f64, f64), quick: bool, offsets: Offsets) {
        let (quick_sd, quick_low) = if quick { c.quick } else { (0.0, 0.0) };
        let sd = ((c.se_factor * sd).powi(2) + c.noise_floor.powi(2) + quick_sd.powi(2)).sqrt();
        let value = (value + quick_low) * c.gain;
        let offsets: Vec<f64> = offsets.values(c).collect();
        for rows in &mut self.weights {
            for (k, row) in rows.iter_mut().enumerate() {
                for (p, offset) in row.iter_mut().zip(&offsets) {
                    *p *= likelihood(c, value - (k as f64 + 0.5) * c.step - offset, sd);
                }
            }
        }
        let total: f64 = self.weights.iter().flatten().flatten().sum();
        self.weights.iter_mut().flatten().flatten().for_each(|p| *p /= total);
        self.log_scale += total.ln();
    }

    fn log_evidence(&self) -> Vec<f64> {
        let of = |j: usize| self.weights.iter().flatten().map(|row| row[j]).sum::<f64>();
        (0..self.weights[0][0].len()).map(|j| of(j).ln() + self.log_scale).collect()
    }

    fn states(&self, prior: &[f64]) -> Vec<f64> {
        let weighted = |row: &Vec<f64>| row.iter().zip(prior).map(|(p, w)| p * w).sum::<f64>();
        let n_states = self.weights[0].len();
        let of = |k: usize| (0..N_CLASSES).map(|class| weighted(&self.weights[class][k])).sum::<f64>();
        let total: f64 = (0..n_states).map(of).sum();
        (0..n_states).map(|k| of(k) / total).collect()
    }
}

fn likelihood(c: &WearConstants, residual: f64, sd: f64) -> f64 {
    let z = residual / sd;
    let core = 0.375 * (1.0 + 0.25 * z * z).powf(-2.5) / sd;
    let (share, mean) = c.tail;
    let tail = if residual > 0.0 { (-residual / mean).exp() / mean } else { 0.0 };
    (1.0 - share - c.junk) * core + share * tail + c.junk / 2.0
}

fn any_event() -> impl Strategy<Value = Event> {
    // Days on a grid too, so that they repeat. Readings aren't: where the tail begins, rounding decides.
    let day = prop_oneof![0.0..1500.0, (0..60_u32).prop_map(|m| f64::from(m) * 25.0)];
    let value = prop_oneof![4 => -0.5..1.5, 1 => -50.0..50.0];
    let actions = [Action::Clean, Action::Fan, Action::Paste, Action::None];
    prop_oneof![
        4 => (day.clone(), value, 0.005..0.5, any::<bool>())
            .prop_map(|(day, value, sd, quick)| Event::Seen { day, value, sd, quick }),
        1 => (day, prop::sample::select(actions.to_vec()))
            .prop_map(|(day, action)| Event::Serviced { day, action }),
    ]
}

/// Largest difference allowed of a probability, and of a log evidence above the floor.
const TOLERANCE: f64 = 2e-5;
/// Log evidence this far below the best one is zero to any level or laptop.
const ZERO_NATS: f64 = 40.0;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn the_fast_filter_is_the_plain_one(
        mut events in prop::collection::vec(any_event(), 0..30),
        after in 0.0..800.0,
        from in -25..10_i32,
        n in 1..40_usize,
        centre in -0.2..0.4,
        is_air in any::<bool>(),
    ) {
        let k = Constants::default();
        let c = if is_air { &k.air } else { &k.contact };
        events.sort_by(|a, b| a.day().total_cmp(&b.day()));
        let until = events.last().map_or(0.0, Event::day) + after;
        let offsets = Offsets { from, n };
        let weight = |z: f64| (-0.5 * z * z).exp().max(1e-9);
        let prior: Vec<f64> = offsets.values(c).map(|v| weight((v - centre) / c.offset_sd)).collect();
        let fast = WearFilter::new(c.clone()).run(&events, until, offsets);
        let plain = filter(c, &events, until, offsets);
        let posterior = fast.posterior(c, &prior.iter().map(|&p| [p; N_CLASSES]).collect::<Vec<_>>());
        for (k, (a, b)) in posterior.states.iter().zip(plain.states(&prior)).enumerate() {
            prop_assert!((a - b).abs() < TOLERANCE, "wear {k}: {a} and {b}");
        }
        let (evidence, plain) = (fast.evidence(), plain.log_evidence());
        let top = plain.iter().copied().fold(f64::MIN, f64::max);
        for (j, (a, b)) in evidence.iter().zip(plain).enumerate() {
            let a = a.iter().sum::<f64>().ln() + fast.log_scale();
            prop_assert!(b < top - ZERO_NATS || (a - b).abs() < TOLERANCE, "offset {j}: {a} and {b}");
        }
    }
}

#[test]
fn registers_of_one_lane_give_the_same_digits() {
    let k = Constants::default();
    let filter = WearFilter::new(k.air.clone());
    let seen = |m: u32, value: f64| Event::Seen {
        day: 30.0 * f64::from(m),
        value,
        sd: 0.05,
        quick: m.is_multiple_of(3),
    };
    let mut events: Vec<Event> = (0..9).map(|m| seen(m, 0.03 * f64::from(m))).collect();
    events.push(Event::Serviced { day: 260.0, action: Action::Clean });
    events.extend([seen(9, 0.04), seen(10, 0.5)]);
    let offsets = Offsets { from: -9, n: 21 };
    let steps = Steps::new(&filter.c, &events, 330.0, offsets);
    let mut blocks = vec![filter.first.clone(); offsets.n.div_ceil(LANES)];
    Follow { steps: &steps, reset: &filter.reset, blocks: &mut blocks }.with_simd(Scalar);
    assert_eq!(Filtered { offsets, blocks }, filter.run(&events, 330.0, offsets));
}
