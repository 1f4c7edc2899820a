//! Where settle, load and recovery lie in a trace.
//!
//! The `phase` column decides where there is one. Without it the load tells: a load block is a stretch with
//! load over 60 % in which shorter dips are tolerated. A foreign file may hold several cycles; then the last
//! complete one among those about as long as the longest is judged, since the first ones start from a cold case.

use std::ops::Range;

use crate::channel::Channel;
use crate::protocol::Phase;
use crate::trace::Trace;

/// Load above which a sample belongs to a load block, percent.
const LOAD_OVER_PCT: f64 = 60.0;
/// Dips up to this long do not end a block, s. (Six samples at 4 Hz: scheduler hiccups, common practice.)
const DIP_TOLERATED_S: f64 = 1.6;
/// Blocks this share of the longest count as repetitions of it.
const REPETITION_SHARE: f64 = 0.8;
/// Shortest load block that is a load phase, s.
const LOAD_MIN_S: f64 = 5.0;
/// Shortest idle stretch that is a phase, s.
const IDLE_MIN_S: f64 = 3.0;

/// How the phases were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PhaseSource {
    /// The trace says them.
    Column,
    /// Read off the load.
    Load,
    /// There is no load phase.
    Nowhere,
}

/// Sample ranges of the phases. An absent phase is an empty range.
#[derive(Debug, Clone, PartialEq)]
pub struct Phases {
    /// Idle before the load.
    pub settle: Range<usize>,
    /// The load.
    pub load: Range<usize>,
    /// Idle after the load.
    pub recovery: Range<usize>,
    /// When the load began, s on the trace's clock: between the samples on either side.
    pub load_start_s: f64,
    /// When it ended.
    pub load_end_s: f64,
    /// How the phases were found.
    pub source: PhaseSource,
    /// Number of load blocks in the trace.
    pub n_cycles: usize,
}

impl Phases {
    fn none() -> Self {
        Self {
            settle: 0..0,
            load: 0..0,
            recovery: 0..0,
            load_start_s: 0.0,
            load_end_s: 0.0,
            source: PhaseSource::Nowhere,
            n_cycles: 0,
        }
    }

    /// Length of the load, s.
    pub fn load_length_s(&self) -> f64 {
        self.load_end_s - self.load_start_s
    }

    /// The range of a phase.
    pub fn range(&self, phase: Phase) -> Range<usize> {
        match phase {
            Phase::Settle => self.settle.clone(),
            Phase::Load => self.load.clone(),
            Phase::Recovery => self.recovery.clone(),
        }
    }
}

/// Finds the phases of the cycle that is judged.
pub fn find_phases(trace: &Trace) -> Phases {
    find_cycles(trace).pop_judged().unwrap_or_else(Phases::none)
}

/// All cycles of a trace, each with its own phases, in time order.
pub fn all_cycles(trace: &Trace) -> Vec<Phases> {
    find_cycles(trace).cycles
}

struct Cycles {
    cycles: Vec<Phases>,
}

impl Cycles {
    /// The last complete one among those about as long as the longest.
    fn pop_judged(self) -> Option<Phases> {
        let longest_s = self.cycles.iter().map(Phases::load_length_s).fold(0.0, f64::max);
        let repeats = |c: &&Phases| c.load_length_s() >= REPETITION_SHARE * longest_s;
        let complete = |c: &&Phases| !c.settle.is_empty() && !c.recovery.is_empty();
        let judged = self.cycles.iter().rev().filter(repeats).find(complete);
        judged.or_else(|| self.cycles.iter().rev().find(repeats)).cloned()
    }
}

fn find_cycles(trace: &Trace) -> Cycles {
    let (blocks, source) = match &trace.phase {
        Some(phase) if phase.len() == trace.n_samples() => {
            let loaded: Vec<bool> = phase.iter().map(|&p| p == Phase::Load).collect();
            (runs_of_true(&loaded), PhaseSource::Column)
        }
        _ => (load_blocks(trace), PhaseSource::Load),
    };
    let cycles = (0..blocks.len()).map(|idx| cycle_of(trace, &blocks, idx, source)).collect();
    Cycles { cycles }
}

/// The idle stretches on both sides of a block belong to its cycle.
fn cycle_of(trace: &Trace, blocks: &[Range<usize>], idx: usize, source: PhaseSource) -> Phases {
    let n = trace.n_samples();
    let load = blocks[idx].clone();
    let settle_from = if idx == 0 { 0 } else { blocks[idx - 1].end };
    let recovery_to = blocks.get(idx + 1).map_or(n, |next| next.start);
    Phases {
        settle: long_enough(trace, settle_from..load.start),
        recovery: long_enough(trace, load.end..recovery_to),
        load_start_s: edge_s(trace, load.start),
        load_end_s: edge_s(trace, load.end),
        load,
        source,
        n_cycles: blocks.len(),
    }
}

