//! Vents and fins: never judged from one run without a reference, and said so.

use super::limits::SLOW_BRANCH_LOAD_S;
use super::{About, Case, Judged, Unjudged};
use crate::analysis::Finding as Quality;
use crate::channel::Channel;
use crate::measured::Measured;

/// A number whose standard error is a larger share of it says nothing to a person. Common practice, no source.
const SE_SHARE_MAX: f64 = 0.3;

pub(super) fn judge(case: &Case<'_>) -> Judged {
    Unjudged {
        about: About::Vents,
        because: because(case),
        would_tell: would_tell(case),
        evidence: evidence(case),
    }
    .into()
}

fn because(case: &Case<'_>) -> String {
    let disturbed = case.analysis.quality.iter().find_map(|q| match q {
        Quality::BackgroundLoad { .. } => Some("other work ran, and that looks exactly like clogged vents"),
        Quality::SleepGap { .. } => Some("the machine slept meanwhile"),
        Quality::SensorStuck { channel: Channel::CpuTempC, .. } => {
            Some("its temperature stood still while it should have moved")
        }
        Quality::OnBattery => Some("it ran on battery, with other limits for power and fan"),
        Quality::WarmStart { .. } => Some("it began warm from earlier work"),
        Quality::ColdSoak { .. } => Some("it came in from the cold"),
        Quality::QuietProfile => Some("a quiet profile held power and fan back"),
        _ => None,
    });
    let base = "what a healthy unit of this model carries away is not known here";
    match disturbed {
        Some(disturbed) => format!("{base}; besides, {disturbed}"),
        None => base.to_owned(),
    }
}

fn would_tell(case: &Case<'_>) -> Vec<String> {
    let mut ways = vec![
        "a hub that has seen healthy units of this model (`windrow join`)".to_owned(),
        "checks of this laptop over time, or one before and one after a cleaning".to_owned(),
    ];
    if case.analysis.phases.load_length_s() < SLOW_BRANCH_LOAD_S {
        ways.push("the standard check instead of the short one: vents need 3 minutes of load".to_owned());
    }
    if !case.ambient_is_known() {
        ways.push(
            "the room's temperature (`--ambient`): one kelvin unknown is 8 % of the airflow".to_owned(),
        );
    }
    ways
}

fn evidence(case: &Case<'_>) -> Vec<String> {
    let m = &case.analysis.metrics;
    let mut lines = Vec::new();
    if let Some((g, se)) = telling(m.g_air_w_per_k) {
        let at = m.fan_max_rpm.value().map(|rpm| format!(" at {rpm:.0} rpm")).unwrap_or_default();
        lines.push(format!("the air carries away {g:.2} ± {se:.2} W/K{at}"));
    }
    if let Some((tau, se)) = telling(m.tau_slow_s) {
        lines.push(format!("time constant of the slow branch {tau:.0} ± {se:.0} s"));
    }
    lines
}

fn telling(measured: Measured) -> Option<(f64, f64)> {
    match measured {
        Measured::Value { value, se } if se <= SE_SHARE_MAX * value.abs() => Some((value, se)),
        _ => None,
    }
}
