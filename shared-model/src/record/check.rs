//! What a well-typed record must also fulfil: lengths, order, ranges, spellings.

use std::collections::BTreeSet;

use chrono::{DateTime, Datelike, Utc};

use super::digest::fixed_hex;
use super::limits::{
    MAX_EVENTS, MAX_LOGICAL_CPUS, MAX_PHASE_S, MAX_POWER_LIMITS, MAX_PRE_CHECKS, MAX_QUALITY, MAX_SAMPLE_HZ,
    MAX_SAMPLES, MAX_SHORT_TEXT_BYTES, MAX_SOURCES, MAX_TIME_MS,
};
use super::wire::{Context, Event, Header, Metrics, Provenance, WireTrace};
use super::{Refusal, RefusalCode};
use crate::channel::Channel;
use crate::measured::Measured;
use crate::protocol::Protocol;

type Checked = Result<(), Refusal>;

/// Checks a header's fields. Digests and signature are proven elsewhere; here only their spelling.
pub(super) fn check_header(header: &Header) -> Checked {
    check_names(header)?;
    check_time(&header.started_at)?;
    check_texts(header)?;
    check_provenance(header)?;
    let cpus = f64::from(header.model.logical_cpus);
    in_range(cpus, 1.0, f64::from(MAX_LOGICAL_CPUS), "header.model.logical_cpus")?;
    check_protocol(&header.protocol)?;
    at_most(header.pre_checks.len(), MAX_PRE_CHECKS, "header.pre_checks")?;
    check_context(&header.context)?;
    check_sources(header)?;
    if let Some(limit) = &header.limit {
        // 80–110 °C is the method's own range for a sensor's limit; a record may tell of others.
        in_range(limit.limit_c, 40.0, 125.0, "header.limit.limit_c")?;
    }
    check_events(&header.events)?;
    header.metrics.as_ref().map_or(Ok(()), check_metrics)
}

fn check_names(header: &Header) -> Checked {
    fixed_hex::<16>(&header.device_id, "header.device_id")?;
    fixed_hex::<16>(&header.key_id, "header.key_id")?;
    fixed_hex::<32>(&header.previous_digest, "header.previous_digest")?;
    fixed_hex::<32>(&header.trace_digest, "header.trace_digest")?;
    fixed_hex::<32>(&header.digest, "header.digest")?;
    fixed_hex::<64>(&header.signature, "header.signature")?;
    if header.sequence == 0 {
        return Err(Refusal::new(RefusalCode::OutOfRange, "header.sequence", "the first record has 1"));
    }
    Ok(())
}

/// RFC 3339 in UTC, spelt with `Z`, of a year in which a machine may have run: 2000 is where a flat clock battery
/// lands, and such a record is still worth having.
fn check_time(started_at: &str) -> Checked {
    let time = DateTime::parse_from_rfc3339(started_at).ok().filter(|_| started_at.ends_with('Z'));
    let year = time.map(|t| t.with_timezone(&Utc).year());
    if year.is_some_and(|y| (1970..2200).contains(&y)) {
        return Ok(());
    }
    let why = "needs an RFC 3339 time in UTC, such as `2026-01-31T08:15:00Z`";
    Err(Refusal::new(RefusalCode::BadFormat, "header.started_at", why))
}

fn check_texts(header: &Header) -> Checked {
    let model = &header.model;
    let texts = [
        ("boot_id", &header.boot_id),
        ("agent_version", &header.agent_version),
        ("method_version", &header.method_version),
        ("model.vendor", &model.vendor),
        ("model.product", &model.product),
        ("model.sku", &model.sku),
        ("model.cpu", &model.cpu),
        ("model.firmware", &model.firmware),
        ("platform.os", &header.platform.os),
        ("platform.kernel", &header.platform.kernel),
        ("platform.arch", &header.platform.arch),
        ("load_mix.version", &header.load_mix.version),
        ("load_mix.target", &header.load_mix.target),
        ("load_mix.compiler", &header.load_mix.compiler),
    ];
    for (name, text) in texts {
        if text.len() > MAX_SHORT_TEXT_BYTES {
            let why = format!("{} bytes, at most {MAX_SHORT_TEXT_BYTES}", text.len());
            return Err(Refusal::new(RefusalCode::TextTooLong, format!("header.{name}"), why));
        }
    }
    Ok(())
}

fn check_provenance(header: &Header) -> Checked {
    let emulated = header.provenance == Provenance::Emulated;
    if emulated == header.emulation.is_some() {
        return Ok(());
    }
    let why = if emulated { "an emulated run says what was emulated" } else { "only an emulated run has it" };
    Err(Refusal::new(RefusalCode::Contradiction, "header.emulation", why))
}

