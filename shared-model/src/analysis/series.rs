//! The readings of one channel, and robust estimates over a stretch of them, each with its standard error.
//!
//! A sensor's errors are taken as correlated over two seconds (filters in sensors, wandering idle power), so that a
//! faster sampling doesn't pretend to know more. Its step counts as noise of step/√12.

use super::robust;
use crate::channel::Channel;
use crate::measured::{Measured, Reason};
use crate::trace::Trace;

/// Correlation time of a sensor's errors, s (common practice, no source).
const CORRELATION_S: f64 = 2.0;
/// Variance of a median over that of a mean, for normal errors: π/2.
const MEDIAN_PENALTY: f64 = std::f64::consts::FRAC_PI_2;

/// Fewer steps than this over a stretch are few.
const FEW_STEPS: f64 = 4.0;

/// A value and its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Estimate {
    pub(super) value: f64,
    pub(super) se: f64,
}

impl From<Estimate> for Measured {
    /// Absurd input may overflow: that is no value.
    fn from(e: Estimate) -> Self {
        if e.value.is_finite() && e.se.is_finite() {
            Self::Value { value: e.value, se: e.se }
        } else {
            Self::no(Reason::TooFewReadings)
        }
    }
}

/// The readings of one channel.
#[derive(Debug, Clone)]
pub(super) struct Series {
    time_s: Vec<f64>,
    values: Vec<f64>,
    /// The sensor's step, 0 where none shows.
    pub(super) step: f64,
}

impl Series {
    /// `None` where the channel is absent or was never read.
    pub(super) fn of(trace: &Trace, channel: Channel) -> Option<Self> {
        let column = trace.column(channel)?;
        let read = trace.time_s.iter().zip(column).filter(|(_, v)| v.is_finite());
        let (time_s, values): (Vec<f64>, Vec<f64>) = read.map(|(&t, &v)| (t, v)).unzip();
        let step = step_of(&values);
        (!values.is_empty()).then_some(Self { time_s, values, step })
    }

    /// The readings at `from_s ≤ t < to_s`.
    pub(super) fn within(&self, from_s: f64, to_s: f64) -> Window<'_> {
        let from = self.time_s.partition_point(|&t| t < from_s);
        let to = self.time_s.partition_point(|&t| t < to_s).max(from);
        Window { time_s: &self.time_s[from..to], values: &self.values[from..to], step: self.step }
    }

    /// Median distance between readings, s.
    pub(super) fn interval_s(&self) -> f64 {
        let gaps: Vec<f64> = self.time_s.windows(2).map(|w| w[1] - w[0]).collect();
        robust::median(&gaps).unwrap_or(1.0)
    }
}

/// The least distance between values that occur: the sensor's step where it has one.
fn step_of(values: &[f64]) -> f64 {
    const SAME: f64 = 1e-6;
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let gaps = sorted.windows(2).map(|w| w[1] - w[0]).filter(|&g| g > SAME);
    let least = gaps.fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 0.0 }
}

/// A stretch of readings.
#[derive(Debug, Clone, Copy)]
pub(super) struct Window<'a> {
    pub(super) time_s: &'a [f64],
    pub(super) values: &'a [f64],
    step: f64,
}

