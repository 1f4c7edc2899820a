use windrow_model::analysis::{RunContext, analyse};
use windrow_model::emulate::{Faults, RunPlan, model_of, record_run};
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use super::{Band, Fleet, ReasonCode, Run, Standing, judge};
use crate::store::{MeasuredRun, Service};
use crate::testing::START_MS;

const DAY_MS: i64 = 24 * 3600 * 1000;

/// A laptop's run through the emulated laptop and the hub's analysis.
fn run(device_id: &str, unit: u64, faults: Faults) -> Run {
    let spec = model_of("Tamsel 14").unwrap().unit(unit);
    let trace = record_run(&spec, &RunPlan { faults, seed: unit, ..RunPlan::default() });
    let metrics = analyse(&trace, &RunContext::default()).metrics;
    Run { stored: stored(device_id), metrics: Some(metrics) }
}

fn stored(device_id: &str) -> MeasuredRun {
    MeasuredRun {
        device_id: device_id.to_owned(),
        asset_tag: String::new(),
        site: "north".to_owned(),
        digest: Digest::of(device_id.as_bytes()),
        provenance: "measured".to_owned(),
        model_key: "Tamsel 14".to_owned(),
        model_name: "Tamsel 14".to_owned(),
        load_mix: "1".to_owned(),
        protocol: "standard".to_owned(),
        outcome: "complete".to_owned(),
        channels: String::new(),
        ambient_c: None,
        ambient_sd_k: None,
        tested_at_ms: START_MS,
        received_at_ms: START_MS,
        metrics_json: None,
        agrees: None,
    }
}

fn healthy(n: u64) -> Vec<Run> {
    (1..=n).map(|unit| run(&format!("healthy-{unit}"), unit, Faults::NONE)).collect()
}

fn judged(runs: Vec<Run>) -> Vec<Standing> {
    judge(&Fleet { runs, services: Vec::new(), as_of_ms: START_MS + DAY_MS })
}

#[track_caller]
fn of<'a>(standings: &'a [Standing], device_id: &str) -> &'a Standing {
    standings.iter().find(|s| s.last.stored.device_id == device_id).unwrap()
}

/// The faulty laptop comes first among seven healthy ones, for the right reason, and none of these is to be visited.
#[track_caller]
fn found_first(faults: Faults, reason_code: ReasonCode) {
    let mut runs = healthy(7);
    runs.push(run("faulty", 20, faults));
    let standings = judged(runs);
    let first = &standings[0];
    assert_eq!(first.last.stored.device_id, "faulty", "{standings:#?}");
    assert_eq!(first.reason_code, reason_code, "{first:#?}");
    assert!(first.band <= Band::NextRound, "{first:#?}");
    for other in &standings[1..] {
        assert_eq!(other.band, Band::NoVisit, "{other:#?}");
    }
}

#[test]
fn clogged_vents_are_found() {
    found_first(Faults { airflow: 0.4, ..Faults::NONE }, ReasonCode::Clogged);
}

#[test]
fn a_weak_fan_is_found() {
    found_first(Faults { fan: 0.55, fan2: 0.55, ..Faults::NONE }, ReasonCode::FanWeak);
}

#[test]
fn a_seized_fan_is_found() {
    found_first(Faults { fan: 0.0, fan2: 0.0, ..Faults::NONE }, ReasonCode::FanStopped);
}

#[test]
fn dried_paste_is_found() {
    found_first(Faults { paste: 3.0, ..Faults::NONE }, ReasonCode::Contact);
}

#[test]
fn with_too_few_of_a_kind_nothing_is_claimed() {
    let mut runs = healthy(2);
    runs.push(run("faulty", 20, Faults { airflow: 0.4, ..Faults::NONE }));
    for standing in judged(runs) {
        assert_eq!(standing.reason_code, ReasonCode::CannotTell, "{standing:#?}");
        assert!(standing.reason.starts_with("cannot tell: only 2 other"), "{}", standing.reason);
    }
}

#[test]
fn an_emulated_laptop_is_never_the_measure_of_a_measured_one() {
    let alone = || {
        let mut runs = healthy(5);
        runs.push(run("watched", 6, Faults::NONE));
        runs
    };
    let without = judged(alone());
    let mut with = alone();
    for unit in 30..40 {
        let mut emulated = run(&format!("emulated-{unit}"), unit, Faults { airflow: 0.3, ..Faults::NONE });
        emulated.stored.provenance = "emulated".to_owned();
        with.push(emulated);
    }
    let with = judged(with);
    let evidence = |standings: &[Standing]| format!("{:?}", of(standings, "watched").evidence);
    assert_eq!(evidence(&without), evidence(&with));
}

#[test]
fn runs_that_cannot_be_trusted_and_old_ones_ask_for_a_retest() {
    let mut runs = healthy(6);
    let metrics = runs[0].metrics.as_mut().unwrap();
    metrics.quality.insert("background_load.recovery".to_owned(), 0.2);
    runs[1].stored.tested_at_ms -= 400 * DAY_MS;
    runs[2].metrics = None;
    let standings = judged(runs);
    for (device_id, code) in [
        ("healthy-1", ReasonCode::NoGoodRun),
        ("healthy-2", ReasonCode::TooOld),
        ("healthy-3", ReasonCode::NoGoodRun),
    ] {
        let standing = of(&standings, device_id);
        assert_eq!((standing.band, standing.reason_code), (Band::Retest, code), "{standing:#?}");
    }
}

#[test]
fn a_service_resets_what_was_seen_before_it() {
    let clogged = Faults { airflow: 0.4, ..Faults::NONE };
    let mut runs = healthy(7);
    runs.push(run("serviced", 20, clogged));
    let cleaned_on = "2026-02-01".parse().unwrap();
    let services = vec![Service {
        device_id: "serviced".to_owned(),
        serviced_on: cleaned_on,
        action: ServiceAction::Clean,
    }];
    let as_of_ms = START_MS + 10 * DAY_MS;
    let standings = judge(&Fleet { runs: runs.clone(), services: services.clone(), as_of_ms });
    let standing = of(&standings, "serviced");
    assert_eq!(standing.reason_code, ReasonCode::NotCheckedSinceService, "{standing:#?}");

    let mut after = run("serviced", 20, Faults::NONE);
    after.stored.tested_at_ms = as_of_ms - DAY_MS;
    runs.push(after);
    let standings = judge(&Fleet { runs: runs.clone(), services: services.clone(), as_of_ms });
    assert_eq!(of(&standings, "serviced").band, Band::NoVisit);

    // As of a day before the service, nothing of it is known.
    let standings = judge(&Fleet { runs, services, as_of_ms: START_MS + DAY_MS / 4 });
    assert_eq!(of(&standings, "serviced").reason_code, ReasonCode::Clogged);
}

#[test]
fn the_order_is_that_of_the_fleet_not_of_its_arrival() {
    let mut runs = healthy(8);
    let ids = |standings: Vec<Standing>| -> Vec<String> {
        standings.into_iter().map(|s| s.last.stored.device_id).collect()
    };
    let forwards = ids(judged(runs.clone()));
    runs.reverse();
    assert_eq!(forwards, ids(judged(runs)));
    assert!(judged(Vec::new()).is_empty());
}
