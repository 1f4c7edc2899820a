//! Judges a fleet folder (`manifest.csv`, `services.csv` where there is one, and its traces) and writes the ranking.
//!
//! `judge_fleet FOLDER OUT.csv [--devices-every N --from K] [--runs RUNS.csv]`: the two in the middle take every Nth laptop
//! from the Kth on, for small fleets out of a large one; the last writes each run's intervals, for `bench/interval_coverage.py`.
#![expect(clippy::print_stderr, reason = "a program that tells its progress")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Instant;

use anyhow::{Context, Result, anyhow};
use chrono::{Datelike, NaiveTime};
use clap::Parser;
use rayon::prelude::*;
use windrow_model::condition::channel_sets::Judges;
use windrow_model::condition::constants::Constants;
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::fleet::{FleetRun, Judged, JudgedModel, judge_fleet};
use windrow_model::condition::judge::Interval;
use windrow_model::condition::laptop::{Laptop, quiet_odds};
use windrow_model::condition::one_run::RunNumbers;
use windrow_model::condition::standing::ModelStanding;
use windrow_model::condition::wear::Action;
use windrow_model::estimate::network_drive::Drive;
use windrow_model::trace::{file, fleet};
use windrow_tests::workers::Rayon;

#[derive(Debug, Parser)]
#[command(about = "Judge a fleet folder and write the ranking")]
struct Arguments {
    /// Folder with manifest.csv.
    folder: PathBuf,
    /// Where the ranking goes.
    out: PathBuf,
    /// Take every Nth laptop only.
    #[arg(long, default_value_t = 1)]
    devices_every: usize,
    /// The first laptop taken.
    #[arg(long, default_value_t = 0)]
    from: usize,
    /// Judge by each laptop's latest run alone.
    #[arg(long)]
    last_run_only: bool,
    /// Where what each run said goes: the condition as it was judged after that run, and what the run says alone.
    #[arg(long, value_name = "RUNS.csv")]
    runs: Option<PathBuf>,
}

const SECONDS_PER_DAY: f64 = 86_400.0;

fn main() -> Result<()> {
    let args = Arguments::parse();
    let started = Instant::now();
    let runs = read_runs(&args)?;
    let services = read_services(&args.folder)?;
    let n_runs = runs.len();
    eprintln!("read {n_runs} runs in {:.1} s", started.elapsed().as_secs_f64());
    let (models, judged) = judge_fleet(&Constants::default(), runs, &services, &Rayon);
    for model in &models {
        tell_model(&model.name, &model.standing);
    }
    write_ranking(&args.out, &judged)?;
    if let Some(path) = &args.runs {
        write_runs(path, &models)?;
    }
    eprintln!("judged {} laptops, {:.1} s in all", judged.len(), started.elapsed().as_secs_f64());
    Ok(())
}

fn read_runs(args: &Arguments) -> Result<Vec<FleetRun>> {
    let path = args.folder.join("manifest.csv");
    let bytes = std::fs::read(&path).with_context(|| format!("cannot read `{}`", path.display()))?;
    let mut rows = fleet::read_manifest(&bytes).rows;
    let devices: BTreeSet<String> = rows.iter().map(|r| r.device_id.clone()).collect();
    let every = args.devices_every.max(1);
    let taken: BTreeSet<String> = devices.into_iter().skip(args.from).step_by(every).collect();
    rows.retain(|r| taken.contains(&r.device_id));
    if args.last_run_only {
        let mut last: BTreeMap<String, fleet::ManifestRow> = BTreeMap::new();
        for r in rows {
            let newer = last.get(&r.device_id).is_none_or(|l| l.tested_at < r.tested_at);
            if newer {
                last.insert(r.device_id.clone(), r);
            }
        }
        rows = last.into_values().collect();
    }
    Ok(rows
        .into_par_iter()
        .filter_map(|row| {
            let read = read_drive(&args.folder.join(&row.trace));
            match read {
                Ok(drive) => Some(FleetRun {
                    day: row.tested_at.timestamp() as f64 / SECONDS_PER_DAY,
                    day_of_year: f64::from(row.tested_at.ordinal()),
                    device: row.device_id,
                    model: row.model,
                    site: row.site,
                    ambient_c: row.ambient_c,
                    on_mains: row.on_ac,
                    firmware: 0,
                    drive,
                }),
                Err(e) => {
                    eprintln!("left out `{}`: {e:#}", row.trace);
                    None
                }
            }
        })
        .collect())
}

fn read_drive(path: &Path) -> Result<Drive> {
    let bytes = std::fs::read(path)?;
    let read = file::read(&bytes).map_err(|c| anyhow!("{c:?}"))?;
    Drive::from_trace(&read.trace).context("no load phase, or too few readings")
}

fn read_services(folder: &Path) -> Result<BTreeMap<String, Vec<(f64, Action)>>> {
    let mut out: BTreeMap<String, Vec<(f64, Action)>> = BTreeMap::new();
    let path = folder.join("services.csv");
    if !path.exists() {
        return Ok(out);
    }
    for s in fleet::read_services(&std::fs::read(&path)?).rows {
        // A visit's hour isn't booked: noon.
        let noon = s.date.and_time(NaiveTime::MIN).and_utc().timestamp() as f64 / SECONDS_PER_DAY + 0.5;
        out.entry(s.device_id).or_default().push((noon, s.action));
    }
    Ok(out)
}

