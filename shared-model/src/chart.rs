//! A recorded run as a chart: panels under one another over one time axis, written as SVG text.
//!
//! Our own writer and no plotting library, because the page themes the chart by CSS classes (light, dark, paper),
//! which a library that writes colours into the picture cannot do. Nothing here has a colour; the page has them all, as
//! variables that [`STYLE`] names.

use std::fmt::Write as _;

mod run;
mod scale;
mod svg;

pub use run::{PeersBand, peers_bands, run_chart};
pub use scale::{Axis, clock_label};

/// How the parts of a chart are drawn, in the page's own colours: `--chart`, `--grid`, `--grid-fine`, `--load`, `--soft`,
/// `--ink` and `--pen-temperature`, `--pen-power`, `--pen-fan1`, `--pen-fan2`. It comes before the page's own rules, which show
/// one drawing of each chart and hide the other.
pub const STYLE: &str = include_str!("chart/chart.css");

/// One line of a panel.
#[derive(Debug, Clone)]
pub struct Series<'a> {
    /// Shown beside the line's end; empty when the panel has one line only.
    pub label: String,
    /// CSS class of the line.
    pub class: &'static str,
    /// Values over the chart's time, NaN where not read.
    pub values: &'a [f64],
}

/// A level that is drawn across a panel, for example the limit.
#[derive(Debug, Clone)]
pub struct Level {
    /// Where, in the panel's unit.
    pub value: f64,
    /// What it is.
    pub label: String,
}

/// One quantity over time.
#[derive(Debug, Clone)]
pub struct Panel<'a> {
    /// What is drawn, with its unit: `CPU temperature, °C`.
    pub title: String,
    /// Lines.
    pub series: Vec<Series<'a>>,
    /// Levels.
    pub levels: Vec<Level>,
    /// Where the axis starts at zero (power, speed): how far it reaches at least, so that nothing looks like nothing.
    /// `None`: it reaches from the least to the largest value (temperature).
    pub from_zero_to: Option<f64>,
    /// Share of the height, relative to the other panels.
    pub weight: f64,
}

/// A stretch of time that is marked through all panels.
#[derive(Debug, Clone)]
pub struct Stretch {
    /// Begin, seconds.
    pub from_s: f64,
    /// End, seconds.
    pub to_s: f64,
    /// Its name.
    pub label: String,
    /// CSS class of its background.
    pub class: &'static str,
}

/// A band that is laid under a panel's lines, over a time of its own.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// Which panel, from 0 at the top.
    pub panel_idx: usize,
    /// CSS class.
    pub class: &'static str,
    /// Seconds on the chart's time, increasing.
    pub time_s: Vec<f64>,
    /// Lower edge, NaN where there is none.
    pub low: Vec<f64>,
    /// Upper edge likewise.
    pub high: Vec<f64>,
}

/// A chart.
#[derive(Debug, Clone)]
pub struct Chart<'a> {
    /// Name for those who do not see it.
    pub title: String,
    /// What it shows, in a sentence with the main numbers, for those who do not see it.
    pub description: String,
    /// Seconds, increasing.
    pub time_s: &'a [f64],
    /// Panels from the top.
    pub panels: Vec<Panel<'a>>,
    /// Phases.
    pub stretches: Vec<Stretch>,
}

/// For what width a chart is drawn. Text keeps its size, so a narrow one is drawn anew and not shrunk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Width {
    /// For a page of 700 px or paper.
    Wide,
    /// For 320 px.
    Narrow,
}

impl Width {
    const fn px(self) -> f64 {
        match self {
            Self::Wide => 720.0,
            Self::Narrow => 300.0,
        }
    }

    /// Suffix of ids, so that both drawings may stand in one document.
    const fn suffix(self) -> &'static str {
        match self {
            Self::Wide => "wide",
            Self::Narrow => "narrow",
        }
    }
}

const UNIT_HEIGHT_PX: f64 = 130.0;
const PANEL_GAP_PX: f64 = 34.0;
const TOP_PX: f64 = 34.0;
const BOTTOM_PX: f64 = 34.0;
const LEFT_PX: f64 = 46.0;
const RIGHT_PX: f64 = 10.0;

