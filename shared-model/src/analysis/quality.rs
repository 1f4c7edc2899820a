//! What can be wrong with a run's data or circumstances, each a typed finding with its size.

use std::collections::BTreeMap;

use super::RunContext;
use crate::channel::Channel;
use crate::protocol::Phase;

/// Something that a reader of the metrics must know. Its number is in the unit of the field.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Finding {
    /// The channel did not move while it should have.
    SensorStuck {
        /// Which channel.
        channel: Channel,
        /// Begin of the longest such stretch, s on the trace's clock.
        from_s: f64,
        /// Its length, s.
        length_s: f64,
    },
    /// Readings that cannot be true were dropped.
    OutOfRange {
        /// Which channel.
        channel: Channel,
        /// How many.
        n_readings: usize,
    },
    /// Single readings far from both neighbours were dropped.
    Jump {
        /// Which channel.
        channel: Channel,
        /// How many.
        n_readings: usize,
    },
    /// Both fans read the same unmoving speed.
    FansFrozenAlike {
        /// That speed, rpm.
        rpm: f64,
    },
    /// A fan reads 0 rpm, yet the machine cools as with a fan: the tachometer is at fault.
    RpmZeroWhileCooling {
        /// Half time of the slow branch, s.
        slow_half_s: f64,
    },
    /// A fan stood still although the CPU got hot.
    FanStill {
        /// 1 or 2.
        fan: u8,
        /// Highest temperature while it stood, °C.
        peak_c: f64,
    },
    /// The machine slept or the sampler was held up.
    SleepGap {
        /// In which phase it began.
        phase: Phase,
        /// Begin, s on the trace's clock.
        at_s: f64,
        /// Length, s.
        length_s: f64,
    },
    /// Other work ran in an idle phase.
    BackgroundLoad {
        /// Which phase.
        phase: Phase,
        /// Median busy share, 0–1.
        busy_share: f64,
    },
    /// The package drew more power in recovery than before the load.
    PowerAboveSettle {
        /// By how much, W.
        excess_w: f64,
    },
    /// The temperature still moved before the load.
    NotSettled {
        /// Slope, K/min.
        slope_k_per_min: f64,
    },
    /// The machine was warm from earlier work.
    WarmStart {
        /// Baseline over what it should be, K, or by how much it fell before the load.
        excess_k: f64,
    },
    /// The machine came in from the cold: at the room's temperature, or still warming.
    ColdSoak {
        /// Baseline over the room, K; where that isn't known, how fast it warmed, K/min.
        size: f64,
    },
    /// On battery: other power limits apply.
    OnBattery,
    /// In a profile that lowers power and fan.
    QuietProfile,
    /// The load did not load: judgements are weak.
    WeakLoad {
        /// Rise of the CPU temperature, K.
        rise_k: f64,
    },
    /// The CPU temperature answers late: not fit for judging contact.
    SensorLag {
        /// Delay, s.
        lag_s: f64,
    },
    /// The load was ended early.
    StoppedEarly {
        /// How long it lasted, s.
        load_s: f64,
    },
}

impl Finding {
    /// Its name on the wire, with the channel, fan or phase that it concerns.
    pub fn wire_name(&self) -> String {
        match *self {
            Self::SensorStuck { channel, .. } => format!("sensor_stuck.{}", channel.spec().column),
            Self::OutOfRange { channel, .. } => format!("out_of_range.{}", channel.spec().column),
            Self::Jump { channel, .. } => format!("jump.{}", channel.spec().column),
            Self::FansFrozenAlike { .. } => "fans_frozen_alike".into(),
            Self::RpmZeroWhileCooling { .. } => "rpm_zero_while_cooling".into(),
            Self::FanStill { fan, .. } => format!("fan_still.fan{fan}_rpm"),
            Self::SleepGap { phase, .. } => format!("sleep_gap.{}", phase.name()),
            Self::BackgroundLoad { phase, .. } => format!("background_load.{}", phase.name()),
            Self::PowerAboveSettle { .. } => "power_above_settle".into(),
            Self::NotSettled { .. } => "not_settled".into(),
            Self::WarmStart { .. } => "warm_start".into(),
            Self::ColdSoak { .. } => "cold_soak".into(),
            Self::OnBattery => "on_battery".into(),
            Self::QuietProfile => "quiet_profile".into(),
            Self::WeakLoad { .. } => "weak_load".into(),
            Self::SensorLag { .. } => "sensor_lag".into(),
            Self::StoppedEarly { .. } => "stopped_early".into(),
        }
    }

    /// Its size, in the unit of its field; 1 where it has none.
    pub fn size(&self) -> f64 {
        match *self {
            Self::SensorStuck { length_s, .. } | Self::SleepGap { length_s, .. } => length_s,
            Self::OutOfRange { n_readings, .. } | Self::Jump { n_readings, .. } => n_readings as f64,
            Self::FansFrozenAlike { rpm } => rpm,
            Self::RpmZeroWhileCooling { slow_half_s } => slow_half_s,
            Self::FanStill { peak_c, .. } => peak_c,
            Self::BackgroundLoad { busy_share, .. } => busy_share,
            Self::PowerAboveSettle { excess_w } => excess_w,
            Self::NotSettled { slope_k_per_min } => slope_k_per_min,
            Self::WarmStart { excess_k } => excess_k,
            Self::ColdSoak { size } => size,
            Self::OnBattery | Self::QuietProfile => 1.0,
            Self::WeakLoad { rise_k } => rise_k,
            Self::SensorLag { lag_s } => lag_s,
            Self::StoppedEarly { load_s } => load_s,
        }
    }
}

/// The findings as they travel: name → size, the largest where one name comes more than once.
pub fn to_wire(findings: &[Finding]) -> BTreeMap<String, f64> {
    let mut by_name = BTreeMap::new();
    for finding in findings {
        let size = by_name.entry(finding.wire_name()).or_insert(f64::NEG_INFINITY);
        *size = size.max(finding.size());
    }
    by_name
}

/// Findings that follow from the circumstances alone.
pub(super) fn circumstances(context: &RunContext) -> Vec<Finding> {
    let found =
        [(Finding::OnBattery, context.on_ac == Some(false)), (Finding::QuietProfile, context.is_quiet())];
    found.into_iter().filter_map(|(finding, is_there)| is_there.then_some(finding)).collect()
}
