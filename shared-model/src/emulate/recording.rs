//! Whole runs straight to a trace, for tests and simulated fleets.

use super::faults::Faults;
use super::laptop::{Laptop, Start};
use super::spec::{LaptopSpec, Room};
use crate::channel::{CHANNELS, Channel, N_CHANNELS};
use crate::protocol::{Phase, Protocol};
use crate::trace::Trace;

/// Which run to record.
#[derive(Debug, Clone, PartialEq)]
pub struct RunPlan {
    /// What ails the laptop.
    pub faults: Faults,
    /// Where it stands.
    pub room: Room,
    /// In what state it is met.
    pub start: Start,
    /// Phase lengths; the settle phase lasts `settle_s`.
    pub protocol: Protocol,
    /// Length of the settle phase, s.
    pub settle_s: f64,
    /// Load of other work in settle, load and recovery phase, 0–1 of all CPUs.
    pub other_load: [f64; 3],
    /// Seed of all noise.
    pub seed: u64,
}

impl Default for RunPlan {
    fn default() -> Self {
        Self {
            faults: Faults::NONE,
            room: Room::default(),
            start: Start::Idle,
            protocol: Protocol::STANDARD,
            settle_s: 60.0,
            other_load: [0.0; 3],
            seed: 1,
        }
    }
}

/// Most samples that a plan may ask for; more is cut off.
const SAMPLES_MAX: usize = 200_000;

/// Records a run in virtual time: settle, load, recovery, each sample at the end of its interval.
///
/// No safety stop ends the load: that is the check's task, and this is what a check would have watched.
pub fn record_run(spec: &LaptopSpec, plan: &RunPlan) -> Trace {
    let mut laptop = Laptop::new(spec, &plan.faults, plan.room, plan.seed).met(plan.start);
    let dt_s = plan.protocol.sample_hz.clamp(0.1, 100.0).recip();
    let mut trace = Trace::empty();
    let mut phases = Vec::new();
    let mut columns: [Vec<f64>; N_CHANNELS] = std::array::from_fn(|_| Vec::new());
    let parts = [
        (Phase::Settle, plan.settle_s, 0.0),
        (Phase::Load, plan.protocol.load_s, 1.0),
        (Phase::Recovery, plan.protocol.recovery_s, 0.0),
    ];
    for ((phase, length_s, load), other) in parts.into_iter().zip(plan.other_load) {
        let load = other.clamp(load, 1.0);
        for _ in 0..(length_s / dt_s).round().max(0.0) as usize {
            if phases.len() >= SAMPLES_MAX {
                break;
            }
            laptop.step(dt_s, load);
            let reading = laptop.reading();
            // On a grid of milliseconds, as a record has it.
            trace.time_s.push((laptop.now_s() * 1000.0).round() / 1000.0);
            phases.push(phase);
            for (column, value) in columns.iter_mut().zip(reading.values) {
                column.push(value);
            }
        }
    }
    trace.phase = Some(phases);
    for (spec, column) in CHANNELS.iter().zip(columns) {
        let known = column.iter().any(|v| v.is_finite()) || spec.channel == Channel::CpuTempC;
        if known {
            trace.set_column(spec.channel, column);
        }
    }
    trace
}

/// The CPU sensor keeps the value that it has at `from_s` for so long, s.
pub fn hold_sensor(trace: &mut Trace, from_s: f64, for_s: f64) {
    let Some(first) = trace.time_s.iter().position(|&t| t >= from_s) else { return };
    let end = trace.time_s.partition_point(|&t| t < from_s + for_s);
    if let Some(mut temps) = trace.remove_column(Channel::CpuTempC) {
        let value = temps[first];
        temps[first..end.max(first)].fill(value);
        trace.set_column(Channel::CpuTempC, temps);
    }
}

/// The trace without a stretch in which the laptop slept, s.
#[must_use]
pub fn asleep(trace: &Trace, from_s: f64, for_s: f64) -> Trace {
    fn pick<T: Copy>(values: &[T], kept: &[bool]) -> Vec<T> {
        values.iter().zip(kept).filter(|(_, kept)| **kept).map(|(v, _)| *v).collect()
    }
    let kept: Vec<bool> = trace.time_s.iter().map(|&t| t < from_s || t >= from_s + for_s).collect();
    let mut out = Trace::empty();
    out.time_s = pick(&trace.time_s, &kept);
    out.phase = trace.phase.as_ref().map(|phases| pick(phases, &kept));
    for channel in trace.channels() {
        if let Some(values) = trace.column(channel) {
            out.set_column(channel, pick(values, &kept));
        }
    }
    out
}
