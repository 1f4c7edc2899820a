//! Whether a visit helped, from the condition before and after it, and what visits teach.
//!
//! **Regression to the mean.** A laptop is picked because it looks bad, and part of that is chance, so its next run would
//! look better even if nobody touched it. Therefore the value before is the filtered one: over all earlier runs, shrunk
//! towards the laptops of its model, as the judgement itself uses it, and never the one run that led to the visit. The value
//! after must not lean on the belief that the service worked: it comes from the runs after the visit alone, and what the
//! model's prior put into it is taken out again (in information form), so that a run that says nothing gives "cannot tell",
//! and not the prior's "as good as new".
//!
//! **Verdict.** With the difference d in the good direction and its standard deviation s: *helped* where d ± 1.96 s lies
//! above zero and d is at least the size that matters; *worse* likewise below; *no change* where the interval lies within ± the
//! size; else *cannot tell*: check again. The confidence is the probability, under a normal distribution, that what the
//! verdict says is true. Common practice in comparing before and after; the sizes are our choice.

pub mod learned;

use std::collections::HashMap;

use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::condition::judge::Interval;
use windrow_model::trace::fleet::ServiceAction;

use crate::scoring::Fault;

/// Standard normal quantile of a two-sided interval of 95 %.
const Z_95: f64 = 1.959_964;
/// The same of 90 %: half of an [`Interval`] in standard deviations.
const Z_90: f64 = 1.644_854;
/// Least standard deviation of a difference: no two runs agree better. Our choice.
const MIN_SD: f64 = 0.02;
/// A likelihood less precise than this share of the prior's precision says nothing. Our choice.
const MIN_PRECISION_SHARE: f64 = 0.25;

/// Least change that matters: airflow fraction, fan factor, contact factor. A tenth of the airflow is common practice, no
/// source; the others are our choice, a third of the way from as-new to the service limit.
pub const fn size_that_matters(part: Fault) -> f64 {
    match part {
        Fault::Clogged => 0.10,
        Fault::Fan => 0.07,
        Fault::Contact => 0.27,
    }
}

/// Condition right after a service that worked, in the mean: airflow fraction, fan factor, contact factor. As the
/// judgement's constants have it.
pub const fn as_new(part: Fault) -> f64 {
    match part {
        Fault::Clogged => 0.93,
        Fault::Fan => 0.98,
        Fault::Contact => 1.05,
    }
}

/// Whether a visit helped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It is better than before.
    Helped,
    /// It is as before.
    NoChange,
    /// It is worse than before.
    Worse,
    /// The runs don't say.
    CannotTell,
}

impl Verdict {
    /// Its name in tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Helped => "helped",
            Self::NoChange => "no_change",
            Self::Worse => "worse",
            Self::CannotTell => "cannot_tell",
        }
    }

    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Helped => "helped",
            Self::NoChange => "no change",
            Self::Worse => "worse",
            Self::CannotTell => "cannot tell: check again",
        }
    }
}

/// A part of a laptop before and after a visit, as the judgement gives it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartReadings {
    /// Which.
    pub part: Fault,
    /// Filtered over all runs before the visit.
    pub before: Interval,
    /// From the runs after it alone; the model's prior is still in it.
    pub after: Interval,
    /// What the model's prior alone says; `None`: the part is read directly, and nothing is to be taken out.
    pub prior: Option<Interval>,
}

/// What is known of a laptop around a day of service.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Around {
    /// Usable runs before the visit.
    pub n_runs_before: usize,
    /// Usable runs after it that were looked at.
    pub n_runs_after: usize,
    /// The parts that runs on both sides show.
    pub parts: Vec<PartReadings>,
}

/// What a visit did to one part.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct PartEffect {
    /// Which.
    pub part: Fault,
    /// Condition before, filtered over all earlier runs.
    pub before: f64,
    /// Condition after.
    pub after: f64,
    /// The difference in the good direction.
    pub better_by: f64,
    /// Its standard deviation.
    pub better_by_sd: f64,
    /// What it says.
    pub verdict: Verdict,
    /// Probability that what the verdict says is true; with "cannot tell" that of the likeliest of the three.
    pub confidence: f64,
}

