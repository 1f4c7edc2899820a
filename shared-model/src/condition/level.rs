//! The zero level of a model: where as-new lies, learned from its laptops by their filters' evidence.
//!
//! Where all of a model's laptops read high, either the level lies high or they have worn much. Which of the two it is
//! shows in how fast they wear further and what services bring back. So the level is learned together with the model's
//! [tilt](super::tilt) of the wear's rate classes.
//!
//! Level and tilt are not chosen but kept as a distribution: with thirty laptops it is narrow, with three it is wide,
//! and what it leaves open is in every laptop's result. A laptop is judged by what the *others* tell: what each laptop
//! said when the level was learned is kept, and taken out again where that laptop is judged.

use serde::{Deserialize, Serialize};

use super::constants::{N_RATES, WearConstants};
use super::tilt::{Classes, Tilt, tilts};
use super::wear::{BLOCK, Event, Offsets, WearFilter, Weights};
use crate::estimate::joint_model::quantile;
use crate::estimate::network_drive::median;
use crate::estimate::workers::Workers;

/// Values of a model's tilt that are weighed, where models have one.
const N_TILTS: usize = 3;

/// The zero level of a model, and its tilt: a distribution over offsets' means and tilts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// The offsets that filters carry for this model.
    pub offsets: Offsets,
    /// Log posterior at each of the offsets' values as the level, and there at each tilt, prior included; the largest is
    /// 0.
    pub log_weights: Vec<f64>,
}

/// What one laptop said when the level was learned: log evidence at each of the level's offsets and tilts, in the order of
/// [`Level::log_weights`], the largest 0.
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

/// What a laptop's filter says of the offsets and rate classes.
struct Said {
    /// Evidence of each, up to a common factor.
    evidence: Vec<Classes>,
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
    let (spread, tilts) = (spread_table(c, p.offsets), model_tilts(c));
    let (mut shares, mut evidence) = (Vec::with_capacity(said.len()), 0.0);
    for s in said {
        let log = log_evidence(&s.evidence, &spread, &tilts);
        let top = log.iter().copied().fold(f64::MIN, f64::max);
        evidence += top + s.log_scale;
        shares.push(log.iter().map(|l| rounded(l - top)).collect::<LevelShare>());
    }
    let of_level = |v: f64| -0.5 * ((v - p.centre) / p.sd).powi(2);
    let prior: Vec<f64> =
        p.offsets.values(c).flat_map(|v| tilts.iter().map(move |t| of_level(v) + t.log_weight)).collect();
    let total: Vec<f64> = prior
        .iter()
        .enumerate()
        .map(|(i, p)| p + shares.iter().map(|o| f64::from(o[i])).sum::<f64>())
        .collect();
    let top = total.iter().copied().fold(f64::MIN, f64::max);
    evidence += top + total.iter().map(|t| (t - top).exp()).sum::<f64>().ln()
        - prior.iter().map(|p| p.exp()).sum::<f64>().ln();
    let level = Level { offsets: p.offsets, log_weights: total.iter().map(|t| t - top).collect() };
    Learned { level, shares, evidence }
}

impl Level {
    /// Whether it has a weight for each of its offsets, and not too many.
    pub(super) fn is_sound(&self) -> bool {
        self.offsets.is_sound() && [1, N_TILTS].iter().any(|n| self.log_weights.len() == self.offsets.n * n)
    }

    /// Mean and standard deviation of the level.
    pub fn moments(&self, c: &WearConstants) -> (f64, f64) {
        let of_level = |tilts: &[f64]| tilts.iter().map(|l| l.exp()).sum::<f64>();
        let w: Vec<f64> = self.log_weights.chunks(model_tilts(c).len()).map(of_level).collect();
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
        let tilts = model_tilts(c);
        let levels: Vec<Classes> = others
            .chunks(tilts.len())
            .map(|logs| {
                let mut out = [0.0; N_RATES];
                for (log, tilt) in logs.iter().zip(&tilts) {
                    let w = (log - top).exp();
                    out.iter_mut().zip(tilt.factors).for_each(|(o, f)| *o += w * f);
                }
                out
            })
            .collect();
        let raw = spread_out(&levels, &spread);
        OffsetPrior::new(self.offsets, &raw)
    }
}

/// The offsets that a laptop may have, with their weights.
#[derive(Debug, Clone, PartialEq)]
pub struct OffsetPrior {
    /// The offsets that a filter has to carry.
    pub offsets: Offsets,
    /// Weight of each, and there of each rate class over its usual share, up to a common factor.
    pub weights: Vec<Classes>,
}

