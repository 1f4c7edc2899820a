//! Exports of 100,000 laptops: time and memory of each table in each form and of the audit export, through real HTTP from
//! the hub's program, and of the command in a process of its own. Printed.
//!
//! Beside each stands a floor, taken in the same run: the same rows, already in memory, written anew by the same general
//! library (csv, serde_json), and of a zip its parts hashed and packed again. No export can be faster than that.
//!
//! usage: `export_times PATH-OF-WINDROW-HUB [LAPTOPS [DATABASE]]`: a database that is named is kept, and used again

use std::fs;
use std::hint::black_box;
use std::io::{Cursor, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, ensure};
use sha2::{Digest as _, Sha256};
use windrow_hub::export::format::Format;
use windrow_hub::export::tables::Which;
use windrow_tests::large_fleet::{LAPTOPS, RUNS, fill_store};
use windrow_tests::serving::{Asked, Serving};
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

/// How often the command's memory is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(20);

fn main() -> Result<()> {
    let mut args = std::env::args().skip(1);
    let program = args.next().context("usage: export_times PATH-OF-WINDROW-HUB [LAPTOPS]")?;
    let n = args.next().map_or(Ok(LAPTOPS), |n| n.parse()).context("LAPTOPS must be a number")?;
    let folder = tempfile::tempdir()?;
    let database = args.next().map_or_else(|| folder.path().join("hub.sqlite"), PathBuf::from);
    let token = token_of(&database, n)?;
    println(&format!("{n} laptops with {RUNS} runs each"));
    let hub = Serving::start(Path::new(&program), &database)?;
    let asked = Asked::of(&hub, &token)?;
    asked.until_judged()?;
    println("from the hub as it serves; `above` is what the export added to what the hub holds at rest");
    println(&format!("{:>8} {:>8} {:>8} {:>9} {:>9}  export", "s", "floor s", "MB", "peak MB", "above MB"));
    for which in Which::ALL {
        for format in Format::ALL {
            let path = format!("/v1/exports/{}?format={}", which.name(), format.name());
            let body = timed(&hub, &asked, &path, |body| floor(format, body))?;
            ensure!(!body.is_empty() || which == Which::Visits, "{path} is empty");
        }
    }
    timed(&hub, &asked, "/v1/exports/audit", packed_anew)?;
    drop(hub);
    by_command(&program, &database, &folder.path().join("audit.zip"))
}

/// The token of a store that is filled unless it is there; the token is kept beside it.
fn token_of(database: &Path, n: usize) -> Result<String> {
    let beside = database.with_extension("token");
    if database.exists() {
        return Ok(fs::read_to_string(beside)?);
    }
    let token = tokio::runtime::Runtime::new()?.block_on(fill_store(database, n))?;
    fs::write(beside, &token)?;
    Ok(token)
}

#[expect(clippy::print_stdout, reason = "a bench prints")]
fn println(line: &str) {
    println!("{line}");
}

fn mb(bytes: usize) -> f64 {
    bytes as f64 / 1e6
}

/// Downloads it and prints a line.
fn timed(
    hub: &Serving,
    asked: &Asked,
    path: &str,
    floor: impl FnOnce(&[u8]) -> Result<Duration>,
) -> Result<Vec<u8>> {
    let before = memory(hub.pid(), "VmRSS")?;
    reset_peak(hub.pid())?;
    let began = Instant::now();
    let body = asked.download(path)?;
    let took = began.elapsed();
    let peak = memory(hub.pid(), "VmHWM")?;
    let (floor, above) = (floor(&body)?.as_secs_f64(), mb(peak.saturating_sub(before)));
    println(&format!(
        "{:>8.2} {floor:>8.2} {:>8.1} {:>9.0} {above:>9.0}  {path}",
        took.as_secs_f64(),
        mb(body.len()),
        mb(peak)
    ));
    Ok(body)
}

/// The command: it judges the fleet itself, and its memory is all that it ever had.
fn by_command(program: &str, database: &Path, to: &Path) -> Result<()> {
    let began = Instant::now();
    let mut child = Command::new(program)
        .arg("--database")
        .arg(database)
        .args(["export", "--to"])
        .arg(to)
        .stdout(Stdio::null())
        .spawn()?;
    let mut peak = 0;
    while child.try_wait()?.is_none() {
        peak = memory(child.id(), "VmHWM").unwrap_or(peak).max(peak);
        std::thread::sleep(LOOK_EVERY);
    }
    ensure!(child.wait()?.success(), "the command failed");
    println(&format!(
        "`windrow-hub export`, judging the fleet first: {:.1} s, {:.0} MB at most",
        began.elapsed().as_secs_f64(),
        mb(peak)
    ));
    Ok(())
}

/// A process's resident memory in bytes: `VmRSS` now, `VmHWM` at most since it was reset (proc(5)).
fn memory(pid: u32, what: &str) -> Result<usize> {
    let status = fs::read_to_string(format!("/proc/{pid}/status"))?;
    let line =
        status.lines().find_map(|l| l.strip_prefix(what)?.strip_prefix(':')).context("no such line")?;
    let kib: usize = line.trim().trim_end_matches("kB").trim().parse()?;
    Ok(kib * 1024)
}

fn reset_peak(pid: u32) -> Result<()> {
    Ok(fs::write(format!("/proc/{pid}/clear_refs"), "5")?)
}

fn floor(format: Format, body: &[u8]) -> Result<Duration> {
    match format {
        Format::Csv => csv_anew(body),
        Format::Xlsx => packed_anew(body),
        Format::Json => {
            let rows: Vec<serde_json::Value> = serde_json::from_slice(body)?;
            json_anew(&rows)
        }
        Format::Ndjson => {
            let rows: Result<Vec<_>, _> = serde_json::Deserializer::from_slice(body).into_iter().collect();
            json_anew(&rows?)
        }
    }
}

fn csv_anew(body: &[u8]) -> Result<Duration> {
    let rows: Vec<csv::StringRecord> =
        csv::ReaderBuilder::new().has_headers(false).from_reader(body).records().collect::<Result<_, _>>()?;
    let began = Instant::now();
    let mut writer = csv::Writer::from_writer(Vec::with_capacity(body.len()));
    for row in &rows {
        writer.write_record(row)?;
    }
    writer.flush()?;
    Ok(began.elapsed())
}

fn json_anew(rows: &[serde_json::Value]) -> Result<Duration> {
    let began = Instant::now();
    let mut out = Vec::new();
    for row in rows {
        serde_json::to_writer(&mut out, row)?;
        out.push(b'\n');
    }
    Ok(began.elapsed())
}

fn packed_anew(body: &[u8]) -> Result<Duration> {
    let mut archive = ZipArchive::new(Cursor::new(body))?;
    let mut parts = Vec::new();
    for idx in 0..archive.len() {
        let mut bytes = Vec::new();
        archive.by_index(idx)?.read_to_end(&mut bytes)?;
        parts.push(bytes);
    }
    let began = Instant::now();
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for (idx, part) in parts.iter().enumerate() {
        writer.start_file(idx.to_string(), SimpleFileOptions::default())?;
        writer.write_all(part)?;
        black_box(Sha256::digest(part));
    }
    writer.finish()?;
    Ok(began.elapsed())
}
