//! Condition over time: three panels over one calendar, each with its interval and service limit, services marked.

use std::fmt::Write as _;

use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, Utc};
use maud::{Markup, PreEscaped, html};
use windrow_model::chart::{Axis, escape};

use super::fleet::Reading;
use super::gauge::{self, Quantity};
use super::laptop::{ServiceDay, actions};
use super::words;
use crate::store::EpochMs;

/// The condition after a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// When the run was.
    pub tested_at_ms: EpochMs,
    /// Airflow, fan, contact.
    pub numbers: [Option<Reading>; 3],
}

const PANEL_PX: f64 = 96.0;
const GAP_PX: f64 = 34.0;
const TOP_PX: f64 = 40.0;
const BOTTOM_PX: f64 = 26.0;
const LEFT_PX: f64 = 40.0;
const RIGHT_PX: f64 = 12.0;
const MS_PER_DAY: f64 = 86_400_000.0;

/// The figure, wide and narrow, with a caption that says it in words.
pub fn figure(points: &[Point], services: &[ServiceDay]) -> Markup {
    html! {
        figure.curve {
            (PreEscaped(drawing(points, services, 720.0, "wide")))
            (PreEscaped(drawing(points, services, 300.0, "narrow")))
            figcaption { (description(points)) " The bar at each run is the 90 % interval, the hatched side is past the service limit; upright lines mark services." }
        }
    }
}

fn description(points: &[Point]) -> String {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return String::new() };
    let said = Quantity::ALL.into_iter().filter_map(|q| {
        let (a, b) = (first.numbers[q as usize]?, last.numbers[q as usize]?);
        Some(format!("{} from {} to {}", q.name(), gauge::two(a.value), gauge::two(b.value)))
    });
    let said: Vec<String> = said.collect();
    format!("{} over {} runs.", words::capital(&said.join("; ")), points.len())
}

struct Sheet {
    time: Axis,
    left: f64,
    right: f64,
}

fn drawing(points: &[Point], services: &[ServiceDay], width_px: f64, suffix: &str) -> String {
    let shown: Vec<Quantity> = Quantity::ALL
        .into_iter()
        .filter(|q| points.iter().any(|p| p.numbers[*q as usize].is_some()))
        .collect();
    let height_px = TOP_PX + shown.len() as f64 * (PANEL_PX + GAP_PX) - GAP_PX + BOTTOM_PX;
    let days = points.iter().map(|p| p.tested_at_ms as f64 / MS_PER_DAY);
    let days = days.chain(services.iter().filter_map(|s| day_number(s.on)));
    let (first, last) = days.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), d| (lo.min(d), hi.max(d)));
    let margin = ((last - first) * 0.03).max(1.0);
    let (left, right) = (LEFT_PX, width_px - RIGHT_PX);
    let sheet = Sheet { time: Axis::new(first - margin, last + margin, left, right), left, right };
    let mut out = format!(
        concat!(
            r#"<svg class="chart chart-{s}" viewBox="0 0 {w:.0} {h:.0}" role="img" aria-labelledby="history-title-{s} history-desc-{s}">"#,
            r#"<title id="history-title-{s}">Condition over time</title><desc id="history-desc-{s}">{d}</desc>"#
        ),
        s = suffix,
        w = width_px,
        h = height_px,
        d = escape(&description(points))
    );
    for (n, quantity) in shown.iter().enumerate() {
        let top = TOP_PX + n as f64 * (PANEL_PX + GAP_PX);
        panel(&mut out, *quantity, points, services, &sheet, top, n == 0);
    }
    calendar(&mut out, &sheet, height_px - BOTTOM_PX, suffix == "narrow");
    out.push_str("</svg>");
    out
}

