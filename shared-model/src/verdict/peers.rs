//! What the check says beside other laptops of its model, added to the verdict of the present one.

use super::limits::{PEERS_SUSPECT_FROM, PEERS_WATCH_FROM};
use super::{About, Finding, Judgement, Standing, Unjudged, Verdict};
use crate::condition::constants::{CLOGGED_BELOW, CONTACT_ABOVE, FAN_BELOW};
use crate::condition::doubt::{NextStep, Part};
use crate::condition::judge::Interval;
use crate::record::wire::Outcome;
use crate::reference::AgainstPeers;

/// One of the three conditions as the comparison shows it.
struct Compared<'a> {
    part: Part,
    about: About,
    interval: Interval,
    odds: f64,
    words: &'a Words,
}

/// The words of one of the three.
struct Words {
    name: &'static str,
    unit: &'static str,
    limit: &'static str,
    fine: &'static str,
    worse: &'static str,
    service: &'static str,
}

const VENTS: Words = Words {
    name: "airflow",
    unit: "of as new",
    limit: "below",
    fine: "Air takes the heat away as on other laptops of this model.",
    worse: "The air takes less heat away than on other laptops of this model",
    service: "Have vents and fins cleaned. Before that, one more check in the usual place, on a hard flat surface with nothing running: a bed, a hot room and other work look alike.",
};
const FAN: Words = Words {
    name: "fan speed",
    unit: "of the speed that is due",
    limit: "below",
    fine: "The fan turns as fast as on other laptops of this model.",
    worse: "The fan turns slower than on other laptops of this model at the same temperature",
    service: "Have the fan looked at: its plug, something that blocks the blades, then the fan itself. A quiet power profile does this too: check again without it first.",
};
const CONTACT: Words = Words {
    name: "paste and mounting",
    unit: "times as new",
    limit: "above",
    fine: "Heat leaves the chip as on other laptops of this model.",
    worse: "Heat leaves the chip less well than on other laptops of this model",
    service: "Have paste and mounting of the heat sink looked at, after the vents and the fan: those are cheaper.",
};

/// Adds the comparison to the verdict of a whole check.
pub fn with_peers(mut verdict: Verdict, peers: &AgainstPeers) -> Verdict {
    if verdict.standing == Standing::NotChecked {
        return verdict;
    }
    for compared in all(peers) {
        let judged = judged(&compared, peers);
        // What one check alone could say of the same part is said better now; what it saw by itself stays.
        verdict.unjudged.retain(|u| u.about != compared.about);
        match judged {
            Ok(finding) => {
                verdict.findings.retain(|f| f.about != compared.about || f.judgement.asks_for_attention());
                verdict.findings.push(finding);
            }
            Err(unjudged) => verdict.unjudged.push(unjudged),
        }
    }
    verdict.findings.sort_by(|a, b| b.judgement.cmp(&a.judgement).then(a.about.cmp(&b.about)));
    verdict.unjudged.sort_by_key(|u| u.about);
    verdict.standing = super::standing(&verdict.findings);
    verdict.headline = super::headline(verdict.standing, &verdict.findings, &verdict.unjudged);
    verdict.next = super::next_steps(Outcome::Complete, verdict.standing, &verdict.findings);
    verdict.cautions = super::cautions_beside(&verdict.findings);
    verdict
}

