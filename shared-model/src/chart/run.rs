//! A check's run as a chart: temperature, power and fan over one time, with the phases marked; and the band in which
//! the peers' runs lie, where there is one. Pages of the agent and of the hub draw the same chart with the same words.

use super::{Band, Chart, Level, Panel, Series, Stretch, clock_label};
use crate::analysis::RunAnalysis;
use crate::channel::Channel;
use crate::protocol::Phase;
use crate::trace::Trace;

/// A limit further above the peak than this would press the curve flat, K; the table says it anyway.
const LIMIT_SHOWN_WITHIN_K: f64 = 30.0;

/// Where the runs of a laptop's peers lie, channel by channel, over the time from the load's start on.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PeersBand {
    /// Seconds from the start of the load; negative before it.
    pub from_load_s: Vec<f64>,
    /// For each channel: lower and upper edge at those times, NaN where too few were read.
    pub edges: Vec<(Channel, Vec<f64>, Vec<f64>)>,
}

/// The chart of a run; `None` where there is no curve to draw.
pub fn run_chart<'a>(trace: &'a Trace, analysis: &RunAnalysis, limit_c: Option<f64>) -> Option<Chart<'a>> {
    if trace.n_samples() < 2 {
        return None;
    }
    let panels = [temperature(trace, limit_c), power(trace), fans(trace)];
    Some(Chart {
        title: "Recorded temperature, power and fan speed".into(),
        description: description(trace, analysis),
        time_s: &trace.time_s,
        panels: panels.into_iter().flatten().map(|(_, panel)| panel).collect(),
        stretches: stretches(trace, analysis),
    })
}

/// The peers' band laid under the panels of [`run_chart`].
pub fn peers_bands(trace: &Trace, analysis: &RunAnalysis, peers: &PeersBand) -> Vec<Band> {
    if analysis.phases.load.is_empty() {
        return Vec::new();
    }
    let load_start_s = analysis.phases.load_start_s;
    let shown = [temperature(trace, None), power(trace), fans(trace)];
    shown
        .into_iter()
        .flatten()
        .enumerate()
        .filter_map(|(panel_idx, (channel, _))| {
            let (_, low, high) = peers.edges.iter().find(|(c, ..)| *c == channel)?;
            Some(Band {
                panel_idx,
                class: "peers",
                time_s: peers.from_load_s.iter().map(|t| t + load_start_s).collect(),
                low: low.clone(),
                high: high.clone(),
            })
        })
        .collect()
}

/// A line of a panel, where the channel was read.
fn series<'a>(trace: &'a Trace, channel: Channel, label: &str, class: &'static str) -> Option<Series<'a>> {
    let values = trace.column(channel)?;
    values.iter().any(|v| v.is_finite()).then(|| Series { label: label.into(), class, values })
}

