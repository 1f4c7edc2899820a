//! Reasons in plain words, with their evidence.

use windrow_model::condition::doubt::{CannotTell, NextStep};

use super::evidence::Evidence;
use super::rule::{Case, Decided, age_days, left_open};
use super::{Fault, ReasonCode};

/// Why a laptop is in its band.
pub(super) fn reason(case: &Case<'_>, decided: &Decided, evidence: &[Evidence]) -> String {
    let said = match decided.reason_code {
        ReasonCode::Clogged => "the air takes too little heat: clean the vents and fins".to_owned(),
        ReasonCode::FanWeak => "the fan turns too slowly for the heat: look at the fan".to_owned(),
        ReasonCode::FanStopped => {
            "a fan stood still while it was hot: have it looked at before further load".to_owned()
        }
        ReasonCode::Contact => "heat leaves the chip badly: look at paste and mounting".to_owned(),
        ReasonCode::NothingSeen => "nothing asks for a visit".to_owned(),
        ReasonCode::CannotTell => format!("cannot tell: {}", next_step(case)),
        ReasonCode::NoGoodRun => format!("no run of it can be used: {}", why_unusable(case)),
        ReasonCode::TooOld => format!("last checked {} days before: check again", age_days(case)),
        ReasonCode::NotCheckedSinceService => {
            let on = case.last_service.map(|s| s.on.to_string()).unwrap_or_default();
            format!("serviced on {on}, not checked since: check again")
        }
    };
    let also = also(decided);
    let pieces: Vec<String> = evidence.iter().map(piece).collect();
    if pieces.is_empty() { said + &also } else { format!("{said}{also} ({})", pieces.join("; ")) }
}

/// Further faults that the same visit should see to.
fn also(decided: &Decided) -> String {
    let others: Vec<&str> = decided.suspected.iter().skip(1).map(|s| s.fault.part()).collect();
    if others.is_empty() { String::new() } else { format!("; see to {} too", others.join(" and ")) }
}

/// What the runs leave open, and the cheapest thing that would tell.
fn next_step(case: &Case<'_>) -> String {
    let open = case.conditioned.and_then(|c| left_open(&c.condition));
    let Some((_, CannotTell { part, next })) = open else { return "check again".to_owned() };
    format!("{}: {}", Fault::from(part).part(), step_words(next))
}

/// A next step in words.
pub(crate) const fn step_words(next: NextStep) -> &'static str {
    match next {
        NextStep::StandardCheck => "a check of full length would tell",
        NextStep::CheckOnMains => "a check on mains power would tell",
        NextStep::TellRoomTemperature => "a check with the room's temperature told (`--ambient`) would tell",
        NextStep::CheckAgain => "one more check would tell",
        NextStep::LookByHand => "no further check would tell, somebody has to look and listen",
    }
}

fn why_unusable(case: &Case<'_>) -> &'static str {
    if case.last.figures.is_none() {
        "the load never began; its pre-checks say why"
    } else {
        "too few readings under load; check again"
    }
}

/// One piece of evidence in words.
pub(crate) fn piece(evidence: &Evidence) -> String {
    let (name, unit) = match evidence.metric {
        "airflow_fraction" => ("airflow", "of as new"),
        "fan_factor" => ("fan at", "of its due speed"),
        "contact_factor" => ("paste and mounting", "times as new"),
        "fan_stood_at_c" => ("it stood at", "°C"),
        "recovery_slow_half_s" => ("half of the slow recovery takes", "s"),
        "g_air_w_per_k" => ("the air takes", "W/K"),
        "fan_max_rpm" => ("highest speed", "rpm"),
        "fan_gain_rpm_per_k" => ("the fan gains", "rpm/K"),
        "fan_delay_s" => ("the fan starts after", "s"),
        "r_contact_k_per_w" => ("chip to sink", "K/W"),
        "rise_rate_early_k_per_s" => ("it first rises by", "K/s"),
        "throttled_load_share" => ("throttled share of the load", ""),
        other => (other, ""),
    };
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    let value = digits(evidence.metric, evidence.value);
    match (evidence.low, evidence.high, evidence.peers) {
        (Some(low), Some(high), _) => {
            format!(
                "{name} {value}{unit}, {} to {}",
                digits(evidence.metric, low),
                digits(evidence.metric, high)
            )
        }
        (_, _, Some(peers)) => {
            let median = digits(evidence.metric, peers.median);
            format!("{name} {value}{unit}, {median} among {} of its model", peers.n_laptops)
        }
        _ => format!("{name} {value}{unit}"),
    }
}

fn digits(metric: &str, value: f64) -> String {
    match metric {
        "airflow_fraction" | "fan_factor" => format!("{value:.2}"),
        "contact_factor" => format!("{value:.1}"),
        "fan_stood_at_c" | "fan_max_rpm" => format!("{value:.0}"),
        _ => three_digits(value),
    }
}

/// Three significant digits without an exponent.
pub(crate) fn three_digits(value: f64) -> String {
    let magnitude = if value == 0.0 { 0 } else { value.abs().log10().floor() as i32 };
    let decimals = (2 - magnitude).clamp(0, 6) as usize;
    format!("{value:.decimals$}")
}