fn all(peers: &AgainstPeers) -> Vec<Compared<'static>> {
    let c = &peers.condition;
    let one = |part, about, interval: Option<Interval>, odds, words| {
        interval.map(|interval| Compared { part, about, interval, odds, words })
    };
    [
        one(Part::Airflow, About::Vents, c.airflow, c.p_clogged, &VENTS),
        one(Part::Fan, About::Fan, c.fan, c.p_fan, &FAN),
        one(Part::Contact, About::Contact, Some(c.contact), c.p_contact, &CONTACT),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn judged(c: &Compared<'_>, peers: &AgainstPeers) -> Result<Finding, Unjudged> {
    let open = peers.condition.cannot_tell.iter().find(|open| open.part == c.part);
    let finding =
        |judgement, words: String| Finding::new(c.about, judgement, words).evidence_all(lines(c, peers));
    if c.odds >= PEERS_SUSPECT_FROM {
        return Ok(finding(Judgement::Suspect, format!("{}.", c.words.worse)).service(c.words.service));
    }
    if let Some(open) = open {
        return Err(Unjudged {
            about: c.about,
            because: "beside other laptops of this model it could still be anything from worn to as new"
                .into(),
            would_tell: vec![step_words(open.next).to_owned()],
            evidence: lines(c, peers),
        });
    }
    if c.odds >= PEERS_WATCH_FROM {
        let words = format!("{}, though not yet by as much as calls for a service.", c.words.worse);
        return Ok(finding(Judgement::Watch, words).next("Check again in the usual place in some weeks."));
    }
    Ok(finding(Judgement::NothingSeen, c.words.fine.to_owned()))
}

/// The numbers, and what they were compared with.
fn lines(c: &Compared<'_>, peers: &AgainstPeers) -> Vec<String> {
    let limit = match c.part {
        Part::Airflow => CLOGGED_BELOW,
        Part::Fan => FAN_BELOW,
        Part::Contact => CONTACT_ABOVE,
    };
    let (w, i) = (c.words, c.interval);
    vec![
        format!(
            "{} {:.2} {} (90 %: {:.2} to {:.2}); odds to be {} {limit:.1}: {:.0} %",
            w.name,
            i.mid,
            w.unit,
            i.low,
            i.high,
            w.limit,
            100.0 * c.odds
        ),
        compared_with(peers),
    ]
}

/// With whom, in words.
pub(super) fn compared_with(peers: &AgainstPeers) -> String {
    let measured = peers.measured.map_or_else(String::new, |c| format!(" measured {}", c.words()));
    let others = match peers.others {
        0 => format!("with what is usual, as no other laptop of this model{measured} has been checked yet"),
        1 => format!("with 1 other laptop of this model{measured}"),
        n => format!("with {n} other laptops of this model{measured}"),
    };
    let own = match peers.own_runs {
        0 | 1 => String::new(),
        n => format!(", over its own last {n} checks"),
    };
    let day = peers.as_of.get(..10).unwrap_or(&peers.as_of);
    format!("compared {others}{own}; reference of {day}, {} checks", peers.runs)
}

const fn step_words(next: NextStep) -> &'static str {
    match next {
        NextStep::StandardCheck => "the standard check instead of the short one",
        NextStep::CheckOnMains => "a check on mains power",
        NextStep::TellRoomTemperature => "the room's temperature (`--ambient`)",
        NextStep::CheckAgain => "one more check in the same place",
        NextStep::LookByHand => "no further check: somebody has to look and listen",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::condition::doubt::CannotTell;
    use crate::condition::judge::Condition;
    use crate::estimate::joint_model::Channels;
    use crate::estimate::stumbles::Stumbles;
    use crate::verdict::to_text;

    fn narrow(mid: f64) -> Interval {
        Interval { mid, low: 0.95 * mid, high: 1.05 * mid }
    }

    fn peers(change: impl FnOnce(&mut Condition)) -> AgainstPeers {
        let mut condition = Condition {
            p_clogged: 0.02,
            p_fan: 0.01,
            p_contact: 0.02,
            airflow: Some(narrow(0.97)),
            fan: Some(narrow(0.99)),
            contact: narrow(1.05),
            clogged_on: None,
            contact_on: None,
            always_quiet: 0.0,
            stumbles: Stumbles::default(),
            cannot_tell: Vec::new(),
        };
        change(&mut condition);
        let as_of = "2026-11-20T09:00:00Z".into();
        AgainstPeers { condition, own_runs: 3, others: 37, runs: 212, measured: None, as_of }
    }

    fn judged(peers: &AgainstPeers) -> (Verdict, String) {
        let vents = Unjudged {
            about: About::Vents,
            because: "what a healthy unit of this model carries away is not known here".into(),
            would_tell: Vec::new(),
            evidence: Vec::new(),
        };
        let verdict = Verdict {
            standing: Standing::NothingSeen,
            headline: String::new(),
            notice: None,
            findings: vec![Finding::new(
                About::Fan,
                Judgement::NothingSeen,
                "The fan answers. It takes a reference.",
            )],
            unjudged: vec![vents],
            next: Vec::new(),
            cautions: Vec::new(),
        };
        let verdict = with_peers(verdict, peers);
        let text = to_text(&verdict).split_whitespace().collect::<Vec<_>>().join(" ");
        (verdict, text)
    }

    #[test]
    fn a_healthy_laptop_is_told_so_in_all_three_and_beside_whom() {
        let (verdict, text) = judged(&peers(|_| ()));
        assert_eq!(verdict.standing, Standing::NothingSeen, "{text}");
        assert!(verdict.unjudged.is_empty() && verdict.cautions.is_empty(), "{text}");
        assert!(text.contains("compared with 37 other laptops of this model"), "{text}");
        assert!(text.contains("reference of 2026-11-20") && !text.contains("takes a reference"), "{text}");
    }

    #[test]
    fn clogged_vents_are_suspected_with_the_cautions() {
        let clogged = peers(|c| (c.p_clogged, c.airflow) = (0.97, Some(narrow(0.5))));
        let (verdict, text) = judged(&clogged);
        assert_eq!(verdict.standing, Standing::Suspect, "{text}");
        assert!(text.contains("airflow 0.50 of as new (90 %: 0.47 to 0.53)"), "{text}");
        assert!(!verdict.cautions.is_empty(), "{text}");
    }

    #[test]
    fn what_stays_open_is_not_judged_and_what_nearly_is_is_watched() {
        let open = CannotTell { part: Part::Airflow, next: NextStep::TellRoomTemperature };
        let (verdict, text) = judged(&peers(|c| {
            c.airflow = Some(Interval { mid: 0.85, low: 0.6, high: 1.1 });
            c.p_clogged = 0.25;
            c.cannot_tell = vec![open];
        }));
        assert!(verdict.unjudged.iter().any(|u| u.about == About::Vents), "{text}");
        assert!(text.contains("`--ambient`"), "{text}");
        let (verdict, text) = judged(&peers(|c| c.p_contact = 0.3));
        assert_eq!(verdict.standing, Standing::Watch, "{text}");
    }

    #[test]
    fn a_laptop_without_a_fan_is_told_nothing_of_vents_and_fan_and_a_lone_one_with_what() {
        let (verdict, _) = judged(&peers(|c| (c.airflow, c.fan) = (None, None)));
        assert!(verdict.unjudged.iter().any(|u| u.about == About::Vents));
        let lone = AgainstPeers { others: 0, own_runs: 1, ..peers(|_| ()) };
        assert!(compared_with(&lone).contains("no other laptop of this model"));
    }

    #[test]
    fn it_is_told_with_which_channels_the_others_are_measured_where_not_all_are_alike() {
        let measured = Some(Channels { has_power: false, has_rpm: true, by_work_rate: false });
        let told = |others| compared_with(&AgainstPeers { others, measured, ..peers(|_| ()) });
        assert!(
            told(5).starts_with("compared with 5 other laptops of this model measured without power, over")
        );
        assert!(
            told(0).contains("no other laptop of this model measured without power has been checked yet")
        );
    }
}
