//! What of a run is compared, which way a fault moves it, and which runs may be compared at all.

use std::collections::BTreeMap;

use windrow_model::measured::Measured;
use windrow_model::record::wire::Metrics;

use super::{Band, Evidence, ReasonCode, Run};

/// A compared metric. All are positive and compared by their logarithm: a fault multiplies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Feature {
    /// Half time of the recovery's slow branch: heat capacity over conductance to the air.
    SlowHalf,
    /// Conductance from sink to air.
    GAir,
    /// Fan speed gained per kelvin.
    FanPerKelvin,
    /// Time until the fan answers.
    FanDelay,
    /// Fast-branch resistance.
    RContact,
}

/// What is fixed about a feature.
pub(super) struct FeatureSpec {
    pub(super) feature: Feature,
    pub(super) metric: &'static str,
    /// +1: the fault makes it larger.
    pub(super) towards_fault: f64,
    /// Which fault.
    pub(super) fault: ReasonCode,
    /// Spread between healthy laptops of a kind, of the logarithm, before the fleet says more. Common practice, no source.
    pub(super) prior_sd: f64,
    of: fn(&Metrics) -> Measured,
}

pub(super) const FEATURES: [FeatureSpec; 5] = [
    FeatureSpec {
        feature: Feature::SlowHalf,
        metric: "recovery_slow_half_s",
        towards_fault: 1.0,
        fault: ReasonCode::Clogged,
        prior_sd: 0.12,
        of: |m| m.recovery_slow_half_s,
    },
    FeatureSpec {
        feature: Feature::GAir,
        metric: "g_air_w_per_k",
        towards_fault: -1.0,
        fault: ReasonCode::Clogged,
        prior_sd: 0.20,
        of: |m| m.g_air_w_per_k,
    },
    FeatureSpec {
        feature: Feature::FanPerKelvin,
        metric: "fan_gain_rpm_per_k",
        towards_fault: -1.0,
        fault: ReasonCode::FanWeak,
        prior_sd: 0.10,
        of: |m| m.fan_gain_rpm_per_k,
    },
    FeatureSpec {
        feature: Feature::FanDelay,
        metric: "fan_delay_s",
        towards_fault: 1.0,
        fault: ReasonCode::FanWeak,
        prior_sd: 0.60,
        of: |m| m.fan_delay_s,
    },
    FeatureSpec {
        feature: Feature::RContact,
        metric: "r_contact_k_per_w",
        towards_fault: 1.0,
        fault: ReasonCode::Contact,
        prior_sd: 0.08,
        of: |m| m.r_contact_k_per_w,
    },
];

/// A laptop's value of a feature.
#[derive(Debug, Clone, Copy)]
pub(super) struct Value {
    /// Logarithm of the median over its runs.
    pub(super) ln: f64,
    /// Standard error of the logarithm.
    pub(super) se_ln: f64,
}

/// Findings after which a run is not compared, with why. A name ends where the channel or phase begins.
const SPOILED_BY: [(&str, &str); 7] = [
    ("background_load.", "other work ran meanwhile; check again while idle"),
    ("sensor_stuck.cpu_temp_c", "the temperature sensor stood still"),
    ("sleep_gap.", "the laptop slept meanwhile"),
    ("on_battery", "it ran on battery; check again on mains power"),
    ("weak_load", "it hardly warmed up"),
    ("warm_start", "it was warm from earlier work; check again after a rest"),
    ("not_settled", "it had not come to rest before; check again after a rest"),
];

/// Why a run isn't compared; `None`: it is good.
pub(super) fn why_not_good(run: &Run) -> Option<&'static str> {
    let Some(metrics) = &run.metrics else {
        return Some("the load never began; its pre-checks say why");
    };
    if !is_any_feature_known(metrics) {
        return Some("nothing could be determined from it");
    }
    let named = |begin: &str| metrics.quality.keys().any(|name| name.starts_with(begin));
    SPOILED_BY.iter().find(|(begin, _)| named(begin)).map(|(_, why)| *why)
}

fn is_any_feature_known(metrics: &Metrics) -> bool {
    FEATURES.iter().any(|f| positive(&(f.of)(metrics)).is_some())
}

