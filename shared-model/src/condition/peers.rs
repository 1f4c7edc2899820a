//! What is usual among a model's laptops, for showing one of them beside the others.

use serde::{Deserialize, Serialize};

use super::evidence::RunEvidence;
use crate::estimate::joint_model::quantile;
use crate::estimate::network_drive::median;

/// The middle and the ends between which nine laptops in ten lie.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// 5 % quantile.
    pub low: f64,
    /// Median.
    pub mid: f64,
    /// 95 % quantile.
    pub high: f64,
    /// Laptops that it comes from.
    pub laptops: usize,
}

/// Bands of each laptop's median over its last runs; `None` where no laptop shows the quantity.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct PeerBands {
    /// Log airflow, not corrected for the model's level.
    pub log_air: Option<Band>,
    /// Log contact, likewise.
    pub log_contact: Option<Band>,
    /// Speed reached over speed due.
    pub fan_ratio: Option<Band>,
    /// Fan's start after the load's, s.
    pub start_delay_s: Option<Band>,
    /// Scatter of the fan's speed, share of it.
    pub flutter: Option<Band>,
    /// Throttle events a second of load.
    pub throttle_per_s: Option<Band>,
    /// Temperature at the load's end, °C.
    pub hot_c: Option<Band>,
}

/// A laptop is shown by the median of at most this many of its last runs.
const LAST_RUNS: usize = 3;

impl PeerBands {
    pub(super) fn learn(laptops: &[Vec<RunEvidence>]) -> Self {
        let band = |of: &dyn Fn(&RunEvidence) -> Option<f64>| {
            let each: Vec<f64> = laptops.iter().filter_map(|runs| latest(runs, of)).collect();
            (!each.is_empty()).then(|| Band {
                low: quantile(&each, 0.05),
                mid: quantile(&each, 0.5),
                high: quantile(&each, 0.95),
                laptops: each.len(),
            })
        };
        Self {
            log_air: band(&log_air),
            log_contact: band(&log_contact),
            fan_ratio: band(&fan_ratio),
            start_delay_s: band(&|r| r.start_delay_s),
            flutter: band(&|r| r.flutter),
            throttle_per_s: band(&|r| r.throttle_per_s),
            hot_c: band(&|r| r.hot_c.is_finite().then_some(r.hot_c)),
        }
    }
}

impl Band {
    /// How far a value lies from the middle, in the spread of healthy laptops. The spread is told by the healthier
    /// half alone (`worse_is_low` says which that is), and never below `least`: the sick must not hide each other.
    pub fn z(&self, value: f64, worse_is_low: bool, least: f64) -> f64 {
        /// 95 % quantile of the Gaussian.
        const Z95: f64 = 1.645;
        let healthy = if worse_is_low { self.high - self.mid } else { self.mid - self.low };
        (value - self.mid) / (healthy / Z95).max(least)
    }
}

/// Median of a quantity over a laptop's last runs that show it.
pub(super) fn latest(runs: &[RunEvidence], of: &dyn Fn(&RunEvidence) -> Option<f64>) -> Option<f64> {
    let last: Vec<f64> = runs.iter().rev().filter_map(of).take(LAST_RUNS).collect();
    let mid = median(&last);
    mid.is_finite().then_some(mid)
}

pub(super) fn log_air(r: &RunEvidence) -> Option<f64> {
    r.air.map(|a| a.0)
}

pub(super) fn log_contact(r: &RunEvidence) -> Option<f64> {
    r.contact.map(|c| c.0)
}

pub(super) fn fan_ratio(r: &RunEvidence) -> Option<f64> {
    r.worst_fan().filter(|_| !r.is_stuck()).map(|f| f.ratio)
}