fn tell_model(name: &str, model: &ModelStanding) {
    model.parts().for_each(|part| tell_part(name, part));
}

/// What the laptops taught that are measured with the same channels.
fn tell_part(name: &str, m: &ModelStanding) {
    let s = m.fit.shared.0;
    eprintln!(
        "{name:24} runs {:4} laptops {:3} rms {:.2} K  Rc {:.2} K/W  Cs {:.0} J/K  g {:.2} W/K  m {:.2}  closed loop {:.2}  measured {}{}",
        m.fitted_runs,
        m.reference.laptops,
        m.rms_k,
        s[0].exp(),
        s[2].exp(),
        s[4].exp(),
        s[5].exp(),
        m.reference.closed_loop(),
        m.fit.channels.words(),
        if m.fit.has_converged { "" } else { "  not converged" },
    );
    for e in &m.reference.events {
        eprintln!("{name:24} event {e:?}");
    }
}

fn write_ranking(path: &Path, judged: &[Judged]) -> Result<()> {
    let mut order: Vec<&Judged> = judged.iter().collect();
    order.sort_by(|a, b| b.condition.p_any().total_cmp(&a.condition.p_any()).then(a.device.cmp(&b.device)));
    let first = ["rank", "device_id", "model", "score", "p_clogged", "p_fan", "p_contact"];
    let header = first.into_iter().chain(CONDITION_COLUMNS).chain(["runs"]);
    let mut out = begun(path, header)?;
    for (i, j) in order.iter().enumerate() {
        let c = &j.condition;
        let mut row = vec![(i + 1).to_string(), j.device.clone(), j.model.clone()];
        row.extend([c.p_any(), c.p_clogged, c.p_fan, c.p_contact].map(|p| format!("{p:.6}")));
        row.extend(numbers(c.airflow));
        row.extend(numbers(c.fan));
        row.extend(numbers(Some(c.contact)));
        row.push(j.n_runs.to_string());
        out.write_record(&row)?;
    }
    out.flush()?;
    Ok(())
}

fn numbers(of: Option<Interval>) -> [String; 3] {
    of.map_or([const { String::new() }; 3], |v| [v.mid, v.low, v.high].map(|x| format!("{x:.4}")))
}

/// Of a condition, or of what a run says alone: each number with its 90 % interval.
const CONDITION_COLUMNS: [&str; 9] = [
    "airflow_fraction",
    "airflow_low",
    "airflow_high",
    "fan_factor",
    "fan_low",
    "fan_high",
    "contact_factor",
    "contact_low",
    "contact_high",
];

/// A table with its header.
fn begun(path: &Path, header: impl Iterator<Item = impl AsRef<[u8]>>) -> Result<csv::Writer<std::fs::File>> {
    let mut out =
        csv::Writer::from_path(path).with_context(|| format!("cannot write `{}`", path.display()))?;
    out.write_record(header)?;
    Ok(out)
}

fn write_runs(path: &Path, models: &[JudgedModel]) -> Result<()> {
    let k = Constants::default();
    let judged = CONDITION_COLUMNS.map(str::to_owned);
    let alone = CONDITION_COLUMNS.map(|name| format!("run_{name}"));
    let header = ["device_id", "day"].map(str::to_owned).into_iter().chain(judged).chain(alone);
    let mut out = begun(path, header)?;
    for model in models {
        let judges = model.standing.judges(&k);
        let of_laptops: Vec<Vec<Vec<String>>> =
            model.laptops.par_iter().map(|l| run_rows(&k, &model.standing, &judges, l)).collect();
        for row in of_laptops.into_iter().flatten() {
            out.write_record(&row)?;
        }
    }
    out.flush()?;
    Ok(())
}

/// A laptop's condition after each of its runs, wherever it stands, and what each says alone.
fn run_rows(
    k: &Constants,
    standing: &ModelStanding,
    judges: &Judges<'_>,
    laptop: &Laptop,
) -> Vec<Vec<String>> {
    let whole = judges.measured(laptop.clone());
    let part = standing.part(whole.channels).unwrap_or(standing);
    let quiet = quiet_odds(k, &part.reference, &whole.laptop.runs, whole.condition().always_quiet);
    let row = |(run, quiet): (&RunEvidence, f64)| {
        let after = judges.measured(Laptop { as_of: run.day, ..laptop.clone() }).condition();
        let beside = standing.part(run.channels()).unwrap_or(part);
        let alone = RunNumbers::of(k, &beside.reference, &run.if_quiet(k, quiet));
        let said = [after.airflow, after.fan, Some(after.contact), alone.airflow, alone.fan, alone.contact];
        let mut row = vec![laptop.device.clone(), format!("{:.6}", run.day)];
        row.extend(said.into_iter().flat_map(numbers));
        row
    };
    laptop.runs.iter().zip(quiet).map(row).collect()
}
