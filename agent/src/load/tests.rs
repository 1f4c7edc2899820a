//! The load really works, and is really gone afterwards: by what the kernel counts, not by what we say.

use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::*;

/// One load at a time: each test looks at all load threads of the process.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

fn alone() -> MutexGuard<'static, ()> {
    ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The process's threads that carry the load's name, by thread id.
fn load_threads() -> Vec<String> {
    let tasks = std::fs::read_dir("/proc/self/task").unwrap();
    let name = |dir: &std::path::Path| std::fs::read_to_string(dir.join("comm")).unwrap_or_default();
    let dirs = tasks.filter_map(|e| Some(e.ok()?.path()));
    dirs.filter(|d| name(d).starts_with("load-")).map(|d| d.display().to_string()).collect()
}

/// CPU time of all load threads, ticks (fields 14 and 15 of /proc/PID/stat, proc(5)).
fn load_ticks() -> u64 {
    let ticks = |dir: &String| -> Option<u64> {
        let stat = std::fs::read_to_string(format!("{dir}/stat")).ok()?;
        let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_ascii_whitespace().collect();
        Some(fields.get(11)?.parse::<u64>().ok()? + fields.get(12)?.parse::<u64>().ok()?)
    };
    load_threads().iter().filter_map(ticks).sum()
}

fn beat_until(load: &RealLoad, done: impl Fn() -> bool) {
    while !done() {
        load.beat();
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn every_thread_worked(load: &RealLoad) -> bool {
    load.shared.done.iter().all(|c| c.0.load(Ordering::Relaxed) > 0)
}

/// Returns when the kernel knows no load thread any more; a joined thread may stand in its list for a moment. A load that
/// never ends never lets this return.
fn wait_until_gone() {
    while !load_threads().is_empty() {
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn every_cpu_works_and_none_after_stop() {
    let _alone = alone();
    let mut load = RealLoad::new();
    assert_eq!(load.n_threads(), usable_cpus().len());
    assert_eq!(load.work_done(), 0);
    load.start().unwrap();
    beat_until(&load, || {
        load.shared.done.iter().all(|c| c.0.load(Ordering::Relaxed) > 0) && load_ticks() > 0
    });
    assert_eq!(load_threads().len(), load.n_threads());
    load.stop();
    let done = load.work_done();
    wait_until_gone();
    std::thread::sleep(Duration::from_millis(100));
    assert_eq!(load.work_done(), done, "no work after the stop");
    assert!(!load.ended_by_itself());
}

#[test]
fn without_a_sign_of_life_it_ends_by_itself() {
    let _alone = alone();
    let mut load = RealLoad::new();
    load.start().unwrap();
    beat_until(&load, || every_thread_worked(&load));
    // No beat from here on, and nobody stops it.
    wait_until_gone();
    assert!(load.ended_by_itself());
    let done = load.work_done();
    assert!(done > 0);
    std::thread::sleep(Duration::from_millis(100));
    assert_eq!(load.work_done(), done);
    load.start().unwrap();
    assert!(!load.ended_by_itself());
    beat_until(&load, || load.work_done() > done);
}

#[test]
fn dropping_it_ends_it() {
    let _alone = alone();
    let mut load = RealLoad::new();
    load.start().unwrap();
    beat_until(&load, || load.work_done() > 0);
    drop(load);
    wait_until_gone();
}

#[test]
fn the_load_ranks_below_the_sampler() {
    let _alone = alone();
    let mut load = RealLoad::new();
    load.start().unwrap();
    beat_until(&load, || every_thread_worked(&load));
    let nice = |dir: &str| {
        let stat = std::fs::read_to_string(format!("{dir}/stat")).unwrap();
        stat.rsplit_once(')').unwrap().1.split_ascii_whitespace().nth(16).unwrap().parse::<i32>().unwrap()
    };
    let sampler = nice("/proc/thread-self");
    // 19 is the kernel's largest niceness (setpriority(2)): nothing ranks below a sampler that has it already.
    beat_until(&load, || load_threads().iter().all(|dir| nice(dir) > sampler.min(18)));
    load.stop();
}

#[test]
fn the_mix_names_itself() {
    let mix = RealLoad::new().mix();
    assert_eq!(mix.version, "mix-1");
    assert!(mix.target.contains(std::env::consts::ARCH), "{mix:?}");
    assert!(mix.compiler.starts_with("rustc"), "{mix:?}");
}

#[test]
fn a_virtual_machine_is_known_by_its_processor_or_firmware() {
    let cases: [(&str, &str, bool); 4] = [
        ("proc/cpuinfo", "model name : x\nflags\t\t: fpu hypervisor sse\n", true),
        ("proc/cpuinfo", "model name : hypervisor\nflags\t\t: fpu sse\n", false),
        ("sys/class/dmi/id/sys_vendor", "QEMU\n", true),
        ("sys/class/dmi/id/sys_vendor", "Meadow Works\n", false),
    ];
    for (path, text, is_virtual) in cases {
        let root = tempfile::tempdir().unwrap();
        let file = root.path().join(path);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(file, text).unwrap();
        assert_eq!(machine_is_virtual(root.path()), is_virtual, "{path}: {text}");
    }
}
