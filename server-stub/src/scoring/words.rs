//! Reasons in plain words, with their evidence.

use windrow_model::channel::Channel;
use windrow_model::condition::doubt::{CannotTell, NextStep};
use windrow_model::measured::Reason;

use super::evidence::Evidence;
use super::rule::{Case, Decided, left_open};
use super::runs::{NOT_STARTED, Run, STOPPED_EARLY};
use super::{Fault, ReasonCode, day_of};

/// Why a laptop is in its band.
pub(super) fn reason(case: &Case<'_>, decided: &Decided, evidence: &[Evidence]) -> String {
    let said = match decided.reason_code {
        ReasonCode::Clogged => "the air takes too little heat: clean the vents and fins".to_owned(),
        ReasonCode::FanWeak => "the fan turns too slowly for the heat: look at the fan".to_owned(),
        ReasonCode::FanStopped => {
            "a fan stood still while it was hot: have it looked at before further load".to_owned()
        }
        ReasonCode::Contact => "heat leaves the chip badly: look at paste and mounting".to_owned(),
        ReasonCode::NothingSeen => format!("nothing asks for a visit{}", all_left_open(case)),
        ReasonCode::CannotTell => format!("cannot tell: {}", next_step(case)),
        ReasonCode::NoGoodRun => {
            format!("no run of it can be used: {}; check again", why_unfitted(case.last))
        }
        ReasonCode::TooOld => {
            format!("last checked {} days before: check again{}", case.age_days(), failed_since(case))
        }
        ReasonCode::NotCheckedSinceService => {
            let on = case.last_service.map(|s| s.on.to_string()).unwrap_or_default();
            format!("serviced on {on}, not checked since: check again{}", failed_since(case))
        }
        ReasonCode::ForecastPassed => forecast_passed(decided),
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

/// Each part that the runs leave open, those together that the same step would tell of.
fn all_left_open(case: &Case<'_>) -> String {
    let mut by_step: Vec<(NextStep, Vec<&str>)> = Vec::new();
    for open in case.conditioned.iter().flat_map(|c| &c.condition.cannot_tell) {
        let part = Fault::from(open.part).part();
        match by_step.iter_mut().find(|(next, _)| *next == open.next) {
            Some((_, parts)) => parts.push(part),
            None => by_step.push((open.next, vec![part])),
        }
    }
    let told = by_step
        .into_iter()
        .map(|(next, parts)| format!("; cannot tell of the {}: {}", parts.join(" and "), step_words(next)));
    told.collect()
}

fn forecast_passed(decided: &Decided) -> String {
    let Some(f) = decided.forecast else { return "check again".to_owned() };
    format!("{}: even odds to have passed the limit by {}: check again", f.fault.part(), f.due_on)
}

/// The last run, where it came after the last that could be fitted.
fn failed_since(case: &Case<'_>) -> String {
    let last = case.last;
    let Some(on) = day_of(last.tested_at_ms).filter(|_| last.tested_at_ms > case.told_at_ms()) else {
        return String::new();
    };
    format!("; the run of {on} cannot be used: {}", why_unfitted(last))
}

/// Why a run could not be fitted.
fn why_unfitted(run: &Run) -> &'static str {
    let was_read = |channel: Channel| {
        let read = &run.kind.channels;
        read.is_empty() || read.split(' ').any(|name| name == channel.spec().column)
    };
    if run.kind.outcome == NOT_STARTED {
        return "the load never began, its pre-checks say why";
    }
    let Some(figures) = &run.figures else {
        return "its trace cannot be analysed, the hub's log says why";
    };
    match figures.no_peak() {
        Some(Reason::NoPhase) => "its trace shows no load",
        _ if !was_read(Channel::CpuTempC) => "no CPU temperature was read",
        _ if !was_read(Channel::LoadPct) => "how busy the CPU was wasn't read",
        _ if run.kind.outcome == STOPPED_EARLY => "the load ended too early",
        _ => "too few readings under load or before it",
    }
}

/// One piece of evidence in words.
pub(crate) fn piece(evidence: &Evidence) -> String {
    if evidence.metric == "fan_stumbles" {
        let count = evidence.value;
        let often = if count == 1.0 { "once".to_owned() } else { format!("{count:.0} times") };
        return format!("its speed broke in {often}");
    }
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
