//! The fan filter: from speeds against due speeds to the distribution of the fan factor.
//!
//! State: wear class (steady, failing) × unit offset × fan factor, with a point at 0 for a seized fan. Two questions
//! stay open until the evidence has spoken: whether the model's firmware holds the speed (closed loop: a worn fan is
//! driven harder and looks well until it runs out of headroom) or the duty (open loop: the speed shows the wear), and
//! whether the laptop always runs in a quiet profile that caps the fan. The first is summed over the model.

use super::constants::{FanConstants, MONTH_DAYS};
use super::wear::Action;

/// One run's evidence about the fan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FanEvidence {
    /// A speed against its due speed.
    Ratio {
        /// Speed over due speed.
        ratio: f64,
        /// Due speed over the map's highest.
        due_share: f64,
        /// Spread between laptops where compared.
        spread: f64,
        /// Odds that this run was made in a quiet profile, given that the laptop usually isn't in one.
        quiet: f64,
    },
    /// No tachometer: how likely the run's airflow is if the fan stands and if it turns.
    Standing {
        /// If it stands.
        stands: f64,
        /// If it turns.
        turns: f64,
    },
}

/// What happens to a fan, in time order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FanEvent {
    /// A run.
    Seen {
        /// Day.
        day: f64,
        /// What it says.
        evidence: FanEvidence,
    },
    /// A service.
    Serviced {
        /// Day.
        day: f64,
        /// What.
        action: Action,
    },
}

impl FanEvent {
    /// When.
    pub fn day(&self) -> f64 {
        match *self {
            Self::Seen { day, .. } | Self::Serviced { day, .. } => day,
        }
    }
}

/// How the firmware drives the fan, and whether the laptop is always in a quiet profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hypothesis {
    /// The firmware holds the speed, and can drive a healthy fan to this multiple of the highest due speed.
    pub headroom: Option<f64>,
    /// Always in a quiet profile.
    pub always_quiet: bool,
}

/// Grid of the fan factor: a point at 0, then from this value on.
const FROM: f64 = 0.20;
const STEP: f64 = 0.01;
const N_STATES: usize = 92;
const N_OFFSETS: usize = 5;
const N_CLASSES: usize = 2;

/// Distribution of the fan factor.
#[derive(Debug, Clone, PartialEq)]
pub struct FanPosterior {
    /// Probability of each grid value; the first is 0.
    pub states: Vec<f64>,
    /// Probability that the fan is of the failing kind.
    pub failing: f64,
    /// Natural logarithm of the evidence.
    pub log_evidence: f64,
}

/// Fan factor of a grid index.
pub fn factor_at(k: usize) -> f64 {
    if k == 0 { 0.0 } else { FROM + (k - 1) as f64 * STEP }
}

impl FanPosterior {
    /// P(fan factor < x).
    pub fn below(&self, x: f64) -> f64 {
        self.states
            .iter()
            .enumerate()
            .map(|(k, p)| p * ((x - factor_at(k)) / STEP + 0.5).clamp(0.0, 1.0))
            .sum::<f64>()
            .min(1.0)
    }

    /// Quantile of the fan factor.
    pub fn quantile(&self, q: f64) -> f64 {
        let mut sum = 0.0;
        for (k, p) in self.states.iter().enumerate() {
            sum += p;
            if sum >= q {
                return factor_at(k) + if k == 0 { 0.0 } else { STEP * (0.5 - (sum - q) / p) };
            }
        }
        1.0
    }

    /// The mixture of several, weighted.
    pub fn mixture(parts: &[(f64, FanPosterior)]) -> Self {
        let total: f64 = parts.iter().map(|p| p.0).sum();
        let mut out = Self { states: vec![0.0; N_STATES], failing: 0.0, log_evidence: 0.0 };
        for (w, p) in parts {
            let w = w / total;
            out.states.iter_mut().zip(&p.states).for_each(|(o, s)| *o += w * s);
            out.failing += w * p.failing;
            out.log_evidence += w * p.log_evidence;
        }
        out
    }
}

