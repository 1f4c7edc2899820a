//! A fan that stumbles: its speed breaks in from one reading to the next and comes back within seconds.
//!
//! A worn bearing sticks for a moment, and friction stops a fan far faster than a controller that asks for less can.
//! Loss of speed, failure to start and a locked rotor are the signs of fans whose bearings fail (Miao et al. 2013, Sensors
//! 13:274; Jin et al. 2011, PHM conference, authors from memory); that the speed breaks in before is common practice, no
//! source.
//! Counted is what no controller does: a fall by a tenth in one reading, and a slower return.

use serde::{Deserialize, Serialize};

/// How often a fan stumbled while it was watched.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Stumbles {
    /// How often.
    pub count: u32,
    /// How long it turned under load and was read often enough, s.
    pub watched_s: f64,
}

impl Stumbles {
    /// Stumbles a second; 0 where it was not watched.
    pub fn per_s(&self) -> f64 {
        if self.watched_s > 0.0 { f64::from(self.count) / self.watched_s } else { 0.0 }
    }
}

/// A fall counts from this share of the speed on: a motor left to itself loses a tenth in half a second at most where it
/// takes some five seconds to stop.
const FALL_SHARE: f64 = 0.10;
/// The fall happens within this time, or in one reading where these are rarer, s.
const FALL_S: f64 = 0.6;
/// Readings rarer than this miss it, s.
const READING_MAX_S: f64 = 1.6;
/// Below this speed a step is too large a share of it, rpm.
const TURNING_RPM: f64 = 600.0;
/// Half of the loss is back within this time, s: else the fan was told to turn more slowly.
const BACK_WITHIN_S: f64 = 10.0;
const BACK_SHARE: f64 = 0.5;
/// If the next reading has more than this share of the loss again, the one before was misread.
const MISREAD_SHARE: f64 = 0.7;

/// Counts in one fan's speed over time, both as long; readings that are not finite are left out.
pub fn count(time_s: &[f64], rpm: &[f64]) -> Stumbles {
    let read: Vec<(f64, f64)> =
        time_s.iter().zip(rpm).map(|(&t, &n)| (t, n)).filter(|r| r.1.is_finite()).collect();
    let mut out = Stumbles::default();
    let mut back_at_s = f64::NEG_INFINITY;
    for at in 1..read.len() {
        let ((before_s, before_rpm), (now_s, now_rpm)) = (read[at - 1], read[at]);
        let step_s = now_s - before_s;
        let is_watched = step_s > 0.0 && step_s <= READING_MAX_S && before_rpm > TURNING_RPM;
        if !is_watched {
            continue;
        }
        out.watched_s += step_s;
        if now_s < back_at_s {
            continue;
        }
        let fell_from_rpm = speed_before(&read[..at], now_s);
        let lost_rpm = fell_from_rpm - now_rpm;
        if lost_rpm > FALL_SHARE * fell_from_rpm
            && let Some(back_s) = comes_back(&read[at..], lost_rpm)
        {
            out.count += 1;
            back_at_s = back_s;
        }
    }
    out
}

/// The speed from which it fell: the highest of the last moment, or the reading before, but no single high one.
fn speed_before(before: &[(f64, f64)], now_s: f64) -> f64 {
    let usual_rpm = match before {
        [.., (_, a), (_, b), (_, c)] => a.max(*b).min(a.min(*b).max(*c)),
        [(_, a), (_, b)] => f64::midpoint(*a, *b),
        _ => f64::INFINITY,
    };
    let just_before = before.iter().rev().take_while(|r| now_s - r.0 <= FALL_S).map(|r| r.1);
    let newest_rpm = before.last().map_or(f64::NAN, |r| r.1);
    just_before.fold(newest_rpm, f64::max).min(usual_rpm)
}

