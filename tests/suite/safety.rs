//! Safety stops end to end: the agent's own program with its real load, on a tree of kernel files that warms with it,
//! and a fault while it loads. What it did is read from its CPU time, not from what it says.
//!
//! One after another in one test: two real loads at once would each get half of the machine.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use serde_json::Value;
use windrow::check::safety::SENSOR_LOST_S;
use windrow_tests::heated_laptop::{HeatedLaptop, Seen, n_cpus};
use windrow_tests::written_tree::place;

/// Phases as short as they say something: 3 s rest, at most 20 s load, 3 s recovery.
const PHASES: &str = "3,20,3";
/// The fault comes so long into the load.
const AFTER: Duration = Duration::from_secs(4);
/// The load ends within 250 ms of the reading, and a reading comes every 250 ms. CPU time is at most that, on every
/// CPU; the rest is room for the ticks of 10 ms in which the kernel counts.
const SPENT_AFTER_FAULT_S: f64 = 0.55;
/// A sample comes this often.
const SAMPLE_S: f64 = 0.25;
/// The first look at the CPU time comes so long after the fault.
const HALF_SECOND_S: f64 = 0.5;

/// Where this build's programs are: `tests/run` says, else beside the test itself.
fn agent() -> PathBuf {
    let beside = || std::env::current_exe().ok().and_then(|p| Some(p.parent()?.parent()?.to_owned()));
    let folder = std::env::var_os("WINDROW_BINARIES").map(PathBuf::from).or_else(beside).unwrap_or_default();
    folder.join("windrow")
}

fn start(root: &Path, state: &Path, out: &Path) -> Result<Child> {
    let program = agent();
    Command::new(&program)
        .args(["check", "--yes", "--keep", "--show-record", "--phases", PHASES, "--root"])
        .arg(root)
        .env("WINDROW_STATE_DIR", state)
        .stdin(Stdio::null())
        .stdout(std::fs::File::create(out)?)
        .stderr(Stdio::inherit())
        .spawn()
        .with_context(|| format!("cannot start `{}`; build it: cargo build -p windrow", program.display()))
}

/// What a run left behind.
struct Left {
    header: Value,
    seen: Seen,
    code: Option<i32>,
}

impl Left {
    fn events(&self) -> Vec<&str> {
        let events = self.header["events"].as_array().map(Vec::as_slice).unwrap_or_default();
        events.iter().filter_map(|e| e["kind"].as_str()).collect()
    }

    /// CPU seconds of a CPU from the fault on until half a second later, and from then to the end.
    fn spent_s(&self) -> (f64, f64) {
        let at_fault_s = self.seen.at_fault_s.unwrap_or(f64::NAN);
        let soon_s = self.seen.soon_after_s.unwrap_or(self.seen.at_end_s);
        ((soon_s - at_fault_s) / n_cpus() as f64, self.seen.at_end_s - soon_s)
    }
}

fn run(
    prepare: impl FnOnce(&mut HeatedLaptop),
    mut fault: impl FnMut(&mut HeatedLaptop, u32) -> Result<()>,
) -> Result<Left> {
    let folder = tempfile::tempdir()?;
    let out = folder.path().join("record.json");
    let mut laptop = HeatedLaptop::new()?;
    prepare(&mut laptop);
    let mut child = start(&laptop.root(), &folder.path().join("state"), &out)?;
    let pid = child.id();
    let seen = laptop.live(&mut child, AFTER, |laptop| fault(laptop, pid))?;
    let code = child.wait()?.code();
    let text = std::fs::read_to_string(&out)?;
    let record: Value = serde_json::from_str(&text).with_context(|| format!("no record in {text:?}"))?;
    Ok(Left { header: record["header"].clone(), seen, code })
}

#[expect(clippy::print_stdout, reason = "what was measured is worth reading beside the verdict")]
/// Makes a fault; the check must end with `kind`, and the load with the fault.
fn stops_with(
    kind: &str,
    prepare: impl FnOnce(&mut HeatedLaptop),
    fault: impl FnMut(&mut HeatedLaptop, u32) -> Result<()>,
    spent_at_most_s: f64,
    granted_s: f64,
) -> Result<()> {
    let left = run(prepare, fault)?;
    let (soon_s, rest_s) = left.spent_s();
    println!(
        "{kind}: {soon_s:.2} s of each CPU in the half second from the fault on, {rest_s:.2} s of one afterwards; \
         at most {} kB resident; exit code {:?}",
        left.seen.memory_kb, left.code
    );
    ensure!(left.seen.at_fault_s.is_some(), "{kind}: no second load was seen: {:#}", left.header);
    ensure!(left.events().contains(&kind), "{kind}: {:?} {:#}", left.events(), left.header["pre_checks"]);
    ensure!(left.header["outcome"] == "stopped_early", "{kind}: {}", left.header["outcome"]);
    ensure!(soon_s <= spent_at_most_s, "{kind}: {soon_s:.2} s of each CPU after the fault");
    // What is granted before the stop may be spent. Recovery, the analysis and the page are no load; threads that went
    // on to the phase's end would take ten seconds and more of every CPU.
    let granted_s = (granted_s + SAMPLE_S - HALF_SECOND_S).max(0.0) * n_cpus() as f64;
    ensure!(rest_s < granted_s + 1.5, "{kind}: {rest_s:.2} s of CPU time after the load's end");
    ensure!(left.seen.memory_kb <= 20 * 1024, "{kind}: {} kB resident", left.seen.memory_kb);
    Ok(())
}

fn signal(pid: u32, signal: rustix::process::Signal) -> Result<()> {
    let pid = rustix::process::Pid::from_raw(pid.cast_signed()).context("no such process")?;
    Ok(rustix::process::kill_process(pid, signal)?)
}

#[test]
fn faults_and_signals_end_a_real_load() -> Result<()> {
    use rustix::process::Signal;
    let nothing = |_: &mut HeatedLaptop| ();
    stops_with(
        "ac_lost",
        nothing,
        |laptop, _| Ok(laptop.tree.set(place::MAINS, 0)?),
        SPENT_AFTER_FAULT_S,
        0.0,
    )?;
    stops_with(
        "over_limit",
        nothing,
        |laptop, _| {
            laptop.writes_temperature = false;
            Ok(laptop.tree.set(place::CPU_TEMP, 103_000)?)
        },
        SPENT_AFTER_FAULT_S,
        0.0,
    )?;
    stops_with("battery_hot", nothing, |laptop, _| Ok(laptop.tree.set(place::BATTERY_TEMP, 460)?), 2.0, 0.0)?;
    stops_with("interrupted", nothing, |_, pid| signal(pid, Signal::INT), 0.3, 0.0)?;
    stops_with("terminated", nothing, |_, pid| signal(pid, Signal::TERM), 0.3, 0.0)?;
    stops_with(
        "sensor_lost",
        nothing,
        |laptop, _| {
            laptop.writes_temperature = false;
            Ok(laptop.tree.empty(place::CPU_TEMP)?)
        },
        f64::INFINITY,
        SENSOR_LOST_S,
    )
}
