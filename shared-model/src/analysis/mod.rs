//! Run analysis: from a trace to phases, data quality and metrics.
//!
//! Everything here looks at one run alone. Nothing panics on a trace that came from outside: what cannot be
//! determined is [`Measured::No`] with its reason. docs/method.md gives every equation with its source.

mod clean;
mod detect;
mod fan;
mod heating;
pub mod phases;
pub mod quality;
mod recovery;
pub mod robust;
mod series;
#[cfg(test)]
mod tests;
mod throttle;

use crate::channel::Channel;
use crate::estimate::{Knowledge, fit_run};
use crate::measured::{Measured, Reason};
use crate::protocol::{Phase, Protocol};
use crate::record::wire;
use crate::trace::Trace;

use heating::Heating;
use recovery::Recovery;
use series::Series;

pub use phases::{PhaseSource, Phases, find_phases};
pub use quality::Finding;

/// What is known about a run beside its trace. The default knows nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RunContext {
    /// Room temperature, where known.
    pub ambient: Option<wire::Ambient>,
    /// Phase lengths as asked for.
    pub protocol: Option<Protocol>,
    /// Temperature at which the load ends, °C.
    pub limit_c: Option<f64>,
    /// On mains power.
    pub on_ac: Option<bool>,
    /// Platform profile as the system names it.
    pub platform_profile: Option<String>,
    /// Safety stops, gaps and other events.
    pub events: Vec<wire::Event>,
}

/// Profiles that lower power and fan (names of the kernel's `platform_profile`, `sysfs-platform_profile` in its ABI
/// documents; from memory).
const QUIET_PROFILES: [&str; 3] = ["low-power", "cool", "quiet"];

impl RunContext {
    /// Whether the machine ran in a profile that lowers power and fan.
    pub fn is_quiet(&self) -> bool {
        self.platform_profile.as_deref().is_some_and(|p| QUIET_PROFILES.contains(&p))
    }

    /// What a record's header says.
    pub fn from_header(header: &wire::Header) -> Self {
        Self {
            ambient: header.context.ambient,
            protocol: Some(header.protocol),
            limit_c: header.limit.as_ref().map(|l| l.limit_c),
            on_ac: header.context.on_ac,
            platform_profile: header.context.platform_profile.clone(),
            events: header.events.clone(),
        }
    }
}

/// What a run says.
#[derive(Debug, Clone, PartialEq)]
pub struct RunAnalysis {
    /// Where each phase lies.
    pub phases: Phases,
    /// What is wrong with the data or the circumstances.
    pub quality: Vec<Finding>,
    /// The method's metrics.
    pub metrics: wire::Metrics,
}

/// Analyses one run: the cycle that [`find_phases`] judges.
///
/// ```
/// use windrow_model::analysis::{RunContext, analyse};
/// use windrow_model::emulate::{RunPlan, model_of, record_run};
///
/// let trace = record_run(&model_of("Tamsel 14").unwrap(), &RunPlan::default());
/// let run = analyse(&trace, &RunContext::default());
/// assert!(run.metrics.rise_k.value().unwrap() > 20.0);
/// assert!(run.metrics.recovery_slow_half_s.se().unwrap() < 15.0);
/// ```
pub fn analyse(trace: &Trace, context: &RunContext) -> RunAnalysis {
    let (own, zero_s) = on_own_time(trace);
    analyse_cycle(&own, find_phases(&own), context).shifted(zero_s)
}

/// Analyses every cycle of a trace that holds several, in time order.
pub fn analyse_cycles(trace: &Trace, context: &RunContext) -> Vec<RunAnalysis> {
    let (own, zero_s) = on_own_time(trace);
    let cycles = phases::all_cycles(&own).into_iter();
    cycles.map(|phases| analyse_cycle(&own, phases, context).shifted(zero_s)).collect()
}

/// The trace counted from its first sample on a grid of microseconds, so that a clock's zero far away decides by
/// its rounding on no reading at a stretch's edge.
fn on_own_time(trace: &Trace) -> (Trace, f64) {
    let mut own = trace.clone();
    let zero_s = trace.time_s.first().copied().unwrap_or(0.0);
    for t in &mut own.time_s {
        *t = ((*t - zero_s) * 1e6).round() / 1e6;
    }
    (own, zero_s)
}

impl RunAnalysis {
    /// Back on the trace's own clock.
    fn shifted(mut self, by_s: f64) -> Self {
        self.phases.load_start_s += by_s;
        self.phases.load_end_s += by_s;
        for finding in &mut self.quality {
            if let Finding::SensorStuck { from_s: at_s, .. } | Finding::SleepGap { at_s, .. } = finding {
                *at_s += by_s;
            }
        }
        self
    }
}

