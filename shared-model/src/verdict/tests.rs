//! Emulated faults against what the verdict says of them: as data, easy to extend.

use super::*;
use crate::analysis::{RunContext, analyse};
use crate::emulate::{Faults, RunPlan, Start, asleep, hold_sensor, model_of, record_run};
use crate::record::wire::{EventKind, LimitSource, PreCheckKind, PreCheckResult};

fn limit(limit_c: f64) -> Limit {
    Limit { limit_c, source: LimitSource::SensorCritical }
}

fn verdict_of(model: &str, faults: &str) -> Verdict {
    let spec = model_of(model).unwrap();
    let parsed: Faults = faults.parse().unwrap();
    let trace = record_run(&spec, &RunPlan { faults: parsed, ..RunPlan::default() });
    let limit = limit(spec.sensors.critical_c.unwrap_or(90.0));
    let analysis = analyse(&trace, &RunContext { limit_c: Some(limit.limit_c), ..RunContext::default() });
    judge(&Case {
        origin: Origin::Emulated { faults },
        trace: &trace,
        analysis: &analysis,
        limit: Some(&limit),
        protocol: None,
        context: None,
        outcome: Outcome::Complete,
        events: &[],
        pre_checks: &[],
    })
}

/// What is expected of one subject: a judgement, or `None` for "cannot tell".
type Expected = (About, Option<Judgement>);

#[track_caller]
fn says(model: &str, faults: &str, expected: &[Expected]) {
    let verdict = verdict_of(model, faults);
    for (about, judgement) in expected {
        let found = verdict.findings.iter().filter(|f| f.about == *about).map(|f| f.judgement).max();
        let is_open = verdict.unjudged.iter().any(|u| u.about == *about);
        assert_eq!(found, *judgement, "{model} `{faults}`: {about:?} in\n{}", to_text(&verdict));
        assert_eq!(is_open, judgement.is_none(), "{model} `{faults}`: {about:?} in\n{}", to_text(&verdict));
    }
}

use About::{Contact, Fan, Throttling, Vents};
use Judgement::{Fault, NothingSeen, Suspect, Watch};

#[test]
fn a_healthy_laptop_shows_nothing_and_its_vents_stay_open() {
    for model in ["Tamsel 14", "Tamsel 15", "Orrin 16 W", "Marlow 15"] {
        let nothing = Some(NothingSeen);
        says(model, "", &[(Fan, nothing), (Contact, nothing), (Throttling, nothing), (Vents, None)]);
    }
}

#[test]
fn what_is_not_read_is_not_judged() {
    // No fan, and a fan that doesn't show; no power.
    says("Quill 12", "", &[(Fan, None), (Contact, Some(NothingSeen)), (Vents, None)]);
    says("Ibbet 13", "", &[(Fan, None), (Contact, Some(NothingSeen))]);
    says("Velden 14", "", &[(Fan, Some(NothingSeen)), (Contact, None), (Throttling, Some(NothingSeen))]);
}

#[test]
fn a_fan_that_stands_is_a_fault_near_the_limit_and_suspect_where_it_was_due() {
    says("Tamsel 14", "fan=0", &[(Fan, Some(Fault))]);
    says("Velden 14", "fan=0", &[(Fan, Some(Fault))]);
    says("Perrin 11 E", "fan=0", &[(Fan, Some(Suspect))]);
}

#[test]
fn a_late_fan_convicts_itself() {
    says("Tamsel 14", "fan-late=25", &[(Fan, Some(Suspect))]);
    says("Velden 14", "fan-late=25", &[(Fan, Some(Suspect))]);
}

#[test]
fn a_fan_whose_speed_breaks_in_is_suspected_and_one_that_wanders_is_not() {
    for model in ["Tamsel 14", "Velden 14"] {
        says(model, "stumble=3", &[(Fan, Some(Suspect))]);
        says(model, "flutter=0.02", &[(Fan, Some(NothingSeen))]);
    }
    // Once may be chance; and of two fans it is said which.
    says("Tamsel 14", "stumble=0.4", &[(Fan, Some(Watch))]);
    let told =
        to_text(&verdict_of("Orrin 16 W", "stumble=3")).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("Fan 1's speed broke in 9 times under load"), "{told}");
}

