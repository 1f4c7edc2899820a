//! A check that was not made, and the words for pre-checks and events.

use super::{About, Case, Finding, Judgement, Standing, Verdict};
use crate::record::wire::{Event, EventKind, PreCheck, PreCheckKind, PreCheckResult};

pub(super) fn not_checked(case: &Case<'_>) -> Verdict {
    let failed: Vec<&PreCheck> =
        case.pre_checks.iter().filter(|p| p.result == PreCheckResult::Failed).collect();
    let names: Vec<&str> = failed.iter().map(|p| pre_check_failure(p.check)).collect();
    let stops: Vec<Finding> = case.events.iter().filter(|e| e.kind.ends_load()).map(stopped).collect();
    let is_found = stops.iter().any(|f| f.judgement.asks_for_attention());
    let findings: Vec<Finding> = stops.into_iter().chain(failed.iter().map(|p| finding(p))).collect();
    let headline = match names.as_slice() {
        _ if is_found => "suspect: a few seconds of load already took it to its limit".to_owned(),
        [] => "the check was not made".to_owned(),
        names => format!("the check was not made: {}", names.join("; ")),
    };
    Verdict {
        standing: if is_found { Standing::Suspect } else { Standing::NotChecked },
        headline,
        notice: None,
        next: super::next_steps(case.outcome, Standing::NotChecked, &findings),
        cautions: super::cautions_beside(&findings),
        findings,
        unjudged: Vec::new(),
    }
}

/// The pulse of load before the phases was ended by a safety stop.
fn stopped(event: &Event) -> Finding {
    let is_hot =
        matches!(event.kind, EventKind::AtLimit | EventKind::OverLimit | EventKind::FanStoppedAtLimit);
    let finding = if is_hot {
        let words =
            "The short pulse of load before the check already took it to its limit, so no more was given.";
        Finding::new(About::Throttling, Judgement::Suspect, words).service(
            "Have fan, vents and the mounting of the heat sink looked at: heat hardly leaves the CPU.",
        )
    } else {
        Finding::new(About::Data, Judgement::Watch, event_words(event.kind))
    };
    if event.detail.is_empty() { finding } else { finding.evidence(event.detail.clone()) }
}

fn finding(pre_check: &PreCheck) -> Finding {
    let words = format!("No load was started: {}.", pre_check_failure(pre_check.check));
    let finding = Finding::new(About::Data, Judgement::Watch, words).next(pre_check_remedy(pre_check.check));
    if pre_check.detail.is_empty() { finding } else { finding.evidence(pre_check.detail.clone()) }
}

/// What a pre-check looks at, as a person reads it.
pub const fn pre_check_name(kind: PreCheckKind) -> &'static str {
    match kind {
        PreCheckKind::Sensors => "CPU temperature",
        PreCheckKind::AcPower => "mains power",
        PreCheckKind::BatteryLevel => "battery charge",
        PreCheckKind::BatteryHealth => "battery health",
        PreCheckKind::Temperature => "distance to the limit",
        PreCheckKind::Busy => "other work",
        PreCheckKind::Lid => "lid",
        PreCheckKind::Hold => "hold by the administrator",
        PreCheckKind::Surface => "hard flat surface",
        PreCheckKind::Bulge => "bulging battery or case",
        PreCheckKind::Pulse => "answer to a short pulse of load",
        PreCheckKind::Spool => "room for the record",
    }
}

/// What is the matter when it failed, as a person reads it.
pub const fn pre_check_failure(kind: PreCheckKind) -> &'static str {
    match kind {
        PreCheckKind::Sensors => "no CPU temperature that can be believed",
        PreCheckKind::AcPower => "not on mains power",
        PreCheckKind::BatteryLevel => "the battery is too low",
        PreCheckKind::BatteryHealth => "the battery reports a fault",
        PreCheckKind::Temperature => "it is too near its limit already",
        PreCheckKind::Busy => "other work runs",
        PreCheckKind::Lid => "the lid is closed and no display is connected",
        PreCheckKind::Hold => "the administrator holds checks of this laptop back",
        PreCheckKind::Surface => "it does not stand on a hard flat surface",
        PreCheckKind::Bulge => "battery or case bulges",
        PreCheckKind::Pulse => "the sensor does not answer to a short pulse of load",
        PreCheckKind::Spool => "there is no room for the record",
    }
}

/// What to do when it failed.
pub const fn pre_check_remedy(kind: PreCheckKind) -> &'static str {
    match kind {
        PreCheckKind::Sensors => {
            "Run `windrow survey` to see what was looked for; `windrow check --emulate` shows a check without sensors."
        }
        PreCheckKind::AcPower => "Plug in the adapter, then check again.",
        PreCheckKind::BatteryLevel => "Charge the battery to 30 % or more, then check again.",
        PreCheckKind::BatteryHealth => {
            "Do not load this laptop. Let the battery cool; if it is reported faulty, have it looked at by a qualified technician."
        }
        PreCheckKind::Temperature => {
            "It is near its limit already. Let it cool, close other programs, free the vents, then check again."
        }
        PreCheckKind::Busy => "Close other programs, wait for updates and scans to end, then check again.",
        PreCheckKind::Lid => "Open the lid, or connect a display, then check again.",
        PreCheckKind::Hold => "Ask the administrator: checks of this laptop are on hold.",
        PreCheckKind::Surface => "Stand it on a hard flat surface, not on a lap or bed, then check again.",
        PreCheckKind::Bulge => {
            "Do not load, charge or press it. Shut it down, unplug it and hand it to a qualified technician: a swollen battery can catch fire."
        }
        PreCheckKind::Pulse => {
            "The sensor that was found doesn't follow the CPU. Run `windrow survey` to see the others."
        }
        PreCheckKind::Spool => "Free some space or make the folder writable, then check again.",
    }
}

/// What an event means, as a person reads it.
pub const fn event_words(kind: EventKind) -> &'static str {
    match kind {
        EventKind::AtLimit => "The load was ended: at the limit for 20 s in all.",
        EventKind::OverLimit => "The load was ended at once: over the limit.",
        EventKind::FanStoppedAtLimit => {
            "The load was ended at once: at the limit with a fan that had stopped."
        }
        EventKind::SensorLost => "The load was ended: the CPU temperature could not be read any more.",
        EventKind::SensorStuck => {
            "The load was ended: the CPU temperature stood still while power and work moved."
        }
        EventKind::AcLost => "The load was ended: the adapter was unplugged.",
        EventKind::BatteryHot => "The load was ended: the battery got too warm.",
        EventKind::Interrupted => "The check was ended: you stopped it.",
        EventKind::Terminated => "The check was ended: the system asked the program to stop.",
        EventKind::LidClosed => "The load was ended: the lid was closed.",
        EventKind::Deadline => "The load was ended: a phase ran past its time, or the readings fell behind.",
        EventKind::Slept => "The load was ended: the machine slept.",
        EventKind::Gap => "Time jumped: the machine slept or the readings were held up.",
        EventKind::LoadFault => "The load was ended: one of its threads failed.",
    }
}
