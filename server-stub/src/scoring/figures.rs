//! What of a run's metrics a judgement and its table read: values alone, without standard errors and reasons.

use windrow_model::measured::{Measured, Reason};
use windrow_model::record::wire::Metrics;

/// One of the figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Figure {
    /// Highest sustained temperature, °C.
    PeakC,
    /// Peak over baseline, K.
    RiseK,
    /// Slope over the load's first seconds, K/s.
    RiseRateEarlyKPerS,
    /// From the load's end until half of the whole rise is gone, s.
    RecoveryHalfS,
    /// Half time of what is left 10 s after the load's end, s.
    RecoverySlowHalfS,
    /// From load start until the fan answers, s.
    FanDelayS,
    /// Fan speed gained per kelvin of rise, rpm/K.
    FanGainRpmPerK,
    /// Highest sustained fan speed, rpm.
    FanMaxRpm,
    /// Share of the load phase spent throttled, 0–1.
    ThrottledLoadShare,
    /// Fast-branch thermal resistance, K/W.
    RContactKPerW,
    /// Conductance sink to air at the sustained fan speed, W/K.
    GAirWPerK,
}

impl Figure {
    const ALL: [Self; 11] = [
        Self::PeakC,
        Self::RiseK,
        Self::RiseRateEarlyKPerS,
        Self::RecoveryHalfS,
        Self::RecoverySlowHalfS,
        Self::FanDelayS,
        Self::FanGainRpmPerK,
        Self::FanMaxRpm,
        Self::ThrottledLoadShare,
        Self::RContactKPerW,
        Self::GAirWPerK,
    ];

    const fn in_metrics(self, m: &Metrics) -> &Measured {
        match self {
            Self::PeakC => &m.peak_c,
            Self::RiseK => &m.rise_k,
            Self::RiseRateEarlyKPerS => &m.rise_rate_early_k_per_s,
            Self::RecoveryHalfS => &m.recovery_half_s,
            Self::RecoverySlowHalfS => &m.recovery_slow_half_s,
            Self::FanDelayS => &m.fan_delay_s,
            Self::FanGainRpmPerK => &m.fan_gain_rpm_per_k,
            Self::FanMaxRpm => &m.fan_max_rpm,
            Self::ThrottledLoadShare => &m.throttled_load_share,
            Self::RContactKPerW => &m.r_contact_k_per_w,
            Self::GAirWPerK => &m.g_air_w_per_k,
        }
    }
}

/// A run's figures.
#[derive(Debug, Clone, PartialEq)]
pub struct Figures {
    /// In the order of [`Figure::ALL`]; NaN where there is none.
    values: [f64; Figure::ALL.len()],
    /// Highest temperature at which a fan stood still, °C; NaN where none did.
    fan_stood_at_c: f64,
    /// Why there is no highest temperature under load, where there is none.
    no_peak: Option<Reason>,
}

impl Figures {
    /// Of a run's metrics.
    pub fn of(metrics: &Metrics) -> Self {
        Self {
            values: Figure::ALL.map(|figure| figure.in_metrics(metrics).value().unwrap_or(f64::NAN)),
            fan_stood_at_c: fan_stood_at_c(metrics).unwrap_or(f64::NAN),
            no_peak: reason(&metrics.peak_c),
        }
    }

    /// One of them, where the run has it.
    pub fn get(&self, figure: Figure) -> Option<f64> {
        Some(self.values[figure as usize]).filter(|v| !v.is_nan())
    }

    /// The highest temperature at which a fan stood still in the run, where it did.
    pub fn fan_stood_at_c(&self) -> Option<f64> {
        Some(self.fan_stood_at_c).filter(|c| !c.is_nan())
    }

    /// Why the run has no highest temperature under load; `None` where it has one.
    pub const fn no_peak(&self) -> Option<Reason> {
        self.no_peak
    }
}

const fn reason(measured: &Measured) -> Option<Reason> {
    match *measured {
        Measured::No { not_determinable } => Some(not_determinable),
        _ => None,
    }
}

/// While the temperature sensor stands still the firmware's fan does too, and says nothing.
fn fan_stood_at_c(metrics: &Metrics) -> Option<f64> {
    let quality = &metrics.quality;
    if quality.keys().any(|name| name.starts_with("sensor_stuck.")) {
        return None;
    }
    quality.iter().filter(|(name, _)| name.starts_with("fan_still.")).map(|(_, &c)| c).reduce(f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_figure_has_a_place_of_its_own() {
        for (place, figure) in Figure::ALL.into_iter().enumerate() {
            assert_eq!(figure as usize, place, "{figure:?}");
        }
    }
}
