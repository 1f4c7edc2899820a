//! What speed a model's fans are due to run at a temperature, learned from its laptops, and a run against it.

use serde::{Deserialize, Serialize};

use super::constants::FanConstants;
use crate::estimate::joint_model::quantile;
use crate::estimate::network_drive::{FanPoint, median};

/// Width of a temperature bin, K.
const BIN_K: f64 = 2.0;
/// Lowest temperature of the map, °C.
const FROM_C: f64 = 20.0;
/// Number of bins.
const N_BINS: usize = 48;
/// Share of the load phase, that with the highest due speed, over which a run is compared.
const COMPARED_SHARE: f64 = 0.2;
/// A due speed below this share of the map's highest says nothing about the fan.
const DUE_SHARE_MIN: f64 = 0.3;
/// Least compared time, s.
const COMPARED_MIN_S: f64 = 6.0;

/// Due speed over temperature of one fan under load.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FanMap {
    due_rpm: Vec<f64>,
    /// Highest due speed, rpm.
    pub top_rpm: f64,
    /// Laptops it was learned from.
    pub laptops: usize,
}

/// A run's fan against the map.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FanReading {
    /// Speed over due speed.
    pub ratio: f64,
    /// Due speed over the map's highest.
    pub due_share: f64,
    /// Further scatter of the ratio, from what disturbed the run and the doubt whether it was quiet.
    pub doubt: f64,
    /// Mean speed where it was compared, rpm.
    pub rpm: f64,
    /// Mean due speed there, rpm.
    pub due_rpm: f64,
}

impl FanReading {
    /// The same as one of a run that was made in a quiet profile with these odds: a quiet profile caps the speed, so that
    /// its reading stands for more, and the less sure it is whether there was a cap, the less the reading says.
    #[must_use]
    pub fn if_quiet(&self, c: &FanConstants, odds: f64) -> Self {
        let odds = odds.clamp(0.0, 1.0);
        let uncapped = self.ratio / (c.quiet_cap / self.due_share).min(1.0);
        let ratio = self.ratio + odds * (uncapped - self.ratio);
        let between = (odds * (1.0 - odds)).sqrt() * (uncapped - self.ratio);
        let sd = between.hypot(odds.sqrt() * c.quiet_sd * uncapped);
        Self { ratio, doubt: self.doubt.hypot(sd), ..*self }
    }
}

fn bin(temp_c: f64) -> usize {
    (((temp_c - FROM_C) / BIN_K).floor().max(0.0) as usize).min(N_BINS - 1)
}

impl FanMap {
    /// Learns the map of fan `idx` from each laptop's runs. `None` where no laptop shows this fan.
    pub fn learn(laptops: &[Vec<&[FanPoint]>], idx: usize) -> Option<Self> {
        let mut per_bin: Vec<Vec<f64>> = vec![Vec::new(); N_BINS];
        let mut n_laptops = 0;
        for runs in laptops {
            let mut own: Vec<Vec<f64>> = vec![Vec::new(); N_BINS];
            for p in runs.iter().flat_map(|r| r.iter()) {
                if p.loaded && p.rpm[idx].is_finite() {
                    own[bin(f64::from(p.temp_c))].push(f64::from(p.rpm[idx]));
                }
            }
            n_laptops += usize::from(own.iter().any(|b| !b.is_empty()));
            for (all, o) in per_bin.iter_mut().zip(&own) {
                if o.len() >= 3 {
                    all.push(median(o));
                }
            }
        }
        let filled: Vec<usize> = (0..N_BINS).filter(|&b| !per_bin[b].is_empty()).collect();
        if filled.is_empty() {
            return None;
        }
        let level: Vec<f64> = filled.iter().map(|&b| median(&per_bin[b])).collect();
        let weight: Vec<f64> = filled.iter().map(|&b| per_bin[b].len() as f64).collect();
        let rising = isotonic(&level, &weight);
        let at = |b: usize| {
            let k = filled.partition_point(|&f| f < b).min(filled.len() - 1);
            if filled[k] == b || k == 0 {
                return rising[k];
            }
            let (lo, hi) = (filled[k - 1], filled[k]);
            if b > hi {
                return rising[k];
            }
            rising[k - 1] + (rising[k] - rising[k - 1]) * (b - lo) as f64 / (hi - lo) as f64
        };
        Some(Self {
            due_rpm: (0..N_BINS).map(at).collect(),
            // The hottest bins hold few laptops, sick ones; the highest due speed is that of a well-filled bin.
            top_rpm: quantile(&rising, 1.0),
            laptops: n_laptops,
        })
    }