#[test]
fn a_weak_fan_is_not_guessed_at() {
    says("Tamsel 14", "fan=0.6", &[(Fan, Some(NothingSeen))]);
}

#[test]
fn clogged_vents_and_a_bed_are_never_claimed_from_one_run() {
    for faults in ["airflow=0.5", "airflow=0.2", "bedding", "blocked=0.6"] {
        says("Tamsel 14", faults, &[(Vents, None), (Contact, Some(NothingSeen))]);
    }
}

#[test]
fn gross_contact_faults_are_suspect_only_with_a_second_sign() {
    says("Tamsel 14", "paste=1.8", &[(Contact, Some(NothingSeen))]);
    says("Tamsel 14", "paste=4", &[(Contact, Some(NothingSeen))]);
    says("Tamsel 14", "paste=5", &[(Contact, Some(Watch))]);
    says("Tamsel 14", "paste=8", &[(Contact, Some(Suspect)), (Throttling, Some(Suspect))]);
    says("Marlow 15", "paste=8", &[(Contact, Some(Suspect))]);
}

#[test]
fn a_hot_room_accuses_nobody() {
    for model in ["Tamsel 14", "Orrin 16 W", "Velden 14"] {
        let verdict = verdict_of(model, "ambient=35");
        assert_eq!(verdict.standing, Standing::NothingSeen, "{}", to_text(&verdict));
    }
}

#[test]
fn other_work_is_told_and_costs_the_vents_their_verdict() {
    let verdict = verdict_of("Tamsel 14", "background=4");
    let vents = verdict.unjudged.iter().find(|u| u.about == Vents).unwrap();
    assert!(vents.because.contains("other work"), "{}", vents.because);
}

#[test]
fn cautions_stand_beside_every_service_and_nowhere_else() {
    for faults in ["", "airflow=0.3", "fan=0", "fan-late=30", "paste=8", "bedding"] {
        let verdict = verdict_of("Tamsel 14", faults);
        let opens = verdict.findings.iter().any(|f| f.is_service);
        assert_eq!(verdict.cautions.is_empty(), !opens, "{faults}");
        let asks = verdict.findings.iter().any(|f| f.judgement.asks_for_attention());
        assert_eq!(opens, asks, "{faults}: what asks for attention says what to do");
        let text = to_text(&verdict);
        assert!(text.starts_with("EMULATED LAPTOP"), "{text}");
        assert_eq!(text.contains("swollen"), opens, "{text}");
    }
}

#[test]
fn at_once_at_the_limit_is_the_contact() {
    let mut trace = Trace::empty();
    trace.time_s = (0..400).map(|i| f64::from(i) * 0.25).collect();
    let load = |t: f64| t > 30.0 && t <= 60.0;
    let temp = |t: &f64| if load(*t) { (40.0 + 30.0 * (t - 30.0)).min(99.5) } else { 40.0 };
    trace.set_column(crate::channel::Channel::CpuTempC, trace.time_s.iter().map(temp).collect());
    let pct = trace.time_s.iter().map(|t| if load(*t) { 100.0 } else { 0.0 }).collect();
    trace.set_column(crate::channel::Channel::LoadPct, pct);
    let analysis = analyse(&trace, &RunContext::default());
    let limit = limit(100.0);
    let case = Case {
        origin: Origin::Imported,
        trace: &trace,
        analysis: &analysis,
        limit: Some(&limit),
        protocol: None,
        context: None,
        outcome: Outcome::Complete,
        events: &[],
        pre_checks: &[],
    };
    let verdict = judge(&case);
    let contact = verdict.findings.iter().find(|f| f.about == Contact).unwrap();
    assert_eq!(contact.judgement, Suspect);
    assert!(contact.evidence[0].contains("in 1.9 s"), "{:?}", contact.evidence);
    // The same with no limit known: nothing can be said.
    let verdict = judge(&Case { limit: None, ..case });
    assert!(verdict.unjudged.iter().any(|u| u.about == Contact));
}

