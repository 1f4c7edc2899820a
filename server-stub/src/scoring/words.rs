//! Reasons in plain words, with their evidence.

use super::features::Finding;
use super::{Evidence, ReasonCode};

/// Why a laptop is in its band.
pub(super) fn reason(code: ReasonCode, finding: Option<&Finding>, n_peers: usize) -> String {
    let Some(finding) = finding.filter(|_| code != ReasonCode::NothingSeen) else {
        return format!("nothing stands out among {n_peers} others of its kind");
    };
    let what = match code {
        ReasonCode::Clogged => "gives its heat away slowly: clean the vents and fins",
        ReasonCode::FanWeak => "the fan answers too weakly: look at the fan",
        ReasonCode::Contact => "heat leaves the chip badly: look at paste and mounting",
        _ => "differs from its kind",
    };
    format!("{what} ({})", compared(&finding.main))
}

/// Nothing to compare with.
pub(super) fn too_few_peers(n_others: usize) -> String {
    let others = match n_others {
        0 => "no other laptop".to_owned(),
        1 => "only one other laptop".to_owned(),
        n => format!("only {n} other laptops"),
    };
    format!("cannot tell: {others} of its kind to compare with")
}

fn compared(evidence: &Evidence) -> String {
    let (name, unit) = match evidence.metric {
        "recovery_slow_half_s" => ("half of the slow recovery takes", "s"),
        "g_air_w_per_k" => ("the air takes", "W/K"),
        "fan_gain_rpm_per_k" => ("the fan gains", "rpm/K"),
        "fan_delay_s" => ("the fan starts after", "s"),
        "r_contact_k_per_w" => ("chip to sink", "K/W"),
        other => (other, ""),
    };
    let own = three_digits(evidence.value);
    let others = three_digits(evidence.peers_median);
    format!("{name} {own} {unit}, {others} in {} of its kind", evidence.n_peers)
}

/// Three significant digits without an exponent.
pub(crate) fn three_digits(value: f64) -> String {
    let magnitude = if value == 0.0 { 0 } else { value.abs().log10().floor() as i32 };
    let decimals = (2 - magnitude).clamp(0, 6) as usize;
    format!("{value:.decimals$}")
}
