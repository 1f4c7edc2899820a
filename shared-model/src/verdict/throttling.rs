//! Whether it slowed down under load, and why: heat, a power limit, something outside, or other work.

use super::limits::{
    AT_LIMIT_K, CLOCK_FLAT_SHARE, CLOCK_FLOOR_SHARE, EXTERNAL_BELOW_LIMIT_K, NEAR_LIMIT_K, POWER_FLAT_SHARE,
    THROTTLED_SHARE_NOTABLE, WORK_LOSS_NOTABLE,
};
use super::observe::{FirstLast, Observed};
use super::{About, Case, Finding, Judged, Judgement, Unjudged};
use crate::record::wire::EventKind;

const DESIGN: &str = "Some models run at their limit by design: compare with another unit of this model before opening this one.";
const SERVICE: &str = "If others of this model do not do so: have the vents and fins cleaned first, then the fan, then the paste.";

pub(super) fn judge(case: &Case<'_>, seen: &Observed) -> Vec<Judged> {
    let m = &case.analysis.metrics;
    let share = m.throttled_load_share.value();
    let loss = m.work_rate_loss.value();
    let peak_c = m.peak_c.value();
    let facts = Facts { case, seen, share, loss, peak_c };
    let rules: [fn(&Facts<'_>) -> Option<Finding>; 6] =
        [at_limit, thermal, slowed_at_limit, external, power_limit, other_work];
    if let Some(finding) = rules.iter().find_map(|rule| rule(&facts)) {
        return vec![finding.into()];
    }
    vec![if share.is_none() && loss.is_none() { unjudged().into() } else { facts.nothing().into() }]
}

struct Facts<'a> {
    case: &'a Case<'a>,
    seen: &'a Observed,
    share: Option<f64>,
    loss: Option<f64>,
    peak_c: Option<f64>,
}

impl Facts<'_> {
    fn below_limit_k(&self) -> Option<f64> {
        Some(self.case.limit?.limit_c - self.peak_c?)
    }

    fn is_flat(change: Option<FirstLast>, share: f64) -> bool {
        change.is_some_and(|c| c.loss().abs() <= share)
    }

    fn evidence(&self) -> Vec<String> {
        let mut lines = Vec::new();
        if let (Some(peak_c), Some(limit)) = (self.peak_c, self.case.limit) {
            lines.push(format!("peak {peak_c:.0} °C, limit {:.0} °C", limit.limit_c));
        }
        if let Some(share) = self.share {
            let first = self.case.analysis.metrics.throttle_first_s.value();
            let since = first.map(|s| format!(", first after {s:.0} s")).unwrap_or_default();
            lines.push(format!("drawn back for heat in {:.0} % of the load{since}", share * 100.0));
        }
        if let Some(loss) = self.loss {
            lines.push(format!("work rate {:.0} % below that of the first seconds", loss * 100.0));
        }
        if let Some(power) = self.seen.power_w {
            lines.push(format!("power {:.0} W at first, {:.0} W at the end", power.first, power.last));
        }
        if let Some(clock) = self.seen.clock_mhz {
            lines.push(format!("clock {:.0} MHz at first, {:.0} MHz at the end", clock.first, clock.last));
        }
        lines
    }

    fn finding(&self, judgement: Judgement, words: impl Into<String>) -> Finding {
        Finding::new(About::Throttling, judgement, words).evidence_all(self.evidence())
    }

    fn nothing(&self) -> Finding {
        let words = match self.share {
            Some(_) => "It was not drawn back for heat.",
            None if self.below_limit_k().is_some_and(|k| k > NEAR_LIMIT_K) => {
                "It kept its work rate and stayed below its limit: nothing looks like being drawn back for heat, though nothing here counts it."
            }
            None => "It kept its work rate. Whether the chip was drawn back for heat is not shown here.",
        };
        self.finding(Judgement::NothingSeen, words)
    }
}