fn analyse_cycle(trace: &Trace, phases: Phases, context: &RunContext) -> RunAnalysis {
    let (trace, dropped) = clean::clean(trace);
    let mut quality = quality::circumstances(context);
    quality.extend(dropped);
    let mut metrics = if phases.load.is_empty() {
        undetermined(Reason::NoPhase)
    } else {
        judge(&trace, &phases, context, &mut quality)
    };
    metrics.quality = quality::to_wire(&quality);
    RunAnalysis { phases, quality, metrics }
}

/// All metrics of a cycle that has a load; adds what it finds wrong.
fn judge(trace: &Trace, phases: &Phases, context: &RunContext, quality: &mut Vec<Finding>) -> wire::Metrics {
    let mut metrics = undetermined(Reason::NoChannel);
    let to_s = end_of_recovery(trace, phases);
    quality.extend(detect::gaps(trace, phases));
    quality.extend(detect::background(trace, phases, to_s));
    judge_throttling(&mut metrics, trace, phases);
    judge_fans(&mut metrics, trace, phases, to_s);
    let Some(temp) = Series::of(trace, Channel::CpuTempC) else { return metrics };
    let heating = heating::heating(&temp, phases);
    quality.extend(detect::stuck(&temp, phases, to_s));
    quality.extend(detect::start(trace, &temp, phases, to_s, &heating, context));
    quality.extend(detect::load(trace, phases, &heating, context));
    quality.extend(detect::lag(&temp, phases, &heating));
    judge_heating(&mut metrics, &heating, phases);
    judge_recovery(&mut metrics, &temp, phases, to_s, &heating, quality);
    quality.extend(detect::fans(trace, phases, &heating, metrics.recovery_slow_half_s.value()));
    judge_gain_per_kelvin(&mut metrics, &heating);
    void_what_is_spoiled(&mut metrics, quality);
    judge_network(&mut metrics, trace, context);
    metrics
}

/// When the recovery's last sample was, with a little beyond so that it is within.
fn end_of_recovery(trace: &Trace, phases: &Phases) -> f64 {
    const BEYOND_S: f64 = 1e-6;
    if phases.recovery.is_empty() {
        return phases.load_end_s;
    }
    trace.time_s[phases.recovery.end - 1] + BEYOND_S
}

fn judge_throttling(metrics: &mut wire::Metrics, trace: &Trace, phases: &Phases) {
    let throttling = throttle::throttling(trace, phases);
    metrics.throttle_first_s = throttling.first;
    metrics.throttled_load_share = throttling.share;
    metrics.work_rate_loss = throttle::work_rate_loss(trace, phases);
    metrics.power_sustained_w = throttle::power_sustained(trace, phases);
}

fn judge_fans(metrics: &mut wire::Metrics, trace: &Trace, phases: &Phases, to_s: f64) {
    let fans = [Channel::Fan1Rpm, Channel::Fan2Rpm].into_iter().filter_map(|c| Series::of(trace, c));
    let answers = fans.map(|rpm| fan::answer(&rpm, phases, to_s)).collect();
    let weakest = fan::weakest(answers).unwrap_or(fan::Answer::no(Reason::NoChannel));
    metrics.fan_delay_s = weakest.delay;
    metrics.fan_gain_rpm = weakest.gain;
    metrics.fan_to_ninety_s = weakest.to_ninety;
    metrics.fan_max_rpm = weakest.max;
    metrics.fan_flutter_rpm = weakest.flutter;
    metrics.fan_spin_down_s = weakest.spin_down;
}

fn judge_heating(metrics: &mut wire::Metrics, heating: &Heating, phases: &Phases) {
    let no_settle = if phases.settle.is_empty() { Reason::NoPhase } else { Reason::TooFewReadings };
    metrics.baseline_c = heating.baseline.map_or(Measured::no(no_settle), Measured::from);
    metrics.peak_c = heating::or_few(heating.peak);
    metrics.rise_k = match (heating.peak, heating.baseline) {
        (Some(peak), Some(base)) => heating::difference(peak, base).into(),
        _ => Measured::no(no_settle),
    };
    metrics.rise_rate_early_k_per_s = heating.early;
    metrics.rise_rate_sustained_k_per_s = heating.sustained;
}

fn judge_recovery(
    metrics: &mut wire::Metrics,
    temp: &Series,
    phases: &Phases,
    to_s: f64,
    heating: &Heating,
    quality: &[Finding],
) {
    let recovery = match (heating.end, heating.baseline) {
        _ if phases.recovery.is_empty() => Recovery::no(Reason::NoPhase),
        _ if slept_in(quality, Phase::Recovery) => Recovery::no(Reason::SleepGap),
        (Some(end), Some(base)) => recovery::recovery(temp, phases, to_s, end, base),
        (_, None) if phases.settle.is_empty() => Recovery::no(Reason::NoPhase),
        _ => Recovery::no(Reason::TooFewReadings),
    };
    metrics.recovery_half_s = recovery.half;
    metrics.recovery_slow_half_s = recovery.slow_half;
    metrics.recovery_to_tenth_s = recovery.to_tenth;
}

