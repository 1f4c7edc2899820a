//! The curve: temperature, power and fan over one time, with the phases marked.

use maud::{Markup, PreEscaped, html};
use windrow_model::channel::Channel;
use windrow_model::chart::{Chart, Level, Panel, Series, Stretch, Width, clock_label};
use windrow_model::protocol::Phase;

use super::Page;

pub(super) fn figure(page: &Page<'_>) -> Markup {
    if page.trace.n_samples() < 2 {
        return html! {};
    }
    let chart = chart(page);
    html! {
        figure.curve {
            (PreEscaped(chart.svg(Width::Wide)))
            (PreEscaped(chart.svg(Width::Narrow)))
            figcaption { (chart.description) }
        }
    }
}

fn chart<'a>(page: &'a Page<'_>) -> Chart<'a> {
    let panels = [temperature(page), power(page), fans(page)];
    Chart {
        title: "Recorded temperature, power and fan speed".into(),
        description: description(page),
        time_s: &page.trace.time_s,
        panels: panels.into_iter().flatten().collect(),
        stretches: stretches(page),
    }
}

/// A line of a panel, where the channel was read.
fn series<'a>(page: &'a Page<'_>, channel: Channel, label: &str, class: &'static str) -> Option<Series<'a>> {
    let values = page.trace.column(channel)?;
    values.iter().any(|v| v.is_finite()).then(|| Series { label: label.into(), class, values })
}

fn temperature<'a>(page: &'a Page<'_>) -> Option<Panel<'a>> {
    let line = series(page, Channel::CpuTempC, "", "temperature")?;
    let peak_c = line.values.iter().copied().filter(|v| v.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    // A limit far above the curve would press it flat; the table says it anyway.
    let levels = page
        .limit
        .filter(|l| l.limit_c - peak_c < 30.0)
        .map(|l| Level { value: l.limit_c, label: format!("limit {:.0} °C", l.limit_c) });
    Some(Panel {
        title: "CPU temperature, °C".into(),
        series: vec![line],
        levels: levels.into_iter().collect(),
        from_zero_to: None,
        weight: 1.6,
    })
}

fn power<'a>(page: &'a Page<'_>) -> Option<Panel<'a>> {
    let line = series(page, Channel::PackagePowerW, "", "power")?;
    Some(Panel {
        title: "package power, W".into(),
        series: vec![line],
        levels: Vec::new(),
        from_zero_to: Some(5.0),
        weight: 0.8,
    })
}

fn fans<'a>(page: &'a Page<'_>) -> Option<Panel<'a>> {
    let second = series(page, Channel::Fan2Rpm, "fan 2", "fan2");
    let label = if second.is_some() { "fan 1" } else { "" };
    let lines: Vec<Series<'_>> =
        series(page, Channel::Fan1Rpm, label, "fan1").into_iter().chain(second).collect();
    (!lines.is_empty()).then(|| Panel {
        title: "fan speed, rpm".into(),
        series: lines,
        levels: Vec::new(),
        from_zero_to: Some(2000.0),
        weight: 0.8,
    })
}

fn stretches(page: &Page<'_>) -> Vec<Stretch> {
    let phases = &page.analysis.phases;
    let time = |idx: usize| page.trace.time_s.get(idx).copied();
    let (Some(first_s), Some(last_s)) = (time(0), time(page.trace.n_samples() - 1)) else {
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
fn description(page: &Page<'_>) -> String {
    let m = &page.analysis.metrics;
    let phases = &page.analysis.phases;
    let mut parts = Vec::new();
    if let (Some(base), Some(peak)) = (m.baseline_c.value(), m.peak_c.value()) {
        parts.push(format!("from {base:.0} °C at rest to {peak:.0} °C under load"));
    }
    if !phases.load.is_empty() {
        let from_s = phases.load_start_s - page.trace.time_s.first().copied().unwrap_or(0.0);
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
