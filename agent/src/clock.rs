//! The machine's clock. It counts sleep, so that a suspend shows as a gap and not as a cold jump.

use std::time::Duration;

use rustix::time::{ClockId, Timespec, clock_gettime};

use crate::machine::Clock;

/// Longest nap between two looks at `wake`, s. Short enough that a signal ends the load well within 250 ms, long
/// enough that waiting costs nothing.
const NAP_S: f64 = 0.02;

/// `CLOCK_BOOTTIME`, and the wall clock beside it.
#[derive(Debug, Clone, Copy, Default)]
pub struct BootClock;

/// Seconds since boot, sleep included.
pub fn boot_s() -> f64 {
    seconds(clock_gettime(ClockId::Boottime))
}

fn seconds(t: Timespec) -> f64 {
    t.tv_nsec as f64 * 1e-9 + t.tv_sec as f64
}

impl Clock for BootClock {
    fn now_s(&self) -> f64 {
        boot_s()
    }

    fn awake_s(&self) -> f64 {
        seconds(clock_gettime(ClockId::Monotonic))
    }

    fn sleep_until(&mut self, time_s: f64, wake: &mut dyn FnMut() -> bool) {
        loop {
            let left_s = time_s - boot_s();
            let over = left_s.is_nan() || left_s <= 0.0;
            if over || wake() {
                return;
            }
            std::thread::sleep(Duration::from_secs_f64(left_s.min(NAP_S)));
        }
    }

    fn wall(&self) -> chrono::DateTime<chrono::Utc> {
        chrono::Utc::now()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_until_the_moment_and_looks_around_meanwhile() {
        let mut clock = BootClock;
        let until_s = clock.now_s() + 0.1;
        let mut looks = 0;
        clock.sleep_until(until_s, &mut || {
            looks += 1;
            false
        });
        assert!(clock.now_s() >= until_s);
        assert!(looks >= 2, "looked {looks} times");
    }

    #[test]
    fn wakes_early_and_never_waits_for_the_past() {
        let mut clock = BootClock;
        let far_s = clock.now_s() + 1e6;
        clock.sleep_until(far_s, &mut || true);
        clock.sleep_until(f64::NAN, &mut || false);
        clock.sleep_until(0.0, &mut || false);
        assert!(clock.now_s() < far_s);
    }

    #[test]
    fn time_awake_never_exceeds_time_since_boot() {
        let clock = BootClock;
        let awake_s = clock.awake_s();
        assert!(awake_s > 0.0 && awake_s <= clock.now_s() + 1e-6);
    }
}
