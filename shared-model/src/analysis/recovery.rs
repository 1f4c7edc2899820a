//! The recovery: counted from the load's end, over the run's own baseline.

use super::phases::Phases;
use super::series::{Estimate, Series};
use crate::measured::{Measured, Reason};

/// The slow branch is what is left after so long, s: the fast one (die, spreader) is then gone.
const SLOW_FROM_S: f64 = 10.0;
/// The temperature at the slow branch's start is fitted over this much on both sides, s.
const SLOW_START_HALF_WIDTH_S: f64 = 2.0;
/// Least excess over the baseline, K, and in steps of the sensor, for a half time.
const EXCESS_MIN_K: f64 = 3.0;
const EXCESS_MIN_STEPS: f64 = 3.0;
/// A level counts as passed when the median over this stretch from there on is under it, s.
const STAYS_S: f64 = 2.5;

/// The recovery's metrics.
#[derive(Debug, Clone, Copy)]
pub(super) struct Recovery {
    pub(super) half: Measured,
    pub(super) slow_half: Measured,
    pub(super) to_tenth: Measured,
}

impl Recovery {
    pub(super) const fn no(reason: Reason) -> Self {
        let no = Measured::no(reason);
        Self { half: no, slow_half: no, to_tenth: no }
    }
}

/// What the recovery says, with `end` the temperature at the load's end and `base` the run's baseline.
pub(super) fn recovery(temp: &Series, phases: &Phases, to_s: f64, end: Estimate, base: Estimate) -> Recovery {
    let fall = Fall { temp, from_s: phases.load_end_s, to_s, base };
    let whole_k = end.value - base.value;
    if whole_k < EXCESS_MIN_K.max(EXCESS_MIN_STEPS * temp.step) {
        return Recovery::no(Reason::RiseTooSmall);
    }
    Recovery {
        half: fall.time_to(0.5, end, 0.0),
        slow_half: fall.slow_half(),
        to_tenth: fall.time_to(0.1, end, 0.0),
    }
}

struct Fall<'a> {
    temp: &'a Series,
    from_s: f64,
    to_s: f64,
    base: Estimate,
}

impl Fall<'_> {
    /// From `start_s` after the load's end until the excess that was there (`from`) has fallen to `share` of it.
    fn time_to(&self, share: f64, from: Estimate, start_s: f64) -> Measured {
        let level = share.mul_add(from.value - self.base.value, self.base.value);
        let level_se = (share * from.se).hypot((1.0 - share) * self.base.se);
        let begin_s = self.from_s + start_s;
        if self.temp.within(begin_s, self.to_s).len() < 5 {
            return Measured::no(Reason::TooFewReadings);
        }
        let Some(passed_s) = self.first_passed(level, begin_s) else {
            return Measured::Over { over: self.to_s - begin_s };
        };
        self.refine(level, level_se, begin_s, passed_s).into()
    }

    fn slow_half(&self) -> Measured {
        let at_s = self.from_s + SLOW_FROM_S;
        let around = self.temp.within(at_s - SLOW_START_HALF_WIDTH_S, at_s + SLOW_START_HALF_WIDTH_S);
        let Some(decay) = around.decay(self.base.value) else {
            let few = self.to_s < at_s || around.len() < 3;
            return Measured::no(if few { Reason::PhaseTooShort } else { Reason::RiseTooSmall });
        };
        let start = Estimate { value: decay.at(at_s), se: decay.se_k };
        if start.value - self.base.value < EXCESS_MIN_K.max(EXCESS_MIN_STEPS * self.temp.step) {
            return Measured::no(Reason::RiseTooSmall);
        }
        self.time_to(0.5, start, SLOW_FROM_S)
    }

    /// The first reading from which on the temperature stays under the level.
    fn first_passed(&self, level: f64, begin_s: f64) -> Option<f64> {
        let readings = self.temp.within(begin_s, self.to_s);
        readings.time_s.iter().zip(readings.values).find_map(|(&t, &v)| {
            let stays = || {
                let next = self.temp.within(t, (t + STAYS_S).min(self.to_s));
                super::robust::median(next.values).is_some_and(|m| m <= level)
            };
            (v <= level && stays()).then_some(t)
        })
    }

    /// Where a local exponential passes the level: single readings carry the sensor's step.
    fn refine(&self, level: f64, level_se: f64, begin_s: f64, passed_s: f64) -> Estimate {
        let half_width_s = (0.25 * (passed_s - self.from_s)).max(2.0 * self.temp.interval_s()).max(1.0);
        let (low_s, high_s) =
            ((passed_s - half_width_s).max(self.from_s), (passed_s + half_width_s).min(self.to_s));
        let interval_s = self.temp.interval_s();
        let found = self.temp.within(low_s, high_s).decay(self.base.value).and_then(|decay| {
            let (at_s, k_per_s) = decay.crossing(level)?;
            let inside = at_s >= low_s - interval_s && at_s <= high_s + interval_s;
            (inside && k_per_s > 1e-6).then(|| (at_s, level_se.hypot(decay.se_k) / k_per_s))
        });
        let (at_s, se) = found.unwrap_or((passed_s, half_width_s));
        // The load's end itself is known to within a sampling interval.
        Estimate { value: (at_s - begin_s).max(0.0), se: se.hypot(interval_s / 12.0_f64.sqrt()) }
    }
}
