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
    let mut weights = [[0.0_f64; N_LEVELS]; 2];
    for (i, (usual, always)) in level_priors(c, step).enumerate() {
        weights[0][i] = usual;
        weights[1][i] = always;
    }
    let level = |i: usize| (i as f64 - (N_LEVELS / 2) as f64) * LEVEL_STEP;
    let mut log = [0.0; 2];
    for &d in log_power.iter().filter(|d| d.is_finite()) {
        for (w, log) in weights.iter_mut().zip(&mut log) {
            let mut total = 0.0;
            for (i, p) in w.iter_mut().enumerate() {
                *p *= mixed(c, d - level(i), step);
                total += *p;
            }
            if total > 0.0 {
                for p in w.iter_mut() {
                    *p /= total;
                }
                *log += total.ln();
            }
        }
    }
    let runs = log_power
        .iter()
        .map(|&d| {
            if !d.is_finite() {
                return c.quiet_odds;
            }
            let (mut capped, mut all) = (0.0, 0.0);
            for (i, p) in weights[0].iter().enumerate() {
                let at = d - level(i);
                let q = c.quiet_odds * bell(at + step, c.power_sd);
                capped += p * q / mixed(c, at, step).max(1e-12);
                all += p;
            }
            if all > 0.0 { (capped / all).clamp(0.0, 1.0) } else { c.quiet_odds }
        })
        .collect();
    Quiet { log_evidence: log, runs }
}

fn level_priors(c: &FanConstants, step: f64) -> impl Iterator<Item = (f64, f64)> {
    let raw: Vec<(f64, f64)> = (0..N_LEVELS)
        .map(|i| {
            let x = (i as f64 - (N_LEVELS / 2) as f64) * LEVEL_STEP;
            (bell(x, c.power_unit_sd) * LEVEL_STEP, bell(x + step, c.power_unit_sd) * LEVEL_STEP)
        })
        .collect();
    raw.into_iter()
}

/// A run's power about the laptop's level: usual, a step lower, or anything.
fn mixed(c: &FanConstants, off: f64, step: f64) -> f64 {
    let junk = 0.05;
    (1.0 - c.quiet_odds - junk) * bell(off, c.power_sd)
        + c.quiet_odds * bell(off + step, c.power_sd)
        + junk / 1.0
}

fn bell(x: f64, sd: f64) -> f64 {
    let z = x / sd;
    0.3989 * (-0.5 * z * z).exp() / sd
}
