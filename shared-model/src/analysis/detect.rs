//! Finds what is wrong with a run: lying sensors and odd circumstances. Thresholds without a source beside them
//! are common practice, no source.

use super::RunContext;
use super::heating::Heating;
use super::phases::Phases;
use super::quality::Finding;
use super::robust;
use super::series::{Series, Window};
use crate::channel::Channel;
use crate::estimate::input::ssd_start_c;
use crate::estimate::is_from_the_cold;
use crate::protocol::Phase;
use crate::trace::Trace;

/// A step between samples longer than this is a sleep, s; and than so many usual steps.
const GAP_MIN_S: f64 = 4.0;
const GAP_MIN_STEPS: f64 = 8.0;
/// Busy share in an idle phase above which other work ran.
const BUSY_SHARE: f64 = 0.05;
/// Power in recovery above settle that is other work: so many watts and this share.
const EXCESS_MIN_W: f64 = 1.0;
const EXCESS_MIN_SHARE: f64 = 0.25;
/// Slope above which a machine hasn't settled, K/min.
const SETTLED_K_PER_MIN: f64 = 0.5;
/// Cooling faster than this it was at work before, K/min (calibrated on simulated fleets: of warm starts 19 in 20 do, of
/// other runs one in 23).
const COOLS_FROM_K_PER_MIN: f64 = 2.5;
/// Slope above which it came in from the cold, K/min (twice what one in twenty undisturbed runs shows; calibrated on
/// simulated fleets).
const WARMS_FROM_K_PER_MIN: f64 = 4.0;
/// Idle above room that is more than idle explains, K.
const IDLE_OVER_ROOM_K: f64 = 30.0;
/// Recovery's end under the baseline that shows a warm start, K.
const WARM_START_K: f64 = 2.0;
/// A load that heats less than this is weak, K.
const WEAK_RISE_K: f64 = 8.0;
/// A load that keeps the CPUs less busy than this is weak.
const WEAK_BUSY_SHARE: f64 = 0.85;
/// A sensor later than this is no die sensor, s.
const LAG_S: f64 = 2.5;
/// A temperature that stands this long while load begins or ends, s, then catches up, was stuck.
const STUCK_S: f64 = 5.5;
/// By so much it catches up, K, within this time, s.
const CATCH_UP_K: f64 = 3.0;
const CATCH_UP_S: f64 = 3.0;
/// Unchanged for all of a load this long is stuck, s.
const FROZEN_LOAD_S: f64 = 20.0;
/// Hot enough that a fan should turn, °C.
const FAN_DUE_C: f64 = 70.0;
/// A slow branch quicker than this doesn't cool without a fan, s: passive laptops take 80 s and more.
const FORCED_SLOW_HALF_S: f64 = 45.0;
/// Two fans equal for so long are one frozen reading, s.
const FROZEN_FANS_S: f64 = 60.0;
/// Duty moved by more than this while a speed stood still, of 255.
const PWM_MOVED: f64 = 25.0;

/// Sleep gaps: where the time jumps.
pub(super) fn gaps(trace: &Trace, phases: &Phases) -> Vec<Finding> {
    let steps: Vec<f64> = trace.time_s.windows(2).map(|w| w[1] - w[0]).collect();
    let usual_s = robust::median(&steps).unwrap_or(0.0);
    let long = |step: f64| step > GAP_MIN_S.max(GAP_MIN_STEPS * usual_s);
    let found = steps.iter().enumerate().filter(|&(_, &step)| long(step));
    found
        .filter_map(|(idx, &length_s)| {
            let at_s = trace.time_s[idx];
            phase_of(phases, idx).map(|phase| Finding::SleepGap { phase, at_s, length_s })
        })
        .collect()
}

fn phase_of(phases: &Phases, idx: usize) -> Option<Phase> {
    [Phase::Settle, Phase::Load, Phase::Recovery].into_iter().find(|&p| phases.range(p).contains(&idx))
}

/// Other work in the idle phases. The first seconds after the load are the load's own end.
pub(super) fn background(trace: &Trace, phases: &Phases, to_s: f64) -> Vec<Finding> {
    const AFTER_LOAD_S: f64 = 2.0;
    let from_s = phases.settle.clone().next().map_or(phases.load_start_s, |i| trace.time_s[i]);
    let mut findings = Vec::new();
    // In a trace from elsewhere the load column is what was measured.
    let busy = Series::of(trace, Channel::BusyPct).or_else(|| Series::of(trace, Channel::LoadPct));
    if let Some(busy) = busy {
        let stretches = [
            (Phase::Settle, busy.within(from_s, phases.load_start_s)),
            (Phase::Recovery, busy.within(phases.load_end_s + AFTER_LOAD_S, to_s)),
        ];
        for (phase, stretch) in stretches {
            if let Some(busy_share) = stretch.median().map(|m| m.value / 100.0).filter(|&b| b > BUSY_SHARE) {
                findings.push(Finding::BackgroundLoad { phase, busy_share });
            }
        }
    }
    if let Some(power) = Series::of(trace, Channel::PackagePowerW) {
        let settle = power.within(from_s, phases.load_start_s).median();
        let recovery = power.within(phases.load_end_s + AFTER_LOAD_S, to_s).median();
        if let (Some(settle), Some(recovery)) = (settle, recovery) {
            let excess_w = recovery.value - settle.value;
            if excess_w > EXCESS_MIN_W.max(EXCESS_MIN_SHARE * settle.value) {
                findings.push(Finding::PowerAboveSettle { excess_w });
            }
        }
    }
    findings
}