    /// Whether it has a speed for each bin.
    pub(super) fn is_sound(&self) -> bool {
        self.due_rpm.len() == N_BINS
    }

    /// Due speed at a temperature, linear between the bins' middles.
    pub fn due_rpm(&self, temp_c: f64) -> f64 {
        let x = ((temp_c - FROM_C) / BIN_K - 0.5).clamp(0.0, (N_BINS - 1) as f64);
        let (b, part) = (x.floor() as usize, x.fract());
        self.due_rpm[b] + part * (self.due_rpm[(b + 1).min(N_BINS - 1)] - self.due_rpm[b])
    }

    /// Compares a run. `None` where the fan was never due enough.
    pub fn read(&self, points: &[FanPoint], idx: usize) -> Option<FanReading> {
        let mut due: Vec<(f64, f64)> = points
            .iter()
            .filter(|p| p.loaded && p.rpm[idx].is_finite())
            .map(|p| (self.due_rpm(f64::from(p.temp_c)), f64::from(p.rpm[idx])))
            .collect();
        due.sort_by(|a, b| b.0.total_cmp(&a.0));
        let n = ((due.len() as f64 * COMPARED_SHARE).ceil() as usize).max((COMPARED_MIN_S / 2.0) as usize);
        due.truncate(n);
        let sum_due: f64 = due.iter().map(|d| d.0).sum();
        let mean_due = sum_due / due.len().max(1) as f64;
        if due.len() < 3 || mean_due < DUE_SHARE_MIN * self.top_rpm || self.top_rpm < 300.0 {
            return None;
        }
        let sum_rpm: f64 = due.iter().map(|d| d.1).sum();
        Some(FanReading {
            ratio: sum_rpm / sum_due,
            due_share: mean_due / self.top_rpm,
            doubt: 0.0,
            rpm: sum_rpm / due.len() as f64,
            due_rpm: mean_due,
        })
    }
}

/// Weighted isotonic regression, rising (pool adjacent violators).
fn isotonic(values: &[f64], weights: &[f64]) -> Vec<f64> {
    let mut pools: Vec<(f64, f64, usize)> = Vec::new();
    for (&v, &w) in values.iter().zip(weights) {
        pools.push((v, w, 1));
        while pools.len() > 1 && pools[pools.len() - 2].0 > pools[pools.len() - 1].0 {
            let (Some(b), Some(a)) = (pools.pop(), pools.pop()) else { break };
            pools.push(((a.0 * a.1 + b.0 * b.1) / (a.1 + b.1), a.1 + b.1, a.2 + b.2));
        }
    }
    pools.iter().flat_map(|p| std::iter::repeat_n(p.0, p.2)).collect()
}

#[cfg(test)]
mod tests {
    use super::super::constants::Constants;
    use super::*;

    #[test]
    fn a_quiet_profile_s_cap_is_given_back_and_doubt_of_it_widens() {
        let c = Constants::default().fan;
        let at_cap =
            FanReading { ratio: c.quiet_cap, due_share: 1.0, doubt: 0.02, rpm: 2800.0, due_rpm: 4000.0 };
        assert_eq!(at_cap.if_quiet(&c, 0.0), at_cap);
        let surely = at_cap.if_quiet(&c, 1.0);
        assert!((surely.ratio - 1.0).abs() < 1e-9, "{surely:?}");
        let perhaps = at_cap.if_quiet(&c, 0.5);
        assert!((perhaps.ratio - f64::midpoint(c.quiet_cap, 1.0)).abs() < 1e-9, "{perhaps:?}");
        assert!(at_cap.doubt < surely.doubt && surely.doubt < perhaps.doubt, "{surely:?} {perhaps:?}");
        // Where less is due than the cap lets through, a quiet profile takes nothing.
        let below_cap = FanReading { due_share: 0.6, ..at_cap };
        assert!((below_cap.if_quiet(&c, 1.0).ratio - c.quiet_cap).abs() < 1e-9);
        // A fan that stands is read as standing whatever the profile.
        let standing = FanReading { ratio: 0.0, ..at_cap };
        assert_eq!(standing.if_quiet(&c, 0.9).ratio, 0.0);
        // Odds that rounding took past one are one.
        assert_eq!(at_cap.if_quiet(&c, 1.0 + 1e-12), surely);
    }
}
