//! Recordings that other people published, read where they lie.
//!
//! `WINDROW_OPEN_DATA` names the folder in which `opendata/` stands. Without it, what was left out is printed.
//! The recordings: a small computer in a case, vents closed against exhaust fan, cycles of load and rest at 1 Hz
//! (sjchiass/pitemp, 2020, BSD-3-Clause).

use std::path::{Path, PathBuf};

use windrow_model::analysis::{RunAnalysis, RunContext, analyse_cycles};
use windrow_model::trace::{Trace, file};

/// Cycles that begin earlier start from a case that is still cold.
const WARMED_UP_S: f64 = 1800.0;

#[expect(clippy::print_stderr, reason = "a test that leaves something out says so")]
fn open_recording(name: &str) -> Option<PathBuf> {
    let path =
        std::env::var_os("WINDROW_OPEN_DATA").map(|d| Path::new(&d).join("opendata/pi-case").join(name));
    let found = path.filter(|p| p.exists());
    if found.is_none() {
        eprintln!(
            "left out: `{name}` is not here; set WINDROW_OPEN_DATA to the folder that holds `opendata/`"
        );
    }
    found
}

fn read(path: &Path) -> Trace {
    let text = std::fs::read_to_string(path).expect("the recording can be read");
    // The recording calls the busy share otherwise.
    let text = text.replacen("usage_pct", "busy_pct", 1);
    file::read(text.as_bytes()).expect("the recording is a trace file").trace
}

fn warm_cycles(trace: &Trace) -> Vec<RunAnalysis> {
    let cycles = analyse_cycles(trace, &RunContext::default());
    cycles
        .into_iter()
        .filter(|c| c.phases.load_start_s > WARMED_UP_S && !c.phases.recovery.is_empty())
        .collect()
}

fn median(mut values: Vec<f64>) -> f64 {
    assert!(values.len() >= 4, "too few cycles: {values:?}");
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Published data's own fits (scipy, two exponentials): half recovery 31.6 s with closed vents against 19.1 s with the
/// exhaust fan, slow branch 99 s against 63 s; the fast branch is alike.
#[test]
fn closed_vents_recover_slowly_and_an_exhaust_fan_fast() {
    let paths = (open_recording("solid_top_cycles.csv"), open_recording("exhaust_fan_cycles.csv"));
    let (Some(closed), Some(open)) = paths else { return };
    let (closed, open) = (warm_cycles(&read(&closed)), warm_cycles(&read(&open)));
    let half = |cycles: &[RunAnalysis]| {
        median(cycles.iter().filter_map(|c| c.metrics.recovery_half_s.value()).collect())
    };
    let slow = |cycles: &[RunAnalysis]| {
        median(cycles.iter().filter_map(|c| c.metrics.recovery_slow_half_s.value()).collect())
    };
    let (closed_half, open_half) = (half(&closed), half(&open));
    assert!((closed_half - 31.6).abs() < 4.0, "closed: half {closed_half}");
    assert!((open_half - 19.1).abs() < 3.0, "exhaust fan: half {open_half}");
    // A half time is ln 2 of a time constant: 69 s and 44 s for a pure slow branch over its own end; over the run's
    // baseline the ratio is what must show.
    let ratio = slow(&closed) / slow(&open);
    assert!(ratio > 1.25 && ratio < 2.0, "slow branch {} against {}", slow(&closed), slow(&open));
    let peak = |cycles: &[RunAnalysis]| {
        cycles.iter().filter_map(|c| c.metrics.peak_c.value()).fold(f64::MIN, f64::max)
    };
    assert!((peak(&closed) - 82.3).abs() < 1.5, "{}", peak(&closed));
    assert!((peak(&open) - 65.6).abs() < 1.5, "{}", peak(&open));
}