impl OffsetPrior {
    /// Offsets less likely than this, against the likeliest, aren't carried.
    const NEGLIGIBLE: f64 = 1e-4;

    fn new(all: Offsets, weights: &[Classes]) -> Self {
        let sum = |w: &Classes| w.iter().sum::<f64>();
        let top = weights.iter().map(sum).fold(f64::MIN_POSITIVE, f64::max);
        let counts = |w: &Classes| sum(w) > Self::NEGLIGIBLE * top;
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

/// What a laptop said, as it is kept: to a hundredth, since there are many.
fn rounded(log: f64) -> f32 {
    ((log * 100.0).round() / 100.0) as f32
}

fn model_tilts(c: &WearConstants) -> Vec<Tilt> {
    if c.model_sd > 0.0 {
        tilts::<N_TILTS>(c, c.model_sd, c.model_reach).to_vec()
    } else {
        tilts::<1>(c, 0.0, (0.0, 0.0)).to_vec()
    }
}

/// Each entry spread over those beside it.
fn spread_out(of: &[Classes], spread: &[f64]) -> Vec<Classes> {
    (0..of.len())
        .map(|at| {
            let mut out = [0.0; N_RATES];
            for (j, weights) in of.iter().enumerate() {
                out.iter_mut().zip(weights).for_each(|(o, w)| *o += w * spread[j.abs_diff(at)]);
            }
            out
        })
        .collect()
}

/// Log evidence of each level and, there, of each tilt.
fn log_evidence(of_offsets: &[Classes], spread: &[f64], tilts: &[Tilt]) -> Vec<f64> {
    let of_tilt = |e: &Classes, t: &Tilt| e.iter().zip(t.factors).map(|(e, f)| e * f).sum::<f64>();
    spread_out(of_offsets, spread)
        .iter()
        .flat_map(|of_level| tilts.iter().map(move |t| of_tilt(of_level, t).max(1e-300).ln()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::constants::Constants;
    use super::*;
    use crate::estimate::workers::InTurn;

    /// A laptop read each month for two years: wear that grows by `per_month`, at a level of 0.
    fn laptop(at_first: f64, per_month: f64) -> History {
        let seen = |month: i32| {
            let (day, value) = (30.0 * f64::from(month), at_first + per_month * f64::from(month));
            Event::Seen { day, value, sd: 0.01, quick: false }
        };
        History { events: (0..24).map(seen).collect(), until: 690.0 }
    }

    #[test]
    fn a_model_whose_laptops_wear_fast_is_not_taken_for_one_that_was_built_worse() {
        let c = Constants::default().contact;
        let untilted = WearConstants { model_sd: 0.0, ..c.clone() };
        let fast: Vec<History> = (0..12).map(|i| laptop(0.10 + 0.004 * f64::from(i), 0.008)).collect();
        let level = |c: &WearConstants| learn(c, &fast, &InTurn).level;
        let (with, without) = (level(&c), level(&untilted));
        assert!(with.is_sound() && without.is_sound());
        let (low, high) = (with.moments(&c).0, without.moments(&untilted).0);
        assert!(low < high, "{low} {high}");
        // One more laptop of the model, with little seen of it, is expected to wear fast as well.
        let one = History { events: laptop(0.12, 0.0).events[..1].to_vec(), until: 0.0 };
        let classes = |c: &WearConstants, l: &Level| {
            judge(&WearFilter::new(c.clone()), &l.offset_prior(c, None), &one).classes()
        };
        let (expected, usual) = (classes(&c, &with)[3], classes(&untilted, &without)[3]);
        assert!(expected > 1.3 * usual, "{expected} {usual}");
    }

    #[test]
    fn what_a_laptop_said_is_taken_out_again_to_the_last_bit_that_is_kept() {
        let c = Constants::default().contact;
        let few: Vec<History> = (0..3).map(|i| laptop(0.03 * f64::from(i), 0.001)).collect();
        let all = learn(&c, &few, &InTurn);
        let others = all.level.offset_prior(&c, Some(&all.shares[0]));
        let mut alone = all.clone();
        let mut total = alone.level.log_weights.clone();
        total.iter_mut().zip(&all.shares[0]).for_each(|(t, s)| *t -= f64::from(*s));
        alone.level.log_weights = total;
        let expected = alone.level.offset_prior(&c, None);
        assert_eq!(others, expected);
        let hundredths = |s: &f32| (100.0 * f64::from(*s)).round() / 100.0;
        assert!(all.shares.iter().flatten().all(|s| hundredths(s) as f32 == *s));
    }
}
