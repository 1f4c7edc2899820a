//! A recorded run: time and channels.

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