impl Window<'_> {
    pub(super) fn len(&self) -> usize {
        self.values.len()
    }

    pub(super) fn span_s(&self) -> f64 {
        match (self.time_s.first(), self.time_s.last()) {
            (Some(first), Some(last)) => last - first,
            _ => 0.0,
        }
    }

    pub(super) fn max(&self) -> f64 {
        self.values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
    }

    pub(super) fn min(&self) -> f64 {
        self.values.iter().copied().fold(f64::INFINITY, f64::min)
    }

    fn n_independent(&self) -> f64 {
        (1.0 + self.span_s() / CORRELATION_S).min(self.len() as f64).max(1.0)
    }

    fn quantisation_variance(&self) -> f64 {
        self.step * self.step / 12.0
    }

    /// The median; three readings at least. A still sensor's step does not average out.
    pub(super) fn median(&self) -> Option<Estimate> {
        const READINGS_MIN: usize = 3;
        if self.len() < READINGS_MIN {
            return None;
        }
        let sd = robust::sd(self.values)?;
        let variance = sd * sd * MEDIAN_PENALTY / self.n_independent() + self.quantisation_variance();
        Some(Estimate { value: robust::median(self.values)?, se: variance.sqrt() })
    }

    /// Theil–Sen slope per second with its standard error; five readings at least.
    pub(super) fn slope(&self) -> Option<Estimate> {
        const READINGS_MIN: usize = 5;
        if self.len() < READINGS_MIN {
            return None;
        }
        // Ties between stepped readings would pull the median slope to zero: means over the correlation time first.
        let (time_s, values) = self.blocks();
        let line = robust::theil_sen(&time_s, &values)?;
        let sd = robust::sd(&self.residuals(line))?;
        let variance = (sd * sd).max(self.quantisation_variance());
        let span_s = self.span_s();
        // Evenly spread times have a variance of span²/12.
        let time_variance = span_s * span_s / 12.0;
        let scatter = (MEDIAN_PENALTY * variance / (self.n_independent() * time_variance)).sqrt();
        // Over few steps the rounding is one long wave that does not average out.
        let n_steps = if self.step > 0.0 { (line.slope * span_s / self.step).abs() } else { f64::INFINITY };
        let rounding = if n_steps < FEW_STEPS { self.step / span_s } else { 0.0 };
        Some(Estimate { value: line.slope, se: scatter.hypot(rounding) })
    }

    /// Means over the correlation time, where the stretch has many of them; else the readings themselves.
    fn blocks(&self) -> (Vec<f64>, Vec<f64>) {
        const BLOCKS_MIN: f64 = 8.0;
        if self.span_s() < BLOCKS_MIN * CORRELATION_S {
            return (self.time_s.to_vec(), self.values.to_vec());
        }
        let block_of = |t: f64| ((t - self.time_s[0]) / CORRELATION_S).floor();
        let same_block = |a: &(f64, f64), b: &(f64, f64)| block_of(a.0) == block_of(b.0);
        let readings: Vec<(f64, f64)> =
            self.time_s.iter().copied().zip(self.values.iter().copied()).collect();
        let means = readings.chunk_by(same_block).map(|block| {
            let n = block.len() as f64;
            (block.iter().map(|r| r.0).sum::<f64>() / n, block.iter().map(|r| r.1).sum::<f64>() / n)
        });
        means.unzip()
    }

    /// Scatter about the stretch's own line.
    pub(super) fn scatter(&self) -> Option<Estimate> {
        const READINGS_MIN: usize = 8;
        if self.len() < READINGS_MIN {
            return None;
        }
        let residuals = self.residuals(robust::theil_sen(self.time_s, self.values)?);
        let value = robust::sd(&residuals)?;
        // A robust deviation has 37 % of the efficiency of the ordinary one (Rousseeuw and Croux 1993).
        let se = value / (2.0 * 0.37 * self.len() as f64).sqrt();
        Some(Estimate { value, se: se.max(self.quantisation_variance().sqrt()) })
    }

    fn residuals(&self, line: robust::Line) -> Vec<f64> {
        self.time_s.iter().zip(self.values).map(|(&t, &v)| v - line.at(t)).collect()
    }

    /// The largest median of any stretch of that length: a peak that one odd reading cannot make.
    pub(super) fn sustained_max(&self, length_s: f64) -> Option<Estimate> {
        self.stretches(length_s).filter_map(|w| w.median()).max_by(|a, b| a.value.total_cmp(&b.value))
    }

    /// All stretches of that length, one for each reading at which one ends.
    fn stretches(&self, length_s: f64) -> impl Iterator<Item = Window<'_>> {
        let mut from = 0;
        (0..self.len()).map(move |to| {
            while self.time_s[to] - self.time_s[from] > length_s {
                from += 1;
            }
            Window { time_s: &self.time_s[from..=to], values: &self.values[from..=to], step: self.step }
        })
    }

    /// The temperature at `at_s` of an exponential fall towards `base`, fitted to this stretch, with its slope.
    pub(super) fn decay(&self, base: f64) -> Option<Decay> {
        const READINGS_MIN: usize = 3;
        let least = self.step.max(0.05) / 2.0;
        let excess: Vec<f64> =
            self.values.iter().map(|v| if v - base > least { (v - base).ln() } else { f64::NAN }).collect();
        if excess.iter().filter(|e| e.is_finite()).count() < READINGS_MIN {
            return None;
        }
        let line = robust::theil_sen(self.time_s, &excess)?;
        let fitted = |t: f64| base + line.at(t).exp();
        let residuals: Vec<f64> = self.time_s.iter().zip(self.values).map(|(&t, &v)| v - fitted(t)).collect();
        let sd = robust::sd(&residuals)?;
        let variance = (sd * sd).max(self.quantisation_variance());
        Some(Decay { line, base, se_k: (MEDIAN_PENALTY * variance / self.n_independent()).sqrt() })
    }
}

