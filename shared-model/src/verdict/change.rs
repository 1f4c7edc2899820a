//! What changed since the laptop's own earlier checks, added to the verdict of the present one.

use super::{About, Finding, Judgement, Standing, Unjudged, Verdict};
use crate::history::{Change, Ratio};
use crate::record::wire::Outcome;

/// A change that matters, share: docs/method.md. Common practice, no source.
const MATTERS: f64 = 0.1;
/// An interval within this of 1 counts as no change, share. Common practice, no source.
const UNCHANGED: f64 = 0.2;

/// Adds what changed to the verdict of a whole check.
pub fn with_change(mut verdict: Verdict, change: &Change) -> Verdict {
    if verdict.standing == Standing::NotChecked {
        return verdict;
    }
    let changed: Vec<Finding> = [air(change), contact(change), fan(change)].into_iter().flatten().collect();
    if !changed.is_empty() {
        verdict.findings.extend(changed);
    } else if change.airflow.is_some_and(|r| r.is_unchanged(UNCHANGED)) {
        let words = format!("As in {}: nothing that matters has changed.", earlier(change));
        verdict.findings.push(finding(change, Judgement::NothingSeen, words));
    } else {
        verdict.unjudged.push(cannot_tell(change));
    }
    verdict.findings.sort_by(|a, b| b.judgement.cmp(&a.judgement).then(a.about.cmp(&b.about)));
    verdict.standing = super::standing(&verdict.findings);
    verdict.headline = super::headline(verdict.standing, &verdict.findings, &verdict.unjudged);
    verdict.next = super::next_steps(Outcome::Complete, verdict.standing, &verdict.findings);
    verdict.cautions = super::cautions_beside(&verdict.findings);
    verdict
}

fn air(change: &Change) -> Option<Finding> {
    let ratio = change.airflow?;
    if ratio.is_more(MATTERS) {
        let words = format!("More air goes through than in {}.", earlier(change));
        return Some(finding(change, Judgement::NothingSeen, words));
    }
    ratio.is_less(MATTERS).then(|| {
        let words = format!("Less air goes through than in {}.", earlier(change));
        finding(change, Judgement::Watch, words).service(
            "Check again in the usual place, on a hard flat surface, with nothing running: a bed, a hot room and other work look alike. If it stays so, have vents and fins cleaned.",
        )
    })
}

fn contact(change: &Change) -> Option<Finding> {
    change.contact?.is_more(MATTERS).then(|| {
        let words = format!("Heat leaves the chip less well than in {}.", earlier(change));
        finding(change, Judgement::Watch, words)
            .service("Check again; if it stays so, have paste and mounting of the heat sink looked at.")
    })
}

fn fan(change: &Change) -> Option<Finding> {
    change.fan?.is_less(MATTERS).then(|| {
        let words = format!("The fan turns slower for the same warmth than in {}.", earlier(change));
        finding(change, Judgement::Watch, words).service(
            "Check again with the same power profile: a quiet one does this too. If it stays so, have the fan looked at.",
        )
    })
}

fn cannot_tell(change: &Change) -> Unjudged {
    let mut would_tell = vec!["more checks in the same place".to_owned()];
    if !change.rooms_known {
        would_tell.insert(0, "the room's temperature each time (`--ambient`)".to_owned());
    }
    Unjudged {
        about: About::Change,
        because: format!("the differences from {} are within what one check can be off by", earlier(change)),
        would_tell,
        evidence: evidence(change),
    }
}

fn finding(change: &Change, judgement: Judgement, words: String) -> Finding {
    Finding::new(About::Change, judgement, words).evidence_all(evidence(change))
}

fn earlier(change: &Change) -> String {
    match change.n_past {
        1 => "its own earlier check".into(),
        n => format!("its own {n} earlier checks"),
    }
}

fn evidence(change: &Change) -> Vec<String> {
    let line = |what: &str, ratio: Option<Ratio>| {
        ratio
            .map(|r| format!("{what} {:.2} times that before (95 %: {:.2} to {:.2})", r.value, r.low, r.high))
    };
    [
        line("air at the same fan speed", change.airflow),
        line("resistance from chip to heat sink", change.contact),
        line("fan speed gained per kelvin", change.fan),
    ]
    .into_iter()
    .flatten()
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::to_text;

    const SAME: Ratio = Ratio { value: 1.0, low: 0.9, high: 1.1 };
    const WIDE: Ratio = Ratio { value: 0.9, low: 0.6, high: 1.4 };
    const CHANGE: Change =
        Change { n_past: 3, airflow: Some(SAME), contact: Some(SAME), fan: Some(SAME), rooms_known: false };

    fn judged(change: Change) -> Verdict {
        let verdict = Verdict {
            standing: Standing::NothingSeen,
            headline: String::new(),
            notice: None,
            findings: vec![Finding::new(About::Fan, Judgement::NothingSeen, "The fan answers.")],
            unjudged: Vec::new(),
            next: Vec::new(),
            cautions: Vec::new(),
        };
        with_change(verdict, &change)
    }

    #[test]
    fn less_air_asks_for_a_second_look_and_shows_the_cautions() {
        let less = Ratio { value: 0.6, low: 0.5, high: 0.72 };
        let verdict = judged(Change { airflow: Some(less), ..CHANGE });
        let text = to_text(&verdict).split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(verdict.standing, Standing::Watch, "{text}");
        assert!(text.contains("0.60 times that before (95 %: 0.50 to 0.72)"), "{text}");
        assert!(!verdict.cautions.is_empty() && text.contains("Check again in the usual place"), "{text}");
        let more = judged(Change { airflow: Some(Ratio { value: 1.6, low: 1.3, high: 2.0 }), ..CHANGE });
        assert_eq!(more.standing, Standing::NothingSeen, "{}", to_text(&more));
    }

    #[test]
    fn contact_and_fan_are_told_too() {
        let more = Ratio { value: 1.3, low: 1.2, high: 1.4 };
        assert!(to_text(&judged(Change { contact: Some(more), ..CHANGE })).contains("Heat leaves the chip"));
        let less = Ratio { value: 0.8, low: 0.7, high: 0.9 };
        assert!(to_text(&judged(Change { fan: Some(less), ..CHANGE })).contains("fan turns slower"));
    }

    #[test]
    fn what_the_runs_do_not_say_is_not_said() {
        let verdict = judged(Change { airflow: Some(WIDE), ..CHANGE });
        assert_eq!(verdict.standing, Standing::NothingSeen);
        assert!(verdict.unjudged.iter().any(|u| u.about == About::Change));
        assert!(to_text(&verdict).contains("`--ambient`"));
        assert!(judged(CHANGE).findings.iter().any(|f| f.about == About::Change));
    }
}
