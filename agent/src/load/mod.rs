//! The controlled load: every logical CPU that this process may use, one thread each, one fixed mix.
//!
//! It can never outlive the sampler. A thread looks after each unit of work (well under 2 ms) whether it is told to
//! end and whether the sampler's last [`Load::beat`] is more than [`LONGEST_SILENCE_S`] old, on the clock that counts sleep.
//! Nobody has to stop it for it to stop.

mod mix;
#[cfg(test)]
mod tests;
mod virt;

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;

use rustix::thread::CpuSet;
use windrow_model::record::wire;

pub use self::virt::machine_is_virtual;
use crate::clock::boot_s;
use crate::machine::Load;

/// A load whose sampler has been silent for longer ends by itself, s. Four samples at 4 Hz.
pub const LONGEST_SILENCE_S: f64 = 1.0;
/// Most load threads.
const MAX_THREADS: usize = 1024;
/// How much nicer than the sampler the load threads are: the sampler always goes first, also where the whole program was
/// started with a niceness of its own.
const NICER_THAN_SAMPLER: i32 = 5;

/// The load on the machine that this program runs on.
#[derive(Debug)]
pub struct RealLoad {
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
    cpus: Vec<usize>,
}

#[derive(Debug)]
struct Shared {
    stop: AtomicBool,
    /// Milliseconds since boot of the sampler's last sign of life.
    beat_ms: AtomicU64,
    /// Ended for want of a beat since the last start.
    starved: AtomicBool,
    done: Box<[Counter]>,
}

/// One thread's count in cache lines of its own, so that counting doesn't make the threads wait for each other.
#[derive(Debug, Default)]
#[repr(align(128))]
struct Counter(AtomicU64);

impl RealLoad {
    /// A load on all logical CPUs that this process may use. Nothing runs yet.
    pub fn new() -> Self {
        let cpus = usable_cpus();
        let done = cpus.iter().map(|_| Counter::default()).collect();
        let shared = Shared {
            stop: AtomicBool::new(true),
            beat_ms: AtomicU64::new(0),
            starved: AtomicBool::new(false),
            done,
        };
        Self { shared: Arc::new(shared), threads: Vec::new(), cpus }
    }

    /// Number of threads that a start makes.
    pub fn n_threads(&self) -> usize {
        self.cpus.len()
    }

    /// Whether it ended by itself since the last start, because the sampler fell silent.
    pub fn ended_by_itself(&self) -> bool {
        self.shared.starved.load(Ordering::Acquire)
    }
}

impl Default for RealLoad {
    fn default() -> Self {
        Self::new()
    }
}

impl Load for RealLoad {
    fn start(&mut self) -> io::Result<()> {
        self.stop();
        self.shared.stop.store(false, Ordering::Release);
        self.shared.starved.store(false, Ordering::Release);
        self.beat();
        for (slot, &cpu) in self.cpus.iter().enumerate() {
            let shared = Arc::clone(&self.shared);
            let spawned = std::thread::Builder::new()
                .name(format!("load-{slot}"))
                .spawn(move || shared.work(slot, cpu));
            match spawned {
                Ok(thread) => self.threads.push(thread),
                Err(why) => {
                    self.stop();
                    return Err(why);
                }
            }
        }
        Ok(())
    }

    fn stop(&mut self) {
        self.shared.stop.store(true, Ordering::Release);
        for thread in self.threads.drain(..) {
            // A load thread cannot panic on outside input; if it did, it works no more, which is what is asked.
            let _ = thread.join();
        }
    }

    fn beat(&self) {
        self.shared.beat_ms.store(now_ms(), Ordering::Release);
    }

    fn work_done(&self) -> u64 {
        self.shared.done.iter().map(|c| c.0.load(Ordering::Relaxed)).sum()
    }

    fn mix(&self) -> wire::LoadMix {
        wire::LoadMix {
            version: mix::VERSION.to_owned(),
            target: env!("WINDROW_TARGET").to_owned(),
            compiler: env!("WINDROW_COMPILER").to_owned(),
        }
    }
}

impl Drop for RealLoad {
    fn drop(&mut self) {
        self.stop();
    }
}

impl Shared {
    fn work(&self, slot: usize, cpu: usize) {
        step_back(cpu);
        let mut bench = mix::Bench::new(slot as u64 + 1);
        let mut done = self.done[slot].0.load(Ordering::Relaxed);
        while self.may_go_on() {
            bench.unit();
            done += 1;
            // Only this thread writes its counter.
            self.done[slot].0.store(done, Ordering::Relaxed);
        }
    }

    fn may_go_on(&self) -> bool {
        if self.stop.load(Ordering::Acquire) {
            return false;
        }
        let silent_ms = now_ms().saturating_sub(self.beat_ms.load(Ordering::Acquire));
        let starved = silent_ms as f64 > LONGEST_SILENCE_S * 1000.0;
        if starved {
            self.starved.store(true, Ordering::Release);
            self.stop.store(true, Ordering::Release);
        }
        !starved
    }
}

fn now_ms() -> u64 {
    (boot_s() * 1000.0) as u64
}

/// Ranks this thread below the sampler and keeps it on its CPU. Where the system refuses, the load runs all the same:
/// its end doesn't depend on either.
fn step_back(cpu: usize) {
    let me = rustix::thread::gettid();
    if let Ok(inherited) = rustix::process::getpriority_process(Some(me)) {
        let _ = rustix::process::setpriority_process(Some(me), inherited + NICER_THAN_SAMPLER);
    }
    let mut only = CpuSet::new();
    if cpu < CpuSet::MAX_CPU {
        only.set(cpu);
        let _ = rustix::thread::sched_setaffinity(Some(me), &only);
    }
}

/// The logical CPUs that this process may use.
fn usable_cpus() -> Vec<usize> {
    let mut cpus: Vec<usize> = match rustix::thread::sched_getaffinity(None) {
        Ok(set) => (0..CpuSet::MAX_CPU).filter(|&c| set.is_set(c)).take(MAX_THREADS).collect(),
        Err(_) => {
            (0..std::thread::available_parallelism().map_or(1, usize::from)).take(MAX_THREADS).collect()
        }
    };
    if cpus.is_empty() {
        cpus.push(0);
    }
    cpus
}
