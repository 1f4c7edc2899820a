//! The chart's elements as SVG text.

use std::fmt::Write as _;

use super::scale::{Axis, clock_label};
use super::{Band, Chart, Frame, Level, Panel, Series, Stretch, escape};

/// A line is broken where nothing was read for longer than this many times the usual interval of its readings.
const GAP_INTERVALS: f64 = 8.0;
/// And never below this: slow drivers are read every few seconds.
const GAP_MIN_S: f64 = 6.0;
/// Columns into which a long recording is folded; each keeps its least and largest value.
const COLUMNS_MAX: usize = 1200;

pub(super) fn open(out: &mut String, chart: &Chart<'_>, suffix: &str, width_px: f64, height_px: f64) {
    let _ = write!(
        out,
        concat!(
            r#"<svg class="chart chart-{s}" viewBox="0 0 {w:.0} {h:.0}" role="img" "#,
            r#"aria-labelledby="chart-title-{s} chart-desc-{s}" xmlns="http://www.w3.org/2000/svg">"#,
            r#"<title id="chart-title-{s}">{title}</title><desc id="chart-desc-{s}">{desc}</desc>"#,
        ),
        s = suffix,
        w = width_px,
        h = height_px,
        title = escape(&chart.title),
        desc = escape(&chart.description),
    );
}

/// Background, phases and grid of one panel.
pub(super) fn paper(out: &mut String, frame: &Frame, stretches: &[Stretch], time: &Axis, value: &Axis) {
    let (w, h) = (frame.right - frame.left, frame.bottom - frame.top);
    rect(out, "paper", frame.left, frame.top, w, h);
    for s in stretches {
        let (x0, x1) = (time.px(s.from_s), time.px(s.to_s));
        rect(out, &format!("stretch {}", s.class), x0, frame.top, (x1 - x0).max(0.0), h);
    }
    let mut fine = String::new();
    for t in time.time_ticks(40) {
        let _ = write!(fine, "M{:.1} {:.1}V{:.1}", time.px(t), frame.top, frame.bottom);
    }
    for v in value.ticks(20) {
        let _ = write!(fine, "M{:.1} {:.1}H{:.1}", frame.left, value.px(v), frame.right);
    }
    path(out, "grid fine", &fine);
    let mut coarse = String::new();
    for v in value.ticks(5) {
        let y = value.px(v);
        let _ = write!(coarse, "M{:.1} {y:.1}H{:.1}", frame.left, frame.right);
        text(out, "tick", frame.left - 5.0, y + 3.5, "end", &tick_label(v));
    }
    path(out, "grid", &coarse);
    for s in stretches.iter().skip(1) {
        path(out, "edge", &format!("M{:.1} {:.1}V{:.1}", time.px(s.from_s), frame.top, frame.bottom));
    }
}

pub(super) fn stretch_names(out: &mut String, stretches: &[Stretch], time: &Axis, top: f64) {
    for s in stretches {
        let (x0, x1) = (time.px(s.from_s), time.px(s.to_s));
        // Seven pixels a letter: a name that would run into its neighbour is left to the description.
        if x1 - x0 >= 7.0 * s.label.chars().count() as f64 {
            text(out, "phase", f64::midpoint(x0, x1), top - 22.0, "middle", &s.label);
        }
    }
}

pub(super) fn time_ticks(out: &mut String, time: &Axis, bottom: f64, narrow: bool) {
    for t in time.time_ticks(if narrow { 4 } else { 8 }) {
        let x = time.px(t);
        path(out, "edge", &format!("M{x:.1} {bottom:.1}V{:.1}", bottom + 4.0));
        text(out, "tick", x, bottom + 16.0, "middle", &clock_label(t));
    }
    let middle = f64::midpoint(time.px(time.low), time.px(time.high));
    text(out, "tick", middle, bottom + 30.0, "middle", "minutes:seconds");
}

pub(super) fn level(out: &mut String, level: &Level, frame: &Frame, value: &Axis) {
    let y = value.px(level.value);
    path(out, "level", &format!("M{:.1} {y:.1}H{:.1}", frame.left, frame.right));
    // Below its line when there is no room above.
    let text_y = if y - frame.top < 14.0 { y + 12.0 } else { y - 4.0 };
    text(out, "level-name", frame.right - 4.0, text_y, "end", &level.label);
}

