//! Times the joint fit of all runs of one model, and of a new run against it, on emulated laptops. It prints.
//!
//! Every laptop has its own wear, every run its own room and noise; traces are made and prepared outside the clock.
//! One round for each way a model may be read: power and tachometer, no power, no tachometer.
//!
//! usage: `joint_fit [RUNS]`

use std::time::Instant;

use anyhow::{Context, Result};
use rustix::time::{ClockId, clock_gettime};
use windrow_model::channel::Channel;
use windrow_model::condition::ambient::Room as RoomGuess;
use windrow_model::emulate::faults::Faults;
use windrow_model::emulate::random::Random;
use windrow_model::emulate::spec::{LaptopSpec, Room};
use windrow_model::emulate::{RunPlan, catalogue, record_run};
use windrow_model::estimate::joint_model::fit_model;
use windrow_model::estimate::network_drive::Drive;
use windrow_model::estimate::workers::Workers;
use windrow_model::trace::Trace;
use windrow_tests::workers::Rayon;

/// Runs of the model, unless told otherwise.
const RUNS: usize = 1_800;
/// Runs of a laptop.
const RUNS_EACH: usize = 12;
/// Cores that the target allows.
const WORKERS: usize = 2;
/// What is known of each run's room.
const ROOM: RoomGuess = RoomGuess { value_c: 22.8, sd_k: 3.0 };

fn main() -> Result<()> {
    let n_runs = std::env::args().nth(1).map_or(Ok(RUNS), |n| n.parse()).context("RUNS is a number")?;
    rayon::ThreadPoolBuilder::new().num_threads(WORKERS).build_global()?;
    let spec =
        catalogue().into_iter().find(shows_all).context("no emulated model shows power and fan speed")?;
    for (name, hidden) in [
        ("power and fan speed", None),
        ("no power", Some(Channel::PackagePowerW)),
        ("no fan speed", Some(Channel::Fan1Rpm)),
    ] {
        let drives: Vec<Drive> =
            Rayon.map(n_runs, |i| drive(&spec, i, hidden)).into_iter().flatten().collect();
        time(name, drives);
    }
    Ok(())
}

#[expect(clippy::print_stdout, reason = "a bench prints")]
fn time(name: &str, mut drives: Vec<Drive>) {
    let rooms = vec![ROOM; drives.len()];
    let Some(mut new) = drives.last().cloned() else { return };
    let (began, cpu_before_s) = (Instant::now(), cpu_s());
    let fit = fit_model(&mut drives, &rooms, &Rayon);
    let (wall_s, cpu_s) = (began.elapsed().as_secs_f64(), cpu_s() - cpu_before_s);
    println!(
        "{name}: {} runs fitted jointly, {WORKERS} workers: {wall_s:.2} s, {cpu_s:.2} s of CPU (target at most 10 s), {} \
         iterations",
        drives.len(),
        fit.iterations
    );
    let began = Instant::now();
    std::hint::black_box(fit.standing.fit_run(&mut new, ROOM));
    println!("{name}: a new run against the standing fit: {:.1} ms", 1e3 * began.elapsed().as_secs_f64());
}

fn shows_all(spec: &LaptopSpec) -> bool {
    let trace = record_run(spec, &RunPlan::default());
    [Channel::PackagePowerW, Channel::Fan1Rpm].iter().all(|c| trace.column(*c).is_some())
}

/// The `i`th run, with one channel hidden.
fn drive(spec: &LaptopSpec, i: usize, hidden: Option<Channel>) -> Option<Drive> {
    let mut of_laptop = Random::new((i / RUNS_EACH) as u64);
    let airflow = 1.0 - 0.5 * of_laptop.uniform().powi(2);
    let paste = 1.0 + 2.0 * of_laptop.uniform().powi(3);
    let mut of_run = Random::new(1_000_000 + i as u64);
    let plan = RunPlan {
        faults: Faults { airflow, paste, ..Faults::NONE },
        room: Room { ambient_c: 22.8 + 2.0 * of_run.normal(), ..Room::default() },
        seed: i as u64,
        ..RunPlan::default()
    };
    Drive::from_trace(&without(record_run(spec, &plan), hidden))
}

fn without(mut trace: Trace, hidden: Option<Channel>) -> Trace {
    if let Some(channel) = hidden {
        trace.remove_column(channel);
    }
    trace
}

/// Seconds of CPU that all threads of this process have had.
fn cpu_s() -> f64 {
    let t = clock_gettime(ClockId::ProcessCPUTime);
    t.tv_sec as f64 + 1e-9 * t.tv_nsec as f64
}