/// Runs the filter over events in time order up to day `until`.
pub fn filter(c: &FanConstants, events: &[FanEvent], until: f64, h: Hypothesis) -> FanPosterior {
    let mut f = State { p: first_state(c), log: 0.0 };
    let mut now: Option<f64> = None;
    for e in events {
        if let Some(before) = now {
            f.drift(c, e.day() - before);
        }
        now = Some(e.day());
        match *e {
            FanEvent::Seen { evidence, .. } => f.see(c, &evidence, h),
            FanEvent::Serviced { action: Action::Fan, .. } => f.replace(c),
            FanEvent::Serviced { .. } => {}
        }
    }
    if let Some(before) = now {
        f.drift(c, until - before);
    }
    f.posterior()
}

struct State {
    p: Vec<f64>,
    log: f64,
}

fn index(class: usize, offset: usize) -> usize {
    (class * N_OFFSETS + offset) * N_STATES
}

fn offset_at(c: &FanConstants, j: usize) -> f64 {
    (j as f64 - 2.0) * c.unit_sd
}

/// Weights of offsets one standard deviation apart.
const OFFSET_WEIGHTS: [f64; N_OFFSETS] = [0.06, 0.24, 0.4, 0.24, 0.06];

/// As-new fans: one Gaussian over the grid.
fn as_new(c: &FanConstants) -> Vec<f64> {
    let mut v: Vec<f64> = (0..N_STATES)
        .map(|k| {
            let z = (factor_at(k) - c.as_new.0) / c.as_new.1;
            if k == 0 { 0.0 } else { (-0.5 * z * z).exp() }
        })
        .collect();
    let sum: f64 = v.iter().sum();
    for p in &mut v {
        *p /= sum;
    }
    v
}

fn first_state(c: &FanConstants) -> Vec<f64> {
    let new = as_new(c);
    let n_any = (1..N_STATES).filter(|&k| factor_at(k) <= 0.97).count() as f64;
    let mut p = vec![0.0; N_CLASSES * N_OFFSETS * N_STATES];
    for (j, w) in OFFSET_WEIGHTS.iter().enumerate() {
        let steady = &mut p[index(0, j)..index(0, j) + N_STATES];
        for (k, s) in steady.iter_mut().enumerate() {
            *s = w * (1.0 - c.first_failing) * (1.0 - c.first_seized) * new[k];
        }
        steady[0] = w * (1.0 - c.first_failing) * c.first_seized;
        let failing = &mut p[index(1, j)..index(1, j) + N_STATES];
        for (k, s) in failing.iter_mut().enumerate().skip(1) {
            *s = if factor_at(k) <= 0.97 { w * c.first_failing / n_any } else { 0.0 };
        }
    }
    p
}

impl State {
    fn drift(&mut self, c: &FanConstants, days: f64) {
        if days <= 0.0 {
            return;
        }
        let months = days / MONTH_DAYS;
        let start = 1.0 - (-c.failing_starts * months).exp();
        let (steady, failing) = self.p.split_at_mut(N_OFFSETS * N_STATES);
        for (s, f) in steady.iter_mut().zip(failing.iter_mut()) {
            let moved = *s * start;
            *s -= moved;
            *f += moved;
        }
        for class in 0..N_CLASSES {
            let mean_steps = c.rates[class] * months / STEP;
            let keep = mean_steps / (1.0 + mean_steps);
            for j in 0..N_OFFSETS {
                let row = &mut self.p[index(class, j)..index(class, j) + N_STATES];
                let mut carry = 0.0;
                for p in row[1..].iter_mut().rev() {
                    carry = keep * carry + (1.0 - keep) * *p;
                    *p = carry;
                }
                row[1] += carry * mean_steps;
                seize(c, row, months);
            }
        }
    }

    fn replace(&mut self, c: &FanConstants) {
        let new = as_new(c);
        for j in 0..N_OFFSETS {
            let total: f64 = (0..N_CLASSES)
                .map(|class| self.p[index(class, j)..index(class, j) + N_STATES].iter().sum::<f64>())
                .sum();
            for class in 0..N_CLASSES {
                let row = &mut self.p[index(class, j)..index(class, j) + N_STATES];
                let fresh = if class == 0 { c.replacing_works * total } else { 0.0 };
                for (p, n) in row.iter_mut().zip(&new) {
                    *p = *p * (1.0 - c.replacing_works) + fresh * n;
                }
            }
        }
    }