fn check_protocol(protocol: &Protocol) -> Checked {
    let phases = [
        ("settle_min_s", protocol.settle_min_s),
        ("settle_max_s", protocol.settle_max_s),
        ("load_s", protocol.load_s),
        ("recovery_s", protocol.recovery_s),
    ];
    for (name, length_s) in phases {
        in_range(length_s, 0.0, MAX_PHASE_S, &format!("header.protocol.{name}"))?;
    }
    if protocol.settle_min_s > protocol.settle_max_s {
        let why = "longer than `settle_max_s`";
        return Err(Refusal::new(RefusalCode::Contradiction, "header.protocol.settle_min_s", why));
    }
    in_range(protocol.sample_hz, 0.01, MAX_SAMPLE_HZ, "header.protocol.sample_hz")
}

fn check_context(context: &Context) -> Checked {
    let field = |name: &str| format!("header.context.{name}");
    if let Some(battery_pct) = context.battery_pct {
        in_range(battery_pct, 0.0, 100.0, &field("battery_pct"))?;
    }
    if let Some(ambient) = context.ambient {
        // Wider than any room in which people work; inside it a sensor in a hot corner is still a fact.
        in_range(ambient.value_c, -30.0, 60.0, &field("ambient.value_c"))?;
        in_range(ambient.sd_k, 0.0, 30.0, &field("ambient.sd_k"))?;
    }
    at_most(context.power_limits.len(), MAX_POWER_LIMITS, &field("power_limits"))?;
    for (idx, limit) in context.power_limits.iter().enumerate() {
        let of_limit = |name: &str| field(&format!("power_limits[{idx}].{name}"));
        // Firmware that sets no limit writes 4,095.875 W, the largest of the register's 15 bits in eighths (as
        // remembered from the processor makers' power-limit register, not read in a source here).
        in_range(limit.limit_w, 0.0, 4096.0, &of_limit("limit_w"))?;
        if let Some(window_s) = limit.window_s {
            in_range(window_s, 0.0, 86_400.0, &of_limit("window_s"))?;
        }
    }
    Ok(())
}

fn check_sources(header: &Header) -> Checked {
    at_most(header.sources.len(), MAX_SOURCES, "header.sources")?;
    for (idx, source) in header.sources.iter().enumerate() {
        if Channel::from_column(&source.channel).is_none() {
            let field = format!("header.sources[{idx}].channel");
            return Err(Refusal::new(RefusalCode::WrongType, field, "no such channel"));
        }
    }
    Ok(())
}

fn check_events(events: &[Event]) -> Checked {
    at_most(events.len(), MAX_EVENTS, "header.events")?;
    let mut before_ms = -MAX_TIME_MS;
    for (idx, event) in events.iter().enumerate() {
        let field = format!("header.events[{idx}].at_ms");
        in_range(event.at_ms as f64, -(MAX_TIME_MS as f64), MAX_TIME_MS as f64, &field)?;
        if event.at_ms < before_ms {
            return Err(Refusal::new(RefusalCode::NotIncreasing, field, "before the event that precedes it"));
        }
        before_ms = event.at_ms;
    }
    Ok(())
}

/// The agent's metrics are informative, so only what no unit could explain is refused.
fn check_metrics(metrics: &Metrics) -> Checked {
    let all = metrics_by_name(metrics);
    for (name, measured) in all {
        if measured.se().is_some_and(|se| se < 0.0) {
            let field = format!("header.metrics.{name}.se");
            return Err(Refusal::new(RefusalCode::OutOfRange, field, "a standard error is never negative"));
        }
    }
    for (name, measured) in [("baseline_c", &metrics.baseline_c), ("peak_c", &metrics.peak_c)] {
        if let Some(value_c) = measured.value() {
            let gate = Channel::CpuTempC.spec();
            in_range(value_c, gate.min, gate.max, &format!("header.metrics.{name}.value"))?;
        }
    }
    at_most(metrics.quality.len(), MAX_QUALITY, "header.metrics.quality")
}