fn long_enough(trace: &Trace, range: Range<usize>) -> Range<usize> {
    let long = range.len() >= 2 && trace.time_s[range.end - 1] - trace.time_s[range.start] >= IDLE_MIN_S;
    if long { range } else { range.end..range.end }
}

/// The moment between the sample before `idx` and the one at it: which of the two the edge lies nearer to isn't
/// known. Across a sleep it is the moment of the later one.
fn edge_s(trace: &Trace, idx: usize) -> f64 {
    const LONG_STEP_S: f64 = 4.0;
    let t = &trace.time_s;
    if t.is_empty() {
        return 0.0;
    }
    if idx == 0 || idx >= t.len() {
        return t[idx.min(t.len() - 1)];
    }
    let step_s = t[idx] - t[idx - 1];
    if step_s > LONG_STEP_S { t[idx] } else { t[idx] - step_s / 2.0 }
}

fn load_blocks(trace: &Trace) -> Vec<Range<usize>> {
    let Some(load_pct) = trace.column(Channel::LoadPct) else { return Vec::new() };
    let loaded: Vec<bool> = load_pct.iter().map(|&l| l > LOAD_OVER_PCT).collect();
    let mut blocks: Vec<Range<usize>> = Vec::new();
    for run in runs_of_true(&loaded) {
        match blocks.last_mut() {
            Some(last) if trace.time_s[run.start] - trace.time_s[last.end - 1] <= DIP_TOLERATED_S => {
                last.end = run.end;
            }
            _ => blocks.push(run),
        }
    }
    blocks.retain(|b| trace.time_s[b.end - 1] - trace.time_s[b.start] >= LOAD_MIN_S);
    blocks
}

fn runs_of_true(flags: &[bool]) -> Vec<Range<usize>> {
    let mut runs = Vec::new();
    let mut begin = None;
    for (idx, &flag) in flags.iter().enumerate() {
        match (flag, begin) {
            (true, None) => begin = Some(idx),
            (false, Some(from)) => {
                runs.push(from..idx);
                begin = None;
            }
            _ => {}
        }
    }
    if let Some(from) = begin {
        runs.push(from..flags.len());
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trace_of(load: &[f64], dt_s: f64) -> Trace {
        let mut trace = Trace::empty();
        trace.time_s = (0..load.len()).map(|i| i as f64 * dt_s).collect();
        trace.set_column(Channel::LoadPct, load.to_vec());
        trace
    }

    fn blocks(spec: &[(usize, f64)]) -> Vec<f64> {
        spec.iter().flat_map(|&(n, load)| std::iter::repeat_n(load, n)).collect()
    }

    #[test]
    fn load_alone_tells_the_phases_and_a_short_dip_does_not_split_them() {
        let load = blocks(&[(40, 0.0), (30, 100.0), (4, 10.0), (30, 100.0), (80, 2.0)]);
        let phases = find_phases(&trace_of(&load, 0.25));
        assert_eq!(phases.settle, 0..40);
        assert_eq!(phases.load, 40..104);
        assert_eq!(phases.recovery, 104..184);
        assert!((phases.load_start_s - 9.875).abs() < 1e-9);
        assert_eq!(phases.source, PhaseSource::Load);
    }

    #[test]
    fn the_last_complete_cycle_is_judged() {
        let load = blocks(&[(40, 0.0), (40, 100.0), (40, 0.0), (40, 100.0), (40, 0.0), (40, 100.0)]);
        let phases = find_phases(&trace_of(&load, 1.0));
        assert_eq!(phases.load, 120..160);
        assert_eq!(phases.n_cycles, 3);
    }

    #[test]
    fn the_phase_column_wins_over_the_load() {
        let mut trace = trace_of(&blocks(&[(90, 0.0)]), 0.25);
        let named = [(30, Phase::Settle), (30, Phase::Load), (30, Phase::Recovery)];
        trace.phase = Some(named.iter().flat_map(|&(n, p)| std::iter::repeat_n(p, n)).collect());
        let phases = find_phases(&trace);
        assert_eq!((phases.load, phases.source), (30..60, PhaseSource::Column));
    }

    #[test]
    fn no_load_is_no_phase_and_no_panic() {
        for load in [vec![], vec![100.0], blocks(&[(50, 0.0)]), blocks(&[(3, 100.0)])] {
            let phases = find_phases(&trace_of(&load, 0.25));
            assert!(phases.load.is_empty(), "{load:?}");
        }
    }
}
