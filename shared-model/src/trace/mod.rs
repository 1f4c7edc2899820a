//! A recorded run: time and channels; its way into files ([`mod@file`]), records ([`Trace::to_wire`]) and back, and the
//! lists of a fleet of such files ([`fleet`]).

pub mod file;
pub mod fleet;
mod table;
#[cfg(test)]
mod tests;
mod wire;

pub use table::{Complaint, Complaints, MAX_COMPLAINTS, Problem};

use crate::channel::{CHANNELS, Channel, N_CHANNELS};
use crate::protocol::Phase;

/// A recorded run in memory. All columns have the length of `time_s`.
///
/// A cell that wasn't read is NaN, and only such a cell: readers refuse non-finite input.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Seconds since the run's own zero, strictly increasing; a sleep shows as a gap.
    pub time_s: Vec<f64>,
    /// Phase per sample, where known.
    pub phase: Option<Vec<Phase>>,
    columns: [Option<Vec<f64>>; N_CHANNELS],
}

impl Trace {
    /// An empty trace with no columns.
    pub fn empty() -> Self {
        Self { time_s: Vec::new(), phase: None, columns: [const { None }; N_CHANNELS] }
    }

    /// Number of samples.
    pub fn n_samples(&self) -> usize {
        self.time_s.len()
    }

    /// A channel's readings, NaN where not read; `None` where the channel is absent.
    pub fn column(&self, channel: Channel) -> Option<&[f64]> {
        self.columns[channel as usize].as_deref()
    }

    /// Puts a column in place.
    ///
    /// # Panics
    /// If its length isn't that of `time_s`.
    pub fn set_column(&mut self, channel: Channel, values: Vec<f64>) {
        assert_eq!(values.len(), self.time_s.len(), "length of {}", channel.spec().column);
        self.columns[channel as usize] = Some(values);
    }

    /// Takes a column out.
    pub fn remove_column(&mut self, channel: Channel) -> Option<Vec<f64>> {
        self.columns[channel as usize].take()
    }

    /// The channels that are present, in the order of the table.
    pub fn channels(&self) -> impl Iterator<Item = Channel> + '_ {
        CHANNELS.iter().map(|s| s.channel).filter(|&c| self.columns[c as usize].is_some())
    }
}

/// Readings of one channel that cannot be true and were made blank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dropped {
    /// The channel.
    pub channel: Channel,
    /// How many readings.
    pub n: usize,
    /// Where the first stood: line of a file, or sample index of a trace in memory.
    pub first_at: usize,
    /// What the first said.
    pub first_value: f64,
}

impl Dropped {
    fn count(slot: &mut Option<Self>, channel: Channel, at: usize, value: f64) {
        slot.get_or_insert(Self { channel, n: 0, first_at: at, first_value: value }).n += 1;
    }
}

impl Trace {
    /// Makes readings blank that cannot be true (the channel table's gates): a sensor's lie is not a reading.
    pub fn drop_implausible(&mut self) -> Vec<Dropped> {
        let mut all_dropped = Vec::new();
        for channel in CHANNELS.iter().map(|s| s.channel) {
            let mut dropped = None;
            for (idx, value) in self.columns[channel as usize].iter_mut().flatten().enumerate() {
                if !value.is_nan() && !channel.plausible(*value) {
                    Dropped::count(&mut dropped, channel, idx, *value);
                    *value = f64::NAN;
                }
            }
            all_dropped.extend(dropped);
        }
        all_dropped
    }
}
