//! The fan: stopped, late, uneven, absent from the readings, or nothing seen.

use super::limits::{
    FAN_DUE_BY_C, FAN_FLUTTER_SHARE, FAN_LATE_ALONE_S, FAN_LATE_S, FAN_STANDS_BELOW_LIMIT_K,
    FAN_STUMBLES_PER_S,
};
use super::observe::Observed;
use super::{About, Case, Finding, Judged, Judgement, Unjudged};
use crate::analysis::Finding as Quality;
use crate::channel::Channel;
use crate::estimate::stumbles::{self, Stumbles};
use crate::measured::{Measured, Reason};
use crate::record::wire::EventKind;

const SERVICE: &str =
    "Have the fan looked at: its plug, something that blocks the blades, then the fan itself.";

pub(super) fn judge(case: &Case<'_>, seen: &Observed) -> Vec<Judged> {
    let fans: Vec<Channel> = [Channel::Fan1Rpm, Channel::Fan2Rpm]
        .into_iter()
        .filter(|&c| case.trace.column(c).is_some())
        .collect();
    if fans.is_empty() {
        return vec![not_read().into()];
    }
    // A fan that was seen turning has a tachometer that works.
    if let Some(zero) = tachometer_lies(case).filter(|_| stopped_at_limit(case).is_none()) {
        return vec![zero.into()];
    }
    let mut judged: Vec<Judged> =
        stopped_at_limit(case).into_iter().chain(still(case)).map(Judged::from).collect();
    // A second fan that turns is judged beside the one that stands.
    let all_stand = judged.len() >= fans.len();
    if !all_stand {
        let stumbles: Vec<Finding> = stumbling(case).collect();
        // Beside a speed that breaks in, that the fan answers says nothing.
        let is_heard = |j: &Judged| !matches!(j, Judged::Finding(f) if f.judgement == Judgement::NothingSeen);
        judged.extend(turning(case, seen).filter(|answer| stumbles.is_empty() || is_heard(answer)));
        judged.extend(stumbles.into_iter().map(|found| found.evidence_all(speeds(case)).into()));
    }
    judged
}

/// Each fan's speed that broke in under load.
fn stumbling(case: &Case<'_>) -> impl Iterator<Item = Finding> {
    let phases = &case.analysis.phases;
    let (from_s, to_s) = (phases.load_start_s, phases.load_end_s);
    let two = case.trace.column(Channel::Fan2Rpm).is_some();
    [(1, Channel::Fan1Rpm), (2, Channel::Fan2Rpm)].into_iter().filter_map(move |(fan, channel)| {
        let (time_s, rpm) = (&case.trace.time_s, case.trace.column(channel)?);
        let (from, to) = (time_s.partition_point(|&t| t < from_s), time_s.partition_point(|&t| t <= to_s));
        let seen = stumbles::count(time_s.get(from..to)?, rpm.get(from..to)?);
        let name = if two { format!("Fan {fan}") } else { "The fan".into() };
        stumbling_one(&name, seen)
    })
}

fn stumbling_one(name: &str, seen: Stumbles) -> Option<Finding> {
    let often = match seen.count {
        0 => return None,
        1 => "once".to_owned(),
        n => format!("{n} times"),
    };
    let words = format!(
        "{name}'s speed broke in {often} under load and came back within seconds, as when a bearing sticks."
    );
    let judgement = if seen.count > 1 && seen.per_s() >= FAN_STUMBLES_PER_S {
        Judgement::Suspect
    } else {
        Judgement::Watch
    };
    let finding = Finding::new(About::Fan, judgement, words).evidence(format!(
        "it lost a tenth or more from one reading to the next, watched for {:.0} s",
        seen.watched_s
    ));
    Some(if judgement == Judgement::Suspect {
        finding.service(SERVICE)
    } else {
        finding.next("Listen for a rattle, and check again in some weeks: once may be chance.")
    })
}

fn not_read() -> Unjudged {
    Unjudged {
        about: About::Fan,
        because: "no fan speed can be read here: a laptop without a fan, or one that doesn't show it".into(),
        would_tell: vec!["your ear: under load a laptop with a fan is heard, and warm air comes out".into()],
        evidence: Vec::new(),
    }
}

fn tachometer_lies(case: &Case<'_>) -> Option<Unjudged> {
    let slow_half_s = case.analysis.quality.iter().find_map(|q| match *q {
        Quality::RpmZeroWhileCooling { slow_half_s } => Some(slow_half_s),
        _ => None,
    })?;
    Some(Unjudged {
        about: About::Fan,
        because: "the fan reads 0 rpm, yet the laptop cools as one whose fan turns: the speed reading is likelier wrong than the fan".into(),
        would_tell: vec!["your ear during the load: if the fan is heard, the reading is wrong".into()],
        evidence: vec![format!("half time of the slow branch {slow_half_s:.0} s")],
    })
}

fn stopped_at_limit(case: &Case<'_>) -> Option<Finding> {
    let event = case.events.iter().find(|e| e.kind == EventKind::FanStoppedAtLimit)?;
    let words =
        "The fan had been turning and stopped while the CPU was at its limit; the load was ended at once.";
    let finding = Finding::new(About::Fan, Judgement::Fault, words).service(SERVICE);
    Some(if event.detail.is_empty() { finding } else { finding.evidence(event.detail.clone()) })
}

fn still(case: &Case<'_>) -> Vec<Finding> {
    if case.events.iter().any(|e| e.kind == EventKind::FanStoppedAtLimit) {
        return Vec::new();
    }
    case.analysis
        .quality
        .iter()
        .filter_map(|q| match *q {
            Quality::FanStill { fan, peak_c } => Some(still_one(case, fan, peak_c)),
            _ => None,
        })
        .collect()
}

