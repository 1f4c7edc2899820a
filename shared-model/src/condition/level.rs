//! The zero level of a model: where as-new lies, learned from all its laptops by their filters' evidence.
//!
//! The level is not chosen but kept as a distribution: with thirty laptops it is narrow, with three it is wide, and
//! what it leaves open is in every laptop's result. A laptop is judged by the level that the *others* tell.

use super::constants::WearConstants;
use super::wear::{Event, Filtered, Offsets, Posterior, filter};
use crate::estimate::joint_model::quantile;
use crate::estimate::network_drive::median;

/// The zero level of a model: a distribution over offsets' means.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// The offsets that filters carry for this model.
    pub offsets: Offsets,
    /// Log posterior at each of the offsets' values as the level, prior included; the largest is 0.
    pub log_weights: Vec<f64>,
}

/// Half width of the search around the prior's mean, log units.
const SEARCH_SPAN: f64 = 0.36;

/// Learns a model's level and judges its laptops, each by what the others and itself say.
///
/// `histories` are the laptops' events in time order; each is judged at the day given.
pub fn learn_and_judge(c: &WearConstants, histories: &[(Vec<Event>, f64)]) -> (Level, Vec<Posterior>, f64) {
    let (centre, sd) = level_prior(c, histories);
    let offsets = Offsets::around(c, centre, SEARCH_SPAN);
    let filtered: Vec<Filtered> = histories.iter().map(|(e, until)| filter(c, e, *until, offsets)).collect();
    let spread = spread_table(c, offsets);
    let own: Vec<Vec<f64>> = filtered.iter().map(|f| log_level_evidence(c, f, &spread)).collect();
    let prior: Vec<f64> = offsets.values(c).map(|v| -0.5 * ((v - centre) / sd).powi(2)).collect();
    let total: Vec<f64> = (0..offsets.n).map(|l| prior[l] + own.iter().map(|o| o[l]).sum::<f64>()).collect();
    let posteriors = filtered
        .iter()
        .zip(&own)
        .map(|(f, o)| {
            let others: Vec<f64> = total.iter().zip(o).map(|(t, o)| t - o).collect();
            f.posterior(c, &offset_prior(&others, &spread))
        })
        .collect();
    let top = total.iter().copied().fold(f64::MIN, f64::max);
    let evidence = top
        + total.iter().map(|t| (t - top).exp()).sum::<f64>().ln()
        + filtered.iter().map(Filtered::log_scale).sum::<f64>()
        - prior.iter().map(|p| p.exp()).sum::<f64>().ln();
    let level = Level { offsets, log_weights: total.iter().map(|t| t - top).collect() };
    (level, posteriors, evidence)
}

/// Judges one laptop against a standing level.
pub fn judge(c: &WearConstants, level: &Level, events: &[Event], until: f64) -> Posterior {
    let f = filter(c, events, until, level.offsets);
    f.posterior(c, &offset_prior(&level.log_weights, &spread_table(c, level.offsets)))
}

impl Level {
    /// Mean and standard deviation of the level.
    pub fn moments(&self, c: &WearConstants) -> (f64, f64) {
        let w: Vec<f64> = self.log_weights.iter().map(|l| l.exp()).collect();
        let sum: f64 = w.iter().sum();
        let mean = self.offsets.values(c).zip(&w).map(|(v, w)| v * w).sum::<f64>() / sum;
        let var = self.offsets.values(c).zip(&w).map(|(v, w)| (v - mean).powi(2) * w).sum::<f64>() / sum;
        (mean, var.sqrt())
    }
}

/// Where the level is looked for: a low quantile of the laptops' medians stands for nearly as-new.
fn level_prior(c: &WearConstants, histories: &[(Vec<Event>, f64)]) -> (f64, f64) {
    let medians: Vec<f64> = histories
        .iter()
        .map(|(events, _)| {
            let seen: Vec<f64> = events
                .iter()
                .filter_map(|e| match e {
                    Event::Seen { value, .. } => Some(value * c.gain),
                    Event::Serviced { .. } => None,
                })
                .collect();
            median(&seen)
        })
        .filter(|m| m.is_finite())
        .collect();
    let sd = c.level_sd.0 + c.level_sd.1 / (medians.len().max(1) as f64).sqrt();
    let low = quantile(&medians, c.level_quantile.0);
    (if low.is_finite() { low - c.level_quantile.1 } else { 0.0 }, sd)
}

/// Probability of a laptop's offset j given level l, as a table by distance.
fn spread_table(c: &WearConstants, offsets: Offsets) -> Vec<f64> {
    let raw: Vec<f64> =
        (0..offsets.n).map(|d| (-0.5 * (d as f64 * c.step / c.offset_sd).powi(2)).exp()).collect();
    let norm = raw[0] + 2.0 * raw[1..].iter().sum::<f64>();
    raw.iter().map(|r| r / norm).collect()
}

fn log_level_evidence(c: &WearConstants, f: &Filtered, spread: &[f64]) -> Vec<f64> {
    let e = f.evidence(c);
    (0..e.len())
        .map(|l| {
            let sum: f64 = e.iter().enumerate().map(|(j, e)| e * spread[j.abs_diff(l)]).sum();
            sum.max(1e-300).ln()
        })
        .collect()
}

fn offset_prior(log_level: &[f64], spread: &[f64]) -> Vec<f64> {
    let top = log_level.iter().copied().fold(f64::MIN, f64::max);
    let w: Vec<f64> = log_level.iter().map(|l| (l - top).exp()).collect();
    (0..w.len()).map(|j| w.iter().enumerate().map(|(l, w)| w * spread[j.abs_diff(l)]).sum()).collect()
}
