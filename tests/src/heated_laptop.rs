//! A written tree that warms with the load which a process really applies, and a fault at a chosen moment.
//!
//! The process's own CPU time (proc(5), fields 14 and 15 of `stat`) is the load: so the tree sees what the agent
//! does and not what it says.

use std::fs;
use std::path::PathBuf;
use std::process::Child;
use std::thread::sleep;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};

use crate::written_tree::{WrittenTree, place};

/// How often the tree is rewritten.
const STEP: Duration = Duration::from_millis(20);
/// A process that takes more than this share of all CPUs applies its load.
const LOADED_SHARE: f64 = 0.15;
/// A load is over when its process took less than that for so long; pulse and load are 3 s apart at least.
const LOAD_OVER: Duration = Duration::from_secs(1);
/// Kernel ticks a second in `/proc/*/stat`: USER_HZ is 100 on every architecture that this runs on (proc(5)).
const TICKS_PER_S: f64 = 100.0;
/// No check of a test takes longer.
const LONGEST: Duration = Duration::from_mins(3);

/// A process's CPU time so far, s; `None` once it is gone.
pub fn cpu_time_s(pid: u32) -> Option<f64> {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    // The name in parentheses may hold anything, blanks too.
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    let ticks = fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?;
    Some(ticks / TICKS_PER_S)
}

/// A process's highest resident memory so far, kB (proc(5), `VmHWM`).
pub fn highest_memory_kb(pid: u32) -> Option<u64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// What was seen of a process's CPU time around the fault.
#[derive(Debug, Clone, Default)]
pub struct Seen {
    /// CPU time when the fault was made, s.
    pub at_fault_s: Option<f64>,
    /// CPU time half a second of wall time after the fault, s.
    pub soon_after_s: Option<f64>,
    /// CPU time when the process was last seen, s.
    pub at_end_s: f64,
    /// CPU time in the first ten seconds, before any load, s, and the wall time of it.
    pub at_rest: Option<(f64, f64)>,
    /// CPU time and wall time outside the pulse and the load, from the process's start to its end, s.
    pub outside_load: (f64, f64),
    /// Highest resident memory, kB.
    pub memory_kb: u64,
}

/// A laptop of the test.
#[derive(Debug)]
pub struct HeatedLaptop {
    /// Its files.
    pub tree: WrittenTree,
    /// Whether the CPU temperature goes on being written.
    pub writes_temperature: bool,
    /// °C that the CPU tends to under full load.
    pub hot_c: f64,
    temp_c: f64,
    energy_uj: f64,
    busy_ticks: f64,
    idle_ticks: f64,
}

impl HeatedLaptop {
    /// At rest.
    pub fn new() -> Result<Self> {
        let tree = WrittenTree::laptop(n_cpus()).context("cannot write the tree of kernel files")?;
        Ok(Self {
            tree,
            writes_temperature: true,
            hot_c: 75.0,
            temp_c: 40.0,
            energy_uj: 1e6,
            busy_ticks: 1000.0,
            idle_ticks: 100_000.0,
        })
    }

    /// Its root.
    pub fn root(&self) -> PathBuf {
        self.tree.root().to_owned()
    }

    /// Warms with the child until it ends. `fault` is made once, `after` into the child's second load: the first is
    /// the pulse.
    ///
    /// # Errors
    /// When the tree can't be written, or the child doesn't end.
    pub fn live(
        &mut self,
        child: &mut Child,
        after: Duration,
        mut fault: impl FnMut(&mut Self) -> Result<()>,
    ) -> Result<Seen> {
        let began = Instant::now();
        let mut seen = Seen::default();
        let mut loads = Loads::default();
        let (mut last, mut last_cpu_s) = (began, 0.0);
        let mut made_at: Option<Instant> = None;
        while child.try_wait()?.is_none() {
            if began.elapsed() > LONGEST {
                child.kill()?;
                bail!("the check didn't end within {} s: {seen:?} {loads:?}", LONGEST.as_secs());
            }
            sleep(STEP);
            let Some(cpu_s) = cpu_time_s(child.id()) else { continue };
            // Ticks of 10 ms are coarse: a share is taken over 100 ms and more.
            let passed_s = last.elapsed().as_secs_f64();
            if passed_s >= 0.1 {
                let share = ((cpu_s - last_cpu_s) / passed_s / n_cpus() as f64).clamp(0.0, 1.0);
                self.step(passed_s, share)?;
                loads.see(share);
                if !loads.is_loaded {
                    seen.outside_load.0 += cpu_s - last_cpu_s;
                    seen.outside_load.1 += passed_s;
                }
                (last, last_cpu_s) = (Instant::now(), cpu_s);
            }
            if seen.at_rest.is_none() && began.elapsed() >= Duration::from_secs(9) {
                seen.at_rest = Some((cpu_s, began.elapsed().as_secs_f64()));
            }
            seen.memory_kb = highest_memory_kb(child.id()).unwrap_or(seen.memory_kb);
            if made_at.is_none() && loads.second_since().is_some_and(|since| since.elapsed() >= after) {
                made_at = Some(Instant::now());
                seen.at_fault_s = cpu_time_s(child.id());
                fault(self)?;
            }
            if seen.soon_after_s.is_none()
                && made_at.is_some_and(|at| at.elapsed() >= Duration::from_millis(500))
            {
                seen.soon_after_s = Some(cpu_s);
            }
            seen.at_end_s = cpu_s;
        }
        Ok(seen)
    }

    fn step(&mut self, passed_s: f64, share: f64) -> Result<()> {
        // Any load that this machine lets the child have counts as full: others work on it too.
        let load = if share > LOADED_SHARE { 1.0 } else { 0.0 };
        let towards_c = 40.0 + (self.hot_c - 40.0) * load;
        self.temp_c += (towards_c - self.temp_c) * (1.0 - (-passed_s / 3.0).exp());
        self.energy_uj += (3.0 + 22.0 * load) * passed_s * 1e6;
        self.busy_ticks += passed_s * 100.0 * load;
        self.idle_ticks += passed_s * 100.0 * (1.0 - load);
        if self.writes_temperature {
            self.tree.set(place::CPU_TEMP, (self.temp_c * 1000.0) as i64)?;
        }
        self.tree.set(place::ENERGY, self.energy_uj as i64)?;
        self.tree.set_processor_time(self.busy_ticks as u64, self.idle_ticks as u64)?;
        Ok(())
    }
}

/// Tells the pulse from the load.
#[derive(Debug, Default)]
struct Loads {
    is_loaded: bool,
    last_busy: Option<Instant>,
    n_begun: u32,
    second: Option<Instant>,
}

impl Loads {
    fn see(&mut self, share: f64) {
        if share > LOADED_SHARE {
            self.last_busy = Some(Instant::now());
        }
        // On a machine with other work a load has moments without a turn: those don't end it.
        let now_loaded = self.last_busy.is_some_and(|at| at.elapsed() < LOAD_OVER);
        if now_loaded && !self.is_loaded {
            self.n_begun += 1;
            if self.n_begun == 2 {
                self.second = Some(Instant::now());
            }
        }
        self.is_loaded = now_loaded;
    }

    fn second_since(&self) -> Option<Instant> {
        self.second.filter(|_| self.is_loaded)
    }
}

/// Logical CPUs that this process may use.
pub fn n_cpus() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}
