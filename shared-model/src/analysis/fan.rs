//! How a fan answers the load.

use super::heating::or_few;
use super::phases::Phases;
use super::series::{Estimate, Series};
use crate::measured::{Measured, Reason};

/// The speed at rest is the median over this last stretch of settle, s.
const REST_S: f64 = 15.0;
/// A highest speed must last this long, s.
const SUSTAINED_S: f64 = 5.0;
/// Less gain than this is no answer, rpm.
const GAIN_MIN_RPM: f64 = 150.0;
/// It has answered at this share of its gain.
const ANSWER_SHARE: f64 = 0.1;
/// Flutter is looked for in this last stretch of the load, s.
const FLUTTER_S: f64 = 60.0;
/// Shortest stretch for flutter, s.
const FLUTTER_MIN_S: f64 = 20.0;

/// One fan's answer.
#[derive(Debug, Clone, Copy)]
pub(super) struct Answer {
    pub(super) delay: Measured,
    pub(super) gain: Measured,
    pub(super) to_ninety: Measured,
    pub(super) max: Measured,
    pub(super) flutter: Measured,
    pub(super) spin_down: Measured,
}

impl Answer {
    pub(super) const fn no(reason: Reason) -> Self {
        let no = Measured::no(reason);
        Self { delay: no, gain: no, to_ninety: no, max: no, flutter: no, spin_down: no }
    }
}

/// How a fan answered; `to_s` is the end of recovery.
pub(super) fn answer(rpm: &Series, phases: &Phases, to_s: f64) -> Answer {
    let (on_s, off_s) = (phases.load_start_s, phases.load_end_s);
    let top = rpm.within(on_s, off_s).sustained_max(SUSTAINED_S);
    let Some(top) = top else { return Answer::no(Reason::TooFewReadings) };
    let rest = if phases.settle.is_empty() { None } else { rpm.within(on_s - REST_S, on_s).median() };
    let mut answer =
        Answer { max: top.into(), flutter: flutter(rpm, on_s, off_s), ..Answer::no(Reason::NoPhase) };
    let Some(rest) = rest else { return answer };
    let gain = super::heating::difference(top, rest);
    answer.gain = gain.into();
    if gain.value < GAIN_MIN_RPM {
        let why = Measured::no(if top.value > 0.0 { Reason::FanConstant } else { Reason::FanStill });
        (answer.delay, answer.to_ninety, answer.spin_down) = (why, why, why);
        return answer;
    }
    let level = |share: f64| share.mul_add(gain.value, rest.value);
    let answered = first_over(rpm, level(ANSWER_SHARE), on_s, off_s);
    answer.delay = since(answered, on_s, rpm, Measured::Over { over: off_s - on_s });
    answer.to_ninety = match answered {
        Some(from_s) => since(
            first_over(rpm, level(0.9), from_s, off_s),
            from_s,
            rpm,
            Measured::no(Reason::TooFewReadings),
        ),
        None => Measured::no(Reason::FanStill),
    };
    answer.spin_down = spin_down(rpm, level(ANSWER_SHARE), off_s, to_s);
    answer
}

/// Of several fans the weaker one speaks: the one with the lowest highest speed.
pub(super) fn weakest(answers: Vec<Answer>) -> Option<Answer> {
    let top = |a: &Answer| a.max.value().unwrap_or(f64::INFINITY);
    answers.into_iter().min_by(|a, b| top(a).total_cmp(&top(b)))
}

fn since(at_s: Option<f64>, from_s: f64, rpm: &Series, otherwise: Measured) -> Measured {
    let se = rpm.interval_s() / 12.0_f64.sqrt();
    at_s.map_or(otherwise, |at_s| Estimate { value: (at_s - from_s).max(0.0), se }.into())
}

/// Between the last reading under the level and the first over it that is followed by another.
fn first_over(rpm: &Series, level: f64, from_s: f64, to_s: f64) -> Option<f64> {
    let w = rpm.within(from_s, to_s);
    let idx =
        (0..w.len()).find(|&i| w.values[i] >= level && w.values.get(i + 1).is_none_or(|&v| v >= level))?;
    let before_s = if idx > 0 { w.time_s[idx - 1] } else { from_s };
    Some(f64::midpoint(before_s, w.time_s[idx]))
}

fn spin_down(rpm: &Series, level: f64, off_s: f64, to_s: f64) -> Measured {
    let w = rpm.within(off_s, to_s);
    if w.len() < 3 {
        return Measured::no(Reason::TooFewReadings);
    }
    match (0..w.len()).find(|&i| w.values[i] <= level && w.values.get(i + 1).is_none_or(|&v| v <= level)) {
        Some(idx) => since(Some(w.time_s[idx]), off_s, rpm, Measured::no(Reason::NoPhase)),
        None => Measured::Over { over: to_s - off_s },
    }
}

fn flutter(rpm: &Series, on_s: f64, off_s: f64) -> Measured {
    let w = rpm.within((off_s - FLUTTER_S).max(f64::midpoint(on_s, off_s)), off_s);
    if w.span_s() < FLUTTER_MIN_S {
        return Measured::no(Reason::PhaseTooShort);
    }
    if w.max() == 0.0 {
        return Measured::no(Reason::FanStill);
    }
    or_few(w.scatter())
}