/// Whether the run began from rest.
pub(super) fn start(
    trace: &Trace,
    temp: &Series,
    phases: &Phases,
    to_s: f64,
    heating: &Heating,
    context: &RunContext,
) -> Vec<Finding> {
    const SLOPE_OVER_S: f64 = 60.0;
    const SLOPE_MIN_SPAN_S: f64 = 15.0;
    const END_S: f64 = 10.0;
    let mut findings = Vec::new();
    let settle = if phases.settle.is_empty() {
        temp.within(0.0, 0.0)
    } else {
        temp.within(phases.load_start_s - SLOPE_OVER_S, phases.load_start_s)
    };
    let slope = settle.slope().filter(|_| settle.span_s() >= SLOPE_MIN_SPAN_S);
    let mut cooled_k = None;
    if let Some(slope) = slope.filter(|s| s.value.abs() > 2.0 * s.se) {
        let slope_k_per_min = 60.0 * slope.value;
        if slope_k_per_min.abs() > SETTLED_K_PER_MIN {
            findings.push(Finding::NotSettled { slope_k_per_min });
        }
        if slope_k_per_min < -COOLS_FROM_K_PER_MIN {
            cooled_k = Some(-slope.value * settle.span_s());
        }
        if slope_k_per_min > WARMS_FROM_K_PER_MIN {
            findings.push(Finding::ColdSoak { size: slope_k_per_min });
        }
    }
    let Some(baseline) = heating.baseline else { return findings };
    let ssd_c = ssd_start_c(trace);
    let is_said = findings.iter().any(|f| matches!(f, Finding::ColdSoak { .. }));
    if !is_said && is_from_the_cold(baseline.value, ssd_c, context.ambient.as_ref()) {
        let over_k = baseline.value - context.ambient.map_or(f64::NAN, |a| a.value_c);
        findings.push(Finding::ColdSoak { size: over_k });
    }
    let over_room = context.ambient.map(|a| baseline.value - a.value_c - IDLE_OVER_ROOM_K);
    let over_end = temp.within(to_s - END_S, to_s).median().map(|end| baseline.value - end.value);
    let recovered = !phases.recovery.is_empty();
    let over_end = over_end.filter(|&k| recovered && k > WARM_START_K);
    if let Some(excess_k) = over_room.filter(|&k| k > 0.0).or(over_end).or(cooled_k) {
        findings.push(Finding::WarmStart { excess_k });
    }
    findings
}

/// Whether the load loaded, and as long as was asked.
pub(super) fn load(trace: &Trace, phases: &Phases, heating: &Heating, context: &RunContext) -> Vec<Finding> {
    const EARLY_SHARE: f64 = 0.9;
    let mut findings = Vec::new();
    let busy = Series::of(trace, Channel::BusyPct)
        .and_then(|b| b.within(phases.load_start_s, phases.load_end_s).median())
        .map_or(1.0, |m| m.value / 100.0);
    if let (Some(base), Some(peak)) = (heating.baseline, heating.peak) {
        let rise_k = peak.value - base.value;
        if rise_k < WEAK_RISE_K || busy < WEAK_BUSY_SHARE {
            findings.push(Finding::WeakLoad { rise_k });
        }
    }
    let load_s = phases.load_length_s();
    if context.protocol.is_some_and(|p| load_s < EARLY_SHARE * p.load_s) {
        findings.push(Finding::StoppedEarly { load_s });
    }
    findings
}

/// A sensor that answers later than a die does.
pub(super) fn lag(temp: &Series, phases: &Phases, heating: &Heating) -> Option<Finding> {
    let base = heating.baseline?.value;
    let on_s = phases.load_start_s;
    let later = temp.within(on_s + 15.0, (on_s + 20.0).min(phases.load_end_s)).median()?.value;
    if later - base < WEAK_RISE_K {
        return None;
    }
    let answered = 0.2_f64.mul_add(later - base, base);
    let readings = temp.within(on_s, phases.load_end_s);
    let idx = readings.values.iter().position(|&v| v >= answered)?;
    let lag_s = readings.time_s[idx] - on_s;
    (lag_s > LAG_S.max(2.0 * temp.interval_s())).then_some(Finding::SensorLag { lag_s })
}

