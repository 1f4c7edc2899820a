//! Baseline, peak, rise and rise rates.

use super::phases::Phases;
use super::series::{Estimate, Series};
use crate::measured::{Measured, Reason};

/// The baseline is the median over this last stretch of settle, s.
const BASELINE_S: f64 = 15.0;
/// A peak must last this long, s.
const PEAK_S: f64 = 3.0;
/// The early rise rate is taken over this first stretch of the load, s.
const EARLY_S: f64 = 8.0;
/// The sustained rate is taken from this share of the load on.
const LATER_FROM_SHARE: f64 = 0.5;
/// Shortest stretch for a sustained rate, s.
const LATER_MIN_S: f64 = 20.0;
/// The temperature at the load's end is the median over this last stretch, s.
const END_S: f64 = 3.0;

/// What the settle and load phases say of the CPU temperature.
#[derive(Debug, Clone, Copy)]
pub(super) struct Heating {
    pub(super) baseline: Option<Estimate>,
    pub(super) end: Option<Estimate>,
    pub(super) peak: Option<Estimate>,
    pub(super) early: Measured,
    pub(super) sustained: Measured,
}

pub(super) fn heating(temp: &Series, phases: &Phases) -> Heating {
    let (on_s, off_s) = (phases.load_start_s, phases.load_end_s);
    let baseline =
        if phases.settle.is_empty() { None } else { temp.within(on_s - BASELINE_S, on_s).median() };
    let early = temp.within(on_s, (on_s + EARLY_S).min(off_s)).slope();
    let later_s = LATER_FROM_SHARE.mul_add(off_s - on_s, on_s);
    let sustained = if off_s - later_s < LATER_MIN_S {
        Measured::no(Reason::PhaseTooShort)
    } else {
        or_few(temp.within(later_s, off_s).slope())
    };
    Heating {
        baseline,
        end: temp.within(off_s - END_S, off_s).median(),
        peak: temp.within(on_s, off_s).sustained_max(PEAK_S),
        early: or_few(early),
        sustained,
    }
}

/// A value where there is one, else that there were too few readings.
pub(super) fn or_few(estimate: Option<Estimate>) -> Measured {
    estimate.map_or(Measured::no(Reason::TooFewReadings), Measured::from)
}

/// The difference of two estimates whose errors are independent.
pub(super) fn difference(a: Estimate, b: Estimate) -> Estimate {
    Estimate { value: a.value - b.value, se: a.se.hypot(b.se) }
}
