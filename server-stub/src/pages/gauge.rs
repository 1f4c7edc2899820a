//! One condition number as a small drawing: value with interval against its service limit.
//!
//! The side past the limit is hatched and always on the left, so that three numbers under one another read alike,
//! without colour. The drawing repeats what stands beside it in words, so it is hidden from those who hear the page.

use std::fmt::Write as _;

use maud::{Markup, PreEscaped, html};
use windrow_model::condition::constants::{CLOGGED_BELOW, CONTACT_ABOVE, FAN_BELOW};

use super::fleet::Reading;
use super::words;

/// What is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Airflow fraction: vents and fins.
    Airflow,
    /// Fan factor.
    Fan,
    /// Contact factor: paste and mounting.
    Contact,
}

impl Quantity {
    /// All three.
    pub const ALL: [Self; 3] = [Self::Airflow, Self::Fan, Self::Contact];

    /// As a person reads it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Airflow => "airflow",
            Self::Fan => "fan",
            Self::Contact => "contact",
        }
    }

    /// What the number is.
    pub const fn meaning(self) -> &'static str {
        match self {
            Self::Airflow => "share of the as-new airflow through vents and fins",
            Self::Fan => "share of the speed that the fan should reach",
            Self::Contact => "resistance of paste and mounting, in multiples of as-new",
        }
    }

    /// What is the matter past the limit.
    pub const fn past(self) -> &'static str {
        match self {
            Self::Airflow => "clogged",
            Self::Fan => "weak",
            Self::Contact => "dried out",
        }
    }

    /// The service limit.
    pub const fn limit(self) -> f64 {
        match self {
            Self::Airflow => CLOGGED_BELOW,
            Self::Fan => FAN_BELOW,
            Self::Contact => CONTACT_ABOVE,
        }
    }

    /// Values at the left and the right edge. The service side is on the left.
    pub const fn edges(self) -> (f64, f64) {
        match self {
            Self::Airflow => (0.2, 1.1),
            Self::Fan => (0.3, 1.1),
            Self::Contact => (3.0, 0.8),
        }
    }

    /// Whether a value is past the service limit.
    pub fn is_past(self, value: f64) -> bool {
        match self {
            Self::Airflow | Self::Fan => value < self.limit(),
            Self::Contact => value > self.limit(),
        }
    }
}

const WIDTH_PX: f64 = 120.0;
const HEIGHT_PX: f64 = 20.0;

pub(super) fn x_of(quantity: Quantity, value: f64) -> f64 {
    let (left, right) = quantity.edges();
    ((value - left) / (right - left)).clamp(0.0, 1.0) * (WIDTH_PX - 4.0) + 2.0
}

/// The paper under all drawings of a page, once: grid, limit, and the hatched side. Goes before the first of them.
pub fn papers() -> Markup {
    let mut symbols = String::new();
    for quantity in Quantity::ALL {
        let _ = write!(
            symbols,
            r#"<symbol id="paper-{name}" viewBox="0 0 {WIDTH_PX} {HEIGHT_PX}">{}</symbol>"#,
            paper(quantity),
            name = quantity.name()
        );
    }
    PreEscaped(format!(
        r#"<svg class="papers" width="0" height="0" aria-hidden="true" focusable="false">{symbols}</svg>"#
    ))
}

fn paper(quantity: Quantity) -> String {
    let limit_x = x_of(quantity, quantity.limit());
    let mut hatch = String::new();
    // Lines at 45°, cut at the frame and at the limit.
    let mut x = 2.0 - HEIGHT_PX + 6.0;
    while x < limit_x {
        let (x0, x1) = (x.max(2.0), (x + HEIGHT_PX - 4.0).min(limit_x));
        if x1 > x0 {
            let (y0, y1) = (HEIGHT_PX - 2.0 - (x0 - x), HEIGHT_PX - 2.0 - (x1 - x));
            let _ = write!(hatch, "M{x0:.1} {y0:.1}L{x1:.1} {y1:.1}");
        }
        x += 6.0;
    }
    format!(
        concat!(
            r#"<rect class="paper" x="2" y="2" width="{w}" height="{h}"/><path class="hatch" d="{hatch}"/>"#,
            r#"<path class="limit" d="M{x:.1} 0V{bottom}"/>"#
        ),
        w = WIDTH_PX - 4.0,
        h = HEIGHT_PX - 4.0,
        hatch = hatch,
        x = limit_x,
        bottom = HEIGHT_PX
    )
}