/// Where a panel lies.
struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl Chart<'_> {
    /// The chart as one `<svg>` element.
    ///
    /// ```
    /// use windrow_model::chart::{Chart, Panel, Series, Width};
    /// let time_s = [0.0, 1.0, 2.0];
    /// let temp_c = [40.0, 55.0, 61.0];
    /// let svg = Chart {
    ///     title: "Check".into(),
    ///     description: "Rises from 40 to 61 °C.".into(),
    ///     time_s: &time_s,
    ///     panels: vec![Panel {
    ///         title: "CPU temperature, °C".into(),
    ///         series: vec![Series { label: String::new(), class: "temperature", values: &temp_c }],
    ///         levels: vec![],
    ///         from_zero_to: None,
    ///         weight: 1.0,
    ///     }],
    ///     stretches: vec![],
    /// }
    /// .svg(Width::Wide);
    /// assert!(svg.starts_with("<svg") && svg.contains("<title"));
    /// ```
    pub fn svg(&self, width: Width) -> String {
        self.svg_over(width, &[])
    }

    /// The same over bands, for example of peers.
    pub fn svg_over(&self, width: Width, bands: &[Band]) -> String {
        let width_px = width.px();
        let frames = self.frames(width_px);
        let height_px = frames.last().map_or(TOP_PX, |f| f.bottom) + BOTTOM_PX;
        let time = Axis::new(
            self.time_s.first().copied().unwrap_or(0.0),
            self.time_s.last().copied().unwrap_or(1.0),
            LEFT_PX,
            width_px - RIGHT_PX,
        );
        let mut out = String::new();
        svg::open(&mut out, self, width.suffix(), width_px, height_px);
        for (panel_idx, (panel, frame)) in self.panels.iter().zip(&frames).enumerate() {
            let under: Vec<&Band> = bands.iter().filter(|b| b.panel_idx == panel_idx).collect();
            self.draw_panel(&mut out, panel, &under, frame, &time);
        }
        if let (Some(first), Some(last)) = (frames.first(), frames.last()) {
            svg::stretch_names(&mut out, &self.stretches, &time, first.top);
            svg::time_ticks(&mut out, &time, last.bottom, width == Width::Narrow);
        }
        out.push_str("</svg>");
        out
    }

    fn frames(&self, width_px: f64) -> Vec<Frame> {
        let mut top = TOP_PX;
        let mut frames = Vec::with_capacity(self.panels.len());
        for panel in &self.panels {
            // The panel's title stands above it.
            top += 12.0;
            let bottom = top + UNIT_HEIGHT_PX * panel.weight;
            frames.push(Frame { left: LEFT_PX, right: width_px - RIGHT_PX, top, bottom });
            top = bottom + PANEL_GAP_PX - 12.0;
        }
        frames
    }

    fn draw_panel(&self, out: &mut String, panel: &Panel<'_>, bands: &[&Band], frame: &Frame, time: &Axis) {
        let (low, high) = scale::extent(panel, bands);
        // Downwards on the screen is up on the chart.
        let value = Axis::new(low, high, frame.bottom, frame.top).rounded();
        svg::paper(out, frame, &self.stretches, time, &value);
        let _ = write!(
            out,
            r#"<text class="name" x="{:.0}" y="{:.0}">{}</text>"#,
            frame.left,
            frame.top - 5.0,
            escape(&panel.title)
        );
        for band in bands {
            svg::band(out, band, time, &value);
        }
        for level in &panel.levels {
            svg::level(out, level, frame, &value);
        }
        for series in &panel.series {
            svg::line(out, series, self.time_s, time, &value);
        }
        svg::line_labels(out, panel, frame, &value);
    }
}

/// Text made safe inside an element or a double-quoted attribute.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            // Control characters are not allowed in XML at all.
            c if c.is_control() && c != '\n' && c != '\t' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chart<'a>(time_s: &'a [f64], values: &'a [f64]) -> Chart<'a> {
        Chart {
            title: "A & B".into(),
            description: "<nothing>".into(),
            time_s,
            panels: vec![Panel {
                title: "T, °C".into(),
                series: vec![Series { label: String::new(), class: "temperature", values }],
                levels: vec![Level { value: 100.0, label: "limit".into() }],
                from_zero_to: None,
                weight: 1.0,
            }],
            stretches: vec![Stretch { from_s: 1.0, to_s: 2.0, label: "load".into(), class: "load" }],
        }
    }

    #[test]
    fn text_is_escaped() {
        let svg = chart(&[0.0, 1.0, 2.0], &[1.0, 2.0, 3.0]).svg(Width::Wide);
        assert!(svg.contains("A &amp; B") && svg.contains("&lt;nothing&gt;"), "{svg}");
    }

    #[test]
    fn nothing_read_draws_no_line_and_no_nan() {
        for values in [&[][..], &[f64::NAN, f64::NAN][..], &[5.0, 5.0][..]] {
            let time: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
            let svg = chart(&time, values).svg(Width::Narrow);
            assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
        }
    }

    #[test]
    fn a_cell_that_was_not_read_does_not_break_the_line_but_a_sleep_does() {
        let time = [0.0, 0.25, 0.5, 0.75, 1.0, 60.0, 60.25, 60.5];
        let values = [1.0, f64::NAN, 2.0, f64::NAN, 3.0, 4.0, 5.0, 6.0];
        let svg = chart(&time, &values).svg(Width::Wide);
        let path = svg.split("class=\"line temperature\" d=\"").nth(1).unwrap().split('"').next().unwrap();
        assert_eq!(path.matches('M').count(), 2, "{path}");
    }

    #[test]
    fn a_long_recording_stays_small() {
        let time: Vec<f64> = (0..200_000).map(|i| f64::from(i) * 0.25).collect();
        let values: Vec<f64> = time.iter().map(|t| 50.0 + 20.0 * (t / 7.0).sin()).collect();
        let svg = chart(&time, &values).svg(Width::Wide);
        assert!(svg.len() < 100_000, "{} bytes", svg.len());
        assert!(svg.contains("temperature"));
    }
}
