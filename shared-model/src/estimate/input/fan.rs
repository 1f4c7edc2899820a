//! The fan speed that drives the network: measured, or the most likely one where no tachometer is read.

use super::heat::fill_forwards;
use super::{Equipment, Series};
use crate::analysis::robust;
use crate::channel::Channel;
use crate::trace::Trace;

/// What the fan's speed was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FanSource {
    /// Tachometer; the mean where there are two.
    Rpm,
    /// Duty, where no tachometer is read.
    Duty,
    /// A usual fan curve applied to the measured temperature.
    Assumed,
    /// There is no fan.
    None,
}

/// Fan speed per sample.
pub(super) struct FanSeries {
    pub(super) source: FanSource,
    pub(super) share: Vec<f64>,
    pub(super) n_ref_rpm: f64,
    pub(super) sustained: f64,
}

/// Reference speed where the run's own fan never turned (common practice, no source).
const USUAL_RPM: f64 = 4000.0;
/// Slower is a tachometer's noise or a fan that coasts.
const TURNING_RPM: f64 = 300.0;

/// A usual fan curve: on at, full by (firmware fan points read in public threads), °C.
const CURVE_ON_C: f64 = 50.0;
const CURVE_FULL_C: f64 = 90.0;
/// Hysteresis of switching off, K.
const CURVE_HYSTERESIS_K: f64 = 6.0;
/// Speed when just on, as a share of full speed.
const CURVE_FLOOR: f64 = 0.45;
/// Lag of firmware and rotor, s.
const CURVE_LAG_S: f64 = 4.0;

pub(super) fn series(trace: &Trace, series: &Series<'_>, equipment: &Equipment) -> FanSeries {
    let n = series.len();
    if equipment.fanless {
        return FanSeries {
            source: FanSource::None,
            share: vec![0.0; n],
            n_ref_rpm: USUAL_RPM,
            sustained: 0.0,
        };
    }
    if let Some(rpm) = mean_of(trace, [Channel::Fan1Rpm, Channel::Fan2Rpm], n) {
        return scaled(FanSource::Rpm, rpm, series, equipment.n_ref_rpm, TURNING_RPM, USUAL_RPM);
    }
    if let Some(duty) = mean_of(trace, [Channel::Pwm1, Channel::Pwm2], n) {
        return scaled(FanSource::Duty, duty, series, None, 10.0, 255.0);
    }
    scaled(FanSource::Assumed, by_curve(series), series, None, 0.0, 1.0)
}

/// Mean of the channels that are read, without gaps; none where nothing was read.
fn mean_of(trace: &Trace, channels: [Channel; 2], n: usize) -> Option<Vec<f64>> {
    let mut columns: Vec<Vec<f64>> = channels
        .iter()
        .filter_map(|&c| trace.column(c))
        .map(|c| c[..n].to_vec())
        .filter(|c| c.iter().any(|v| !v.is_nan()))
        .collect();
    for column in &mut columns {
        fill_forwards(column);
    }
    let n_columns = columns.len() as f64;
    (!columns.is_empty())
        .then(|| (0..n).map(|i| columns.iter().map(|c| c[i]).sum::<f64>() / n_columns).collect())
}

fn scaled(
    source: FanSource,
    speed: Vec<f64>,
    series: &Series<'_>,
    n_ref: Option<f64>,
    turning: f64,
    usual: f64,
) -> FanSeries {
    let mut under_load: Vec<f64> = series.sustained().map(|i| speed[i]).collect();
    let own = robust::median_in_place(&mut under_load).unwrap_or(0.0);
    let own_turns = own > turning;
    let n_ref = n_ref.unwrap_or(if own_turns { own } else { usual });
    FanSeries {
        source,
        share: speed.into_iter().map(|v| v / n_ref).collect(),
        n_ref_rpm: n_ref,
        sustained: if own_turns { own / n_ref } else { 0.0 },
    }
}

/// A usual fan curve with hysteresis and lag, driven by the measured temperature.
fn by_curve(series: &Series<'_>) -> Vec<f64> {
    let mut temp_c = series.temp_c.to_vec();
    fill_forwards(&mut temp_c);
    let (mut on, mut speed, mut previous_s) = (false, 0.0, series.time_s[0]);
    let mut smooth_c = temp_c[0];
    let mut next = |i: usize| {
        let dt_s = series.time_s[i] - previous_s;
        previous_s = series.time_s[i];
        let follow = 1.0 - (-dt_s / CURVE_LAG_S).exp();
        smooth_c += (temp_c[i] - smooth_c) * follow;
        on = smooth_c > CURVE_ON_C || (on && smooth_c > CURVE_ON_C - CURVE_HYSTERESIS_K);
        let ramp = ((smooth_c - CURVE_ON_C) / (CURVE_FULL_C - CURVE_ON_C)).clamp(0.0, 1.0);
        let due = if on { CURVE_FLOOR + (1.0 - CURVE_FLOOR) * ramp } else { 0.0 };
        speed += (due - speed) * follow;
        speed
    };
    (0..series.len()).map(&mut next).collect()
}