/// What a visit did to a laptop.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct VisitEffect {
    /// The day.
    pub on: NaiveDate,
    /// What was done.
    #[serde(serialize_with = "names")]
    #[schemars(with = "Vec<String>")]
    pub actions: Vec<ServiceAction>,
    /// What it says of the parts that were seen to: one that helped or got worse goes before.
    pub verdict: Verdict,
    /// Probability that what the verdict says is true.
    pub confidence: Option<f64>,
    /// Why it cannot be told, where no part can be compared.
    pub why: Option<&'static str>,
    /// The parts that were seen to, as far as runs show them.
    pub parts: Vec<PartEffect>,
    /// Usable runs before the visit.
    pub n_runs_before: usize,
    /// Usable runs after it that were looked at.
    pub n_runs_after: usize,
}

fn names<S: serde::Serializer>(actions: &[ServiceAction], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(actions.iter().map(|a| a.name()))
}

/// The effects of all visits of a fleet, and what they teach.
#[derive(Debug, Clone, Default)]
pub struct Effects {
    by_device: HashMap<String, Vec<VisitEffect>>,
}

impl Effects {
    /// From the effects of each laptop.
    pub fn new(all: impl Iterator<Item = (String, VisitEffect)>) -> Self {
        let mut by_device: HashMap<String, Vec<VisitEffect>> = HashMap::new();
        for (device_id, effect) in all {
            by_device.entry(device_id).or_default().push(effect);
        }
        for of in by_device.values_mut() {
            of.sort_by_key(|e| e.on);
        }
        Self { by_device }
    }

    /// A laptop's visits by day, earliest first.
    pub fn of(&self, device_id: &str) -> &[VisitEffect] {
        self.by_device.get(device_id).map_or(&[], Vec::as_slice)
    }

    /// What the visit of a day did.
    pub fn on(&self, device_id: &str, day: NaiveDate) -> Option<&VisitEffect> {
        self.of(device_id).iter().find(|e| e.on == day)
    }

    /// All of them.
    pub fn all(&self) -> impl Iterator<Item = &VisitEffect> {
        self.by_device.values().flatten()
    }
}

/// What a visit did, from what is known around it.
pub fn effect(on: NaiveDate, actions: &[ServiceAction], around: &Around) -> VisitEffect {
    let seen_to = |part: Fault| actions.contains(&part.action());
    let parts: Vec<PartEffect> =
        around.parts.iter().filter(|p| seen_to(p.part)).filter_map(part_effect).collect();
    let why = match (around.n_runs_before, around.n_runs_after, parts.is_empty()) {
        _ if actions.iter().all(|a| *a == ServiceAction::None) => Some("nothing was done"),
        (0, _, _) => Some("no usable check before it"),
        (_, 0, _) => Some("no usable check since"),
        (_, _, true) => Some("the checks before and after don't show the part"),
        _ => None,
    };
    let first = [Verdict::Worse, Verdict::Helped, Verdict::CannotTell, Verdict::NoChange];
    let told = first.into_iter().find(|v| parts.iter().any(|p| p.verdict == *v));
    let verdict = told.unwrap_or(Verdict::CannotTell);
    let confidence = parts.iter().filter(|p| p.verdict == verdict).map(|p| p.confidence).reduce(f64::max);
    VisitEffect {
        on,
        actions: actions.to_vec(),
        verdict,
        confidence,
        why,
        parts,
        n_runs_before: around.n_runs_before,
        n_runs_after: around.n_runs_after,
    }
}

/// A value with its standard deviation.
#[derive(Debug, Clone, Copy)]
struct Gauss {
    mean: f64,
    sd: f64,
}

impl Gauss {
    fn of(i: Interval) -> Self {
        Self { mean: i.mid, sd: ((i.high - i.low) / (2.0 * Z_90)).max(1e-6) }
    }

    /// With a prior taken out; `None` where little else is left.
    fn without(self, prior: Self) -> Option<Self> {
        let (with, of_prior) = (self.sd.powi(-2), prior.sd.powi(-2));
        let precision = with - of_prior;
        if !precision.is_finite() || precision < MIN_PRECISION_SHARE * of_prior {
            return None;
        }
        let mean = (with * self.mean - of_prior * prior.mean) / precision;
        Some(Self { mean, sd: precision.sqrt().recip() })
    }
}

