//! Whole checks on emulated laptops in virtual time: each safety stop by what provokes it.

use chrono::DateTime;
use windrow_model::emulate::{Faults, LaptopSpec, Room, Start, model_of};
use windrow_model::record::wire::PreCheckKind;
use windrow_model::verdict;

use super::*;
use crate::emulated::{Emulated, in_virtual_time};

#[derive(Default)]
struct Watched {
    phases: Vec<Phase>,
    stop_at_sample: Option<(usize, StopFlag)>,
    stop_in: Option<(Phase, StopFlag)>,
    n_samples: usize,
}

impl Observer for Watched {
    fn pre_check(&mut self, _: &PreCheck) {}
    fn phase(&mut self, phase: Phase, _: f64) {
        self.phases.push(phase);
    }
    fn sample(&mut self, phase: Phase, in_phase_s: f64, _: &Reading) {
        self.n_samples += 1;
        if let Some((in_phase, flag)) = &self.stop_in
            && *in_phase == phase
            && in_phase_s > 20.0
        {
            flag.raise(StopReason::Interrupt);
        }
        if let Some((at, flag)) = &self.stop_at_sample
            && self.n_samples == *at
        {
            flag.raise(StopReason::Interrupt);
        }
    }
    fn event(&mut self, _: &Event) {}
}

fn request() -> CheckRequest {
    CheckRequest {
        protocol: Protocol::STANDARD,
        ambient: None,
        hard_surface: Some(true),
        bulging: Some(false),
        attended: true,
        hold: None,
        busy_max_pct: None,
    }
}

fn run_with(faults: &str, request: &CheckRequest, watched: &mut Watched, stop: &StopFlag) -> CheckRun {
    run_spec(model_of("Tamsel 14").unwrap(), faults, request, watched, stop)
}

fn run_spec(
    spec: LaptopSpec,
    faults: &str,
    request: &CheckRequest,
    watched: &mut Watched,
    stop: &StopFlag,
) -> CheckRun {
    let what = Emulated {
        spec,
        faults: faults.parse::<Faults>().unwrap(),
        room: Room::default(),
        start: Start::Idle,
        seed: 7,
    };
    let began_at = DateTime::from_timestamp(1_780_000_000, 0).unwrap();
    run(&mut in_virtual_time(&what, began_at), request, stop, watched)
}

fn run_faults(faults: &str) -> CheckRun {
    run_with(faults, &request(), &mut Watched::default(), &StopFlag::new())
}

fn verdict_of(run: &CheckRun) -> String {
    let measured = crate::record::measure(run).unwrap();
    let verdict = verdict::judge(&verdict::Case {
        origin: verdict::Origin::Measured,
        trace: &measured.trace,
        analysis: &measured.analysis,
        limit: run.limit.as_ref(),
        protocol: Some(&run.protocol),
        context: Some(&run.context),
        outcome: run.outcome,
        events: &run.events,
        pre_checks: &run.pre_checks,
    });
    verdict::to_text(&verdict)
}

fn loaded_s(run: &CheckRun) -> f64 {
    let phases = run.trace.phase.as_ref().unwrap();
    phases.iter().filter(|p| **p == Phase::Load).count() as f64 / 4.0
}

#[test]
fn a_healthy_laptop_goes_through_all_phases() {
    let mut watched = Watched::default();
    let run = run_with("", &request(), &mut watched, &StopFlag::new());
    assert_eq!(run.outcome, Outcome::Complete, "{:?} {:?}", run.pre_checks, run.events);
    assert_eq!(watched.phases, [Phase::Settle, Phase::Load, Phase::Recovery]);
    assert!((179.0..=182.0).contains(&loaded_s(&run)), "{}", loaded_s(&run));
    assert!(run.events.is_empty(), "{:?}", run.events);
    assert!(run.context.settled);
    assert!(run.trace.column(Channel::WorkRate).is_some());
}

#[track_caller]
fn stops_with(faults: &str, kind: EventKind) -> CheckRun {
    let run = run_faults(faults);
    assert!(run.events.iter().any(|e| e.kind == kind), "{faults}: {:?} {:?}", run.outcome, run.events);
    assert_ne!(run.outcome, Outcome::Complete, "{faults}");
    run
}

