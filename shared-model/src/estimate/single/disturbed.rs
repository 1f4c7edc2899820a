//! Each disturbance on emulated runs, in the estimate of one run: told, and what it spoils wider or void; and what is
//! left where power is not read.

use super::{Knowledge, RunFit, fit_prepared, fit_run};
use crate::channel::Channel;
use crate::emulate::{Faults, RunPlan, Start, asleep, hold_sensor, model_of, record_run};
use crate::estimate::input::{HeatSource, SpoilKind, prepare};
use crate::measured::{Measured, Reason};
use crate::record::wire::{Ambient, AmbientSource};
use crate::trace::Trace;

fn plain() -> RunPlan {
    RunPlan { seed: 7, ..RunPlan::default() }
}

fn recorded(plan: &RunPlan) -> Trace {
    record_run(&model_of("Tamsel 14").unwrap(), plan)
}

fn told_room() -> Ambient {
    Ambient { value_c: plain().room.ambient_c, sd_k: 0.5, source: AmbientSource::Told }
}

fn share(m: Measured) -> f64 {
    m.se().unwrap() / m.value().unwrap()
}

fn has(fit: &RunFit, kind: SpoilKind) -> bool {
    fit.spoils.iter().any(|s| s.kind == kind)
}

/// The run shows it, an undisturbed one doesn't, and it widens the slow time constant by this, ln: than it would be if
/// nobody had told.
#[track_caller]
fn widens(kind: SpoilKind, trace: &Trace, knowledge: &Knowledge<'_>, by_ln: f64) {
    let room = told_room();
    let clean = fit_run(&recorded(&plain()), &Knowledge { ambient: Some(&room), ..Knowledge::default() });
    assert!(!has(&clean, kind), "{:?}", clean.spoils);
    let seen = fit_run(trace, knowledge);
    assert!(has(&seen, kind), "{:?}", seen.spoils);
    let mut untold = prepare(trace, &knowledge.equipment).unwrap();
    untold
        .spoils
        .extend(seen.spoils.iter().filter(|s| !untold.spoils.contains(s)).copied().collect::<Vec<_>>());
    untold.spoils.retain(|s| s.kind != kind);
    let untold = fit_prepared(&untold, knowledge);
    let (wide, narrow) = (share(seen.tau_slow_s), share(untold.tau_slow_s));
    assert!((wide * wide - narrow * narrow - by_ln * by_ln).abs() < 1e-9, "{wide} {narrow} {by_ln}");
    assert!(wide > share(clean.tau_slow_s), "{wide} beside {}", share(clean.tau_slow_s));
    // What it does to the contact is never to make it surer.
    assert!(share(seen.r_contact_k_w) > share(untold.r_contact_k_w));
}

#[test]
fn other_work_is_told_and_widens() {
    let room = told_room();
    let knowledge = Knowledge { ambient: Some(&room), ..Knowledge::default() };
    for other_load in [[0.2, 0.0, 0.0], [0.0, 0.0, 0.2]] {
        let trace = recorded(&RunPlan { other_load, ..plain() });
        widens(SpoilKind::BackgroundLoad, &trace, &knowledge, 0.11);
    }
}

#[test]
fn other_work_that_nobody_measured_takes_the_slow_branch_away() {
    let mut trace = recorded(&RunPlan { other_load: [0.0, 0.0, 0.2], ..plain() });
    trace.remove_column(Channel::PackagePowerW);
    let seen = fit_run(&trace, &Knowledge::default());
    assert_eq!(seen.tau_slow_s, Measured::no(Reason::BackgroundLoad));
    assert_eq!(seen.r_times_c_s, Measured::no(Reason::BackgroundLoad));
}

#[test]
fn on_battery_and_in_a_quiet_profile_the_slow_branch_is_told_less_surely() {
    let room = told_room();
    let faults = Faults { battery: true, ..Faults::NONE };
    let trace = recorded(&RunPlan { faults, ..plain() });
    let knowledge = Knowledge { ambient: Some(&room), on_mains: Some(false), ..Knowledge::default() };
    widens(SpoilKind::OnBattery, &trace, &knowledge, 0.2);
    let knowledge = Knowledge { ambient: Some(&room), is_quiet: true, ..Knowledge::default() };
    widens(SpoilKind::QuietProfile, &recorded(&plain()), &knowledge, 0.09);
}