/// When half of what was lost is back; `None` where that is at once, or not soon.
fn comes_back(from_fall: &[(f64, f64)], lost_rpm: f64) -> Option<f64> {
    let (fell_s, low_rpm) = from_fall[0];
    let is_misread = from_fall.get(1)?.1 >= MISREAD_SHARE.mul_add(lost_rpm, low_rpm);
    let after = from_fall[1..].iter().take_while(|r| r.0 - fell_s < BACK_WITHIN_S);
    let back = after.filter(|r| r.1 > BACK_SHARE.mul_add(lost_rpm, low_rpm)).map(|r| r.0).next();
    back.filter(|_| !is_misread)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::channel::Channel;
    use crate::emulate::{RunPlan, model_of, record_run};
    use crate::estimate::network_drive::Drive;
    use crate::trace::Trace;

    const STEP_S: f64 = 0.5;

    fn counted(rpm: &[f64]) -> u32 {
        let time_s: Vec<f64> = (0..rpm.len()).map(|i| i as f64 * STEP_S).collect();
        count(&time_s, rpm).count
    }

    fn steady(n: usize) -> Vec<f64> {
        (0..n).map(|i| 4000.0 + 20.0 * (i as f64).sin()).collect()
    }

    /// A steady speed that falls to `low` and comes back by `tau_s`.
    fn falls(low: f64, tau_s: f64) -> Vec<f64> {
        let mut rpm = steady(60);
        for (i, n) in rpm.iter_mut().skip(30).enumerate() {
            *n += (low - 4000.0) * (-(i as f64) * STEP_S / tau_s).exp();
        }
        rpm
    }

    #[test]
    fn a_fall_in_one_reading_that_comes_back_slowly_is_one_stumble() {
        assert_eq!(counted(&steady(60)), 0);
        assert_eq!(counted(&falls(3200.0, 2.0)), 1);
        assert_eq!(counted(&[falls(3200.0, 2.0), falls(3000.0, 4.0)].concat()), 2);
        // A standstill for a moment is one too.
        assert_eq!(counted(&falls(0.0, 3.0)), 1);
    }

    #[test]
    fn what_a_controller_or_a_misreading_does_is_none() {
        // Told to go slower: it stays there.
        let slower: Vec<f64> =
            steady(60).iter().enumerate().map(|(i, n)| n - if i < 30 { 0.0 } else { 900.0 }).collect();
        assert_eq!(counted(&slower), 0);
        // Slower for a while, by a motor's own time constant of 2 s, and faster again.
        let mut wish_rpm = 4000.0;
        let mut rpm = Vec::new();
        for i in 0..60 {
            let goal = if (20..28).contains(&i) { 3000.0 } else { 4000.0 };
            wish_rpm += (goal - wish_rpm) * (1.0 - (-STEP_S / 2.0_f64).exp());
            rpm.push(wish_rpm);
        }
        assert!(rpm.iter().any(|n| *n < 3300.0) && rpm[1..].iter().zip(&rpm).all(|(b, a)| b > &(0.75 * a)));
        let fastest_fall = rpm.windows(2).map(|w| 1.0 - w[1] / w[0]).fold(0.0, f64::max);
        assert!(fastest_fall < FALL_SHARE, "{fastest_fall}");
        assert_eq!(counted(&rpm), 0);
        // One reading misread, low or high; and one that is missing.
        for (misread, at) in [(3000.0, 30), (5500.0, 30), (f64::NAN, 30)] {
            let mut rpm = steady(60);
            rpm[at] = misread;
            assert_eq!(counted(&rpm), 0, "{misread}");
        }
        // Too small a fall.
        assert_eq!(counted(&falls(3700.0, 2.0)), 0);
    }

    #[test]
    fn only_a_fan_that_turns_and_is_read_often_enough_is_watched() {
        let slow_s: Vec<f64> = (0..60).map(|i| f64::from(i) * 2.0).collect();
        assert_eq!(count(&slow_s, &falls(3200.0, 2.0)), Stumbles::default());
        let time_s: Vec<f64> = (0..60).map(|i| f64::from(i) * STEP_S).collect();
        assert_eq!(count(&time_s, &[0.0; 60]), Stumbles::default());
        assert!((count(&time_s, &steady(60)).watched_s - 29.5).abs() < 1e-9);
        assert_eq!(count(&[], &[]), Stumbles::default());
    }

    fn recorded(faults: &str, hz: f64) -> Trace {
        let mut plan = RunPlan { faults: faults.parse().unwrap(), ..RunPlan::default() };
        plan.protocol.sample_hz = hz;
        record_run(&model_of("Tamsel 14").unwrap(), &plan)
    }

    #[test]
    fn an_emulated_fan_is_told_to_stumble_as_often_as_it_does_whatever_the_sampling() {
        for hz in [1.0, 2.0, 4.0] {
            let of = |faults: &str| Drive::from_trace(&recorded(faults, hz)).unwrap().stumbles.unwrap();
            for sound in ["", "fan=0.7", "airflow=0.4", "fan-late=20", "ambient=33"] {
                assert_eq!(of(sound).count, 0, "{sound} at {hz} Hz");
            }
            let seen = of("stumble=4,fan=0.8");
            let expected = 4.0 / 60.0 * seen.watched_s;
            let off = f64::from(seen.count) - expected;
            assert!(seen.watched_s > 100.0 && off.abs() < 0.3 * expected, "{seen:?} at {hz} Hz");
        }
        let mut blind = recorded("stumble=4", 2.0);
        blind.remove_column(Channel::Fan1Rpm);
        assert_eq!(Drive::from_trace(&blind).unwrap().stumbles, None);
    }

    proptest! {
        #[test]
        fn any_readings_are_counted_within_their_number_and_time(
            readings in prop::collection::vec((-1e6..1e6, prop_oneof![8 => -1e4..2e4, 1 => Just(f64::NAN)]), 0..200),
        ) {
            let (time_s, rpm): (Vec<f64>, Vec<f64>) = readings.iter().copied().unzip();
            let seen = count(&time_s, &rpm);
            prop_assert!((seen.count as usize) < readings.len().max(1));
            prop_assert!(seen.watched_s >= 0.0 && seen.watched_s <= READING_MAX_S * readings.len() as f64);
        }
    }
}
