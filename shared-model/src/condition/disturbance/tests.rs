//! Each disturbance on emulated runs: told from the run, and its evidence wider by what stands in the constants. Without
//! the detection the two would be alike.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use super::*;
use crate::channel::Channel;
use crate::condition::ambient::Room;
use crate::condition::constants::Constants;
use crate::condition::evidence::RunEvidence;
use crate::condition::laptop::{Laptop, quiet_odds};
use crate::condition::one_run::RunNumbers;
use crate::condition::standing::{ModelRun, ModelStanding};
use crate::emulate::{Faults, LaptopSpec, RunPlan, Start, asleep, hold_sensor, model_of, record_run};
use crate::estimate::network_drive::Drive;
use crate::estimate::workers::InTurn;
use crate::trace::Trace;

fn spec() -> LaptopSpec {
    model_of("Tamsel 14").unwrap()
}

/// A plan's own room, known about as well as a fleet knows it.
fn room(plan: &RunPlan) -> Room {
    Room { value_c: plan.room.ambient_c, sd_k: 0.8 }
}

fn model_run(device: u64, trace: &Trace, on_mains: bool) -> ModelRun {
    ModelRun {
        device: device.to_string(),
        day: 20_000.0 + device as f64,
        room: room(&RunPlan::default()),
        on_mains: Some(on_mains),
        firmware: 1,
        drive: Drive::from_trace(trace).unwrap(),
    }
}

/// Learned from healthy, undisturbed runs.
fn standing() -> &'static ModelStanding {
    static STANDING: OnceLock<ModelStanding> = OnceLock::new();
    STANDING.get_or_init(|| {
        let recorded = |seed| record_run(&spec(), &RunPlan { seed, ..RunPlan::default() });
        let runs: Vec<ModelRun> = (1..=10).map(|seed| model_run(seed, &recorded(seed), true)).collect();
        ModelStanding::learn(&Constants::default(), &runs, &BTreeMap::new(), &InTurn).unwrap().0
    })
}

fn evidence(k: &Constants, trace: &Trace, on_mains: bool) -> RunEvidence {
    standing().evidence_of(k, &model_run(99, trace, on_mains))
}

fn plain() -> RunPlan {
    RunPlan { seed: 99, ..RunPlan::default() }
}

/// The constants, but for what one disturbance widens.
fn without(what: Disturbance) -> Constants {
    let mut k = Constants::default();
    let d = &mut k.disturbed;
    let of = match what {
        Disturbance::BackgroundLoad => &mut d.background,
        Disturbance::OnBattery => &mut d.on_battery,
        Disturbance::WarmStart => &mut d.warm_start,
        Disturbance::ColdSoak => &mut d.cold_soak,
        Disturbance::SleepGap => &mut d.sleep_gap,
        Disturbance::StuckSensor => &mut d.stuck_sensor,
        Disturbance::QuietProfile => &mut d.quiet_profile,
    };
    *of = [Wider::NONE; 2];
    k
}

/// The run shows this disturbance and no other, an undisturbed one none, and its evidence is as much wider as the
/// constants say: than it would be if nobody had told, and than that of the undisturbed run.
#[track_caller]
fn widens(what: Disturbance, trace: &Trace, on_mains: bool) -> RunEvidence {
    let k = Constants::default();
    let clean = evidence(&k, &record_run(&spec(), &plain()), true);
    assert_eq!(clean.disturbed, Disturbances::default());
    let seen = evidence(&k, trace, on_mains);
    assert_eq!(seen.disturbed.iter().collect::<Vec<_>>(), [what]);
    let untold = evidence(&without(what), trace, on_mains);
    let wider = k.disturbed.of(what, true);
    for (seen, untold, clean, by) in [
        (seen.air, untold.air, clean.air, wider.air / k.air.se_factor),
        (seen.contact, untold.contact, clean.contact, wider.contact / k.contact.se_factor),
    ] {
        let (seen, untold, clean) = (seen.unwrap().1, untold.unwrap().1, clean.unwrap().1);
        assert!(by > 0.0 && (seen - untold.hypot(by)).abs() < 1e-12, "{seen} {untold} {by}");
        assert!(seen > clean, "{seen} beside {clean}");
    }
    seen
}

#[test]
fn other_work_before_or_after_the_load_widens_a_run() {
    for other_load in [[0.2, 0.0, 0.0], [0.0, 0.0, 0.2]] {
        let trace = record_run(&spec(), &RunPlan { other_load, ..plain() });
        widens(Disturbance::BackgroundLoad, &trace, true);
    }
}

#[test]
fn on_battery_a_run_is_wider_and_so_is_its_fan() {
    let faults = Faults { battery: true, ..Faults::NONE };
    let trace = record_run(&spec(), &RunPlan { faults, ..plain() });
    let seen = widens(Disturbance::OnBattery, &trace, false);
    let doubt = |of: &RunEvidence| of.worst_fan().unwrap().doubt;
    let k = Constants::default();
    assert!(doubt(&seen) >= k.disturbed.on_battery[0].fan, "{}", doubt(&seen));
    assert_eq!(doubt(&evidence(&without(Disturbance::OnBattery), &trace, false)), 0.0);
    // Where only the clock tells the power it says even less of the contact.
    assert!(k.disturbed.on_battery[1].contact > 5.0 * k.disturbed.on_battery[0].contact);
}

