//! What the agent costs: a sweep against a bare loop of reads over the same descriptors, CPU time outside the load,
//! resident memory, size of the program. It prints; whether a value is good is read beside its target.
//!
//! usage: `agent_cost PATH-OF-WINDROW`

use std::io;
use std::os::fd::BorrowedFd;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use windrow::sensors::linux::{self, LinuxSensors};
use windrow_tests::heated_laptop::{HeatedLaptop, n_cpus};
use windrow_tests::written_tree::WrittenTree;

/// Sweeps and loops of a batch.
const BATCH: u32 = 200;
/// Batches of each, in turns; the fastest counts, since what else runs can only slow one down.
const BATCHES: u32 = 60;
/// Time between two sweeps on the sensors' clock, s: mains and lid are due in each.
const STEP_S: f64 = 0.5;
/// Buffer of the bare read, as large as the agent's own.
const VALUE_BYTES: usize = 256;
/// Logical CPUs of the written laptop.
const CPUS: usize = 16;
/// Rest, load and recovery of the run whose CPU time is counted, s: mostly rest.
const PHASES: &str = "40,6,60";

fn main() -> Result<()> {
    let program = std::env::args().nth(1).context("usage: agent_cost PATH-OF-WINDROW")?;
    let program = Path::new(&program);
    let size_bytes = std::fs::metadata(program).with_context(|| format!("no `{}`", program.display()))?.len();
    println(&format!("program: {:.1} MB (target at most 10)", size_bytes as f64 / 1e6));
    let tree = laptop()?;
    sweep_against_reads("a written tree", tree.root())?;
    sweep_against_reads("this machine", Path::new("/"))?;
    outside_the_load(program)
}

#[expect(clippy::print_stdout, reason = "a bench prints")]
fn println(line: &str) {
    println!("{line}");
}

/// A laptop with every channel that the agent knows and that is fast enough for a sweep.
fn laptop() -> Result<WrittenTree> {
    let tree = WrittenTree::laptop(CPUS)?;
    let hwmon = "sys/class/hwmon";
    for (name, text) in [
        ("hwmon6/name", "nvme\n"),
        ("hwmon6/temp1_input", "38850\n"),
        ("hwmon6/temp1_label", "Composite\n"),
        ("hwmon7/name", "pch_cannonlake\n"),
        ("hwmon7/temp1_input", "44000\n"),
        ("hwmon8/name", "two_fans\n"),
        ("hwmon8/fan1_input", "2150\n"),
        ("hwmon8/fan1_label", "cpu fan\n"),
        ("hwmon8/pwm1", "96\n"),
        ("hwmon8/fan2_input", "2050\n"),
        ("hwmon8/fan2_label", "gpu fan\n"),
        ("hwmon8/pwm2", "96\n"),
    ] {
        tree.put(&format!("{hwmon}/{name}"), text)?;
    }
    Ok(tree)
}

fn sweep_against_reads(what: &str, root: &Path) -> Result<()> {
    let mut sensors = match linux::open(root) {
        Ok(sensors) => sensors,
        Err(none) => {
            println(&format!("sweep, {what}: not measured: {none}"));
            return Ok(());
        }
    };
    let n_files = sensors.descriptors().len();
    let (mut sweep_s, mut reads_s, mut now_s) = (f64::INFINITY, f64::INFINITY, 0.0);
    for _ in 0..BATCHES {
        sweep_s = sweep_s.min(sweeps(&mut sensors, &mut now_s));
        reads_s = reads_s.min(reads(&sensors.descriptors())?);
    }
    println(&format!(
        "sweep, {what}: {:.2} us for {n_files} files; a bare loop of pread over them {:.2} us; ratio {:.2} (target at most 1.5)",
        sweep_s * 1e6,
        reads_s * 1e6,
        sweep_s / reads_s
    ));
    Ok(())
}

/// Seconds for one sweep, mean of a batch.
fn sweeps(sensors: &mut LinuxSensors, now_s: &mut f64) -> f64 {
    let began = Instant::now();
    for _ in 0..BATCH {
        *now_s += STEP_S;
        std::hint::black_box(sensors.sweep_at(std::hint::black_box(*now_s)));
    }
    began.elapsed().as_secs_f64() / f64::from(BATCH)
}

/// Seconds for one bare loop, mean of a batch.
fn reads(descriptors: &[BorrowedFd<'_>]) -> io::Result<f64> {
    let mut buffer = [0_u8; VALUE_BYTES];
    let began = Instant::now();
    for _ in 0..BATCH {
        for descriptor in descriptors {
            std::hint::black_box(rustix::io::pread(descriptor, &mut buffer, 0)?);
            std::hint::black_box(&buffer);
        }
    }
    Ok(began.elapsed().as_secs_f64() / f64::from(BATCH))
}

/// A whole check by the program itself, on a tree that warms with its load.
fn outside_the_load(program: &Path) -> Result<()> {
    let folder = tempfile::tempdir()?;
    let mut laptop = HeatedLaptop::new()?;
    let mut child = Command::new(program)
        .args(["check", "--yes", "--keep", "--phases", PHASES, "--root"])
        .arg(laptop.root())
        .env("WINDROW_STATE_DIR", folder.path().join("state"))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .with_context(|| format!("cannot start `{}`", program.display()))?;
    let seen = laptop.live(&mut child, Duration::MAX, |_| Ok(()))?;
    let code = child.wait()?.code();
    if code != Some(0) && code != Some(3) {
        println(&format!(
            "outside the load: not measured: the check was not made to its end (exit code {code:?})"
        ));
        return Ok(());
    }
    let (cpu_s, wall_s) = seen.outside_load;
    println(&format!(
        "outside pulse and load: {:.2} s of CPU time in {wall_s:.0} s, start and analysis included: {:.2} % of one core (target at most 1)",
        cpu_s,
        100.0 * cpu_s / wall_s
    ));
    println(&format!(
        "highest resident memory: {:.1} MB with {} load threads (target at most 20)",
        seen.memory_kb as f64 * 1024.0 / 1e6,
        n_cpus()
    ));
    Ok(())
}