fn temperature(trace: &Trace, limit_c: Option<f64>) -> Option<(Channel, Panel<'_>)> {
    let line = series(trace, Channel::CpuTempC, "", "temperature")?;
    let peak_c = line.values.iter().copied().filter(|v| v.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    let levels = limit_c
        .filter(|limit_c| limit_c - peak_c < LIMIT_SHOWN_WITHIN_K)
        .map(|value| Level { value, label: format!("limit {value:.0} °C") });
    let panel = Panel {
        title: "CPU temperature, °C".into(),
        series: vec![line],
        levels: levels.into_iter().collect(),
        from_zero_to: None,
        weight: 1.6,
    };
    Some((Channel::CpuTempC, panel))
}

fn power(trace: &Trace) -> Option<(Channel, Panel<'_>)> {
    let line = series(trace, Channel::PackagePowerW, "", "power")?;
    let panel = Panel {
        title: "package power, W".into(),
        series: vec![line],
        levels: Vec::new(),
        from_zero_to: Some(5.0),
        weight: 0.8,
    };
    Some((Channel::PackagePowerW, panel))
}

fn fans(trace: &Trace) -> Option<(Channel, Panel<'_>)> {
    let second = series(trace, Channel::Fan2Rpm, "fan 2", "fan2");
    let label = if second.is_some() { "fan 1" } else { "" };
    let lines: Vec<Series<'_>> =
        series(trace, Channel::Fan1Rpm, label, "fan1").into_iter().chain(second).collect();
    let panel = (!lines.is_empty()).then(|| Panel {
        title: "fan speed, rpm".into(),
        series: lines,
        levels: Vec::new(),
        from_zero_to: Some(2000.0),
        weight: 0.8,
    })?;
    Some((Channel::Fan1Rpm, panel))
}

fn stretches(trace: &Trace, analysis: &RunAnalysis) -> Vec<Stretch> {
    let phases = &analysis.phases;
    let time = |idx: usize| trace.time_s.get(idx).copied();
    let (Some(first_s), Some(last_s)) = (time(0), time(trace.n_samples() - 1)) else {
        return Vec::new();
    };
    if phases.load.is_empty() {
        return Vec::new();
    }
    let one = |phase: Phase, from_s: f64, to_s: f64, class| Stretch {
        from_s,
        to_s,
        label: phase.name().into(),
        class,
    };
    [
        one(Phase::Settle, first_s, phases.load_start_s, "settle"),
        one(Phase::Load, phases.load_start_s, phases.load_end_s, "load"),
        one(Phase::Recovery, phases.load_end_s, last_s, "recovery"),
    ]
    .into_iter()
    .filter(|s| s.to_s > s.from_s)
    .collect()
}

/// What a person who sees the curve would read off it.
fn description(trace: &Trace, analysis: &RunAnalysis) -> String {
    let m = &analysis.metrics;
    let phases = &analysis.phases;
    let mut parts = Vec::new();
    if let (Some(base), Some(peak)) = (m.baseline_c.value(), m.peak_c.value()) {
        parts.push(format!("from {base:.0} °C at rest to {peak:.0} °C under load"));
    }
    if !phases.load.is_empty() {
        let from_s = phases.load_start_s - trace.time_s.first().copied().unwrap_or(0.0);
        parts.push(format!("{:.0} s of load from {} on", phases.load_length_s(), clock_label(from_s)));
    }
    if let Some(rpm) = m.fan_max_rpm.value() {
        parts.push(if rpm > 0.0 {
            format!("fan up to {rpm:.0} rpm")
        } else {
            "fan at 0 rpm throughout".into()
        });
    }
    if let Some(half_s) = m.recovery_half_s.value() {
        parts.push(format!("half of the rise gone {half_s:.0} s after the load"));
    }
    if parts.is_empty() {
        "The recorded run.".into()
    } else {
        format!("The recorded run: {}.", parts.join("; "))
    }
}

#[cfg(test)]
mod tests {
    use super::super::Width;
    use super::*;
    use crate::analysis::{RunContext, analyse};
    use crate::emulate::{RunPlan, model_of, record_run};

    #[test]
    fn the_peers_band_lies_under_the_run_from_its_load_on() {
        let trace = record_run(&model_of("Orrin 16 W").unwrap(), &RunPlan::default());
        let analysis = analyse(&trace, &RunContext::default());
        let chart = run_chart(&trace, &analysis, Some(100.0)).unwrap();
        let peers = PeersBand {
            from_load_s: vec![0.0, 10.0, 20.0, 30.0],
            edges: vec![(
                Channel::CpuTempC,
                vec![40.0, 50.0, f64::NAN, 60.0],
                vec![45.0, 60.0, f64::NAN, 150.0],
            )],
        };
        let bands = peers_bands(&trace, &analysis, &peers);
        assert_eq!(bands.len(), 1);
        assert_eq!(bands[0].panel_idx, 0);
        assert_eq!(bands[0].time_s[0], analysis.phases.load_start_s);
        let plain = chart.svg(Width::Wide);
        let over = chart.svg_over(Width::Wide, &bands);
        assert!(!plain.contains("peers") && over.contains(r#"class="peers""#));
        assert!(!over.contains("NaN"));
        // The band is drawn before the pen, and the axis reaches to its edge.
        assert!(over.find("peers").unwrap() < over.find("line temperature").unwrap());
        assert!(over.contains(">150<") && !plain.contains(">150<"));
    }

    #[test]
    fn a_recording_of_one_sample_has_no_chart() {
        let mut trace = record_run(&model_of("Orrin 16 W").unwrap(), &RunPlan::default());
        let analysis = analyse(&trace, &RunContext::default());
        trace.time_s.truncate(1);
        assert!(run_chart(&trace, &analysis, None).is_none());
    }
}
