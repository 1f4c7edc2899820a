//! What disturbed a run, told from the run itself: it makes the run say less, and is told beside it.
//!
//! A disturbance widens the standard errors of the parts that it spoils, by what the residuals of such runs showed
//! beyond what the fit and the filter count on already ([`DisturbanceConstants`]); a sensor that stood still also takes
//! the fan's reading away. A quiet profile is told from the laptop's other runs ([`super::quiet`]): one run alone does
//! not show it.

use serde::{Deserialize, Serialize};

use super::constants::{DisturbanceConstants, Wider};
use crate::estimate::network_drive::RunFacts;

/// Something that disturbed a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Disturbance {
    /// Other work ran before or after the load.
    BackgroundLoad,
    /// On battery: other power limits, and another relation of clock and power.
    OnBattery,
    /// Still warm from earlier work when it began.
    WarmStart,
    /// Brought in from the cold.
    ColdSoak,
    /// The machine slept during the run.
    SleepGap,
    /// The temperature sensor stood still while the load stepped.
    StuckSensor,
    /// In a profile that lowers power and fan.
    QuietProfile,
}

impl Disturbance {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::BackgroundLoad,
        Self::OnBattery,
        Self::WarmStart,
        Self::ColdSoak,
        Self::SleepGap,
        Self::StuckSensor,
        Self::QuietProfile,
    ];

    /// As a person reads it, beside what weakens a run.
    pub const fn words(self) -> &'static str {
        match self {
            Self::BackgroundLoad => "other work ran",
            Self::OnBattery => "on battery",
            Self::WarmStart => "began warm",
            Self::ColdSoak => "began cold",
            Self::SleepGap => "slept in between",
            Self::StuckSensor => "sensor stood still",
            Self::QuietProfile => "quiet profile",
        }
    }

    const fn bit(self) -> u8 {
        1 << self as u8
    }
}

/// The disturbances of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Disturbances(u8);

/// Mean busy share outside the load from which other work ran (as the analysis has it; common practice, no source).
const BUSY_FROM: f64 = 0.05;
/// An idle machine that cools faster than this is warm from earlier work, K/min; in the short settle phase of a quick
/// run a single step of a 1 °C sensor is 6 K/min. Calibrated on simulated fleets: of warm starts 19 in 20 cool faster, of
/// other runs one in 23.
const COOLS_FROM_K_PER_MIN: f64 = 2.5;
/// As above, in a quick run.
const COOLS_FROM_QUICK_K_PER_MIN: f64 = 7.0;
/// An SSD this far over the room, more than is usual for the model, was warmed by earlier work, K. Calibrated on
/// simulated fleets.
const SSD_WARM_K: f64 = 4.0;
/// An SSD this far under what is usual came in from the cold, K. Calibrated on simulated fleets: 13 in 20 of runs after
/// 30 minutes in the cold, one in 33 of others.
const SSD_COLD_K: f64 = 3.0;

impl Disturbances {
    /// Those that a run shows by itself. `ssd_off_k` is by how much its SSD lay over the room at the start, less what is
    /// usual for the model, K; NaN where not known.
    pub fn of(facts: &RunFacts, on_mains: Option<bool>, ssd_off_k: f64) -> Self {
        let cools_from = if facts.quick { COOLS_FROM_QUICK_K_PER_MIN } else { COOLS_FROM_K_PER_MIN };
        let mut out = Self::default();
        for (disturbance, is_there) in [
            (Disturbance::BackgroundLoad, facts.busy_before > BUSY_FROM || facts.busy_after > BUSY_FROM),
            (Disturbance::OnBattery, on_mains == Some(false)),
            (Disturbance::WarmStart, facts.idle_slope_k_per_min < -cools_from || ssd_off_k > SSD_WARM_K),
            (Disturbance::ColdSoak, ssd_off_k < -SSD_COLD_K),
            (Disturbance::SleepGap, facts.slept),
            (Disturbance::StuckSensor, facts.sensor_stuck),
        ] {
            if is_there {
                out = out.with(disturbance);
            }
        }
        out
    }

    /// These and one more.
    #[must_use]
    pub const fn with(self, one: Disturbance) -> Self {
        Self(self.0 | one.bit())
    }

    /// Whether this is among them.
    pub const fn has(self, one: Disturbance) -> bool {
        self.0 & one.bit() != 0
    }

    /// Each of them.
    pub fn iter(self) -> impl Iterator<Item = Disturbance> {
        Disturbance::ALL.into_iter().filter(move |d| self.has(*d))
    }

    /// By how much they widen a run: log airflow, log contact, and the fan's share of its due speed.
    pub fn widen(self, k: &DisturbanceConstants, has_power: bool) -> Wider {
        self.iter().map(|d| k.of(d, has_power)).fold(Wider::NONE, Wider::and)
    }
}

#[cfg(test)]
mod tests;