fn panel(
    out: &mut String,
    quantity: Quantity,
    points: &[Point],
    services: &[ServiceDay],
    sheet: &Sheet,
    top: f64,
    names_services: bool,
) {
    let bottom = top + PANEL_PX;
    let (worst, best) = quantity.edges();
    // Worse is always down, as on the small drawings worse is always left.
    let value = Axis::new(worst.min(best), worst.max(best), bottom, top);
    let y = |v: f64| {
        let up = value.px(v.clamp(value.low, value.high));
        if worst > best { top + bottom - up } else { up }
    };
    let _ = write!(
        out,
        r#"<text class="name" x="{:.0}" y="{:.0}">{}</text><rect class="paper" x="{:.1}" y="{top:.1}" width="{:.1}" height="{PANEL_PX:.1}"/>"#,
        sheet.left,
        top - 5.0,
        escape(&words::capital(quantity.name())),
        sheet.left,
        sheet.right - sheet.left
    );
    grid(out, quantity, sheet, &y);
    let limit_y = y(quantity.limit());
    hatch(out, sheet, limit_y, bottom);
    let _ = write!(out, r#"<path class="limit" d="M{:.1} {limit_y:.1}H{:.1}"/>"#, sheet.left, sheet.right);
    for service in services {
        if let Some(day) = day_number(service.on) {
            let x = sheet.time.px(day);
            let _ = write!(out, r#"<path class="service" d="M{x:.1} {top:.1}V{bottom:.1}"/>"#);
            if names_services {
                let anchor = if x > f64::midpoint(sheet.left, sheet.right) { "end" } else { "start" };
                let _ = write!(
                    out,
                    r#"<text class="service-name" x="{x:.1}" y="{:.1}" text-anchor="{anchor}">{}</text>"#,
                    top - 20.0,
                    escape(&actions(&service.actions))
                );
            }
        }
    }
    trace(out, quantity, points, sheet, &y);
}

fn grid(out: &mut String, quantity: Quantity, sheet: &Sheet, y: &dyn Fn(f64) -> f64) {
    let levels: &[f64] = match quantity {
        Quantity::Airflow | Quantity::Fan => &[0.4, 0.6, 0.8, 1.0],
        Quantity::Contact => &[1.0, 1.5, 2.0, 2.5],
    };
    for &level in levels {
        let at = y(level);
        let _ = write!(
            out,
            r#"<path class="grid" d="M{:.1} {at:.1}H{:.1}"/><text class="tick" x="{:.1}" y="{:.1}" text-anchor="end">{level:.1}</text>"#,
            sheet.left,
            sheet.right,
            sheet.left - 5.0,
            at + 3.5
        );
    }
}

fn hatch(out: &mut String, sheet: &Sheet, top: f64, bottom: f64) {
    let mut d = String::new();
    let height = bottom - top;
    let mut x = sheet.left - height;
    while x < sheet.right {
        // From the bottom up to the right, cut at the sheet's edges.
        let (x0, x1) = (x.max(sheet.left), (x + height).min(sheet.right));
        if x1 > x0 {
            let _ = write!(d, "M{x0:.1} {:.1}L{x1:.1} {:.1}", bottom - (x0 - x), bottom - (x1 - x));
        }
        x += 9.0;
    }
    let _ = write!(out, r#"<path class="past" d="{d}"/>"#);
}

fn trace(out: &mut String, quantity: Quantity, points: &[Point], sheet: &Sheet, y: &dyn Fn(f64) -> f64) {
    let (mut line, mut bars, mut dots) = (String::new(), String::new(), String::new());
    for point in points {
        let Some(r) = point.numbers[quantity as usize] else { continue };
        let x = sheet.time.px(point.tested_at_ms as f64 / MS_PER_DAY);
        let _ = write!(line, "{}{x:.1} {:.1}", if line.is_empty() { 'M' } else { 'L' }, y(r.value));
        let _ = write!(bars, "M{x:.1} {:.1}V{:.1}", y(r.low), y(r.high));
        let _ = write!(dots, r#"<circle class="dot" cx="{x:.1}" cy="{:.1}" r="2.8"/>"#, y(r.value));
    }
    let _ = write!(
        out,
        r#"<path class="interval" d="{bars}"/><path class="line temperature" d="{line}"/>{dots}"#
    );
}

/// Names of months under the last panel, as many as there is room for.
fn calendar(out: &mut String, sheet: &Sheet, bottom: f64, narrow: bool) {
    let wanted = if narrow { 3.0 } else { 8.0 };
    let months = (sheet.time.high - sheet.time.low) / 30.4;
    let step = (months / wanted).ceil().max(1.0) as u32;
    let Some(mut day) = date_of(sheet.time.low).and_then(|d| d.with_day(1)) else { return };
    // A calendar of a thousand months is a mistake in a date, not a chart.
    for _ in 0..1000 {
        let Some(next) = day.checked_add_months(chrono::Months::new(1)) else { return };
        day = next;
        let Some(x_day) = day_number(day) else { return };
        if x_day > sheet.time.high {
            return;
        }
        if day.month0().is_multiple_of(step.min(12)) {
            let x = sheet.time.px(x_day);
            let words = if day.month() == 1 || narrow { day.format("%b %Y") } else { day.format("%b") };
            let _ = write!(
                out,
                r#"<path class="edge" d="M{x:.1} {bottom:.1}V{:.1}"/><text class="tick" x="{x:.1}" y="{:.1}" text-anchor="middle">{words}</text>"#,
                bottom + 4.0,
                bottom + 16.0
            );
        }
    }
}

/// Days since 1970 at noon.
fn day_number(day: NaiveDate) -> Option<f64> {
    let noon = day.and_time(NaiveTime::from_hms_opt(12, 0, 0)?).and_utc();
    Some(noon.timestamp_millis() as f64 / MS_PER_DAY)
}

fn date_of(day: f64) -> Option<NaiveDate> {
    DateTime::<Utc>::from_timestamp_millis((day * MS_PER_DAY) as i64).map(|t| t.date_naive())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::START_MS;
    use windrow_model::trace::fleet::ServiceAction;

    fn point(days: i64, airflow: f64) -> Point {
        let reading = Reading { value: airflow, low: airflow - 0.1, high: airflow + 0.1, p_past: None };
        Point { tested_at_ms: START_MS + days * 86_400_000, numbers: [Some(reading), None, Some(reading)] }
    }

    #[test]
    fn worse_is_down_and_nothing_leaves_the_sheet() {
        let points = [point(0, 0.9), point(30, 0.1), point(60, 50.0)];
        let service = ServiceDay {
            on: NaiveDate::from_ymd_opt(2026, 2, 20).unwrap(),
            actions: vec![ServiceAction::Clean],
        };
        let svg = drawing(&points, &[service], 720.0, "wide");
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
        assert!(svg.contains("cleaned") && !svg.contains(">Fan<"), "no panel for what was never told");
        let cy: Vec<f64> =
            svg.split("cy=\"").skip(1).map(|s| s.split('"').next().unwrap().parse().unwrap()).collect();
        assert!(cy[1] > cy[0], "less airflow is lower: {cy:?}");
        assert!(cy[5] > cy[3], "a higher contact factor is lower: {cy:?}");
    }
}
