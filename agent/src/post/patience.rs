//! How long and how often to try: exponential backoff with full jitter, within a limit on tries and on time.

use std::time::{Duration, Instant};

use crate::stop::StopFlag;

/// First wait's ceiling, s.
const FIRST_S: f64 = 1.0;
/// Longest single wait of our own, s.
const LONGEST_S: f64 = 60.0;

/// How often and how long to try.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patience {
    /// Most tries of one document.
    pub tries_max: u32,
    /// Most seconds of waiting in all, over all documents of a command.
    pub wait_max_s: f64,
}

impl Patience {
    /// After a check somebody may be sitting there: the record is safe and `send` tries again another day.
    pub const AFTER_CHECK: Self = Self { tries_max: 4, wait_max_s: 30.0 };
    /// `windrow send`.
    pub const SEND: Self = Self { tries_max: 8, wait_max_s: 300.0 };
}

/// Waits and draws: the real clock, or a test's own.
pub trait Wait {
    /// Waits.
    fn wait(&mut self, time: Duration);
    /// A number in 0..1.
    fn draw(&mut self) -> f64;
}

/// Longest nap between two looks at the stop flag.
const NAP: Duration = Duration::from_millis(50);

/// The real clock and the operating system's randomness. A raised flag ends a wait early.
#[derive(Debug, Default)]
pub struct RealWait {
    /// Whoever may want the command to end.
    pub stop: StopFlag,
}

impl Wait for RealWait {
    fn wait(&mut self, time: Duration) {
        let until = Instant::now() + time;
        while self.stop.raised().is_none() {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            std::thread::sleep(left.min(NAP));
        }
    }

    fn draw(&mut self) -> f64 {
        let mut bytes = [0_u8; 4];
        // Without randomness the jitter is lost, and nothing else.
        let _ = getrandom::fill(&mut bytes);
        f64::from(u32::from_le_bytes(bytes)) / (f64::from(u32::MAX) + 1.0)
    }
}

/// What is left of the patience.
#[derive(Debug, Clone, Copy)]
pub(super) struct Budget {
    patience: Patience,
    waited_s: f64,
}

impl Budget {
    /// All of it.
    pub(super) fn new(patience: Patience) -> Self {
        Self { patience, waited_s: 0.0 }
    }

    /// How long to wait after the `n_tries`-th try (from 1) before the next one, or `None` to give up. A hub's own
    /// `Retry-After` is a floor, with the jitter above it, lest a whole fleet comes back in the same second.
    pub(super) fn next_wait_s(&mut self, n_tries: u32, after_s: Option<u64>, draw: f64) -> Option<f64> {
        if n_tries >= self.patience.tries_max {
            return None;
        }
        let ceiling_s = (FIRST_S * 2f64.powi(n_tries.min(16).cast_signed() - 1)).min(LONGEST_S);
        let wait_s = after_s.map_or(0.0, |s| s as f64) + ceiling_s * draw.clamp(0.0, 1.0);
        if self.waited_s + wait_s > self.patience.wait_max_s {
            return None;
        }
        self.waited_s += wait_s;
        Some(wait_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MANY: Patience = Patience { tries_max: 100, wait_max_s: 1e9 };

    #[test]
    fn waits_double_up_to_a_ceiling() {
        let mut budget = Budget::new(MANY);
        let ceilings: Vec<f64> = (1..=9).filter_map(|n| budget.next_wait_s(n, None, 1.0)).collect();
        assert_eq!(ceilings, [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0, 60.0]);
        assert_eq!(budget.next_wait_s(5, None, 0.5), Some(8.0));
    }

    #[test]
    fn the_hub_s_time_is_a_floor() {
        assert_eq!(Budget::new(MANY).next_wait_s(1, Some(7), 0.0), Some(7.0));
        assert_eq!(Budget::new(MANY).next_wait_s(1, Some(7), 1.0), Some(8.0));
    }

    #[test]
    fn tries_and_time_run_out() {
        let mut few = Budget::new(Patience { tries_max: 2, wait_max_s: 1e9 });
        assert!(few.next_wait_s(1, None, 0.0).is_some());
        assert_eq!(few.next_wait_s(2, None, 0.0), None);
        let mut short = Budget::new(Patience { tries_max: 100, wait_max_s: 10.0 });
        assert_eq!(short.next_wait_s(1, Some(9), 0.0), Some(9.0));
        assert_eq!(
            short.next_wait_s(2, Some(2), 0.0),
            None,
            "a hub may not hold us longer than our patience"
        );
        assert_eq!(short.next_wait_s(1, Some(u64::MAX), 0.0), None);
    }
}
