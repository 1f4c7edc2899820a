//! From a recorded trace to what the network is driven by and compared with.
//!
//! Power and fan speed drive, the sensor's temperature is compared. What a run cannot be trusted in is masked
//! or weighted down here, and said ([`Spoil`]), before any fit sees it.

mod fan;
mod heat;
mod spoil;
mod thin;

pub use fan::FanSource;
pub use heat::HeatSource;
pub use spoil::{Spoil, SpoilKind};

use crate::analysis::robust;
use crate::channel::Channel;
use crate::measured::Reason;
use crate::protocol::Phase;
use crate::trace::Trace;

/// One step of the network: constant drive for `dt_s`, then a comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Length, s.
    pub dt_s: f64,
    /// Mean package power over the step, W.
    pub heat_w: f64,
    /// Mean fan speed over the step, as a share of the reference speed.
    pub fan: f64,
    /// Its logarithm, so that a sweep needs no logarithms.
    pub ln_fan: f64,
    /// Sensor's temperature at the step's end, °C.
    pub temp_c: f64,
    /// Seconds of evidence in this comparison; 0 = masked.
    pub weight_s: f64,
}

/// What is known of the laptop before the run is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Equipment {
    /// It has no fan.
    pub fanless: bool,
    /// Fan speed that the conductance refers to; without it the run's own sustained speed.
    pub n_ref_rpm: Option<f64>,
    /// Sustained package power of the model under the load, where the run can't read it.
    pub nominal_load_w: Option<f64>,
}

/// A run made ready for the network.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// Steps in order of time.
    pub steps: Vec<Step>,
    /// What the heat was taken from.
    pub heat: HeatSource,
    /// What the fan's speed was taken from.
    pub fan: FanSource,
    /// Fan speed that `Step::fan` is a share of.
    pub n_ref_rpm: f64,
    /// Fan's share of the reference speed over the last third of the load.
    pub fan_sustained: f64,
    /// Mean heat over the last third of the load, W.
    pub load_heat_w: f64,
    /// Length of the load, s.
    pub load_s: f64,
    /// When the load ended, in the run's time, s.
    pub load_end_s: f64,
    /// Length of what follows the load, s.
    pub recovery_s: f64,
    /// Smallest step that the sensor's reading took, K.
    pub sensor_step_k: f64,
    /// Mean temperature before the load, °C; NaN where nothing came before.
    pub idle_c: f64,
    /// First reading of the SSD's temperature, °C; NaN where none was read.
    pub ssd_start_c: f64,
    /// Begin and end, in the run's time, s.
    pub span_s: (f64, f64),
    /// Rise from before the load to its hottest reading, K.
    pub rise_k: f64,
    /// What was found wrong, and done about it.
    pub spoils: Vec<Spoil>,
}

/// Fewest readings of the temperature worth a fit.
const READINGS_MIN: usize = 30;
/// Least rise that stands out of sensor steps and drift, K (common practice, no source).
const RISE_MIN_K: f64 = 4.0;
/// Most samples looked at: a day at 4 Hz. A longer trace is cut, not refused.
const SAMPLES_MAX: usize = 345_600;

/// Prepares a trace.
///
/// # Errors
/// The reason why the network has nothing to say about this run.
pub fn prepare(trace: &Trace, equipment: &Equipment) -> Result<Run, Reason> {
    let series = Series::of(trace)?;
    let spoil::Judged { weight, spoils } = spoil::judge(trace, &series)?;
    let (heat_source, heat_w) = heat::series(trace, &series, equipment)?;
    let fan = fan::series(trace, &series, equipment);
    let rise_k = series.rise_k();
    if rise_k < RISE_MIN_K {
        let stuck = spoils.iter().any(|s| s.kind == SpoilKind::SensorStuck);
        return Err(if stuck { Reason::SensorStuck } else { Reason::RiseTooSmall });
    }
    let steps = thin::steps(&series, &heat_w, &fan.share, &weight);
    Ok(Run {
        steps,
        heat: heat_source,
        fan: fan.source,
        n_ref_rpm: fan.n_ref_rpm,
        fan_sustained: fan.sustained,
        load_heat_w: mean(series.sustained().map(|i| heat_w[i])),
        load_s: series.span_s(series.load_start..series.load_end),
        load_end_s: series.time_s[series.load_end - 1],
        recovery_s: series.span_s(series.load_end..series.len()),
        sensor_step_k: series.sensor_step_k(),
        idle_c: series.idle_c(),
        ssd_start_c: ssd_start_c(trace),
        span_s: (series.time_s[0], series.time_s[series.len() - 1]),
        rise_k,
        spoils,
    })
}

