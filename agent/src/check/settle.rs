//! Whether a laptop at rest has come to rest.

use windrow_model::analysis::robust::theil_sen;

/// Slope under which a laptop counts as settled, K/min (docs/method.md; common practice, no source).
pub const SETTLED_K_PER_MIN: f64 = 0.5;
/// Length of the stretch that is looked at, s; a shorter settle phase looks at what there is.
pub const WINDOW_S: f64 = 60.0;
/// Readings needed before anything is said.
const READINGS_MIN: usize = 8;

/// The last stretch of the settle phase.
#[derive(Debug, Clone, Default)]
pub struct Settling {
    time_s: Vec<f64>,
    temp_c: Vec<f64>,
}

impl Settling {
    /// Takes a reading.
    pub fn observe(&mut self, time_s: f64, temp_c: f64) {
        self.time_s.push(time_s);
        self.temp_c.push(temp_c);
        let n_old = self.time_s.partition_point(|&t| t < time_s - WINDOW_S);
        self.time_s.drain(..n_old);
        self.temp_c.drain(..n_old);
    }

    /// Slope over the stretch, K/min. Theil–Sen: one step of a sensor in whole degrees doesn't tilt it.
    pub fn slope_k_per_min(&self) -> Option<f64> {
        if self.time_s.len() < READINGS_MIN {
            return None;
        }
        theil_sen(&self.time_s, &self.temp_c).map(|line| line.slope * 60.0)
    }

    /// Whether the slope is known and small.
    pub fn is_settled(&self) -> bool {
        self.slope_k_per_min().is_some_and(|slope| slope.abs() < SETTLED_K_PER_MIN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settling(temp_at: impl Fn(f64) -> f64) -> Settling {
        let mut s = Settling::default();
        for idx in 0..240 {
            let t = f64::from(idx) * 0.25;
            s.observe(t, temp_at(t));
        }
        s
    }

    #[test]
    fn half_a_kelvin_a_minute_is_the_border() {
        assert!(settling(|t| 40.0 + 0.49 * t / 60.0).is_settled());
        assert!(!settling(|t| 40.0 + 0.51 * t / 60.0).is_settled());
        assert!(!settling(|t| 40.0 - 0.51 * t / 60.0).is_settled());
    }

    #[test]
    fn a_flickering_last_digit_is_rest() {
        assert!(settling(|t| if ((t * 4.0) as u32).is_multiple_of(3) { 41.0 } else { 40.0 }).is_settled());
    }

    #[test]
    fn nothing_is_said_of_a_few_readings() {
        assert!(!Settling::default().is_settled());
    }
}