/// The drawing alone.
pub fn drawing(quantity: Quantity, reading: Option<&Reading>) -> Markup {
    let mut svg = format!(
        concat!(
            r#"<svg class="gauge" viewBox="0 0 {w} {h}" width="{w}" height="{h}" aria-hidden="true" "#,
            r##"focusable="false"><use href="#paper-{name}"/>"##
        ),
        w = WIDTH_PX,
        h = HEIGHT_PX,
        name = quantity.name()
    );
    if let Some(r) = reading {
        let middle = HEIGHT_PX / 2.0;
        let (a, b) = (x_of(quantity, r.low), x_of(quantity, r.high));
        let (x0, x1) = (a.min(b), a.max(b));
        let x = x_of(quantity, r.value);
        let _ = write!(
            svg,
            r#"<path class="interval" d="M{x0:.1} {middle}H{x1:.1}M{x0:.1} 6V14M{x1:.1} 6V14"/><path class="value" d="M{x:.1} 4L{r:.1} 10L{x:.1} 16L{l:.1} 10Z"/>"#,
            r = x + 4.0,
            l = x - 4.0
        );
    }
    svg.push_str("</svg>");
    PreEscaped(svg)
}

/// The number in words: value, interval, chance to be past the limit.
pub fn figure(quantity: Quantity, reading: Option<&Reading>) -> Markup {
    html! {
        div.figure {
            dt { (words::capital(quantity.name())) }
            dd {
                (drawing(quantity, reading))
                @match reading {
                    Some(r) => {
                        span.number { b { (two(r.value)) } " " span.soft { (two(r.low)) "–" (two(r.high)) } }
                        @if let Some(p) = r.p_past {
                            span.chance { (quantity.past()) ": " span.unbroken { (words::percent(p)) } }
                        }
                    }
                    None => span.number.soft { "cannot tell" }
                }
            }
        }
    }
}

/// The three numbers of a laptop as a list of terms.
pub fn three(numbers: &[Option<Reading>; 3]) -> Markup {
    html! {
        dl.numbers {
            @for (quantity, reading) in Quantity::ALL.into_iter().zip(numbers) { (figure(quantity, reading.as_ref())) }
        }
    }
}

/// How to read the drawings, once a page.
pub fn legend() -> Markup {
    html! {
        details.legend {
            summary { "How to read the three numbers" }
            p {
                "The diamond is the value, the bar its 90 % interval, the upright line the service limit; the hatched side is "
                "past it. The chance says how likely the true value is past the limit. All are relative to a healthy laptop of the same model."
            }
            dl.list {
                @for q in Quantity::ALL {
                    div { dt { (words::capital(q.name())) ", limit " (two(q.limit())) } dd { (q.meaning()) } }
                }
            }
        }
    }
}

/// Two decimals.
pub fn two(value: f64) -> String {
    format!("{value:.2}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_service_side_is_on_the_left_of_the_limit() {
        for q in Quantity::ALL {
            let (left, right) = q.edges();
            assert!(q.is_past(left) && !q.is_past(right), "{q:?}");
            assert!(x_of(q, q.limit()) > 2.0 && x_of(q, q.limit()) < WIDTH_PX - 2.0);
        }
    }

    #[test]
    fn a_value_beyond_the_paper_stays_on_it() {
        for value in [-5.0, 0.0, 1.0, 99.0] {
            for q in Quantity::ALL {
                let reading = Reading { value, low: value - 1.0, high: value + 1.0, p_past: Some(0.5) };
                let svg = drawing(q, Some(&reading)).into_string();
                assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
                assert!((2.0..=118.0).contains(&x_of(q, value)));
            }
        }
    }
}
