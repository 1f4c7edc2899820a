//! Whether a run, or every run of a laptop, was made in a quiet profile, told from the sustained power.
//!
//! A laptop repeats its sustained power within a per cent or two; a quiet profile lowers it by a step that belongs to
//! the model. A run a step below the laptop's others was quiet; a laptop a step below its model may always be.

use super::constants::FanConstants;

/// What the power says of a laptop.
#[derive(Debug, Clone, PartialEq)]
pub struct Quiet {
    /// Natural logarithm of the power's evidence if the laptop is usually not quiet, and if it always is.
    pub log_evidence: [f64; 2],
    /// For each run, the odds that it was quiet, given that the laptop usually isn't.
    pub runs: Vec<f64>,
}

const N_LEVELS: usize = 61;
const LEVEL_STEP: f64 = 0.01;

/// Judges a laptop by its runs' log power against the model's median, NaN where not known. `step` is the model's.
pub fn quiet(c: &FanConstants, log_power: &[f64], step: f64) -> Quiet {
    let mut levels = level_priors(c, step);
    let mut log_evidence = [0.0; 2];
    let seen: Vec<Option<PowerSeen>> =
        log_power.iter().map(|d| d.is_finite().then(|| PowerSeen::new(c, *d, step))).collect();
    for run in seen.iter().flatten() {
        for (weights, log) in levels.iter_mut().zip(&mut log_evidence) {
            weights.iter_mut().zip(&run.any).for_each(|(w, l)| *w *= l);
            let total: f64 = weights.iter().sum();
            if total > 0.0 {
                for w in weights.iter_mut() {
                    *w /= total;
                }
                *log += total.ln();
            }
        }
    }
    let usual = &levels[0];
    let all: f64 = usual.iter().sum();
    let odds = |run: &PowerSeen| {
        let quiet: f64 = usual.iter().zip(&run.quiet).zip(&run.any).map(|((w, q), any)| w * q / any).sum();
        (quiet / all).clamp(0.0, 1.0)
    };
    let runs = seen.iter().map(|run| run.as_ref().filter(|_| all > 0.0).map_or(c.quiet_odds, odds)).collect();
    Quiet { log_evidence, runs }
}

type Levels = [f64; N_LEVELS];

/// A laptop's level of log power against its model's.
fn level(i: usize) -> f64 {
    (i as f64 - (N_LEVELS / 2) as f64) * LEVEL_STEP
}

/// Weights of the levels if the laptop is usually not quiet, and if it always is.
fn level_priors(c: &FanConstants, step: f64) -> [Levels; 2] {
    [0.0, step].map(|lower| std::array::from_fn(|i| bell(level(i) + lower, c.power_unit_sd) * LEVEL_STEP))
}

/// A run's power: its likelihood at each level of the laptop.
struct PowerSeen {
    /// Usual, a step lower, or anything.
    any: Levels,
    /// The part of it that is a step lower.
    quiet: Levels,
}

impl PowerSeen {
    fn new(c: &FanConstants, log_power: f64, step: f64) -> Self {
        /// Share of runs whose power says nothing; spread over one log unit.
        const JUNK: f64 = 0.05;
        let off = |i: usize| log_power - level(i);
        let quiet: Levels = std::array::from_fn(|i| c.quiet_odds * bell(off(i) + step, c.power_sd));
        let usual = |i: usize| (1.0 - c.quiet_odds - JUNK) * bell(off(i), c.power_sd);
        Self { any: std::array::from_fn(|i| usual(i) + quiet[i] + JUNK), quiet }
    }
}

/// Gaussian density.
fn bell(x: f64, sd: f64) -> f64 {
    /// Standard deviations beyond which it is 0 beside any other part.
    const ZERO_BEYOND: f64 = 9.0;
    let z = x / sd;
    if z.abs() > ZERO_BEYOND { 0.0 } else { 0.3989 * (-0.5 * z * z).exp() / sd }
}