/// First reading of the SSD's temperature; NaN where none was read. It is too slow to matter when.
pub(crate) fn ssd_start_c(trace: &Trace) -> f64 {
    let column = trace.column(Channel::SsdTempC).unwrap_or_default();
    column.iter().copied().find(|c| !c.is_nan()).unwrap_or(f64::NAN)
}

/// Time, temperature and the load's place: what every preparation step needs.
pub(crate) struct Series<'a> {
    pub(crate) time_s: &'a [f64],
    /// NaN where not read.
    pub(crate) temp_c: &'a [f64],
    pub(crate) loaded: Vec<bool>,
    pub(crate) load_start: usize,
    /// One past the last sample under load.
    pub(crate) load_end: usize,
}

impl<'a> Series<'a> {
    fn of(trace: &'a Trace) -> Result<Self, Reason> {
        let n = trace.n_samples().min(SAMPLES_MAX);
        let temp_c = &trace.column(Channel::CpuTempC).ok_or(Reason::NoChannel)?[..n];
        if temp_c.iter().filter(|t| !t.is_nan()).count() < READINGS_MIN {
            return Err(Reason::TooFewReadings);
        }
        let loaded = loaded(trace, n)?;
        let load_start = loaded.iter().position(|&l| l).ok_or(Reason::NoPhase)?;
        let load_end = loaded.iter().rposition(|&l| l).map_or(n, |i| i + 1);
        Ok(Self { time_s: &trace.time_s[..n], temp_c, loaded, load_start, load_end })
    }

    pub(crate) fn len(&self) -> usize {
        self.time_s.len()
    }

    pub(crate) fn span_s(&self, range: std::ops::Range<usize>) -> f64 {
        match (self.time_s.get(range.start), range.end.checked_sub(1).and_then(|i| self.time_s.get(i))) {
            (Some(from), Some(to)) => (to - from).max(0.0),
            _ => 0.0,
        }
    }

    /// Samples of the last third of the load.
    pub(crate) fn sustained(&self) -> impl Iterator<Item = usize> + '_ {
        let from = self.load_end - (self.load_end - self.load_start).div_ceil(3);
        (from..self.load_end).filter(|&i| self.loaded[i])
    }

    /// Times at which the load was switched on or off.
    pub(crate) fn edges_s(&self) -> Vec<f64> {
        (1..self.len()).filter(|&i| self.loaded[i] != self.loaded[i - 1]).map(|i| self.time_s[i]).collect()
    }

    /// Usual time from sample to sample.
    pub(crate) fn usual_dt_s(&self) -> f64 {
        let mut dts: Vec<f64> = self.time_s.windows(2).map(|w| w[1] - w[0]).collect();
        robust::median_in_place(&mut dts).unwrap_or(1.0)
    }

    fn idle_c(&self) -> f64 {
        mean(self.temp_c[..self.load_start.max(1)].iter().copied().filter(|t| !t.is_nan()))
    }

    fn rise_k(&self) -> f64 {
        let readings = || self.temp_c.iter().copied().filter(|t| !t.is_nan());
        let before = self.idle_c();
        let base = if before.is_nan() { readings().fold(f64::INFINITY, f64::min) } else { before };
        readings().fold(f64::NEG_INFINITY, f64::max) - base
    }

    fn sensor_step_k(&self) -> f64 {
        let readings: Vec<f64> = self.temp_c.iter().copied().filter(|t| !t.is_nan()).collect();
        let steps = readings.windows(2).map(|w| (w[1] - w[0]).abs()).filter(|&d| d > 1e-4);
        steps.fold(2.0, f64::min)
    }
}

/// Which samples were under load: by the phase where recorded, else by the load asked for.
fn loaded(trace: &Trace, n: usize) -> Result<Vec<bool>, Reason> {
    if let Some(phase) = &trace.phase {
        return Ok(phase.iter().take(n).map(|p| *p == Phase::Load).collect());
    }
    let load_pct = trace.column(Channel::LoadPct).ok_or(Reason::NoChannel)?;
    let mut on = false;
    Ok(load_pct[..n]
        .iter()
        .map(|pct| {
            if !pct.is_nan() {
                on = *pct > 50.0;
            }
            on
        })
        .collect())
}

/// Mean; NaN of nothing.
pub(crate) fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0.0), |(sum, n), v| (sum + v, n + 1.0));
    sum / n
}
