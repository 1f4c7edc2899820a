mod decided;

use std::collections::HashMap;

use windrow_model::analysis::{RunContext, analyse};
use windrow_model::channel::Channel;
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::emulate::{Faults, RunPlan, model_of, record_run};
use windrow_model::estimate::network_drive::Drive;
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use super::{Band, Fleet, JudgedFleet, ReasonCode, RunRef, Runs, Standing, conditions, coverage_of, judge};
use crate::costs::Costs;
use crate::coverage::{CoverageState, NotCheckedWhy};
use crate::effects::Verdict;
use crate::facts::Facts;
use crate::store::{Logged, MeasuredRun, Service, StoredMetrics};
use crate::testing::START_MS;

const DAY_MS: i64 = 24 * 3600 * 1000;
/// Checks of each laptop, a month apart.
const N_CHECKS: u64 = 3;

/// A run and what the fit needs of it.
type Ready = (MeasuredRun, Option<Drive>);

/// A laptop's monthly checks through the emulated laptop and the hub's analysis, the last one at [`START_MS`].
fn checks(device_id: &str, unit: u64, faults: Faults) -> Vec<Ready> {
    let before = (1..N_CHECKS).rev();
    before.chain([0]).map(|months_ago| check(device_id, unit, faults, months_ago)).collect()
}

fn check(device_id: &str, unit: u64, faults: Faults, months_ago: u64) -> Ready {
    let spec = model_of("Tamsel 14").unwrap().unit(unit);
    let seed = 100 * unit + months_ago;
    let trace = record_run(&spec, &RunPlan { faults, seed, ..RunPlan::default() });
    let metrics = analyse(&trace, &RunContext::default()).metrics;
    let mut run = stored(device_id, START_MS - 30 * DAY_MS * i64::try_from(months_ago).unwrap());
    run.metrics_json = Some(serde_json::to_vec(&metrics).unwrap());
    (run, Drive::from_trace(&trace))
}

fn stored(device_id: &str, tested_at_ms: i64) -> MeasuredRun {
    MeasuredRun {
        run_id: 0,
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
        ambient_c: Some(22.0),
        ambient_sd_k: Some(1.0),
        on_ac: Some(true),
        firmware: "1.07".to_owned(),
        tested_at_ms,
        received_at_ms: tested_at_ms,
        metrics_json: None,
        agrees: None,
    }
}

fn healthy(n: u64) -> Vec<Ready> {
    (1..=n).flat_map(|unit| checks(&format!("healthy-{unit}"), unit, Faults::NONE)).collect()
}

fn judged_with(runs: Vec<Ready>, services: Vec<Service>, as_of_ms: i64) -> JudgedFleet {
    let runs: Vec<Ready> = runs
        .into_iter()
        .zip(1..)
        .map(|((run, drive), run_id)| (MeasuredRun { run_id, ..run }, drive))
        .collect();
    let by_device = conditions::services_by_device(&services);
    let (stored, drives): (Vec<MeasuredRun>, Vec<Option<Drive>>) = as_stored(runs).into_iter().unzip();
    let mut gathered = Runs::new(as_of_ms);
    let metrics = stored.iter().filter_map(metrics_of).collect();
    gathered.add(stored);
    gathered.put_metrics(0, metrics);
    let mut learned = conditions::Learned::<HashMap<i64, RunEvidence>>::default();
    for provenance in ["measured", "emulated"] {
        let of_provenance =
            gathered.all.iter().zip(&drives).filter(|(r, _)| r.kind.of.provenance == provenance);
        let ready: Vec<(&RunRef, Drive)> =
            of_provenance.filter_map(|(run, drive)| Some((run, drive.clone()?))).collect();
        let taught = conditions::learn(&ready, &by_device);
        learned.models.extend(taught.models);
        learned.evidence.extend(taught.evidence);
    }
    let fleet = Fleet { runs: gathered, learned, services, facts: Facts::default() };
    judge(fleet, &Costs::default()).unwrap()
}

fn metrics_of(run: &MeasuredRun) -> Option<StoredMetrics> {
    Some(StoredMetrics { run_id: run.run_id, metrics_json: run.metrics_json.clone()?, agrees: run.agrees })
}

/// In the order in which the store gives them.
fn as_stored(mut runs: Vec<Ready>) -> Vec<Ready> {
    let key = |(run, _): &Ready| (run.device_id.clone(), run.tested_at_ms, run.run_id);
    runs.sort_by_key(key);
    runs
}