/// A local exponential: ln(T − base) is a straight line in time.
#[derive(Debug, Clone, Copy)]
pub(super) struct Decay {
    line: robust::Line,
    base: f64,
    pub(super) se_k: f64,
}

impl Decay {
    pub(super) fn at(&self, time_s: f64) -> f64 {
        self.base + self.line.at(time_s).exp()
    }

    /// When it passes a level, and how fast it falls there, K/s.
    pub(super) fn crossing(&self, level: f64) -> Option<(f64, f64)> {
        let excess = level - self.base;
        if excess <= 0.0 || self.line.slope >= 0.0 {
            return None;
        }
        Some(((excess.ln() - self.line.intercept) / self.line.slope, self.line.slope.abs() * excess))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(values: Vec<f64>, dt_s: f64) -> Series {
        let time_s = (0..values.len()).map(|i| i as f64 * dt_s).collect();
        let step = step_of(&values);
        Series { time_s, values, step }
    }

    #[test]
    fn standard_error_of_a_still_sensor_is_its_step() {
        let mut values = vec![40.0; 60];
        values[7] = 41.0;
        let estimate = series(values, 0.25).within(0.0, 1e9).median().unwrap();
        assert_eq!(estimate.value, 40.0);
        assert!((estimate.se - 1.0 / 12.0_f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn sampling_twice_as_fast_does_not_halve_the_error() {
        let wave = |i: usize, dt: f64| 50.0 + (i as f64 * dt * 3.0).sin();
        let slow = series((0..60).map(|i| wave(i, 0.5)).collect(), 0.5);
        let fast = series((0..120).map(|i| wave(i, 0.25)).collect(), 0.25);
        let se = |s: &Series| s.within(0.0, 1e9).median().unwrap().se;
        assert!((se(&slow) / se(&fast) - 1.0).abs() < 0.15);
    }

    /// Newton's cooling, 70 °C in a 20 °C room, k = 0.125 per minute (OpenStax Calculus, m53704): at 45 °C the half
    /// is gone after ln 2 / k = 5.545 minutes.
    #[test]
    fn crossing_of_an_exact_exponential_is_exact() {
        let values = (0..600).map(|i| 20.0 + 50.0 * (-0.125 * f64::from(i) / 60.0).exp()).collect();
        let decay = series(values, 1.0).within(200.0, 500.0).decay(20.0).unwrap();
        let (at_s, _) = decay.crossing(45.0).unwrap();
        assert!((at_s - 60.0 * 2.0_f64.ln() / 0.125).abs() < 1e-6, "{at_s}");
        assert!((decay.at(300.0) - 46.76307142594951).abs() < 1e-9);
    }
}