fn at_limit(f: &Facts<'_>) -> Option<Finding> {
    let is_ours =
        |kind| matches!(kind, EventKind::AtLimit | EventKind::OverLimit | EventKind::FanStoppedAtLimit);
    let event = f.case.events.iter().find(|e| is_ours(e.kind))?;
    if event.kind == EventKind::FanStoppedAtLimit {
        return Some(f.finding(Judgement::Watch, "It came to its limit; with a fan that stands, no wonder."));
    }
    let words = match event.kind {
        EventKind::AtLimit => {
            "It ran at its limit for 20 s, so the load was ended early. That is a finding, not an error."
        }
        _ => "It went over its limit, so the load was ended at once.",
    };
    Some(f.finding(Judgement::Suspect, words).service(format!("{DESIGN} {SERVICE}")))
}

fn thermal(f: &Facts<'_>) -> Option<Finding> {
    let share = f.share.filter(|s| *s > 0.0)?;
    // A counter that moves far below the limit was moved by something else.
    if f.below_limit_k().is_some_and(|k| k > EXTERNAL_BELOW_LIMIT_K) {
        return None;
    }
    if share <= THROTTLED_SHARE_NOTABLE {
        let words = "For moments it was drawn back for heat.";
        return Some(f.finding(Judgement::Watch, words).next(DESIGN));
    }
    let words = format!(
        "It was drawn back for heat in {:.0} % of the load: the cooling does not carry what this chip is allowed to draw. Which part of it fails is not told by this alone.",
        share * 100.0
    );
    Some(f.finding(Judgement::Suspect, words).service(format!("{DESIGN} {SERVICE}")))
}

/// Where nothing counts: the work rate fell while the temperature stood at the limit. A power limit alone would have
/// left it below.
fn slowed_at_limit(f: &Facts<'_>) -> Option<Finding> {
    let loss = f.loss.filter(|l| f.share.is_none() && *l > WORK_LOSS_NOTABLE)?;
    f.below_limit_k().filter(|k| *k <= AT_LIMIT_K)?;
    let words = format!(
        "It came to its limit and lost {:.0} % of its work rate. Nothing here counts why, but being drawn back for heat looks so.",
        loss * 100.0
    );
    Some(f.finding(Judgement::Watch, words).next(DESIGN))
}

fn external(f: &Facts<'_>) -> Option<Finding> {
    let clock = f.seen.clock_mhz?;
    let at_floor = clock.first.max(clock.last) < CLOCK_FLOOR_SHARE * f.seen.clock_max_mhz?;
    let is_cool = f.below_limit_k().is_some_and(|k| k >= EXTERNAL_BELOW_LIMIT_K);
    (at_floor && is_cool).then(|| {
        f.finding(
            Judgement::Watch,
            "It is held at its lowest clock while it is cool: something outside the CPU holds it back. This is not a cooling fault.",
        )
        .next("Check the adapter (the maker's own, strong enough), the battery and the power profile, then check again.")
    })
}

fn power_limit(f: &Facts<'_>) -> Option<Finding> {
    let loss = f.loss.filter(|l| *l > WORK_LOSS_NOTABLE)?;
    let power = f.seen.power_w?;
    let fell = power.loss() > POWER_FLAT_SHARE;
    let is_cool = f.below_limit_k().is_none_or(|k| k > NEAR_LIMIT_K);
    (fell && is_cool).then(|| {
        f.finding(
            Judgement::NothingSeen,
            format!(
                "It slowed by {:.0} % when its power limit came down from {:.0} to {:.0} W: by design, not for heat.",
                loss * 100.0,
                power.first,
                power.last
            ),
        )
    })
}

fn other_work(f: &Facts<'_>) -> Option<Finding> {
    f.loss.filter(|l| *l > WORK_LOSS_NOTABLE)?;
    let flat = Facts::is_flat(f.seen.clock_mhz, CLOCK_FLAT_SHARE)
        && Facts::is_flat(f.seen.power_w, POWER_FLAT_SHARE);
    flat.then(|| {
        f.finding(
            Judgement::Watch,
            "It did less work at the same clock and power: other programs took their share. This is not a cooling fault.",
        )
        .next("Close other programs, wait for updates and scans to end, then check again.")
    })
}

fn unjudged() -> Unjudged {
    Unjudged {
        about: About::Throttling,
        because: "neither throttle counters nor a work rate were recorded".into(),
        would_tell: vec!["a check made by `windrow check` on the machine itself".into()],
        evidence: Vec::new(),
    }
}