/// The area between a band's edges, within the chart's time, in one piece for each stretch without a gap.
pub(super) fn band(out: &mut String, band: &Band, time: &Axis, value: &Axis) {
    let points: Vec<Option<(f64, f64, f64)>> = band
        .time_s
        .iter()
        .zip(band.low.iter().zip(&band.high))
        .map(|(&t, (&low, &high))| {
            let is_shown = low.is_finite() && high.is_finite() && t >= time.low && t <= time.high;
            is_shown.then(|| (time.px(t), value.px(low), value.px(high)))
        })
        .collect();
    let mut d = String::new();
    for piece in points.split(Option::is_none) {
        let piece: Vec<(f64, f64, f64)> = piece.iter().copied().flatten().collect();
        if piece.len() < 2 {
            continue;
        }
        let there = piece.iter().map(|(x, low, _)| (x, low));
        let back = piece.iter().rev().map(|(x, _, high)| (x, high));
        for (n, (x, y)) in there.chain(back).enumerate() {
            let _ = write!(d, "{}{x:.1} {y:.1}", if n == 0 { 'M' } else { 'L' });
        }
        d.push('Z');
    }
    path(out, band.class, &d);
}

pub(super) fn line(out: &mut String, series: &Series<'_>, time_s: &[f64], time: &Axis, value: &Axis) {
    let points = folded(readings(time_s, series.values));
    let gap_s = gap_limit_s(&points);
    let mut d = String::with_capacity(points.len() * 12);
    let mut before_s = f64::NEG_INFINITY;
    for (t, v) in points {
        let pen = if t - before_s > gap_s { 'M' } else { 'L' };
        let _ = write!(d, "{pen}{:.1} {:.1}", time.px(t), value.px(v));
        before_s = t;
    }
    path(out, &format!("line {}", series.class), &d);
}

/// Names of several lines, at their largest value's height, pushed apart.
pub(super) fn line_labels(out: &mut String, panel: &Panel<'_>, frame: &Frame, value: &Axis) {
    let mut lowest = frame.top - 4.0;
    for series in panel.series.iter().filter(|s| !s.label.is_empty()) {
        let high = series.values.iter().copied().filter(|v| v.is_finite()).fold(f64::NEG_INFINITY, f64::max);
        if high.is_finite() {
            let y = (value.px(high) - 4.0).max(lowest + 13.0);
            text(out, &format!("line-name {}", series.class), frame.left + 6.0, y, "start", &series.label);
            lowest = y;
        }
    }
}

fn readings(time_s: &[f64], values: &[f64]) -> Vec<(f64, f64)> {
    time_s
        .iter()
        .copied()
        .zip(values.iter().copied())
        .filter(|(t, v)| t.is_finite() && v.is_finite())
        .collect()
}

/// Keeps the least and the largest of each column, in their order, so that no peak is lost.
fn folded(points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    if points.len() <= 2 * COLUMNS_MAX {
        return points;
    }
    let per_column = points.len().div_ceil(COLUMNS_MAX);
    points
        .chunks(per_column)
        .flat_map(|chunk| {
            let by_value = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
            let least = chunk.iter().min_by(by_value).copied();
            let largest = chunk.iter().max_by(by_value).copied();
            let mut two: Vec<_> = least.into_iter().chain(largest).collect();
            two.sort_by(|a, b| a.0.total_cmp(&b.0));
            two
        })
        .collect()
}

fn gap_limit_s(points: &[(f64, f64)]) -> f64 {
    let mut steps: Vec<f64> = points.windows(2).map(|w| w[1].0 - w[0].0).collect();
    steps.sort_by(f64::total_cmp);
    let usual_s = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
    (GAP_INTERVALS * usual_s).max(GAP_MIN_S)
}

fn tick_label(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0;
    // Minus zero would print as "-0".
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}

fn rect(out: &mut String, class: &str, x: f64, y: f64, w: f64, h: f64) {
    let _ = write!(out, r#"<rect class="{class}" x="{x:.1}" y="{y:.1}" width="{w:.1}" height="{h:.1}"/>"#);
}

fn path(out: &mut String, class: &str, d: &str) {
    if !d.is_empty() {
        let _ = write!(out, r#"<path class="{class}" d="{d}"/>"#);
    }
}

fn text(out: &mut String, class: &str, x: f64, y: f64, anchor: &str, words: &str) {
    let _ = write!(
        out,
        r#"<text class="{class}" x="{x:.1}" y="{y:.1}" text-anchor="{anchor}">{}</text>"#,
        escape(words)
    );
}
