//! Judges a large fleet from its stored evidence, and one laptop by itself: time and memory.
//!
//! The fleet is drawn from a seed, straight as evidence against its models' standing fits, which is what the hub keeps
//! of a run. So no run is fitted here. It prints; whether a value is good is read beside its target. What the
//! simple measure needs goes to a file for the peer in `fleet_rerank.py`.
//!
//! usage: `fleet_rerank OUT.bin [LAPTOPS]`

use std::fs::File;
use std::io::{BufWriter, Write};
use std::time::Instant;

use anyhow::{Context, Result};
use rustix::time::{ClockId, clock_gettime};
use windrow_model::condition::constants::Constants;
use windrow_model::condition::disturbance::Disturbances;
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::fan_map::FanReading;
use windrow_model::condition::judge::{Condition, Judge, Weighed};
use windrow_model::condition::laptop::Laptop;
use windrow_model::condition::reference::ModelReference;
use windrow_model::condition::site::{Classes, SiteAir};
use windrow_model::condition::wear::Action;
use windrow_model::emulate::random::Random;
use windrow_model::estimate::stumbles::Stumbles;
use windrow_model::estimate::workers::{InTurn, Workers};
use windrow_tests::workers::Rayon;

/// Laptops, unless told otherwise.
const LAPTOPS: usize = 100_000;
/// Models among which they are shared out.
const MODELS: usize = 40;
/// Sites among which each model's laptops are shared out.
const SITES: usize = 25;
/// Runs of a laptop, one a month.
const RUNS: usize = 12;
/// Days between them.
const EVERY_DAYS: f64 = 30.0;
/// Cores that the target allows.
const WORKERS: usize = 2;
/// Laptops that are judged one by one after a new run.
const UPDATED: usize = 2_000;
/// The fleet's.
const SEED: u64 = 20;

fn main() -> Result<()> {
    let mut arguments = std::env::args().skip(1);
    let out = arguments.next().context("usage: fleet_rerank OUT.bin [LAPTOPS]")?;
    let n_laptops = arguments.next().map_or(Ok(LAPTOPS), |n| n.parse()).context("LAPTOPS is a number")?;
    rayon::ThreadPoolBuilder::new().num_threads(WORKERS).build_global()?;
    let fleet: Vec<Vec<Laptop>> = Rayon.map(MODELS, |m| model(m, n_laptops / MODELS));
    write_runs(&out, &fleet).with_context(|| format!("cannot write `{out}`"))?;
    println(&format!(
        "{} laptops of {MODELS} models with {RUNS} runs each: {:.0} MB at peak once made",
        fleet.iter().map(Vec::len).sum::<usize>(),
        peak_memory_mb()?
    ));
    rerank(&fleet);
    println(&format!("peak memory of all: {:.0} MB (target at most 2,000)", peak_memory_mb()?));
    one_by_one(&fleet[0]);
    Ok(())
}

#[expect(clippy::print_stdout, reason = "a bench prints")]
fn println(line: &str) {
    println!("{line}");
}

