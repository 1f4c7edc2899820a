//! Gathers samples into a trace.

use windrow_model::channel::{CHANNELS, N_CHANNELS};
use windrow_model::protocol::Phase;
use windrow_model::trace::Trace;

use crate::machine::Reading;

/// Most samples of a check: over an hour at 4 Hz. A check is minutes; this bounds memory if a clock runs wild.
pub(super) const MAX_SAMPLES: usize = 16_384;

/// The samples so far.
#[derive(Debug)]
pub(super) struct Recorder {
    zero_s: f64,
    time_s: Vec<f64>,
    phase: Vec<Phase>,
    columns: [Vec<f64>; N_CHANNELS],
}

impl Recorder {
    /// A recorder whose time starts at `zero_s`.
    pub(super) fn new(zero_s: f64) -> Self {
        Self { zero_s, time_s: Vec::new(), phase: Vec::new(), columns: std::array::from_fn(|_| Vec::new()) }
    }

    /// Milliseconds of a moment on the trace's clock.
    pub(super) fn at_ms(&self, at_s: f64) -> i64 {
        ((at_s - self.zero_s) * 1000.0).round() as i64
    }

    /// Keeps a sample. One that falls into the millisecond of the last one, or before it, is left out: a clock that
    /// steps back must not void the record.
    pub(super) fn push(&mut self, phase: Phase, at_s: f64, reading: &Reading) {
        let time_s = self.at_ms(at_s) as f64 / 1000.0;
        let follows = self.time_s.last().is_none_or(|&last| time_s > last);
        if !follows || self.time_s.len() >= MAX_SAMPLES {
            return;
        }
        self.time_s.push(time_s);
        self.phase.push(phase);
        for (column, value) in self.columns.iter_mut().zip(reading.values) {
            column.push(value);
        }
    }

    /// The trace: only channels that were read at least once, values that cannot be true left blank, all rounded to
    /// the resolution of the record. So what is judged here is to the last digit what a hub will judge.
    pub(super) fn finish(self) -> Trace {
        let mut trace = Trace::empty();
        trace.time_s = self.time_s;
        trace.phase = Some(self.phase);
        for (spec, values) in CHANNELS.iter().zip(self.columns) {
            if values.iter().any(|v| v.is_finite()) {
                trace.set_column(spec.channel, values);
            }
        }
        trace.drop_implausible();
        match trace.to_wire().and_then(|wire| Trace::from_wire(&wire)) {
            Ok(rounded) => rounded,
            // Signing meets the same refusal and reports it.
            Err(_) => trace,
        }
    }
}
