//! The heat that drives the network: package power, or its shape where power can't be read.

use crate::analysis::robust;
use crate::channel::Channel;
use crate::estimate::input::{Equipment, Series, mean};
use crate::measured::Reason;
use crate::trace::Trace;

/// What the heat was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeatSource {
    /// Measured package power.
    Power,
    /// Core clock: the shape only.
    Clock,
    /// The load's own work rate: the shape only.
    WorkRate,
    /// Busy share or the load asked for: the shape only.
    Load,
}

impl HeatSource {
    /// Whether watts are known, and not the shape alone.
    pub const fn has_watts(self) -> bool {
        matches!(self, Self::Power)
    }
}

/// Sustained package power where nothing is known: a common class of laptop processors under long load
/// (common practice, no source).
pub(crate) const NOMINAL_LOAD_W: f64 = 20.0;
/// Idle power as a share of the sustained power (common practice, no source; the extra heat's prior takes up
/// what is wrong with it).
const IDLE_SHARE: f64 = 0.08;
/// Power against clock at the same work: between f² and f³, since voltage rises with the clock (textbook dynamic
/// power C·V²·f); the value within that range is calibrated on simulated fleets.
const CLOCK_EXPONENT: f64 = 2.3;
/// Growth of power with temperature by leakage, per 100 K: calibrated on simulated fleets.
const LEAKAGE_PER_100_K: f64 = 0.3;
/// Temperature at which the nominal power holds, °C.
const LEAKAGE_AT_C: f64 = 70.0;
/// Mean load power below which a power channel is taken for dead, W.
const DEAD_POWER_W: f64 = 0.5;

/// Heat per sample, W, without gaps.
pub(super) fn series(
    trace: &Trace,
    series: &Series<'_>,
    equipment: &Equipment,
) -> Result<(HeatSource, Vec<f64>), Reason> {
    if let Some(watts) = measured(trace, series) {
        return Ok((HeatSource::Power, watts));
    }
    let nominal_w = equipment.nominal_load_w.unwrap_or(NOMINAL_LOAD_W);
    let (source, shape) = shape(trace, series)?;
    Ok((source, shape.into_iter().map(|s| s * nominal_w).collect()))
}

fn measured(trace: &Trace, series: &Series<'_>) -> Option<Vec<f64>> {
    let watts = trace.column(Channel::PackagePowerW)?.get(..series.len())?;
    let n_read = watts.iter().filter(|w| !w.is_nan()).count();
    let watts = fill_backwards(watts);
    let alive = mean(series.sustained().map(|i| watts[i])) > DEAD_POWER_W;
    (alive && n_read * 10 > series.len()).then_some(watts)
}

/// A reading is the mean since the one before it, so cells that weren't read belong to the next reading.
fn fill_backwards(column: &[f64]) -> Vec<f64> {
    let mut filled = column.to_vec();
    let mut next = f64::NAN;
    for value in filled.iter_mut().rev() {
        if value.is_nan() {
            *value = next;
        } else {
            next = *value;
        }
    }
    fill_forwards(&mut filled);
    filled
}

/// Holds the last reading; zero before the first.
pub(super) fn fill_forwards(column: &mut [f64]) {
    let mut last = column.iter().copied().find(|v| !v.is_nan()).unwrap_or(0.0);
    for value in column {
        if value.is_nan() {
            *value = last;
        } else {
            last = *value;
        }
    }
}

/// Power relative to the sustained power.
fn shape(trace: &Trace, series: &Series<'_>) -> Result<(HeatSource, Vec<f64>), Reason> {
    for (channel, source) in
        [(Channel::CoreClockMhz, HeatSource::Clock), (Channel::WorkRate, HeatSource::WorkRate)]
    {
        if let Some(shape) =
            trace.column(channel).and_then(|column| by_speed(&column[..series.len()], series))
        {
            return Ok((source, shape));
        }
    }
    let column = trace.column(Channel::BusyPct).or_else(|| trace.column(Channel::LoadPct));
    let mut busy = column.ok_or(Reason::NoChannel)?[..series.len()].to_vec();
    fill_forwards(&mut busy);
    Ok((HeatSource::Load, busy.iter().map(|pct| IDLE_SHARE + (1.0 - IDLE_SHARE) * pct / 100.0).collect()))
}

fn by_speed(column: &[f64], series: &Series<'_>) -> Option<Vec<f64>> {
    let mut under_load: Vec<f64> = series.sustained().map(|i| column[i]).filter(|v| !v.is_nan()).collect();
    let sustained = robust::median_in_place(&mut under_load).filter(|s| *s > 0.0)?;
    let mut speed = column.to_vec();
    fill_forwards(&mut speed);
    let mut temp_c = series.temp_c.to_vec();
    fill_forwards(&mut temp_c);
    let shape = |i: usize| {
        if series.loaded[i] {
            let leakage = (LEAKAGE_PER_100_K * (temp_c[i] - LEAKAGE_AT_C) / 100.0).exp();
            (speed[i] / sustained).clamp(0.0, 3.0).powf(CLOCK_EXPONENT) * leakage
        } else {
            IDLE_SHARE
        }
    };
    Some((0..series.len()).map(shape).collect())
}
