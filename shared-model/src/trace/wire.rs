//! The trace's way onto the wire and back: scaled integers, null where not read.

use super::Trace;
use crate::channel::Channel;
use crate::protocol::Phase;
use crate::record::wire::{PhaseStart, WireTrace};
use crate::record::{Refusal, RefusalCode, check_trace, column_path};

/// Where a trace stands in a refusal.
const ROOT: &str = "trace";
const MS_PER_S: f64 = 1000.0;

impl Trace {
    /// The trace as a record carries it: times rounded to milliseconds, values to the channel's resolution.
    ///
    /// # Errors
    /// What a record may not hold, with the cell's name: implausible values ([`Trace::drop_implausible`] first), two
    /// samples in one millisecond, too many samples, phases out of order.
    pub fn to_wire(&self) -> Result<WireTrace, Refusal> {
        let mut wire = WireTrace {
            time_ms: self.time_s.iter().map(|t| (t * MS_PER_S).round() as i64).collect(),
            phases: self.phase.as_deref().map(phase_starts).unwrap_or_default(),
            columns: std::collections::BTreeMap::new(),
        };
        for channel in self.channels() {
            let values = self.column(channel).unwrap_or_default();
            let cells: Result<Vec<_>, _> =
                values.iter().enumerate().map(|(idx, &value)| scaled(channel, idx, value)).collect();
            wire.columns.insert(channel.spec().column.to_owned(), cells?);
        }
        check_trace(&wire, ROOT)?;
        Ok(wire)
    }

    /// The trace that a record carries, in seconds and the channels' units.
    ///
    /// # Errors
    /// What a record may not hold; a parsed record's trace was checked already.
    pub fn from_wire(wire: &WireTrace) -> Result<Self, Refusal> {
        check_trace(wire, ROOT)?;
        let time_s: Vec<f64> = wire.time_ms.iter().map(|&ms| ms as f64 / MS_PER_S).collect();
        let phase = phase_per_sample(&wire.phases, time_s.len());
        let mut trace = Self { time_s, phase, ..Self::empty() };
        for (column, cells) in &wire.columns {
            let Some(channel) = Channel::from_column(column) else { continue };
            let scale = channel.spec().wire_scale;
            let values = cells.iter().map(|cell| cell.map_or(f64::NAN, |scaled| scaled as f64 / scale));
            trace.set_column(channel, values.collect());
        }
        Ok(trace)
    }
}

fn scaled(channel: Channel, sample_idx: usize, value: f64) -> Result<Option<i64>, Refusal> {
    if value.is_nan() {
        return Ok(None);
    }
    if !channel.plausible(value) {
        let field = column_path(ROOT, channel, sample_idx);
        return Err(Refusal::new(RefusalCode::OutOfRange, field, format!("`{value}` cannot be true")));
    }
    Ok(Some((value * channel.spec().wire_scale).round() as i64))
}

fn phase_starts(phases: &[Phase]) -> Vec<PhaseStart> {
    let mut starts: Vec<PhaseStart> = Vec::new();
    for (idx, &phase) in phases.iter().enumerate() {
        if starts.last().is_none_or(|last| last.phase != phase) {
            starts.push(PhaseStart { from_sample: idx as u64, phase });
        }
    }
    starts
}

fn phase_per_sample(starts: &[PhaseStart], n_samples: usize) -> Option<Vec<Phase>> {
    if starts.is_empty() {
        return None;
    }
    let ends = starts.iter().skip(1).map(|s| s.from_sample as usize).chain([n_samples]);
    let phases = starts.iter().zip(ends).flat_map(|(start, end)| {
        let n = end.saturating_sub(start.from_sample as usize);
        std::iter::repeat_n(start.phase, n)
    });
    Some(phases.collect())
}
