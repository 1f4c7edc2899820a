//! The zero level of a model: where as-new lies, learned from its laptops by their filters' evidence.
//!
//! The level is not chosen but kept as a distribution: with thirty laptops it is narrow, with three it is wide, and
//! what it leaves open is in every laptop's result. A laptop is judged by the level that the *others* tell: what each
//! laptop said when the level was learned is kept, and taken out again where that laptop is judged.

use serde::{Deserialize, Serialize};

use super::constants::WearConstants;
use super::wear::{BLOCK, Event, Offsets, WearFilter, Weights};
use crate::estimate::joint_model::quantile;
use crate::estimate::network_drive::median;
use crate::estimate::workers::Workers;

/// The zero level of a model: a distribution over offsets' means.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// The offsets that filters carry for this model.
    pub offsets: Offsets,
    /// Log posterior at each of the offsets' values as the level, prior included; the largest is 0.
    pub log_weights: Vec<f64>,
}

/// What one laptop said of the level when it was learned: log evidence at each of the level's offsets, the largest 0.
pub type LevelShare = Vec<f32>;

/// A laptop's events in time order, and the day up to which its wear is followed.
#[derive(Debug, Clone, PartialEq)]
pub struct History {
    /// Events.
    pub events: Vec<Event>,
    /// Day.
    pub until: f64,
}

/// A learned level.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    /// The level.
    pub level: Level,
    /// What each laptop said, in order.
    pub shares: Vec<LevelShare>,
    /// Log evidence of all laptops together.
    pub evidence: f64,
}

/// Half width of the search around the prior's mean, log units.
const SEARCH_SPAN: f64 = 0.36;

/// Learns a model's level from its laptops.
pub fn learn(c: &WearConstants, histories: &[History], workers: &impl Workers) -> Learned {
    let (prior, said) = filter_all(c, histories, workers);
    learn_from(c, &prior, &said)
}

/// The constants, among those of `candidates` that differ in the offsets' spread alone, whose level the laptops
/// explain best, `cost` nats taken off.
pub(super) fn learn_best_spread(
    candidates: &[(WearConstants, f64)],
    histories: &[History],
    workers: &impl Workers,
) -> Option<(f64, WearConstants)> {
    let (first, _) = candidates.first()?;
    let (prior, said) = filter_all(first, histories, workers);
    candidates
        .iter()
        .map(|(c, cost)| (learn_from(c, &prior, &said).evidence - cost, c))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(score, c)| (score, c.clone()))
}

/// Where the level is looked for.
struct Prior {
    offsets: Offsets,
    centre: f64,
    sd: f64,
}

/// What a laptop's filter says of the offsets.
struct Said {
    /// Evidence of each, up to a common factor.
    evidence: Vec<f64>,
    /// Natural logarithm of that factor.
    log_scale: f64,
}

fn filter_all(c: &WearConstants, histories: &[History], workers: &impl Workers) -> (Prior, Vec<Said>) {
    let (centre, sd) = level_prior(c, histories);
    let offsets = Offsets::around(c, centre, SEARCH_SPAN);
    let filter = WearFilter::new(c.clone());
    let said = workers.map(histories.len(), |i| {
        let filtered = filter.run(&histories[i].events, histories[i].until, offsets);
        Said { evidence: filtered.evidence(), log_scale: filtered.log_scale() }
    });
    (Prior { offsets, centre, sd }, said)
}

fn learn_from(c: &WearConstants, p: &Prior, said: &[Said]) -> Learned {
    let spread = spread_table(c, p.offsets);
    let (mut shares, mut evidence) = (Vec::with_capacity(said.len()), 0.0);
    for s in said {
        let log = log_level_evidence(&s.evidence, &spread);
        let top = log.iter().copied().fold(f64::MIN, f64::max);
        evidence += top + s.log_scale;
        shares.push(log.iter().map(|l| (l - top) as f32).collect::<LevelShare>());
    }
    let prior: Vec<f64> = p.offsets.values(c).map(|v| -0.5 * ((v - p.centre) / p.sd).powi(2)).collect();
    let total: Vec<f64> =
        (0..p.offsets.n).map(|l| prior[l] + shares.iter().map(|o| f64::from(o[l])).sum::<f64>()).collect();
    let top = total.iter().copied().fold(f64::MIN, f64::max);
    evidence += top + total.iter().map(|t| (t - top).exp()).sum::<f64>().ln()
        - prior.iter().map(|p| p.exp()).sum::<f64>().ln();
    let level = Level { offsets: p.offsets, log_weights: total.iter().map(|t| t - top).collect() };
    Learned { level, shares, evidence }
}

