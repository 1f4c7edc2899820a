//! When a notice is tried again, and when no more.

use std::time::Duration;

use crate::store::EpochMs;

/// Longest wait after the first try in vain.
const FIRST: Duration = Duration::from_secs(2);
/// Longest wait of all: a receiver that comes back hears of it within this time.
const LONGEST: Duration = Duration::from_hours(1);
/// From then on a try in vain is the last: over a weekend, and somebody has looked by then. Common practice, no source.
pub const GIVE_UP_AFTER: Duration = Duration::from_hours(72);

/// How long to wait after the `n_tries`-th try in vain (from 1): twice as long each time, up to an hour, of which a share
/// of a half to the whole is waited, by `draw` (0..1), lest all receivers of a building are tried in the same second. A
/// receiver's own wish is a floor, within the longest wait.
pub fn wait(n_tries: u32, wished: Option<Duration>, draw: f64) -> Duration {
    let doubled = FIRST.saturating_mul(1 << n_tries.saturating_sub(1).min(16)).min(LONGEST);
    let drawn = doubled.mul_f64(0.5 + 0.5 * draw.clamp(0.0, 1.0));
    drawn.max(wished.unwrap_or_default().min(LONGEST))
}

/// Whether a notice that was just tried in vain has been tried long enough.
pub fn is_over(made_at_ms: EpochMs, now_ms: EpochMs) -> bool {
    u128::try_from(now_ms.saturating_sub(made_at_ms)).is_ok_and(|age| age >= GIVE_UP_AFTER.as_millis())
}

/// A number in 0..1. Without randomness the jitter is lost, and nothing else.
pub fn draw() -> f64 {
    let mut bytes = [0_u8; 4];
    let _ = getrandom::fill(&mut bytes);
    f64::from(u32::from_le_bytes(bytes)) / (f64::from(u32::MAX) + 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_an_hour() {
        let longest: Vec<u64> = (1..=14).map(|n| wait(n, None, 1.0).as_secs()).collect();
        assert_eq!(longest, [2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 2048, 3600, 3600, 3600]);
        assert_eq!(wait(u32::MAX, None, 1.0), LONGEST);
        assert_eq!(wait(0, None, 1.0), FIRST, "no try in vain, but asked all the same");
    }

    #[test]
    fn between_half_and_the_whole_is_drawn() {
        assert_eq!(wait(3, None, 0.0), Duration::from_secs(4));
        assert_eq!(wait(3, None, 0.5), Duration::from_secs(6));
        for draw in [-1.0, 2.0, f64::INFINITY] {
            let waited = wait(3, None, draw);
            assert!((4..=8).contains(&waited.as_secs()), "{draw}: {waited:?}");
        }
        let drawn: Vec<f64> = (0..100).map(|_| draw()).collect();
        assert!(drawn.iter().all(|d| (0.0..1.0).contains(d)));
        assert!(drawn.iter().any(|d| *d != drawn[0]));
    }

    #[test]
    fn a_receiver_s_wish_is_a_floor_but_not_beyond_the_longest_wait() {
        assert_eq!(wait(1, Some(Duration::from_secs(90)), 0.0), Duration::from_secs(90));
        assert_eq!(wait(8, Some(Duration::from_secs(90)), 1.0), Duration::from_secs(256));
        assert_eq!(wait(1, Some(Duration::MAX), 0.0), LONGEST);
    }

    #[test]
    fn after_three_days_it_is_over() {
        const THREE_DAYS_MS: i64 = 3 * 86_400_000;
        assert!(!is_over(1000, 1000 + THREE_DAYS_MS - 1));
        assert!(is_over(1000, 1000 + THREE_DAYS_MS));
        assert!(!is_over(1000, 0), "the clock was put back");
        assert!(is_over(i64::MIN, i64::MAX));
    }
}
