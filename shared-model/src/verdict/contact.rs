//! Paste and mounting: judged in the seconds after the load's start, before the sink has warmed.

use super::limits::{
    CONTACT_AT_ONCE_S, CONTACT_EARLY_S, CONTACT_K_PER_W_AT_20_W, CONTACT_POWER_EXPONENT,
    CONTACT_START_BELOW_LIMIT_K, CONTACT_SUSPECT_MULTIPLE, CONTACT_WATCH_MULTIPLE, SURE_Z,
};
use super::observe::Observed;
use super::{About, Case, Finding, Judged, Judgement, Unjudged};
use crate::measured::{Measured, Reason};

const SERVICE: &str = "Have paste and mounting of the heat sink looked at (screws in the marked order, pads of the right thickness), after the vents and the fan: those are cheaper.";
const COMPARE: &str = "Compare with another unit of this model, or with this one after its next service: some models are built so.";

/// The handbook's resistance for a laptop that sustains this power.
pub(super) fn handbook_k_per_w(power_w: f64) -> f64 {
    CONTACT_K_PER_W_AT_20_W * (20.0 / power_w.max(1.0)).powf(CONTACT_POWER_EXPONENT)
}

pub(super) fn judge(case: &Case<'_>, seen: &Observed) -> Vec<Judged> {
    let m = &case.analysis.metrics;
    let early = early_sign(case, seen);
    let at_once = at_limit_at_once(case, seen);
    let resistance = match (m.r_contact_k_per_w, m.power_sustained_w.value()) {
        (Measured::Value { value, se }, Some(power_w)) => Some(Resistance { value, se, power_w }),
        _ => None,
    };
    vec![match (resistance, at_once) {
        (resistance, Some(at_once)) => Finding::new(
            About::Contact,
            Judgement::Suspect,
            "Heat does not get from the CPU into the heat sink.",
        )
        .evidence(at_once)
        .evidence_all(resistance.map(|r| r.words()))
        .service(SERVICE)
        .into(),
        (Some(resistance), None) => by_resistance(&resistance, early).into(),
        (None, None) => match early {
            Some(early) => Finding::new(
                About::Contact,
                Judgement::Watch,
                "It got hot so soon that hardly more than the CPU itself can have warmed. Its resistance could not be determined.",
            )
            .evidence(early)
            .next(COMPARE)
            .into(),
            None => unjudged(m.r_contact_k_per_w, m.power_sustained_w).into(),
        },
    }]
}

struct Resistance {
    value: f64,
    se: f64,
    power_w: f64,
}

impl Resistance {
    fn is_surely_over(&self, multiple: f64) -> bool {
        self.value - SURE_Z * self.se > multiple * handbook_k_per_w(self.power_w)
    }

    fn words(&self) -> String {
        let expected = handbook_k_per_w(self.power_w);
        format!(
            "fast-branch resistance {:.2} ± {:.2} K/W at {:.0} W; laptops of that power have about {expected:.2}, models differ",
            self.value, self.se, self.power_w
        )
    }
}

fn by_resistance(r: &Resistance, early: Option<String>) -> Finding {
    let high = r.is_surely_over(CONTACT_WATCH_MULTIPLE);
    let very_high = r.is_surely_over(CONTACT_SUSPECT_MULTIPLE);
    let multiple = r.value / handbook_k_per_w(r.power_w);
    if very_high || (high && early.is_some()) {
        let words = format!(
            "The way from the CPU into the heat sink resists {multiple:.1} times as much as usual for this power."
        );
        return Finding::new(About::Contact, Judgement::Suspect, words)
            .evidence(r.words())
            .evidence_all(early)
            .service(SERVICE);
    }
    if high {
        let words = format!(
            "The way from the CPU into the heat sink resists {multiple:.1} times as much as usual for this power, with no second sign."
        );
        return Finding::new(About::Contact, Judgement::Watch, words).evidence(r.words()).next(COMPARE);
    }
    Finding::new(
        About::Contact,
        Judgement::NothingSeen,
        "Nothing gross: the CPU's heat gets into the heat sink. Paste that has dried a little shows only against a reference.",
    )
    .evidence(r.words())
}

/// Throttled or at the limit while only die and paste have warmed.
fn early_sign(case: &Case<'_>, seen: &Observed) -> Option<String> {
    if let Some(at_s) = seen.to_limit_s.filter(|s| *s <= CONTACT_EARLY_S) {
        return Some(format!("at the limit {at_s:.0} s after the load's start"));
    }
    let first_s = case.analysis.metrics.throttle_first_s.value().filter(|s| *s <= CONTACT_EARLY_S)?;
    Some(format!("drawn back for heat {first_s:.0} s after the load's start"))
}

fn at_limit_at_once(case: &Case<'_>, seen: &Observed) -> Option<String> {
    let at_s = seen.to_limit_s.filter(|s| *s <= CONTACT_AT_ONCE_S)?;
    let below_k = case.limit?.limit_c - seen.start_c?;
    (below_k >= CONTACT_START_BELOW_LIMIT_K)
        .then(|| format!("from {below_k:.0} K below the limit to the limit in {at_s:.1} s"))
}

fn unjudged(resistance: Measured, power: Measured) -> Unjudged {
    let no_power = matches!(power, Measured::No { not_determinable: Reason::NoChannel });
    if no_power {
        return Unjudged {
            about: About::Contact,
            because: "the package's power cannot be read here, and kelvins per watt need watts".into(),
            would_tell: vec![
                "power readings, where the system only withholds them (`windrow survey` tells)".into(),
                "a fleet reference for this model: its shape works without watts".into(),
            ],
            evidence: Vec::new(),
        };
    }
    let reason = match resistance {
        Measured::No { not_determinable } => super::text::reason_words(not_determinable),
        _ => "no value came out",
    };
    Unjudged {
        about: About::Contact,
        because: format!("its resistance could not be determined: {reason}"),
        would_tell: vec!["another check, at rest before and undisturbed".into()],
        evidence: Vec::new(),
    }
}
