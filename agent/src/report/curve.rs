//! The curve: temperature, power and fan over one time, with the phases marked.

use maud::{Markup, PreEscaped, html};
use windrow_model::chart::{Width, run_chart};

use super::Page;

pub(super) fn figure(page: &Page<'_>) -> Markup {
    let limit_c = page.limit.map(|l| l.limit_c);
    let Some(chart) = run_chart(page.trace, page.analysis, limit_c) else { return html! {} };
    html! {
        figure.curve {
            (PreEscaped(chart.svg(Width::Wide)))
            (PreEscaped(chart.svg(Width::Narrow)))
            figcaption { (chart.description) }
        }
    }
}
