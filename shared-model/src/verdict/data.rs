//! What is wrong with the data or the circumstances, and what that costs.

use super::{About, Case, Finding, Judgement};
use crate::analysis::Finding as Quality;
use crate::record::wire::EventKind;

pub(super) fn findings(case: &Case<'_>) -> Vec<Finding> {
    let from_quality = case.analysis.quality.iter().filter_map(of_quality);
    let from_events = case.events.iter().filter(|e| !is_finding_elsewhere(e.kind)).map(|e| {
        let finding = Finding::new(About::Data, Judgement::Watch, super::event_words(e.kind));
        let with_detail = if e.detail.is_empty() { finding } else { finding.evidence(e.detail.clone()) };
        match e.kind {
            EventKind::Gap => with_detail,
            EventKind::Interrupted | EventKind::Terminated => with_detail
                .next("What was measured until then is kept. Check again when there is time for all of it."),
            _ => with_detail.next("What was measured until then is kept. Check again."),
        }
    });
    from_quality.chain(from_events).collect()
}

/// Those that the fan's or the throttling's room tells.
const fn is_finding_elsewhere(kind: EventKind) -> bool {
    matches!(kind, EventKind::AtLimit | EventKind::OverLimit | EventKind::FanStoppedAtLimit)
}

fn of_quality(quality: &Quality) -> Option<Finding> {
    let watch = |words: String| Finding::new(About::Data, Judgement::Watch, words);
    Some(match *quality {
        Quality::SensorStuck { channel, length_s, .. } => watch(format!(
            "The {} stood still for {length_s:.0} s while it should have moved: nothing is judged from that stretch.",
            channel.spec().label
        )),
        Quality::OutOfRange { channel, n_readings } => watch(format!(
            "{} of the {} cannot be true and {} dropped.",
            readings(n_readings),
            channel.spec().label,
            if n_readings == 1 { "was" } else { "were" }
        )),
        Quality::Jump { channel, n_readings } => watch(format!(
            "{} of the {} stood far off its neighbours and {} dropped.",
            readings(n_readings),
            channel.spec().label,
            if n_readings == 1 { "was" } else { "were" }
        )),
        Quality::FansFrozenAlike { rpm } => watch(format!(
            "Both fans read the same unmoving {rpm:.0} rpm: no fan reads so; the sensor is suspect."
        )),
        Quality::SleepGap { phase, length_s, .. } => watch(format!(
            "The machine slept or was held up for {length_s:.0} s in the {} phase.",
            phase.name()
        )),
        Quality::BackgroundLoad { phase, busy_share } => watch(format!(
            "Other work kept the CPUs {:.0} % busy in the {} phase; that looks like clogged vents.",
            busy_share * 100.0,
            phase.name()
        ))
        .next("Close other programs, wait for updates and scans to end, then check again."),
        Quality::PowerAboveSettle { excess_w } => watch(format!(
            "After the load it drew {excess_w:.1} W more than before it: something went on working."
        )),
        Quality::NotSettled { slope_k_per_min } => {
            let (way, rate) = (if slope_k_per_min < 0.0 { "fell" } else { "rose" }, slope_k_per_min.abs());
            watch(format!("The temperature still {way} by {rate:.1} K/min before the load."))
                .next("Leave it idle for ten minutes, then check again.")
        }
        Quality::WarmStart { excess_k } => {
            watch(format!("It was still {excess_k:.0} K warm from earlier work when the check began: what it gives to the air is told less surely."))
                .next("Leave it idle for ten minutes, then check again.")
        }
        Quality::ColdSoak { .. } => watch(
            "It came in from the cold and was still warming up: what it gives to the air is told less surely.".into(),
        )
        .next("Leave it in the room for an hour, then check again."),
        Quality::OnBattery => watch(
            "It ran on battery, where other power limits apply: what it gives to the air is told less surely.".into(),
        )
        .next("Plug in the adapter and check again."),
        Quality::QuietProfile => watch(
            "It ran in a quiet profile, which holds power and fan back: the fan's speed says little of its wear.".into(),
        )
        .next("Set the usual power profile, then check again."),
        Quality::WeakLoad { rise_k } => {
            watch(format!("The load warmed it by {rise_k:.0} K only: judgements are weak."))
                .next("Check again with nothing else running; `windrow survey` shows which sensor is read.")
        }
        Quality::SensorLag { lag_s } => watch(format!(
            "The CPU temperature answers {lag_s:.0} s late: the contact cannot be judged well from it."
        )),
        Quality::StoppedEarly { load_s } => {
            watch(format!("The load lasted {load_s:.0} s only: what takes longer to show was not seen."))
        }
        // Told by the fan's room.
        Quality::FanStill { .. } | Quality::RpmZeroWhileCooling { .. } => return None,
    })
}

fn readings(n: usize) -> String {
    if n == 1 { "1 reading".into() } else { format!("{n} readings") }
}