fn metrics_by_name(m: &Metrics) -> [(&'static str, &Measured); 23] {
    [
        ("baseline_c", &m.baseline_c),
        ("rise_rate_early_k_per_s", &m.rise_rate_early_k_per_s),
        ("rise_rate_sustained_k_per_s", &m.rise_rate_sustained_k_per_s),
        ("peak_c", &m.peak_c),
        ("rise_k", &m.rise_k),
        ("recovery_half_s", &m.recovery_half_s),
        ("recovery_slow_half_s", &m.recovery_slow_half_s),
        ("recovery_to_tenth_s", &m.recovery_to_tenth_s),
        ("fan_delay_s", &m.fan_delay_s),
        ("fan_gain_rpm", &m.fan_gain_rpm),
        ("fan_gain_rpm_per_k", &m.fan_gain_rpm_per_k),
        ("fan_to_ninety_s", &m.fan_to_ninety_s),
        ("fan_max_rpm", &m.fan_max_rpm),
        ("fan_flutter_rpm", &m.fan_flutter_rpm),
        ("fan_spin_down_s", &m.fan_spin_down_s),
        ("throttle_first_s", &m.throttle_first_s),
        ("throttled_load_share", &m.throttled_load_share),
        ("work_rate_loss", &m.work_rate_loss),
        ("power_sustained_w", &m.power_sustained_w),
        ("r_contact_k_per_w", &m.r_contact_k_per_w),
        ("c_sink_j_per_k", &m.c_sink_j_per_k),
        ("g_air_w_per_k", &m.g_air_w_per_k),
        ("tau_slow_s", &m.tau_slow_s),
    ]
}

/// Path of a cell, for example `trace.columns.cpu_temp_c[17]`.
pub(crate) fn column_path(root: &str, channel: Channel, sample_idx: usize) -> String {
    format!("{root}.columns.{}[{sample_idx}]", channel.spec().column)
}

/// Checks a trace; `root` is its name in a refusal.
pub(crate) fn check_trace(trace: &WireTrace, root: &str) -> Checked {
    let n_samples = trace.time_ms.len();
    at_most(n_samples, MAX_SAMPLES, &format!("{root}.time_ms"))?;
    check_times(&trace.time_ms, root)?;
    check_phases(trace, root)?;
    for (column, cells) in &trace.columns {
        let field = || format!("{root}.columns.{}", super::json::quotable(column));
        let Some(channel) = Channel::from_column(column) else {
            return Err(Refusal::new(RefusalCode::UnknownField, field(), "no such column"));
        };
        if cells.len() != n_samples {
            let why = format!("{} cells beside {n_samples} times", cells.len());
            return Err(Refusal::new(RefusalCode::WrongLength, field(), why));
        }
        check_cells(channel, cells, root)?;
    }
    check_needed_columns(trace, root)
}

fn check_times(time_ms: &[i64], root: &str) -> Checked {
    let mut before_ms = None;
    for (idx, &at_ms) in time_ms.iter().enumerate() {
        let field = || format!("{root}.time_ms[{idx}]");
        if !(-MAX_TIME_MS..=MAX_TIME_MS).contains(&at_ms) {
            let why = format!("`{at_ms}` is more than a week from the run's zero");
            return Err(Refusal::new(RefusalCode::OutOfRange, field(), why));
        }
        if before_ms.is_some_and(|before_ms| at_ms <= before_ms) {
            let why = format!("`{at_ms}` isn't after the time before it");
            return Err(Refusal::new(RefusalCode::NotIncreasing, field(), why));
        }
        before_ms = Some(at_ms);
    }
    Ok(())
}

/// Each phase at most once and in order, the first from the first sample; or none, where they aren't known.
fn check_phases(trace: &WireTrace, root: &str) -> Checked {
    let mut seen = BTreeSet::new();
    let mut least_start = 0;
    for (idx, start) in trace.phases.iter().enumerate() {
        let refuse =
            |why: &str| Err(Refusal::new(RefusalCode::BadPhases, format!("{root}.phases[{idx}]"), why));
        if start.from_sample >= trace.time_ms.len() as u64 {
            return refuse("begins after the last sample");
        }
        if idx == 0 && start.from_sample != 0 {
            return refuse("the first phase begins at sample 0");
        }
        if start.from_sample < least_start {
            return refuse("begins no later than the phase before it");
        }
        if seen.last().is_some_and(|&last| start.phase <= last) {
            return refuse("phases are settle, load, recovery, in this order and each once");
        }
        seen.insert(start.phase);
        least_start = start.from_sample + 1;
    }
    Ok(())
}

fn check_cells(channel: Channel, cells: &[Option<i64>], root: &str) -> Checked {
    let spec = channel.spec();
    for (idx, cell) in cells.iter().enumerate() {
        let Some(scaled) = *cell else { continue };
        if !channel.plausible(scaled as f64 / spec.wire_scale) {
            let why = format!(
                "`{scaled}` is outside {} to {} (in 1/{} of the column's unit)",
                spec.min * spec.wire_scale,
                spec.max * spec.wire_scale,
                spec.wire_scale
            );
            return Err(Refusal::new(RefusalCode::OutOfRange, column_path(root, channel, idx), why));
        }
    }
    Ok(())
}

/// A trace with samples has the two columns without which nothing can be judged; an attempt has no samples.
fn check_needed_columns(trace: &WireTrace, root: &str) -> Checked {
    if trace.time_ms.is_empty() {
        return Ok(());
    }
    for channel in [Channel::LoadPct, Channel::CpuTempC] {
        let column = channel.spec().column;
        if !trace.columns.contains_key(column) {
            let field = format!("{root}.columns.{column}");
            return Err(Refusal::new(RefusalCode::MissingField, field, "a trace with samples has it"));
        }
    }
    Ok(())
}

fn at_most(n: usize, most: usize, field: &str) -> Checked {
    if n <= most {
        return Ok(());
    }
    Err(Refusal::new(RefusalCode::TooMany, field, format!("{n} elements, at most {most}")))
}

fn in_range(value: f64, min: f64, max: f64, field: &str) -> Checked {
    if (min..=max).contains(&value) {
        return Ok(());
    }
    Err(Refusal::new(RefusalCode::OutOfRange, field, format!("`{value}` is outside {min} to {max}")))
}