fn still_one(case: &Case<'_>, fan: u8, peak_c: f64) -> Finding {
    let limit_c = case.limit.map(|l| l.limit_c);
    let near_limit = limit_c.is_some_and(|l| peak_c > l - FAN_STANDS_BELOW_LIMIT_K);
    let name =
        if case.trace.column(Channel::Fan2Rpm).is_some() { format!("Fan {fan}") } else { "The fan".into() };
    let (judgement, words) = if near_limit {
        (Judgement::Fault, format!("{name} stood still through the whole load."))
    } else if peak_c >= FAN_DUE_BY_C {
        (Judgement::Suspect, format!("{name} stood still although it was due."))
    } else {
        let words =
            format!("{name} stood still. The laptop stayed cool enough that it may not have been due.");
        (Judgement::Watch, words)
    };
    let heard = "Listen during a load: if the fan is heard, its speed reading is at fault and not the fan.";
    let finding = Finding::new(About::Fan, judgement, words)
        .evidence(format!("0 rpm at up to {peak_c:.0} °C"))
        .evidence_all(limit_c.map(|l| format!("limit {l:.0} °C")));
    if judgement == Judgement::Watch {
        finding.next(heard)
    } else {
        finding.service(format!("{heard} Else: {SERVICE}"))
    }
}

#[expect(clippy::unnecessary_wraps, reason = "its siblings may find nothing; the caller chains them")]
fn turning(case: &Case<'_>, seen: &Observed) -> Option<Judged> {
    let m = &case.analysis.metrics;
    let evidence = speeds(case);
    let no = |reason: Reason| Unjudged {
        about: About::Fan,
        because: because(reason),
        would_tell: vec![would_tell(reason)],
        evidence: evidence.clone(),
    };
    let flutter = share(&m.fan_flutter_rpm, &m.fan_max_rpm);
    Some(match m.fan_delay_s {
        Measured::Value { value: delay_s, .. } => {
            answered(delay_s, flutter, seen).evidence_all(evidence).into()
        }
        Measured::Over { over } => Finding::new(
            About::Fan,
            Judgement::Watch,
            format!("The fan did not answer within the load's {over:.0} s."),
        )
        .evidence_all(evidence)
        .next("Repeat with the standard check.")
        .into(),
        Measured::No { not_determinable: Reason::FanConstant } => Finding::new(
            About::Fan,
            Judgement::NothingSeen,
            "The fan turns, and kept one speed: its answer to the load cannot be seen.",
        )
        .evidence_all(evidence)
        .into(),
        Measured::No { not_determinable } => no(not_determinable).into(),
    })
}

fn answered(delay_s: f64, flutter: Option<f64>, seen: &Observed) -> Finding {
    if let Some(stood) = seen.stood_while_hot.filter(|_| delay_s > FAN_LATE_S) {
        return Finding::new(
            About::Fan,
            Judgement::Suspect,
            format!("The fan came late: it answered the load only after {delay_s:.0} s."),
        )
        .evidence(format!(
            "it stood at {:.0} °C, yet later in the same run it turned at {:.0} °C",
            stood.stood_at_c, stood.turned_at_c
        ))
        .service("Have the fan looked at: a worn bearing or a blocked blade starts late. Repeat the check first; once may be chance.");
    }
    if delay_s > FAN_LATE_ALONE_S {
        return Finding::new(
            About::Fan,
            Judgement::Watch,
            format!("The fan answered the load after {delay_s:.0} s. Some models wait as long."),
        )
        .next("Compare with another unit of this model, or with this one's next check.");
    }
    if let Some(share) = flutter.filter(|f| *f > FAN_FLUTTER_SHARE) {
        return Finding::new(
            About::Fan,
            Judgement::Watch,
            format!("The fan's speed wanders by {:.0} % in steady load.", share * 100.0),
        )
        .next("Listen for a rattle, and compare with this laptop's next check.");
    }
    Finding::new(
        About::Fan,
        Judgement::NothingSeen,
        format!(
            "The fan answers: {}. Whether its speed is all that is due at this temperature takes a reference.",
            if delay_s < 1.5 {
                "at once".to_owned()
            } else {
                format!("{delay_s:.0} s after the load's start")
            }
        ),
    )
}

fn speeds(case: &Case<'_>) -> Vec<String> {
    let m = &case.analysis.metrics;
    let mut lines = Vec::new();
    if let Some(max) = m.fan_max_rpm.value() {
        lines.push(format!("highest sustained speed {max:.0} rpm"));
    }
    if let Some(gain) = m.fan_gain_rpm.value() {
        lines.push(format!("gained {gain:.0} rpm under load"));
    }
    if let Some(flutter) = m.fan_flutter_rpm.value() {
        lines.push(format!("scatter about its trend {flutter:.0} rpm"));
    }
    lines
}

fn share(part: &Measured, whole: &Measured) -> Option<f64> {
    let (part, whole) = (part.value()?, whole.value()?);
    (whole > 0.0).then_some(part / whole)
}

fn because(reason: Reason) -> String {
    match reason {
        Reason::StoppedEarly => "the load was ended before the fan's answer could be seen".into(),
        Reason::TooFewReadings => "the fan was read too seldom".into(),
        Reason::SleepGap => "the machine slept meanwhile".into(),
        Reason::FanStill => "the fan never turned, and was not due".into(),
        other => format!("of its readings ({})", super::text::reason_words(other)),
    }
}

fn would_tell(reason: Reason) -> String {
    match reason {
        Reason::SleepGap => "a check without the lid being closed".into(),
        _ => "another check".into(),
    }
}