/// The change of one part; `None` where the runs after say nothing of it.
fn part_effect(readings: &PartReadings) -> Option<PartEffect> {
    let before = Gauss::of(readings.before);
    let after = Gauss::of(readings.after);
    let after = match readings.prior {
        Some(prior) => after.without(Gauss::of(prior))?,
        None => after,
    };
    let sign = if readings.part == Fault::Contact { -1.0 } else { 1.0 };
    let better_by = sign * (after.mean - before.mean);
    let sd = before.sd.hypot(after.sd).max(MIN_SD);
    let (verdict, confidence) = verdict(better_by, sd, size_that_matters(readings.part));
    Some(PartEffect {
        part: readings.part,
        before: before.mean,
        after: after.mean,
        better_by,
        better_by_sd: sd,
        verdict,
        confidence,
    })
}

/// The verdict on a difference and its confidence.
fn verdict(better_by: f64, sd: f64, size: f64) -> (Verdict, f64) {
    let above = |x: f64| normal_above((x - better_by) / sd);
    let half = Z_95 * sd;
    if better_by - half > 0.0 && better_by >= size {
        return (Verdict::Helped, above(0.0));
    }
    if better_by + half < 0.0 && better_by <= -size {
        return (Verdict::Worse, 1.0 - above(0.0));
    }
    let within = above(-size) - above(size);
    if better_by - half >= -size && better_by + half <= size {
        return (Verdict::NoChange, within);
    }
    (Verdict::CannotTell, within.max(above(size)).max(1.0 - above(-size)))
}