/// References learned, every laptop judged, its site's rate of wear with it, and all put in order.
fn rerank(fleet: &[Vec<Laptop>]) {
    let k = Constants::default();
    let began = Clocks::now();
    let references: Vec<ModelReference> =
        fleet.iter().map(|laptops| ModelReference::learn(&k, laptops, &Rayon)).collect();
    let learned = began.elapsed();
    let began = Clocks::now();
    let judges: Vec<Judge<'_>> = references.iter().map(|r| Judge::new(&k, true, r)).collect();
    let weighed: Vec<Vec<Weighed>> = fleet
        .iter()
        .zip(&judges)
        .map(|(laptops, judge)| Rayon.map(laptops.len(), |i| judge.weigh(&laptops[i])))
        .collect();
    let mut said: Vec<Vec<Classes>> = vec![Vec::new(); SITES];
    for (weighed, judge) in weighed.iter().zip(&judges) {
        for (i, weighed) in weighed.iter().enumerate() {
            said[i % SITES].push(judge.classes(weighed));
        }
    }
    let sites: Vec<SiteAir> = said.iter().map(|said| SiteAir::learn(&k.air, said)).collect();
    let mut ranked: Vec<(&str, Condition)> = Vec::new();
    for ((laptops, weighed), judge) in fleet.iter().zip(&weighed).zip(&judges) {
        let conditions = Rayon.map(laptops.len(), |i| {
            let site = sites[i % SITES].for_one(&judge.classes(&weighed[i]));
            judge.at_site(&laptops[i], &weighed[i], &site)
        });
        ranked.extend(laptops.iter().map(|l| l.device.as_str()).zip(conditions));
    }
    ranked.sort_by(|a, b| b.1.p_any().total_cmp(&a.1.p_any()).then(a.0.cmp(b.0)));
    let judged = began.elapsed();
    let due = ranked.iter().filter(|r| r.1.p_any() > 0.5).count();
    println(&format!("references of all models, {WORKERS} workers: {learned}"));
    println(&format!(
        "every laptop judged, at its site, and ranked, {WORKERS} workers: {judged}, {:.0} µs of a core a laptop (targets: with the \
         references at most 10 s; 200 µs)",
        1e6 * judged.cpu_s / ranked.len() as f64,
    ));
    println(&format!(
        "{due} laptops more likely due than not, first {}",
        ranked.first().map_or("none", |r| r.0)
    ));
}

/// Time by the wall, and of all this process's threads together: where other programs take the cores, the second tells.
struct Clocks {
    wall: Instant,
    cpu_s: f64,
}

/// What passed on them.
struct Passed {
    wall_s: f64,
    cpu_s: f64,
}

impl Clocks {
    fn now() -> Self {
        Self { wall: Instant::now(), cpu_s: cpu_s() }
    }

    fn elapsed(&self) -> Passed {
        Passed { wall_s: self.wall.elapsed().as_secs_f64(), cpu_s: cpu_s() - self.cpu_s }
    }
}

impl std::fmt::Display for Passed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.2} s, {:.2} s of CPU", self.wall_s, self.cpu_s)
    }
}

fn cpu_s() -> f64 {
    let t = clock_gettime(ClockId::ProcessCPUTime);
    t.tv_sec as f64 + 1e-9 * t.tv_nsec as f64
}

/// A new run of one laptop, on one core: its evidence as from the store, its condition anew.
fn one_by_one(laptops: &[Laptop]) {
    let k = Constants::default();
    let reference = ModelReference::learn(&k, laptops, &InTurn);
    let judge = Judge::new(&k, true, &reference);
    let mut took_us: Vec<f64> = laptops
        .iter()
        .take(UPDATED)
        .map(|laptop| {
            let began = Instant::now();
            std::hint::black_box(judge.laptop(std::hint::black_box(laptop)));
            1e6 * began.elapsed().as_secs_f64()
        })
        .collect();
    took_us.sort_by(f64::total_cmp);
    let at = |q: f64| took_us[((took_us.len() - 1) as f64 * q) as usize];
    println(&format!(
        "a new run's laptop judged anew, one core: median {:.0} µs, 99 in 100 within {:.0} µs (target under 1,000 beside \
         the run's fit)",
        at(0.5),
        at(0.99)
    ));
}

/// Laptops of one model: its own levels, its way to drive the fan, and its laptops' wear.
fn model(m: usize, n_laptops: usize) -> Vec<Laptop> {
    let mut random = Random::new(SEED + m as u64);
    let level = (0.1 * random.normal(), 0.1 * random.normal());
    let holds_speed = random.uniform() < 0.3;
    let log_power = 3.0 + 0.3 * random.normal();
    (0..n_laptops)
        .map(|i| laptop(format!("m{m:02}-{i:05}"), &mut random, level, holds_speed, log_power))
        .collect()
}