/// The highest temperature at which a fan stood still in the last run, where it did. An earlier run counts no more.
pub(super) fn fan_stopped(runs: &[&Run]) -> Option<f64> {
    let metrics = runs.last()?.metrics.as_ref()?;
    let still = metrics.quality.iter().filter(|(name, _)| name.starts_with("fan_still."));
    still.map(|(_, &peak_c)| peak_c).reduce(f64::max)
}

/// The features of a laptop's runs: the median over them.
pub(super) fn of_runs(runs: &[&Run]) -> BTreeMap<Feature, Value> {
    let mut features = BTreeMap::new();
    for spec in &FEATURES {
        let lns: Vec<(f64, f64)> =
            runs.iter().filter_map(|r| positive(&(spec.of)(r.metrics.as_ref()?))).collect();
        if lns.is_empty() {
            continue;
        }
        let ln = median(lns.iter().map(|v| v.0));
        let se_ln = median(lns.iter().map(|v| v.1)) / (lns.len() as f64).sqrt();
        features.insert(spec.feature, Value { ln, se_ln });
    }
    features
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    super::peers::median_sorted(&sorted)
}

/// Logarithm and its standard error. A bound counts as its value: it is at least that.
fn positive(measured: &Measured) -> Option<(f64, f64)> {
    let (value, se) = match *measured {
        Measured::Value { value, se } => (value, se),
        Measured::Over { over } => (over, 0.0),
        Measured::No { .. } => return None,
    };
    (value > 0.0 && se.is_finite()).then(|| (value.ln(), se / value))
}

/// The fault that the evidence speaks for most.
#[derive(Debug, Clone)]
pub(super) struct Finding {
    pub(super) reason_code: ReasonCode,
    /// Deviations towards it.
    pub(super) z: f64,
    /// How many times off, at least 1.
    ratio: f64,
    /// The comparison that says most.
    pub(super) main: Evidence,
}

/// Deviations and size that a band needs. 3.5 deviations: Iglewicz and Hoaglin 1993, for outliers; the rest is common
/// practice, no source. The size keeps what is certain but small from being a visit.
const BANDS: [(Band, f64, f64); 3] =
    [(Band::PullNow, 6.0, 1.6), (Band::WithinSevenDays, 3.5, 1.3), (Band::NextRound, 2.5, 1.2)];
/// From here a weak fan explains a slow recovery, rather than the vents.
const FAN_EXPLAINS_Z: f64 = 2.5;

impl Finding {
    pub(super) fn band(&self) -> Band {
        let fits = |&&(_, z, ratio): &&(Band, f64, f64)| self.z >= z && self.ratio >= ratio;
        BANDS.iter().find(fits).map_or(Band::NoVisit, |(band, _, _)| *band)
    }
}

/// The likeliest fault, whatever its size.
pub(super) fn likeliest(evidence: &[(Feature, Evidence)]) -> Option<Finding> {
    let faults = [ReasonCode::FanWeak, ReasonCode::Contact, ReasonCode::Clogged];
    let mut findings: Vec<Finding> = faults.iter().filter_map(|&fault| finding(fault, evidence)).collect();
    let fan_is_weak = findings.iter().any(|f| f.reason_code == ReasonCode::FanWeak && f.z >= FAN_EXPLAINS_Z);
    findings.retain(|f| !(fan_is_weak && f.reason_code == ReasonCode::Clogged));
    findings.into_iter().max_by(|a, b| a.z.total_cmp(&b.z))
}

/// All that speaks for or against one fault: vents by the mean of their signs, a fan by its worst sign.
fn finding(fault: ReasonCode, evidence: &[(Feature, Evidence)]) -> Option<Finding> {
    let mut signs: Vec<&Evidence> = Vec::new();
    for (feature, e) in evidence {
        if FEATURES.iter().any(|s| s.feature == *feature && s.fault == fault) {
            signs.push(e);
        }
    }
    let main = signs.iter().copied().max_by(|a, b| a.z.total_cmp(&b.z))?;
    let mean_z = signs.iter().map(|e| e.z).sum::<f64>() / signs.len() as f64;
    let z = if fault == ReasonCode::Clogged { mean_z } else { main.z };
    let ratio = (main.value / main.peers_median).ln().abs().exp();
    Some(Finding { reason_code: fault, z, ratio, main: main.clone() })
}