fn judged(runs: Vec<Ready>) -> Vec<Standing> {
    judged_with(runs, Vec::new(), START_MS + DAY_MS).standings
}

#[track_caller]
fn of<'a>(standings: &'a [Standing], device_id: &str) -> &'a Standing {
    standings.iter().find(|s| s.device_id() == device_id).unwrap()
}

/// The faulty laptop comes first among eleven healthy ones, for the right reason, and none of these is to be visited.
#[track_caller]
fn found_first(faults: Faults, reason_code: ReasonCode) {
    let mut runs = healthy(11);
    runs.extend(checks("faulty", 20, faults));
    let standings = judged(runs);
    let first = &standings[0];
    assert_eq!(first.device_id(), "faulty", "{standings:#?}");
    assert_eq!(first.reason_code, reason_code, "{first:#?}");
    assert!(first.band.is_visit() && first.due_on.is_some(), "{first:#?}");
    assert!(first.visit_benefit > 0.0 && !first.suspected.is_empty(), "{first:#?}");
    for other in &standings[1..] {
        assert!(!other.band.is_visit(), "{other:#?}");
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
    found_first(Faults { paste: 3.5, ..Faults::NONE }, ReasonCode::Contact);
}

#[test]
fn a_single_laptop_is_judged_without_peers_and_says_what_would_tell() {
    let standings = judged(vec![check("alone", 1, Faults::NONE, 0)]);
    let alone = of(&standings, "alone");
    assert_eq!(alone.n_fitted_runs, 1);
    let airflow = alone.condition.as_ref().unwrap().airflow.unwrap();
    assert!(
        airflow.high - airflow.low > 0.2,
        "one laptop of a model must not be sure of itself: {airflow:?}"
    );
    assert!(!alone.band.is_visit(), "{alone:#?}");
}

#[test]
fn a_fan_that_stands_in_the_heat_is_found_without_peers() {
    let standings = judged(vec![check("alone", 1, Faults { fan: 0.0, fan2: 0.0, ..Faults::NONE }, 0)]);
    let alone = of(&standings, "alone");
    assert_eq!((alone.band, alone.reason_code), (Band::PullNow, ReasonCode::FanStopped), "{alone:#?}");
    assert!(alone.condition.as_ref().is_none_or(|c| c.p_fan > 0.5), "{alone:#?}");
}

#[test]
fn an_emulated_laptop_is_never_the_measure_of_a_measured_one() {
    let alone = || {
        let mut runs = healthy(4);
        runs.extend(checks("watched", 6, Faults::NONE));
        runs
    };
    let without = judged(alone());
    let mut with = alone();
    for unit in 30..34 {
        let faults = Faults { airflow: 0.3, ..Faults::NONE };
        let mut emulated = checks(&format!("emulated-{unit}"), unit, faults);
        for (run, _) in &mut emulated {
            run.provenance = "emulated".to_owned();
        }
        with.extend(emulated);
    }
    let with = judged(with);
    let condition = |standings: &[Standing]| of(standings, "watched").condition.clone();
    assert_eq!(condition(&without), condition(&with));
    assert!(condition(&with).is_some());
}

#[test]
fn what_cannot_be_used_and_what_is_old_asks_for_a_retest() {
    let mut runs = healthy(3);
    for (run, _) in runs.iter_mut().filter(|(run, _)| run.device_id == "healthy-1") {
        run.tested_at_ms -= 400 * DAY_MS;
    }
    let mut not_begun = stored("not-begun", START_MS);
    not_begun.outcome = "not_started".to_owned();
    runs.push((not_begun, None));
    let standings = judged(runs);
    for (device_id, code) in [("healthy-1", ReasonCode::TooOld), ("not-begun", ReasonCode::NoGoodRun)] {
        let standing = of(&standings, device_id);
        assert_eq!((standing.band, standing.reason_code), (Band::Retest, code), "{standing:#?}");
    }
}

/// An attempt that could not be fitted checks nothing: neither for the page nor for the coverage.
#[test]
fn an_attempt_that_told_nothing_is_no_check() {
    let mut runs = healthy(3);
    let fitted_at_ms =
        runs.iter().filter(|(r, _)| r.device_id == "healthy-1").map(|(r, _)| r.tested_at_ms).max();
    let at_ms = fitted_at_ms.unwrap() + 40 * DAY_MS;
    runs.push(idle_attempt("healthy-1", at_ms));
    runs.sort_by(|(a, _), (b, _)| (&a.device_id, a.tested_at_ms).cmp(&(&b.device_id, b.tested_at_ms)));
    let fleet = judged_with(runs, Vec::new(), at_ms + DAY_MS);
    let standing = of(&fleet.standings, "healthy-1");
    assert_eq!((standing.checked_at_ms, standing.failed_at_ms), (fitted_at_ms, Some(at_ms)), "{standing:#?}");
    let laptop = crate::store::facts::Laptop {
        device_id: "healthy-1".to_owned(),
        asset_tag: "HB-001".to_owned(),
        site: "Lowfield".to_owned(),
        place: String::new(),
        model_name: String::new(),
        has_joined: true,
        revoked_at_ms: None,
        last_tested_at_ms: Some(at_ms),
        goes_on_as: None,
    };
    let entry = crate::store::facts::ScopeEntry {
        tag: "HB-001".to_owned(),
        model: String::new(),
        site: "Lowfield".to_owned(),
        place: String::new(),
        from_on: None,
        until_on: None,
        is_excluded: false,
        why: String::new(),
    };
    let facts = Facts { laptops: vec![laptop], scope: vec![entry], ..Facts::default() };
    let line = coverage_of(&fleet.standings, &facts, at_ms + DAY_MS).lines.remove(0);
    assert_eq!(line.state, CoverageState::NotChecked, "{line:?}");
    assert_eq!((line.not_checked_why, line.last_checked_at_ms), (Some(NotCheckedWhy::TooOld), fitted_at_ms));
    let well = of(&fleet.standings, "healthy-2");
    assert_eq!((well.checked_at_ms, well.failed_at_ms), (well.fitted_at_ms, None), "{well:#?}");
}

#[test]
fn where_no_attempt_could_be_fitted_the_last_that_loaded_counts() {
    let mut not_begun = stored("no-load", START_MS + DAY_MS);
    not_begun.outcome = "not_started".to_owned();
    let standings = judged(vec![idle_attempt("no-load", START_MS), (not_begun, None)]);
    let standing = of(&standings, "no-load");
    assert_eq!((standing.checked_at_ms, standing.failed_at_ms), (Some(START_MS), Some(START_MS + DAY_MS)));
}

#[test]
fn a_service_resets_what_was_seen_before_it() {
    let clogged = Faults { airflow: 0.4, ..Faults::NONE };
    let mut runs = healthy(7);
    runs.extend(checks("serviced", 20, clogged));
    let cleaned_on = "2026-02-01".parse().unwrap();
    let services = vec![Service {
        device_id: "serviced".to_owned(),
        serviced_on: cleaned_on,
        action: ServiceAction::Clean,
        logged: None,
    }];
    let as_of_ms = START_MS + 10 * DAY_MS;
    let judged = |runs: &[Ready], as_of_ms| judged_with(runs.to_vec(), services.clone(), as_of_ms).standings;
    let standings = judged(&runs, as_of_ms);
    let standing = of(&standings, "serviced");
    assert_eq!(standing.reason_code, ReasonCode::NotCheckedSinceService, "{standing:#?}");

    let (mut after, drive) = check("serviced", 20, Faults::NONE, 0);
    after.tested_at_ms = as_of_ms - DAY_MS;
    runs.push((after, drive));
    assert!(!of(&judged(&runs, as_of_ms), "serviced").band.is_visit());

    // As of a day before the service, nothing of it is known.
    assert_eq!(of(&judged(&runs, START_MS + DAY_MS / 4), "serviced").reason_code, ReasonCode::Clogged);
}

/// An attempt through which the laptop stayed idle: nothing can be fitted.
fn idle_attempt(device_id: &str, tested_at_ms: i64) -> Ready {
    let spec = model_of("Tamsel 14").unwrap().unit(20);
    let mut trace = record_run(&spec, &RunPlan::default());
    trace.phase = None;
    trace.set_column(Channel::LoadPct, vec![2.0; trace.n_samples()]);
    assert!(Drive::from_trace(&trace).is_none());
    let metrics = analyse(&trace, &RunContext::default()).metrics;
    let mut run = stored(device_id, tested_at_ms);
    run.metrics_json = Some(serde_json::to_vec(&metrics).unwrap());
    (run, None)
}

/// A laptop cleaned and then only tried isn't judged by what was seen before the cleaning.
#[test]
fn a_failed_attempt_after_a_service_checks_nothing() {
    let mut runs = healthy(7);
    runs.extend(checks("serviced", 20, Faults { airflow: 0.4, ..Faults::NONE }));
    runs.push(idle_attempt("serviced", START_MS + 9 * DAY_MS));
    let service = |action| Service {
        device_id: "serviced".to_owned(),
        serviced_on: "2026-02-01".parse().unwrap(),
        action,
        logged: None,
    };
    let services = vec![service(ServiceAction::Clean), service(ServiceAction::Paste)];
    let standings = judged_with(runs, services, START_MS + 10 * DAY_MS).standings;
    let standing = of(&standings, "serviced");
    assert_eq!(standing.reason_code, ReasonCode::NotCheckedSinceService, "{standing:#?}");
    assert_eq!((standing.fitted_at_ms, standing.last.tested_at_ms), (Some(START_MS), START_MS + 9 * DAY_MS));
    assert!(standing.reason.contains("cannot be used: its trace shows no load"), "{}", standing.reason);
}

#[test]
fn a_failed_attempt_makes_an_old_check_no_younger() {
    let mut runs = healthy(7);
    runs.extend(checks("old", 20, Faults { airflow: 0.4, ..Faults::NONE }));
    let judged = |runs: &[Ready]| judged_with(runs.to_vec(), Vec::new(), START_MS + 201 * DAY_MS).standings;
    let seen = |standings: &[Standing]| {
        let old = of(standings, "old");
        (old.band, old.reason_code)
    };
    assert_eq!(seen(&judged(&runs)), (Band::Retest, ReasonCode::TooOld));
    runs.push(idle_attempt("old", START_MS + 200 * DAY_MS));
    let standings = judged(&runs);
    assert_eq!(seen(&standings), (Band::Retest, ReasonCode::TooOld), "{:#?}", of(&standings, "old"));
    assert!(of(&standings, "old").reason.starts_with("last checked 201 days before"));
}

/// That a fan stood in the heat is seen in the run itself, even if no fit comes of it.
#[test]
fn a_fan_that_stood_since_is_pulled_whatever_was_fitted_before() {
    let mut runs = Vec::new();
    let (run, _) = check("stands", 20, Faults { fan: 0.0, fan2: 0.0, ..Faults::NONE }, 0);
    let at_ms = START_MS + 200 * DAY_MS;
    runs.extend(checks("stands", 20, Faults::NONE));
    runs.push((MeasuredRun { tested_at_ms: at_ms, ..run }, None));
    let standings = judged_with(runs, Vec::new(), at_ms + DAY_MS).standings;
    let stands = of(&standings, "stands");
    assert_eq!((stands.band, stands.reason_code), (Band::PullNow, ReasonCode::FanStopped), "{stands:#?}");
}

#[test]
fn a_run_that_cannot_be_used_says_why() {
    let mut not_begun = stored("not-begun", START_MS);
    not_begun.outcome = "not_started".to_owned();
    let unreadable = stored("unreadable", START_MS);
    let runs = vec![(not_begun, None), (unreadable, None), idle_attempt("idle", START_MS)];
    let standings = judged(runs);
    for (device_id, why) in [
        ("not-begun", "the load never began"),
        ("unreadable", "its trace cannot be analysed"),
        ("idle", "its trace shows no load"),
    ] {
        let standing = of(&standings, device_id);
        assert!(standing.reason.contains(why), "{device_id}: {}", standing.reason);
        assert!(standing.cannot_tell(), "{standing:#?}");
    }
}

#[test]
fn where_nothing_is_seen_all_numbers_stand() {
    let standings = judged(healthy(5));
    let seen = of(&standings, "healthy-2");
    assert_eq!(seen.reason_code, ReasonCode::NothingSeen, "{seen:#?}");
    let names: Vec<&str> = seen.evidence.iter().map(|e| e.metric).collect();
    assert_eq!(names, ["airflow_fraction", "fan_factor", "contact_factor"]);
}

/// One laptop cleaned and the vents then free, one cleaned and as clogged as before, one not checked since.
#[test]
fn a_cleaning_that_helped_is_told_from_one_that_did_not() {
    let clogged = Faults { airflow: 0.4, ..Faults::NONE };
    let mut runs = healthy(9);
    let cleaned_on: chrono::NaiveDate = "2026-02-01".parse().unwrap();
    let mut services = Vec::new();
    for (device_id, unit, after) in
        [("mended", 20, Some(Faults::NONE)), ("in-vain", 21, Some(clogged)), ("unchecked", 22, None)]
    {
        runs.extend(checks(device_id, unit, clogged));
        for days in [3, 12] {
            let Some(faults) = after else { continue };
            let (mut run, drive) = check(device_id, unit, faults, 0);
            run.tested_at_ms = START_MS + days * DAY_MS;
            runs.push((run, drive));
        }
        let action = ServiceAction::Clean;
        services.push(Service {
            device_id: device_id.to_owned(),
            serviced_on: cleaned_on,
            action,
            logged: None,
        });
    }
    let judged = judged_with(runs, services, START_MS + 20 * DAY_MS);
    let effect = |device_id: &str| judged.effects.on(device_id, cleaned_on).unwrap();
    let mended = effect("mended");
    assert_eq!(mended.verdict, Verdict::Helped, "{mended:#?}");
    assert!(mended.confidence.unwrap() > 0.97 && mended.parts[0].better_by > 0.3, "{mended:#?}");
    assert_eq!((mended.n_runs_before, mended.n_runs_after), (3, 2));
    let in_vain = effect("in-vain");
    assert!(in_vain.verdict != Verdict::Helped && in_vain.parts[0].better_by < 0.1, "{in_vain:#?}");
    let unchecked = effect("unchecked");
    assert_eq!((unchecked.verdict, unchecked.why), (Verdict::CannotTell, Some("no usable check since")));
    // One that worked and one that didn't: less sure of cleaning than before.
    let clean = judged.lessons.mends[0];
    assert!(clean.n_visits == 2 && (0.6..0.88).contains(&clean.mean), "{clean:?}");
}

/// A run of the day of service counts as after it once the visit was logged.
#[test]
fn a_check_after_the_visit_was_logged_is_one_after_it() {
    let mut runs = healthy(5);
    runs.extend(checks("serviced", 20, Faults::NONE));
    let visit_ms = START_MS + 10 * DAY_MS;
    let on = super::day_of(visit_ms).unwrap();
    let (mut after, drive) = check("serviced", 20, Faults::NONE, 0);
    after.tested_at_ms = visit_ms + 60_000;
    runs.push((after, drive));
    let judged = |at_ms: i64| {
        let logged = Some(Logged { by_role: "technician".into(), at_ms });
        let action = ServiceAction::Clean;
        let service = Service { device_id: "serviced".into(), serviced_on: on, action, logged };
        judged_with(runs.clone(), vec![service], visit_ms + DAY_MS)
    };
    let (before, later) = (judged(visit_ms), judged(visit_ms + 120_000));
    let code = |fleet: &JudgedFleet| of(&fleet.standings, "serviced").reason_code;
    assert_ne!(code(&before), ReasonCode::NotCheckedSinceService);
    assert_eq!(code(&later), ReasonCode::NotCheckedSinceService);
    assert_eq!(before.effects.on("serviced", on).unwrap().n_runs_after, 1);
    assert_eq!(later.effects.on("serviced", on).unwrap().n_runs_after, 0);
}

#[test]
fn the_order_is_that_of_the_fleet_not_of_its_arrival() {
    let mut runs = healthy(5);
    let ids = |standings: Vec<Standing>| -> Vec<String> {
        standings.into_iter().map(|s| s.device_id().to_owned()).collect()
    };
    let forwards = ids(judged(runs.clone()));
    runs.reverse();
    assert_eq!(forwards, ids(judged(runs)));
    assert!(judged(Vec::new()).is_empty());
}

#[test]
fn a_reason_names_numbers_with_units() {
    let mut runs = healthy(7);
    runs.extend(checks("faulty", 20, Faults { airflow: 0.4, ..Faults::NONE }));
    let standings = judged(runs);
    let reason = &of(&standings, "faulty").reason;
    assert!(reason.contains("clean the vents"), "{reason}");
    assert!(reason.contains("airflow 0.") && reason.contains("of as new"), "{reason}");
    assert!(reason.contains("of its model"), "no comparison with its peers: {reason}");
}