fn slept_in(quality: &[Finding], in_phase: Phase) -> bool {
    quality.iter().any(|f| matches!(f, Finding::SleepGap { phase, .. } if *phase == in_phase))
}

/// Gain in speed over gain in temperature, both against the run's own rest.
fn judge_gain_per_kelvin(metrics: &mut wire::Metrics, heating: &Heating) {
    const RISE_MIN_K: f64 = 5.0;
    let rise = metrics.rise_k;
    metrics.fan_gain_rpm_per_k = match (metrics.fan_gain_rpm, rise.value(), heating.end) {
        (Measured::Value { value, se }, Some(rise_k), Some(_)) if rise_k >= RISE_MIN_K => {
            let per_k = value / rise_k;
            let rise_se = rise.se().unwrap_or(0.0);
            Measured::Value { value: per_k, se: (se / rise_k).hypot(per_k * rise_se / rise_k) }
        }
        (Measured::Value { .. }, Some(_), _) => Measured::no(Reason::RiseTooSmall),
        (Measured::Value { .. }, None, _) => Measured::no(Reason::NoPhase),
        (missing, _, _) => missing,
    };
}

/// What a finding makes worthless is not given: a number that is wrong is worse than none.
fn void_what_is_spoiled(metrics: &mut wire::Metrics, quality: &[Finding]) {
    let is_stuck = |f: &Finding| matches!(f, Finding::SensorStuck { channel: Channel::CpuTempC, .. });
    if quality.iter().any(is_stuck) {
        let stuck = Measured::no(Reason::SensorStuck);
        metrics.rise_rate_early_k_per_s = stuck;
        metrics.recovery_half_s = stuck;
        metrics.recovery_slow_half_s = stuck;
    }
    let is_busy = |f: &Finding| {
        matches!(f, Finding::BackgroundLoad { phase: Phase::Recovery, .. } | Finding::PowerAboveSettle { .. })
    };
    if quality.iter().any(is_busy) {
        let busy = Measured::no(Reason::BackgroundLoad);
        metrics.recovery_slow_half_s = busy;
        metrics.recovery_to_tenth_s = busy;
    }
    if quality.iter().any(|f| matches!(f, Finding::FansFrozenAlike { .. })) {
        let stuck = Measured::no(Reason::SensorStuck);
        for metric in [
            &mut metrics.fan_delay_s,
            &mut metrics.fan_gain_rpm,
            &mut metrics.fan_gain_rpm_per_k,
            &mut metrics.fan_to_ninety_s,
            &mut metrics.fan_max_rpm,
            &mut metrics.fan_flutter_rpm,
            &mut metrics.fan_spin_down_s,
        ] {
            *metric = stuck;
        }
    }
    if slept_in(quality, Phase::Load) {
        let slept = Measured::no(Reason::SleepGap);
        metrics.rise_rate_sustained_k_per_s = slept;
        metrics.throttled_load_share = slept;
        metrics.work_rate_loss = slept;
    }
}

/// The two-node network, from the estimator.
fn judge_network(metrics: &mut wire::Metrics, trace: &Trace, context: &RunContext) {
    let knowledge = Knowledge {
        ambient: context.ambient.as_ref(),
        on_mains: context.on_ac,
        is_quiet: context.is_quiet(),
        ..Knowledge::default()
    };
    let fit = fit_run(trace, &knowledge);
    metrics.r_contact_k_per_w = fit.r_contact_k_w;
    metrics.c_sink_j_per_k = fit.c_sink_j_k;
    metrics.g_air_w_per_k = fit.g_total_w_k;
    metrics.tau_slow_s = fit.tau_slow_s;
}

/// Metrics of which none is determinable, for one reason: the start of every analysis, and the whole of an
/// attempt that never loaded.
pub fn undetermined(reason: Reason) -> wire::Metrics {
    let no = Measured::no(reason);
    wire::Metrics {
        baseline_c: no,
        rise_rate_early_k_per_s: no,
        rise_rate_sustained_k_per_s: no,
        peak_c: no,
        rise_k: no,
        recovery_half_s: no,
        recovery_slow_half_s: no,
        recovery_to_tenth_s: no,
        fan_delay_s: no,
        fan_gain_rpm: no,
        fan_gain_rpm_per_k: no,
        fan_to_ninety_s: no,
        fan_max_rpm: no,
        fan_flutter_rpm: no,
        fan_spin_down_s: no,
        throttle_first_s: no,
        throttled_load_share: no,
        work_rate_loss: no,
        power_sustained_w: no,
        r_contact_k_per_w: no,
        c_sink_j_per_k: no,
        g_air_w_per_k: no,
        tau_slow_s: no,
        quality: std::collections::BTreeMap::new(),
    }
}