#[test]
fn an_attempt_names_its_pre_check_and_the_remedy() {
    let trace = Trace::empty();
    let analysis = analyse(&trace, &RunContext::default());
    let pre_checks = [
        PreCheck { check: PreCheckKind::Sensors, result: PreCheckResult::Passed, detail: String::new() },
        PreCheck {
            check: PreCheckKind::AcPower,
            result: PreCheckResult::Failed,
            detail: "on battery".into(),
        },
    ];
    let verdict = judge(&Case {
        origin: Origin::Measured,
        trace: &trace,
        analysis: &analysis,
        limit: None,
        protocol: None,
        context: None,
        outcome: Outcome::NotStarted,
        events: &[],
        pre_checks: &pre_checks,
    });
    assert_eq!(verdict.standing, Standing::NotChecked);
    assert_eq!(verdict.headline, "the check was not made: not on mains power");
    assert_eq!(verdict.next, ["Plug in the adapter, then check again."]);
}

#[test]
fn an_attempt_whose_pulse_came_to_the_limit_is_a_finding() {
    let trace = Trace::empty();
    let analysis = analyse(&trace, &RunContext::default());
    let verdict = |kind| {
        let events = [Event { at_ms: 0, kind, detail: "104 °C".into() }];
        judge(&Case {
            origin: Origin::Measured,
            trace: &trace,
            analysis: &analysis,
            limit: None,
            protocol: None,
            context: None,
            outcome: Outcome::NotStarted,
            events: &events,
            pre_checks: &[],
        })
    };
    let hot = verdict(EventKind::OverLimit);
    assert_eq!(hot.standing, Standing::Suspect);
    assert!(!hot.cautions.is_empty());
    assert_eq!(verdict(EventKind::Interrupted).standing, Standing::NotChecked);
}

#[test]
fn a_stop_at_the_limit_is_a_finding_and_an_interrupt_is_not() {
    let spec = model_of("Tamsel 14").unwrap();
    let trace = record_run(&spec, &RunPlan::default());
    let analysis = analyse(&trace, &RunContext::default());
    let standing = |kind| {
        let events = [Event { at_ms: 0, kind, detail: String::new() }];
        judge(&Case {
            origin: Origin::Measured,
            trace: &trace,
            analysis: &analysis,
            limit: None,
            protocol: None,
            context: None,
            outcome: Outcome::StoppedEarly,
            events: &events,
            pre_checks: &[],
        })
        .standing
    };
    assert_eq!(standing(EventKind::AtLimit), Standing::Suspect);
    assert_eq!(standing(EventKind::FanStoppedAtLimit), Standing::Fault);
    assert_eq!(standing(EventKind::Interrupted), Standing::NothingSeen);
}

#[test]
fn lines_fit_a_terminal() {
    for faults in ["", "paste=8", "fan=0", "background=4"] {
        let text = to_text(&verdict_of("Tamsel 14", faults));
        for line in text.lines() {
            assert!(line.chars().count() <= 79, "{line}");
        }
    }
    assert_eq!(wrap("a bb ccc", 4), ["a bb", "ccc"]);
    assert_eq!(wrap("longword x", 3), ["longword", "x"]);
    assert_eq!(wrap("", 3), [""]);
}

#[test]
fn nothing_at_all_is_judged_as_such() {
    let trace = Trace::empty();
    let analysis = analyse(&trace, &RunContext::default());
    let verdict = judge(&Case {
        origin: Origin::Imported,
        trace: &trace,
        analysis: &analysis,
        limit: None,
        protocol: None,
        context: None,
        outcome: Outcome::Complete,
        events: &[],
        pre_checks: &[],
    });
    assert_eq!(verdict.standing, Standing::CannotTell, "{}", to_text(&verdict));
}