/// A CPU temperature that stood still when the load began or ended, or all through it.
pub(super) fn stuck(temp: &Series, phases: &Phases, to_s: f64) -> Option<Finding> {
    let (on_s, off_s) = (phases.load_start_s, phases.load_end_s);
    let whole_load = temp.within(on_s, off_s);
    if whole_load.span_s() >= FROZEN_LOAD_S && whole_load.min() == whole_load.max() {
        return Some(stuck_finding(on_s, whole_load.span_s()));
    }
    let after_edge = |edge_s: f64, end_s: f64| stuck_after(temp, edge_s, end_s);
    after_edge(on_s, off_s).or_else(|| after_edge(off_s, to_s))
}

/// Stands from shortly after an edge for longer than a die can, then jumps to where it should be.
fn stuck_after(temp: &Series, edge_s: f64, end_s: f64) -> Option<Finding> {
    const SEARCH_S: f64 = 12.0;
    let readings = temp.within(edge_s, end_s);
    let begins = (0..readings.len()).take_while(|&i| readings.time_s[i] < edge_s + SEARCH_S);
    for from in begins {
        let to = standing_until(&readings, from);
        let length_s = readings.time_s[to - 1] - readings.time_s[from];
        if length_s <= STUCK_S || to == readings.len() {
            continue;
        }
        let released_s = readings.time_s[to];
        let after = temp.within(released_s, (released_s + CATCH_UP_S).min(end_s));
        let moved_k = robust::median(after.values).map_or(0.0, |m| (m - readings.values[from]).abs());
        if moved_k >= CATCH_UP_K.max(3.0 * temp.step) {
            return Some(stuck_finding(readings.time_s[from], length_s));
        }
    }
    None
}

fn standing_until(readings: &Window<'_>, from: usize) -> usize {
    let same = |i: &usize| readings.values[*i] == readings.values[from];
    (from..readings.len()).take_while(same).last().map_or(from + 1, |i| i + 1)
}

fn stuck_finding(from_s: f64, length_s: f64) -> Finding {
    Finding::SensorStuck { channel: Channel::CpuTempC, from_s, length_s }
}

/// Tachometers that lie, and fans that stand.
pub(super) fn fans(
    trace: &Trace,
    phases: &Phases,
    heating: &Heating,
    slow_half_s: Option<f64>,
) -> Vec<Finding> {
    let fan1 = Series::of(trace, Channel::Fan1Rpm);
    let fan2 = Series::of(trace, Channel::Fan2Rpm);
    let pair = fan1.as_ref().zip(fan2.as_ref());
    if let Some(rpm) = pair.and_then(|(a, b)| frozen_alike(a, b)) {
        return vec![Finding::FansFrozenAlike { rpm }];
    }
    let mut findings = Vec::new();
    let peak_c = heating.peak.map_or(f64::NEG_INFINITY, |p| p.value);
    let still: Vec<u8> = [(1, &fan1), (2, &fan2)]
        .into_iter()
        .filter(|(_, fan)| fan.as_ref().is_some_and(|f| stands(f, phases)))
        .map(|(number, _)| number)
        .collect();
    let n_fans = usize::from(fan1.is_some()) + usize::from(fan2.is_some());
    let all_still = n_fans > 0 && still.len() == n_fans;
    match slow_half_s.filter(|&s| all_still && s < FORCED_SLOW_HALF_S) {
        Some(slow_half_s) => findings.push(Finding::RpmZeroWhileCooling { slow_half_s }),
        None if peak_c >= FAN_DUE_C => {
            findings.extend(still.into_iter().map(|fan| Finding::FanStill { fan, peak_c }));
        }
        None => {}
    }
    for (channel, pwm, fan) in
        [(Channel::Fan1Rpm, Channel::Pwm1, fan1), (Channel::Fan2Rpm, Channel::Pwm2, fan2)]
    {
        if let (Some(fan), Some(pwm)) = (fan, Series::of(trace, pwm)) {
            findings.extend(frozen_under_duty(channel, &fan, &pwm));
        }
    }
    findings
}

fn stands(fan: &Series, phases: &Phases) -> bool {
    let loaded = fan.within(phases.load_start_s, phases.load_end_s);
    loaded.len() >= 3 && loaded.max() == 0.0
}

fn frozen_alike(a: &Series, b: &Series) -> Option<f64> {
    let (a, b) = (a.within(f64::MIN, f64::MAX), b.within(f64::MIN, f64::MAX));
    let rpm = a.max();
    let frozen = a.min() == rpm && b.min() == rpm && b.max() == rpm;
    (frozen && rpm > 0.0 && a.len() >= 10 && a.span_s() >= FROZEN_FANS_S).then_some(rpm)
}

/// One speed, never another, while the duty moved.
fn frozen_under_duty(channel: Channel, fan: &Series, pwm: &Series) -> Option<Finding> {
    let (fan, pwm) = (fan.within(f64::MIN, f64::MAX), pwm.within(f64::MIN, f64::MAX));
    let frozen = fan.len() >= 10 && fan.min() == fan.max() && fan.max() > 0.0;
    let moved = pwm.max() - pwm.min() > PWM_MOVED;
    (frozen && moved && fan.span_s() >= FROZEN_FANS_S).then(|| Finding::SensorStuck {
        channel,
        from_s: fan.time_s[0],
        length_s: fan.span_s(),
    })
}