fn laptop(
    device: String,
    random: &mut Random,
    (air_level, contact_level): (f64, f64),
    holds_speed: bool,
    log_power: f64,
) -> Laptop {
    let exponential = |mean: f64, random: &mut Random| -mean * (1.0 - random.uniform()).ln();
    let one_in = |n: f64, random: &mut Random| random.uniform() * n < 1.0;
    let air_level = air_level + 0.045 * random.normal();
    let contact_level = contact_level + 0.05 * random.normal();
    let log_power = log_power + 0.065 * random.normal() - if one_in(20.0, random) { 0.2 } else { 0.0 };
    let (mut dust, dust_rate) = (exponential(0.15, random), exponential(0.015, random));
    let (mut paste, paste_rate) = (exponential(0.06, random), exponential(0.002, random));
    let (mut fan, fan_rate) =
        (0.98 + 0.02 * random.normal(), if one_in(15.0, random) { 0.04 } else { 0.001 });
    let cleaned_before_run = one_in(5.0, random).then(|| 1 + (random.uniform() * (RUNS - 1) as f64) as usize);
    let mut services = Vec::new();
    let mut runs = Vec::with_capacity(RUNS);
    for n in 0..RUNS {
        let day = 20_000.0 + EVERY_DAYS * n as f64 + random.uniform();
        if cleaned_before_run == Some(n) {
            services.push((day - 5.0, Action::Clean));
            dust = 0.05;
        }
        let reach = if holds_speed { (1.1 * fan / 0.9).min(1.0) } else { fan };
        let sd = 0.04 + 0.04 * random.uniform();
        let bedding = if one_in(30.0, random) { exponential(0.5, random) } else { 0.0 };
        let air = air_level - dust - bedding + sd * random.normal();
        let contact = contact_level + paste + 0.02 * random.normal();
        runs.push(RunEvidence {
            day,
            quick: one_in(8.0, random),
            air: Some((air, sd)),
            contact: Some((contact, 0.02)),
            raw_air: air,
            has_rpm: true,
            fans: [Some(reading(reach + 0.02 * random.normal())), None],
            log_power: log_power + 0.015 * random.normal(),
            has_power: true,
            by_work_rate: false,
            disturbed: Disturbances::default(),
            on_mains: Some(true),
            firmware: 1,
            room_sd_k: 1.0,
            room_c: 22.0,
            rms_k: 0.45,
            has_converged: true,
            start_delay_s: Some(6.0),
            flutter: Some(0.01),
            stumbles: Some(Stumbles { count: (10.0 * (0.95 - fan)).max(0.0) as u32, watched_s: 160.0 }),
            throttle_per_s: Some(0.0),
            hot_c: 80.0 + 12.0 * (dust + bedding) + 8.0 * paste + 2.0 * random.normal(),
        });
        dust += exponential(dust_rate, random);
        paste += exponential(paste_rate, random);
        fan -= exponential(fan_rate, random);
    }
    let as_of = runs.last().map_or(0.0, |r| r.day);
    Laptop { device, runs, services, as_of }
}

fn reading(ratio: f64) -> FanReading {
    FanReading { ratio, due_share: 0.9, doubt: 0.0, rpm: 4000.0 * ratio, due_rpm: 4000.0 }
}

/// All runs for the peer: model, laptop and the temperature at the load's end, each a 32-bit float.
fn write_runs(path: &str, fleet: &[Vec<Laptop>]) -> Result<()> {
    let mut out = BufWriter::new(File::create(path)?);
    let mut laptop = 0.0_f32;
    for (m, laptops) in fleet.iter().enumerate() {
        for l in laptops {
            for run in &l.runs {
                for value in [m as f32, laptop, run.hot_c as f32] {
                    out.write_all(&value.to_le_bytes())?;
                }
            }
            laptop += 1.0;
        }
    }
    Ok(out.flush()?)
}

/// Most memory that this process has held, MB, as Linux counts it.
fn peak_memory_mb() -> Result<f64> {
    let status = std::fs::read_to_string("/proc/self/status").context("cannot read `/proc/self/status`")?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).context("no `VmHWM` in it")?;
    let kb: f64 = line.trim().trim_end_matches("kB").trim().parse().context("`VmHWM` is no number")?;
    Ok(kb / 1000.0)
}
