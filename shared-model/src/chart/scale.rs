//! From values to pixels, and where the ticks stand.

use super::{Band, Panel};

/// A straight map from values to pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Axis {
    /// Value at the first pixel.
    pub low: f64,
    /// Value at the last pixel.
    pub high: f64,
    px_low: f64,
    px_high: f64,
}

impl Axis {
    /// An axis from `low` at `px_low` to `high` at `px_high`. A range of nothing is widened to one unit.
    pub fn new(low: f64, high: f64, px_low: f64, px_high: f64) -> Self {
        let high = if high - low < 1e-9 { low + 1.0 } else { high };
        Self { low, high, px_low, px_high }
    }

    /// The pixel of a value.
    pub fn px(&self, value: f64) -> f64 {
        self.px_low + (value - self.low) / (self.high - self.low) * (self.px_high - self.px_low)
    }

    /// The axis widened to whole ticks.
    pub(super) fn rounded(self) -> Self {
        let step = tick_step(self.high - self.low, 5);
        Self { low: (self.low / step).floor() * step, high: (self.high / step).ceil() * step, ..self }
    }

    /// Ticks on round values, about `n` of them.
    pub fn ticks(&self, n: u32) -> Vec<f64> {
        ticks_by(self.low, self.high, tick_step(self.high - self.low, n))
    }

    /// Ticks for seconds: on whole 10 s, minutes or hours.
    pub fn time_ticks(&self, n: u32) -> Vec<f64> {
        const STEPS_S: [f64; 12] =
            [1.0, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0, 14_400.0, 86_400.0];
        let rough = (self.high - self.low) / f64::from(n);
        let step = STEPS_S.into_iter().find(|s| *s >= rough).unwrap_or(rough.ceil());
        ticks_by(self.low, self.high, step)
    }
}

/// `m:ss`, or `h:mm:ss` from an hour on.
pub fn clock_label(seconds: f64) -> String {
    let s = seconds.round().max(0.0) as u64;
    let (h, m, s) = (s / 3600, s / 60 % 60, s % 60);
    if h > 0 { format!("{h}:{m:02}:{s:02}") } else { format!("{m}:{s:02}") }
}

/// Least and largest value of a panel and the bands under it, with its levels near them.
pub(super) fn extent(panel: &Panel<'_>, bands: &[&Band]) -> (f64, f64) {
    let lines = panel.series.iter().flat_map(|s| s.values.iter().copied());
    let edges = bands.iter().flat_map(|b| b.low.iter().chain(&b.high).copied());
    let read = lines.chain(edges).filter(|v| v.is_finite());
    let (mut low, mut high) =
        read.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
    if low > high {
        return (0.0, 1.0);
    }
    for level in &panel.levels {
        low = low.min(level.value);
        high = high.max(level.value);
    }
    panel.from_zero_to.map_or((low, high), |least| (0.0, high.max(least)))
}

fn ticks_by(low: f64, high: f64, step: f64) -> Vec<f64> {
    // A tick that rounding puts a hair beyond the end still belongs to it.
    let first = (low / step - 1e-9).ceil();
    let last = (high / step + 1e-9).floor();
    let n = (last - first).clamp(0.0, 100.0) as u32;
    (0..=n).map(|i| (first + f64::from(i)) * step).collect()
}

/// 1, 2 or 5 times a power of ten.
fn tick_step(range: f64, n: u32) -> f64 {
    let rough = range / f64::from(n);
    let decade = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().find(|m| m * decade >= rough * 0.999).unwrap_or(10.0);
    step * decade
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let axis = Axis::new(38.2, 71.9, 100.0, 0.0).rounded();
        assert_eq!((axis.low, axis.high), (30.0, 80.0));
        assert_eq!(axis.ticks(5), vec![30.0, 40.0, 50.0, 60.0, 70.0, 80.0]);
        assert_eq!(axis.px(30.0), 100.0);
        assert_eq!(axis.px(80.0), 0.0);
    }

    #[test]
    fn time_ticks_are_what_a_clock_shows() {
        let axis = Axis::new(0.0, 390.0, 0.0, 100.0);
        assert_eq!(axis.time_ticks(7), vec![0.0, 60.0, 120.0, 180.0, 240.0, 300.0, 360.0]);
        assert_eq!(clock_label(75.0), "1:15");
        assert_eq!(clock_label(3675.0), "1:01:15");
    }
}