#[test]
fn each_stop_by_what_provokes_it() {
    for (faults, kind) in [
        ("ac-lost-at=100", EventKind::AcLost),
        ("sensor-lost-at=100", EventKind::SensorLost),
        ("sensor-stuck-at=30", EventKind::SensorStuck),
        ("battery-hot-at=90", EventKind::BatteryHot),
    ] {
        let run = stops_with(faults, kind);
        assert!(loaded_s(&run) < 120.0, "{faults}: {}", loaded_s(&run));
        assert!(run.trace.n_samples() > 60, "what was measured is kept");
    }
}

#[test]
fn twenty_seconds_at_the_limit_end_the_load_as_a_finding() {
    let mut spec = model_of("Tamsel 14").unwrap();
    // A sensor whose critical temperature lies where this model's firmware lets a seized fan's laptop stay.
    spec.sensors.critical_c = Some(93.0);
    let run = run_spec(spec, "fan=0,paste=2", &request(), &mut Watched::default(), &StopFlag::new());
    let stops: Vec<_> = run.events.iter().map(|e| e.kind).collect();
    assert!(
        stops == [EventKind::AtLimit] || stops == [EventKind::OverLimit],
        "{:?} {stops:?} {:?}",
        run.outcome,
        run.pre_checks
    );
    assert_eq!(run.outcome, Outcome::StoppedEarly);
    let phases = run.trace.phase.as_ref().unwrap();
    assert!(phases.contains(&Phase::Recovery), "the cooling down is watched");
}

#[test]
fn a_user_ends_it_at_once_and_what_was_measured_is_kept() {
    let stop = StopFlag::new();
    let mut watched = Watched { stop_at_sample: Some((400, stop.clone())), ..Watched::default() };
    let run = run_with("", &request(), &mut watched, &stop);
    assert_eq!(run.outcome, Outcome::StoppedEarly);
    assert_eq!(run.events.last().unwrap().kind, EventKind::Interrupted);
    assert!(run.trace.n_samples() <= 401);
}

#[test]
fn a_stop_while_it_cools_down_is_not_told_as_one_of_the_load() {
    let stop = StopFlag::new();
    let mut watched = Watched { stop_in: Some((Phase::Recovery, stop.clone())), ..Watched::default() };
    let run = run_with("", &request(), &mut watched, &stop);
    assert_eq!(run.outcome, Outcome::StoppedEarly);
    let event = run.events.last().unwrap();
    assert_eq!(event.kind, EventKind::Interrupted);
    assert!(event.detail.contains("after the load"), "{}", event.detail);
    assert!(loaded_s(&run) > 179.0);
    let verdict = verdict_of(&run);
    assert!(!verdict.contains("load ended") && !verdict.contains("load was ended"), "{verdict}");
    assert!(verdict.contains("the recovery ended early"), "{verdict}");
}

#[test]
fn on_battery_no_load_begins() {
    let run = run_faults("battery");
    assert_eq!(run.outcome, Outcome::NotStarted);
    assert_eq!(run.trace.n_samples(), 0);
    let failed: Vec<_> =
        run.pre_checks.iter().filter(|c| c.result == PreCheckResult::Failed).map(|c| c.check).collect();
    assert_eq!(failed, [PreCheckKind::AcPower]);
}

#[test]
fn a_bulging_case_or_a_hold_keeps_the_load_away() {
    for request in [
        CheckRequest { bulging: Some(true), ..request() },
        CheckRequest { hold: Some("recall".into()), ..request() },
    ] {
        let run = run_with("", &request, &mut Watched::default(), &StopFlag::new());
        assert_eq!(run.outcome, Outcome::NotStarted);
        assert_eq!(run.trace.n_samples(), 0);
    }
}

#[test]
fn the_same_seed_gives_the_same_run() {
    let (a, b) = (run_faults("airflow=0.5"), run_faults("airflow=0.5"));
    assert_eq!(format!("{:?}", a.trace), format!("{:?}", b.trace));
    assert_eq!(a.started_at, b.started_at);
}