    fn see(&mut self, c: &FanConstants, e: &FanEvidence, h: Hypothesis) {
        let mut total = 0.0;
        for j in 0..N_OFFSETS {
            let table: Vec<f64> =
                (0..N_STATES).map(|k| likelihood(c, e, factor_at(k), offset_at(c, j), h)).collect();
            for class in 0..N_CLASSES {
                for (p, l) in self.p[index(class, j)..index(class, j) + N_STATES].iter_mut().zip(&table) {
                    *p *= l;
                    total += *p;
                }
            }
        }
        if total > 0.0 {
            self.p.iter_mut().for_each(|p| *p /= total);
            self.log += total.ln();
        }
    }

    fn posterior(&self) -> FanPosterior {
        let mut states = vec![0.0; N_STATES];
        for row in self.p.chunks(N_STATES) {
            states.iter_mut().zip(row).for_each(|(s, p)| *s += p);
        }
        let total: f64 = states.iter().sum();
        for s in &mut states {
            *s /= total;
        }
        let failing: f64 = self.p[index(1, 0)..].iter().sum::<f64>() / total;
        FanPosterior { states, failing, log_evidence: self.log }
    }
}

fn seize(c: &FanConstants, row: &mut [f64], months: f64) {
    let mut seized = 0.0;
    for (k, p) in row.iter_mut().enumerate().skip(1) {
        let hazard = if factor_at(k) < 0.85 { c.seizing_worn } else { c.seizing };
        let moved = *p * (1.0 - (-hazard * months).exp());
        *p -= moved;
        seized += moved;
    }
    row[0] += seized;
}

fn likelihood(c: &FanConstants, e: &FanEvidence, factor: f64, offset: f64, h: Hypothesis) -> f64 {
    match *e {
        FanEvidence::Standing { stands, turns } => {
            if factor == 0.0 {
                stands
            } else {
                turns
            }
        }
        FanEvidence::Ratio { ratio, due_share, spread, quiet } => {
            let odds = if h.always_quiet { 1.0 - c.quiet_odds } else { quiet };
            let plain = plain_likelihood(c, ratio, due_share, spread, factor, offset, h.headroom);
            let capped = quiet_likelihood(c, ratio, due_share, factor);
            (1.0 - odds) * plain + odds * capped
        }
    }
}

fn plain_likelihood(
    c: &FanConstants,
    ratio: f64,
    due_share: f64,
    spread: f64,
    factor: f64,
    offset: f64,
    headroom: Option<f64>,
) -> f64 {
    if let Some(headroom) = headroom {
        let share = due_share.max(0.3);
        let reach = (headroom * factor / share).min(1.0 + c.held_offset * offset);
        let held = (c.closed_sd.0 * c.closed_sd.0 + spread.min(0.03).powi(2)).sqrt();
        let sd = if headroom * factor / share < 0.99 { c.closed_sd.1 } else { held };
        return robust(c, ratio - reach, sd);
    }
    let spread = spread.min(0.08);
    let sd = (c.open_sd * c.open_sd + c.spread_factor * c.spread_factor * spread * spread).sqrt();
    robust(c, ratio - factor * (1.0 + offset), if factor == 0.0 { 0.05 } else { sd })
}

fn quiet_likelihood(c: &FanConstants, ratio: f64, due_share: f64, factor: f64) -> f64 {
    let cap = (c.quiet_cap / due_share.max(0.3)).min(1.0);
    robust(c, ratio - cap * factor, if factor == 0.0 { 0.05 } else { c.quiet_sd })
}

/// Student's t with 4 degrees of freedom and a floor.
fn robust(c: &FanConstants, residual: f64, sd: f64) -> f64 {
    let z = residual / sd;
    let q = 1.0 / (1.0 + 0.25 * z * z);
    (1.0 - c.junk) * 0.375 * q * q * q.sqrt() / sd + c.junk
}
