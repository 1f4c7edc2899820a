//! Throttling and what it costs in work.

use super::heating::or_few;
use super::phases::Phases;
use super::series::{Estimate, Series};
use crate::channel::Channel;
use crate::measured::{Measured, Reason};
use crate::trace::Trace;

/// The work rate at first is the median over this stretch, s after the load's start.
const FIRST_FROM_S: f64 = 1.0;
const FIRST_TO_S: f64 = 8.0;
/// The sustained part is the last stretch of the load, s.
const SUSTAINED_S: f64 = 30.0;
/// The load must last this long for a sustained part, s.
const LOAD_MIN_S: f64 = 30.0;

/// What throttling is known from.
pub(super) struct Throttling {
    pub(super) first: Measured,
    pub(super) share: Measured,
}

pub(super) fn throttling(trace: &Trace, phases: &Phases) -> Throttling {
    let ms = Series::of(trace, Channel::ThrottleMs);
    let count = Series::of(trace, Channel::ThrottleCount);
    match (ms, count) {
        (Some(ms), count) => by_time(&ms, count.as_ref(), phases),
        (None, Some(count)) => by_count(&count, phases),
        (None, None) => {
            let no = Measured::no(Reason::NoChannel);
            Throttling { first: no, share: no }
        }
    }
}

/// Counters count since boot: differences alone mean something.
fn by_time(ms: &Series, count: Option<&Series>, phases: &Phases) -> Throttling {
    let (on_s, off_s) = (phases.load_start_s, phases.load_end_s);
    let gains = gains_of(ms, on_s, off_s);
    if gains.is_empty() {
        let no = Measured::no(Reason::TooFewReadings);
        return Throttling { first: no, share: no };
    }
    // More than the time that passed cannot be: several cores counted, or a counter that went wrong.
    let throttled_s: f64 = gains.iter().map(|g| (g.counted / 1000.0).min(g.passed_s)).sum();
    let length_s = (off_s - on_s).max(ms.interval_s());
    let share = (throttled_s / length_s).clamp(0.0, 1.0);
    let first_by_time = first_gain(&gains, on_s);
    let first_by_count = count.and_then(|c| first_gain(&gains_of(c, on_s, off_s), on_s));
    let first = match (first_by_time, first_by_count) {
        (Some(a), Some(b)) => Some(if a.value <= b.value { a } else { b }),
        (a, b) => a.or(b),
    };
    Throttling {
        first: first.map_or(Measured::no(Reason::NotApplicable), Measured::from),
        share: Measured::Value { value: share, se: ms.interval_s() / 12.0_f64.sqrt() / length_s },
    }
}

/// Where events alone are counted: the share of seconds in which there was one.
fn by_count(count: &Series, phases: &Phases) -> Throttling {
    let (on_s, off_s) = (phases.load_start_s, phases.load_end_s);
    let n_seconds = (off_s - on_s).floor().max(1.0);
    let gains = gains_of(count, on_s, off_s);
    if gains.is_empty() {
        let no = Measured::no(Reason::TooFewReadings);
        return Throttling { first: no, share: no };
    }
    let mut seconds: Vec<i64> =
        gains.iter().filter(|g| g.counted > 0.0).map(|g| (g.at_s - on_s).floor() as i64).collect();
    seconds.dedup();
    let share = (seconds.len() as f64 / n_seconds).min(1.0);
    // An event may last: that it did not go on is not known, so the error is no smaller than this.
    let se = (share * (1.0 - share) / n_seconds).sqrt().max(1.0 / n_seconds);
    Throttling {
        first: first_gain(&gains, on_s).map_or(Measured::no(Reason::NotApplicable), Measured::from),
        share: Measured::Value { value: share, se },
    }
}

struct Gain {
    at_s: f64,
    passed_s: f64,
    counted: f64,
}

/// Increments of a counter over the load. A fall is a wrap or a reset: what was counted since then is what it shows,
/// where that can be in the time.
fn gains_of(counter: &Series, on_s: f64, off_s: f64) -> Vec<Gain> {
    let w = counter.within(on_s - 2.0 * counter.interval_s(), off_s);
    let gain = |i: usize| {
        let (before, now) = (w.values[i - 1], w.values[i]);
        let passed_s = w.time_s[i] - w.time_s[i - 1];
        let possible = now <= passed_s * 1000.0;
        let counted = if now >= before {
            now - before
        } else if possible {
            now
        } else {
            0.0
        };
        Gain { at_s: w.time_s[i], passed_s, counted }
    };
    (1..w.len()).map(gain).filter(|g| g.at_s > on_s).collect()
}

fn first_gain(gains: &[Gain], on_s: f64) -> Option<Estimate> {
    let first = gains.iter().find(|g| g.counted > 0.0)?;
    let value = (first.at_s - first.passed_s / 2.0 - on_s).max(0.0);
    Some(Estimate { value, se: first.passed_s / 12.0_f64.sqrt() })
}

/// 1 − sustained / first: what boost's end and throttling together take away.
pub(super) fn work_rate_loss(trace: &Trace, phases: &Phases) -> Measured {
    let Some(rate) = Series::of(trace, Channel::WorkRate) else { return Measured::no(Reason::NoChannel) };
    let (on_s, off_s) = (phases.load_start_s, phases.load_end_s);
    if off_s - on_s < LOAD_MIN_S {
        return Measured::no(Reason::PhaseTooShort);
    }
    let first = rate.within(on_s + FIRST_FROM_S, on_s + FIRST_TO_S).median();
    let sustained = rate.within((off_s - SUSTAINED_S).max(on_s + FIRST_TO_S), off_s).median();
    match (first, sustained) {
        (Some(first), Some(sustained)) if first.value >= 1.0 => {
            let kept = sustained.value / first.value;
            let se = (sustained.se / first.value).hypot(kept * first.se / first.value);
            Measured::Value { value: 1.0 - kept, se }
        }
        _ => Measured::no(Reason::TooFewReadings),
    }
}

/// Median package power in the load's last stretch.
pub(super) fn power_sustained(trace: &Trace, phases: &Phases) -> Measured {
    let Some(power) = Series::of(trace, Channel::PackagePowerW) else {
        return Measured::no(Reason::NoChannel);
    };
    let (on_s, off_s) = (phases.load_start_s, phases.load_end_s);
    if off_s - on_s < LOAD_MIN_S {
        return Measured::no(Reason::PhaseTooShort);
    }
    or_few(power.within(off_s - SUSTAINED_S, off_s).median())
}