#[test]
fn where_nothing_counts_throttling_the_work_rate_at_the_limit_tells() {
    let mut spec = model_of("Tamsel 14").unwrap();
    spec.sensors.throttle = false;
    let trace = record_run(&spec, &RunPlan::default());
    let analysis = analyse(&trace, &RunContext::default());
    let peak_c = analysis.metrics.peak_c.value().unwrap();
    let words = |limit_c| {
        let limit = Limit { limit_c, source: LimitSource::SensorCritical };
        to_text(&judge(&Case {
            origin: Origin::Measured,
            trace: &trace,
            analysis: &analysis,
            limit: Some(&limit),
            protocol: None,
            context: None,
            outcome: Outcome::Complete,
            events: &[],
            pre_checks: &[],
        }))
    };
    assert!(words(peak_c).contains("It came to its limit and lost"), "{}", words(peak_c));
    // The same fall of the work rate far below the limit is the power limit's.
    assert!(words(peak_c + 25.0).contains("by design, not for heat"), "{}", words(peak_c + 25.0));
}

/// The verdict on a run, with what was known beside it.
fn verdict_on(trace: &Trace, context: &RunContext) -> Verdict {
    judge(&Case {
        origin: Origin::Emulated { faults: "" },
        trace,
        analysis: &analyse(trace, context),
        limit: None,
        protocol: None,
        context: None,
        outcome: Outcome::Complete,
        events: &[],
        pre_checks: &[],
    })
}

#[test]
fn what_disturbed_a_run_is_told_and_keeps_the_vents_open_for_that_reason() {
    let spec = model_of("Tamsel 14").unwrap();
    let plan = RunPlan::default();
    let recorded = |plan: RunPlan| record_run(&spec, &plan);
    let load_end_s = plan.settle_s + plan.protocol.load_s;
    let mut stuck = recorded(plan.clone());
    hold_sensor(&mut stuck, load_end_s + 1.0, 15.0);
    let battery = Faults { battery: true, ..Faults::NONE };
    let told = |on_ac, profile: &str| RunContext {
        ambient: Some(Ambient { value_c: plan.room.ambient_c, sd_k: 0.5, source: AmbientSource::Told }),
        on_ac: Some(on_ac),
        platform_profile: Some(profile.to_owned()),
        ..RunContext::default()
    };
    let usual = || told(true, "balanced");
    let worked = Start::Worked { load: 0.7, for_s: 900.0 };
    let cases = [
        (
            recorded(RunPlan { other_load: [0.0, 0.0, 0.2], ..plan.clone() }),
            usual(),
            "Other work kept",
            "other work ran",
        ),
        (
            recorded(RunPlan { faults: battery, ..plan.clone() }),
            told(false, "balanced"),
            "It ran on battery",
            "on battery",
        ),
        (
            recorded(RunPlan { start: worked, ..plan.clone() }),
            usual(),
            "warm from earlier work",
            "began warm",
        ),
        (
            recorded(RunPlan { start: Start::Cold, ..plan.clone() }),
            usual(),
            "came in from the cold",
            "from the cold",
        ),
        (
            asleep(&recorded(plan.clone()), load_end_s + 20.0, 40.0),
            usual(),
            "slept or was held up",
            "slept meanwhile",
        ),
        (stuck, usual(), "stood still for", "stood still while"),
        (recorded(plan.clone()), told(true, "low-power"), "in a quiet profile", "quiet profile held"),
    ];
    let clean = verdict_on(&recorded(plan.clone()), &usual());
    let vents = |v: &Verdict| v.unjudged.iter().find(|u| u.about == Vents).unwrap().because.clone();
    for (trace, context, words, because) in cases {
        let verdict = verdict_on(&trace, &context);
        let is_told =
            |v: &Verdict| v.findings.iter().any(|f| f.about == About::Data && f.words.contains(words));
        assert!(is_told(&verdict) && !is_told(&clean), "`{words}` in\n{}", to_text(&verdict));
        assert!(vents(&verdict).contains(because), "`{because}` in {}", vents(&verdict));
        assert!(!vents(&clean).contains(because), "{}", vents(&clean));
    }
}