/// P(Z > z) of a standard normal variable: Abramowitz and Stegun 26.2.17, error below 7.5e-8.
pub(crate) fn normal_above(z: f64) -> f64 {
    if z < 0.0 {
        return 1.0 - normal_above(-z);
    }
    let t = 1.0 / (1.0 + 0.231_641_9 * z);
    let poly = t
        * (0.319_381_530
            + t * (-0.356_563_782 + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt() * poly
}

#[cfg(test)]
mod tests {
    use super::*;
    use windrow_model::emulate::random::Random;

    fn around(mid: f64, sd: f64) -> Interval {
        Interval { mid, low: mid - Z_90 * sd, high: mid + Z_90 * sd }
    }

    const PRIOR: (f64, f64) = (0.85, 0.2);

    /// The interval that a prior and a likelihood give together.
    fn posterior(likelihood: (f64, f64), prior: (f64, f64)) -> Interval {
        let (wl, wp) = (likelihood.1.powi(-2), prior.1.powi(-2));
        around((wl * likelihood.0 + wp * prior.0) / (wl + wp), (wl + wp).sqrt().recip())
    }

    fn airflow(before: (f64, f64), after: (f64, f64)) -> PartReadings {
        PartReadings {
            part: Fault::Clogged,
            before: around(before.0, before.1),
            after: posterior(after, PRIOR),
            prior: Some(around(PRIOR.0, PRIOR.1)),
        }
    }

    #[track_caller]
    fn told(before: (f64, f64), after: (f64, f64)) -> (Verdict, f64) {
        let effect = part_effect(&airflow(before, after)).unwrap();
        (effect.verdict, effect.confidence)
    }

    /// Values of the standard normal distribution, Abramowitz and Stegun table 26.1.
    #[test]
    fn the_normal_tail_is_as_tabulated() {
        for (z, above) in [(0.0, 0.5), (1.0, 0.158655254), (1.96, 0.0249978951), (3.0, 0.0013498980)] {
            assert!((normal_above(z) - above).abs() < 1e-7, "{z}");
            assert!((normal_above(-z) - (1.0 - above)).abs() < 1e-7, "-{z}");
        }
    }

    /// A true 0.70 → 1.00 with a standard deviation of 0.14 a side gives z = 1.5 from one pair, too little; three runs a
    /// side give z = 2.6 (worked out by hand: 0.30 / (0.14 · √2) and that times √3).
    #[test]
    fn one_pair_of_runs_is_too_little_and_three_are_enough() {
        let (verdict, confidence) = told((0.70, 0.14), (1.00, 0.14));
        assert_eq!(verdict, Verdict::CannotTell);
        assert!((confidence - normal_above((0.10 - 0.30) / (0.14 * 2.0_f64.sqrt()))).abs() < 1e-6);
        let sd = 0.14 / 3.0_f64.sqrt();
        let (verdict, confidence) = told((0.70, sd), (1.00, sd));
        assert_eq!(verdict, Verdict::Helped);
        let z = 0.30 / (0.14 * 2.0_f64.sqrt()) * 3.0_f64.sqrt();
        assert!((z - 2.62).abs() < 0.01 && (confidence - (1.0 - normal_above(z))).abs() < 1e-6);
    }

    #[test]
    fn each_verdict_has_its_case() {
        assert_eq!(told((0.50, 0.04), (0.92, 0.04)).0, Verdict::Helped);
        assert_eq!(told((0.90, 0.03), (0.60, 0.04)).0, Verdict::Worse);
        assert_eq!(told((0.80, 0.02), (0.81, 0.03)).0, Verdict::NoChange);
        assert_eq!(told((0.80, 0.02), (0.86, 0.01)).0, Verdict::CannotTell, "sure, and too small to matter");
        assert_eq!(told((0.60, 0.10), (0.70, 0.10)).0, Verdict::CannotTell);
    }

    #[test]
    fn less_contact_resistance_is_better() {
        let contact = PartReadings {
            part: Fault::Contact,
            before: around(2.2, 0.15),
            after: around(1.1, 0.1),
            prior: None,
        };
        let effect = part_effect(&contact).unwrap();
        assert_eq!(effect.verdict, Verdict::Helped);
        assert!((effect.better_by - 1.1).abs() < 1e-12);
    }

    #[test]
    fn a_run_that_says_nothing_leaves_the_prior_and_no_verdict() {
        let blind =
            PartReadings { after: around(PRIOR.0, PRIOR.1 * 0.99), ..airflow((0.5, 0.03), (0.9, 0.05)) };
        assert!(part_effect(&blind).is_none());
        let effect = effect(
            "2026-01-31".parse().unwrap(),
            &[ServiceAction::Clean],
            &Around { n_runs_before: 3, n_runs_after: 1, parts: vec![blind] },
        );
        assert_eq!((effect.verdict, effect.confidence), (Verdict::CannotTell, None));
        assert!(effect.why.is_some_and(|why| why.contains("don't show")));
    }

    #[test]
    fn only_what_was_seen_to_is_judged_and_a_loss_is_not_hidden() {
        let day = "2026-01-31".parse().unwrap();
        let fan = PartReadings {
            part: Fault::Fan,
            before: around(0.95, 0.02),
            after: around(0.70, 0.02),
            prior: None,
        };
        let around =
            Around { n_runs_before: 3, n_runs_after: 2, parts: vec![airflow((0.5, 0.04), (0.9, 0.04)), fan] };
        let of = |actions: &[ServiceAction]| effect(day, actions, &around).verdict;
        assert_eq!(of(&[ServiceAction::Clean]), Verdict::Helped);
        assert_eq!(of(&[ServiceAction::Clean, ServiceAction::Fan]), Verdict::Worse);
        assert_eq!(of(&[ServiceAction::None]), Verdict::CannotTell);
        let unchecked =
            effect(day, &[ServiceAction::Clean], &Around { n_runs_before: 3, ..Around::default() });
        assert_eq!(unchecked.why, Some("no usable check since"));
    }

    /// A thousand laptops, none of them serviced: those whose filtered value looks worst are picked, and measured again.
    /// The single run that led to the visit would make most of them look mended; the filtered value doesn't.
    #[test]
    fn picking_what_looks_bad_makes_no_visit_help() {
        let (truth, noise) = ((0.85, 0.10), 0.14);
        let mut random = Random::new(11);
        let mut picked: Vec<(f64, f64, Interval)> = (0..1000)
            .map(|_| {
                let air = truth.0 + truth.1 * random.normal();
                let run = air + noise * random.normal();
                (air, run, posterior((run, noise), truth))
            })
            .collect();
        picked.sort_by(|a, b| a.1.total_cmp(&b.1));
        picked.truncate(100);
        let (mut raw, mut filtered) = (0.0, 0.0);
        let mut helped = 0;
        for (air, run, before) in picked {
            let again = air + 0.05 * random.normal();
            let readings = PartReadings { before, ..airflow((0.0, 1.0), (again, 0.05)) };
            let effect = part_effect(&readings).unwrap();
            raw += (again - run) / 100.0;
            filtered += effect.better_by / 100.0;
            helped += usize::from(effect.verdict == Verdict::Helped);
        }
        assert!(raw > 0.10, "the trap is there: {raw}");
        assert!(filtered.abs() < 0.03, "and isn't walked into: {filtered}");
        assert!(helped <= 6, "{helped} of 100 untouched laptops were called mended");
    }
}