#[test]
fn a_start_warm_from_work_widens_a_run() {
    let start = Start::Worked { load: 0.7, for_s: 900.0 };
    let trace = record_run(&spec(), &RunPlan { start, ..plain() });
    widens(Disturbance::WarmStart, &trace, true);
}

#[test]
fn a_start_from_the_cold_is_told_by_the_ssd_and_widens_a_run() {
    let trace = record_run(&spec(), &RunPlan { start: Start::Cold, ..plain() });
    widens(Disturbance::ColdSoak, &trace, true);
    // Nothing else of such a run tells it.
    let mut blind = trace;
    blind.remove_column(Channel::SsdTempC);
    let seen = evidence(&Constants::default(), &blind, true);
    assert!(!seen.disturbed.has(Disturbance::ColdSoak));
}

#[test]
fn a_sleep_widens_a_run() {
    let plan = plain();
    let from_s = plan.settle_s + plan.protocol.load_s + 20.0;
    let slept = asleep(&record_run(&spec(), &plan), from_s, 40.0);
    widens(Disturbance::SleepGap, &slept, true);
}

#[test]
fn a_sensor_that_stood_still_widens_a_run_and_takes_the_fan_s_word_away() {
    let plan = plain();
    let mut trace = record_run(&spec(), &plan);
    hold_sensor(&mut trace, plan.settle_s + plan.protocol.load_s + 1.0, 15.0);
    let seen = widens(Disturbance::StuckSensor, &trace, true);
    assert!(seen.is_stuck());
    let k = Constants::default();
    assert!(seen.worst_fan().is_some(), "read, but not believed");
    assert_eq!(RunNumbers::of(&k, &standing().reference, &seen).fan, None);
}

#[test]
fn a_quiet_run_is_told_by_the_laptop_s_others_and_widened() {
    let k = Constants::default();
    let mut quiet = spec();
    // The step of a quiet profile as the emulated fleets have it.
    quiet.power.sustained_w *= 0.82;
    quiet.power.boost_w *= 0.82;
    let mut runs: Vec<RunEvidence> = (1..=5)
        .map(|seed| {
            let plan = RunPlan { seed, ..RunPlan::default() };
            standing().evidence_of(&k, &model_run(seed, &record_run(&spec(), &plan), true))
        })
        .collect();
    runs.push(evidence(&k, &record_run(&quiet, &plain()), true));
    let odds = quiet_odds(&k, &standing().reference, &runs, 0.0);
    assert!(odds[..5].iter().all(|odds| *odds < 0.1) && odds[5] > 0.8, "{odds:?}");
    let (told, widened) = (runs[5], runs[5].if_quiet(&k, odds[5]));
    let by = odds[5] * k.disturbed.quiet_profile[0].air / k.air.se_factor;
    let (before, after) = (told.air.unwrap().1, widened.air.unwrap().1);
    assert!((after - before.hypot(by)).abs() < 1e-12 && after > before, "{before} {after}");
    // The judgement takes it: the same laptop is judged otherwise by constants that widen nothing.
    let laptop = Laptop { device: "99".into(), runs, services: Vec::new(), as_of: 20_099.0 };
    let airflow = |k: &Constants| standing().judge_laptop(k, laptop.clone()).airflow.unwrap();
    assert_ne!(airflow(&k), airflow(&without(Disturbance::QuietProfile)));
}

#[test]
fn each_has_its_bit_and_words_of_its_own() {
    let all = Disturbance::ALL.into_iter().fold(Disturbances::default(), Disturbances::with);
    assert_eq!(all.iter().collect::<Vec<_>>(), Disturbance::ALL);
    let words: std::collections::BTreeSet<_> = Disturbance::ALL.iter().map(|d| d.words()).collect();
    assert_eq!(words.len(), Disturbance::ALL.len());
    for one in Disturbance::ALL {
        let only = Disturbances::default().with(one);
        assert_eq!(only.iter().collect::<Vec<_>>(), [one]);
        let stored = serde_json::to_string(&only).unwrap();
        assert_eq!(serde_json::from_str::<Disturbances>(&stored).unwrap(), only);
    }
}

/// The table of the method's document says what the constants say.
#[test]
fn the_method_s_table_has_these_numbers_and_words() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/method.md");
    let method = std::fs::read_to_string(path).unwrap();
    let k = Constants::default().disturbed;
    let names = [
        "background load",
        "on battery",
        "warm start",
        "cold soak",
        "sleep gap",
        "stuck sensor",
        "quiet profile",
    ];
    for (what, name) in Disturbance::ALL.into_iter().zip(names) {
        let is_row = |line: &&str| {
            line.starts_with(&format!("| {name} |")) && line.ends_with(&format!("| {} |", what.words()))
        };
        let row = method.lines().find(is_row).unwrap_or_else(|| panic!("no row of {name}"));
        let (with, without) = (k.of(what, true), k.of(what, false));
        let numbers = format!("{} and {} ({} and {})", with.air, with.contact, without.air, without.contact);
        assert!(row.contains(&numbers), "`{numbers}` in {row}");
        assert!(with.fan == 0.0 || row.contains(&format!("fan {}", with.fan)), "{row}");
        assert!((with.fan - without.fan).abs() < 1e-12);
    }
}
