//! A model of which neither power nor clock is read: the load's own work rate gives the drive its shape.

use super::joint::RunFit;
use super::joint_model::{Channels, fit_model};
use super::network::{LA, LR};
use super::network_drive::Drive;
use super::workers::InTurn;
use crate::channel::Channel;
use crate::condition::ambient::Room;
use crate::emulate::{Faults, RunPlan, model_of, record_run};
use crate::trace::Trace;

const FAULTS: [&str; 10] = ["", "", "", "", "", "", "airflow=0.5", "airflow=0.5", "paste=3", "paste=3"];

fn recorded() -> Vec<Trace> {
    let spec = model_of("Tamsel 14").unwrap();
    let one = |(seed, faults): (u64, &str)| {
        let faults: Faults = faults.parse().unwrap();
        record_run(&spec, &RunPlan { faults, seed, ..RunPlan::default() })
    };
    (1..).zip(FAULTS).map(one).collect()
}

fn drives(traces: &[Trace], without: &[Channel]) -> Vec<Drive> {
    let bare = |t: &Trace| {
        let mut t = t.clone();
        for c in without {
            t.remove_column(*c);
        }
        Drive::from_trace(&t).unwrap()
    };
    traces.iter().map(bare).collect()
}

/// Mean and standard error of a number over the runs of one fault, less the healthy ones'.
fn fault_over_healthy(fits: &[RunFit], number: usize, fault: &str) -> (f64, f64) {
    let mean = |of: &str| {
        let own: Vec<&RunFit> =
            fits.iter().zip(FAULTS).filter(|(_, f)| *f == of).map(|(fit, _)| fit).collect();
        let n = own.len() as f64;
        let variance = own.iter().map(|f| f.sd[number].powi(2)).sum::<f64>() / (n * n);
        (own.iter().map(|f| f.pars[number]).sum::<f64>() / n, variance)
    };
    let (ill, healthy) = (mean(fault), mean(""));
    (ill.0 - healthy.0, (ill.1 + healthy.1).sqrt())
}

#[test]
fn the_work_rate_stands_in_where_neither_power_nor_clock_is_read() {
    let traces = recorded();
    let room = Room { value_c: RunPlan::default().room.ambient_c, sd_k: 0.8 };
    let fit = |without: &[Channel]| {
        let mut drives = drives(&traces, without);
        let channels = Channels::of(&drives[0]);
        (channels, fit_model(&mut drives, &vec![room; traces.len()], &InTurn).runs)
    };
    let no_watts = [Channel::PackagePowerW, Channel::CoreClockMhz];
    let (with_power, by_power) = fit(&[]);
    let (with_work, by_work) = fit(&no_watts);
    let (_, by_load) = fit(&[Channel::PackagePowerW, Channel::CoreClockMhz, Channel::WorkRate]);
    assert!(!with_power.by_work_rate && !with_work.has_power && with_work.by_work_rate);
    for (number, fault) in [(LA, "airflow=0.5"), (LR, "paste=3")] {
        let (power, power_se) = fault_over_healthy(&by_power, number, fault);
        let (work, work_se) = fault_over_healthy(&by_work, number, fault);
        assert!((work - power).abs() < 1.96 * power_se.hypot(work_se), "{fault}: {work} beside {power}");
        assert!(work.abs() > 3.0 * work_se, "{fault} is seen: {work} ± {work_se}");
    }
    // Without the work rate the boost at the load's start is not seen, and the runs are fitted worse.
    let rms = |fits: &[RunFit]| fits.iter().map(|f| f.rms_k).sum::<f64>();
    assert!(rms(&by_work) < 0.8 * rms(&by_load), "{} {}", rms(&by_work), rms(&by_load));
}

#[test]
fn a_clock_and_a_work_rate_share_no_fit() {
    let traces = recorded();
    let clock = Channels::of(&drives(&traces[..1], &[Channel::PackagePowerW])[0]);
    let work = Channels::of(&drives(&traces[..1], &[Channel::PackagePowerW, Channel::CoreClockMhz])[0]);
    assert!(!clock.by_work_rate && work.by_work_rate && clock != work);
    // Beside power it does not matter whether the clock is read.
    let power = Channels::of(&drives(&traces[..1], &[Channel::CoreClockMhz])[0]);
    assert_eq!(power, Channels::of(&drives(&traces[..1], &[])[0]));
}