#[test]
fn a_start_warm_from_work_or_in_from_the_cold_is_told_and_widens() {
    let room = told_room();
    let knowledge = Knowledge { ambient: Some(&room), ..Knowledge::default() };
    let worked = recorded(&RunPlan { start: Start::Worked { load: 0.7, for_s: 900.0 }, ..plain() });
    widens(SpoilKind::WarmStart, &worked, &knowledge, 0.12);
    let cold = recorded(&RunPlan { start: Start::Cold, ..plain() });
    widens(SpoilKind::ColdSoak, &cold, &knowledge, 0.07);
}

#[test]
fn after_a_sleep_nothing_is_told_of_the_slow_branch() {
    let plan = plain();
    let slept = asleep(&recorded(&plan), plan.settle_s + plan.protocol.load_s + 20.0, 40.0);
    let (clean, seen) =
        (fit_run(&recorded(&plan), &Knowledge::default()), fit_run(&slept, &Knowledge::default()));
    assert!(clean.tau_slow_s.value().is_some() && has(&seen, SpoilKind::SleepGap));
    for gone in [seen.tau_slow_s, seen.g_total_w_k, seen.c_sink_j_k, seen.r_times_c_s] {
        assert_eq!(gone, Measured::no(Reason::SleepGap));
    }
    // The load came before it: the contact is told, less surely.
    assert!(share(seen.r_contact_k_w) > 1.5 * share(clean.r_contact_k_w));
}

#[test]
fn of_a_sensor_that_stood_still_nothing_is_told() {
    let plan = plain();
    for at_s in [plan.settle_s, plan.settle_s + plan.protocol.load_s] {
        let mut trace = recorded(&plan);
        // Longer than the window in which it is looked for.
        hold_sensor(&mut trace, at_s + 1.0, 40.0);
        let seen = fit_run(&trace, &Knowledge::default());
        for gone in [seen.r_contact_k_w, seen.tau_slow_s, seen.g_total_w_k, seen.c_sink_j_k, seen.r_times_c_s]
        {
            assert_eq!(gone, Measured::no(Reason::SensorStuck));
        }
        let stuck = seen.spoils.iter().find(|s| s.kind == SpoilKind::SensorStuck).unwrap();
        assert!(stuck.to_s - stuck.from_s > 35.0, "all of it is masked: {stuck:?}");
    }
}

/// The two ratios that are left without watts, from the work rate alone, against the same laptop's with power and
/// against its truth, within the errors stated.
#[test]
fn without_power_and_clock_the_work_rate_gives_the_ratios_within_their_errors() {
    let room = told_room();
    let knowledge = Knowledge { ambient: Some(&room), ..Knowledge::default() };
    for (model, faults) in
        [("Tamsel 14", ""), ("Tamsel 14", "airflow=0.5"), ("Tamsel 14", "paste=2.5"), ("Orrin 16 W", "")]
    {
        let faults: Faults = faults.parse().unwrap();
        let whole = record_run(&model_of(model).unwrap(), &RunPlan { faults, ..plain() });
        let mut bare = whole.clone();
        bare.remove_column(Channel::PackagePowerW);
        bare.remove_column(Channel::CoreClockMhz);
        assert!(bare.column(Channel::WorkRate).is_some());
        assert_eq!(prepare(&bare, &knowledge.equipment).unwrap().heat, HeatSource::WorkRate);
        let (with, without) = (fit_run(&whole, &knowledge), fit_run(&bare, &knowledge));
        for gone in [without.r_contact_k_w, without.c_sink_j_k, without.g_total_w_k] {
            assert_eq!(gone, Measured::no(Reason::NoChannel), "no watts, no kelvin per watt");
        }
        for (what, ours, theirs) in
            [("C/G", without.tau_slow_s, with.tau_slow_s), ("R·C", without.r_times_c_s, with.r_times_c_s)]
        {
            let off = (ours.value().unwrap() / theirs.value().unwrap()).ln();
            let sd = share(ours).hypot(share(theirs));
            assert!(off.abs() < 1.96 * sd, "{model} {faults:?} {what}: {ours:?} beside {theirs:?}");
            assert!(share(ours) < 0.4, "{model} {faults:?} {what}: {ours:?} says nothing");
        }
        // With nothing but the load's switch the boost is lost: the work rate says more.
        let mut blind = bare;
        blind.remove_column(Channel::WorkRate);
        let blind = fit_run(&blind, &knowledge);
        assert!(without.rms_k < blind.rms_k, "{model} {faults:?}: {} {}", without.rms_k, blind.rms_k);
    }
}