impl Level {
    /// Whether it has a weight for each of its offsets, and not too many.
    pub(super) fn is_sound(&self) -> bool {
        self.offsets.is_sound() && self.log_weights.len() == self.offsets.n
    }

    /// Mean and standard deviation of the level.
    pub fn moments(&self, c: &WearConstants) -> (f64, f64) {
        let w: Vec<f64> = self.log_weights.iter().map(|l| l.exp()).collect();
        let sum: f64 = w.iter().sum();
        let mean = self.offsets.values(c).zip(&w).map(|(v, w)| v * w).sum::<f64>() / sum;
        let var = self.offsets.values(c).zip(&w).map(|(v, w)| (v - mean).powi(2) * w).sum::<f64>() / sum;
        (mean, var.sqrt())
    }

    /// A laptop's offsets as the others tell; `own` is what the laptop itself said.
    pub fn offset_prior(&self, c: &WearConstants, own: Option<&LevelShare>) -> OffsetPrior {
        let spread = spread_table(c, self.offsets);
        let own = own.filter(|o| o.len() == self.log_weights.len());
        let others: Vec<f64> = match own {
            Some(own) => self.log_weights.iter().zip(own).map(|(t, o)| t - f64::from(*o)).collect(),
            None => self.log_weights.clone(),
        };
        let top = others.iter().copied().fold(f64::MIN, f64::max);
        let level: Vec<f64> = others.iter().map(|l| (l - top).exp()).collect();
        let raw: Vec<f64> = (0..level.len())
            .map(|j| level.iter().enumerate().map(|(l, w)| w * spread[j.abs_diff(l)]).sum())
            .collect();
        OffsetPrior::new(self.offsets, &raw)
    }
}

/// The offsets that a laptop may have, with their weights.
#[derive(Debug, Clone, PartialEq)]
pub struct OffsetPrior {
    /// The offsets that a filter has to carry.
    pub offsets: Offsets,
    /// Weight of each, up to a common factor.
    pub weights: Vec<f64>,
}

impl OffsetPrior {
    /// Offsets less likely than this, against the likeliest, aren't carried.
    const NEGLIGIBLE: f64 = 1e-4;

    fn new(all: Offsets, weights: &[f64]) -> Self {
        let top = weights.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
        let counts = |w: &f64| *w > Self::NEGLIGIBLE * top;
        let from = weights.iter().position(counts).unwrap_or(0);
        let to = weights.iter().rposition(counts).map_or(weights.len(), |last| last + 1);
        // A filter carries whole blocks: what fits in beside costs nothing.
        let n = (to - from).next_multiple_of(BLOCK).min(weights.len());
        let from = from.saturating_sub((n - (to - from)) / 2).min(weights.len() - n);
        let skipped = i32::try_from(from).unwrap_or(i32::MAX);
        let offsets = Offsets { from: all.from.saturating_add(skipped), n };
        Self { offsets, weights: weights[from..from + n].to_vec() }
    }
}

/// Judges one laptop against a standing level.
pub fn judge(filter: &WearFilter, prior: &OffsetPrior, history: &History) -> Weights {
    let filtered = filter.run(&history.events, history.until, prior.offsets);
    filtered.weights(filter.constants(), &prior.weights)
}

/// Where the level is looked for: a low quantile of the laptops' medians stands for nearly as-new.
fn level_prior(c: &WearConstants, histories: &[History]) -> (f64, f64) {
    let medians: Vec<f64> = histories
        .iter()
        .map(|h| {
            let seen: Vec<f64> = h
                .events
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

fn log_level_evidence(of_offsets: &[f64], spread: &[f64]) -> Vec<f64> {
    (0..of_offsets.len())
        .map(|l| {
            let sum: f64 = of_offsets.iter().enumerate().map(|(j, e)| e * spread[j.abs_diff(l)]).sum();
            sum.max(1e-300).ln()
        })
        .collect()
}
