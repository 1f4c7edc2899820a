//! The page to keep: one HTML file with everything in it, nothing fetched, readable on screen and paper.

mod curve;
mod sections;

use maud::{DOCTYPE, Markup, PreEscaped, html};
use windrow_model::analysis::RunAnalysis;
use windrow_model::chart;
use windrow_model::record::wire;
use windrow_model::trace::Trace;
use windrow_model::verdict::{Origin, Verdict};

pub(crate) const STYLE: &str = include_str!("page.css");

/// What a page is made of.
#[derive(Debug, Clone, Copy)]
pub struct Page<'a> {
    /// Where the run came from.
    pub origin: Origin<'a>,
    /// Model, where known.
    pub model: Option<&'a wire::Model>,
    /// Start, RFC 3339.
    pub started_at: Option<&'a str>,
    /// The record's digest.
    pub digest: Option<&'a str>,
    /// The limit, where known.
    pub limit: Option<&'a wire::Limit>,
    /// Circumstances.
    pub context: Option<&'a wire::Context>,
    /// Safety stops and gaps.
    pub events: &'a [wire::Event],
    /// Pre-checks.
    pub pre_checks: &'a [wire::PreCheck],
    /// What was read, and from where.
    pub sources: &'a [wire::Source],
    /// The run.
    pub trace: &'a Trace,
    /// Its analysis.
    pub analysis: &'a RunAnalysis,
    /// The verdict.
    pub verdict: &'a Verdict,
}

/// The page as one HTML document.
pub fn page(page: &Page<'_>) -> String {
    let model = page.model.map_or("Trace file", |m| m.product.as_str());
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                // No script, no frame, no fetch: should ever a name smuggle markup in, it finds nothing to do here.
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                title { "Cooling check: " (model) }
                style { (PreEscaped(chart::STYLE)) (PreEscaped(STYLE)) }
            }
            body { (body(page)) }
        }
    }
    .into_string()
}

/// What the page says, for another page with the same stylesheet.
pub fn body(page: &Page<'_>) -> Markup {
    html! {
        header {
            p.kind { "Cooling check" }
            h1 { (page.model.map_or("Trace file", |m| m.product.as_str())) }
            (sections::facts(page))
        }
        @if let Some(notice) = &page.verdict.notice {
            p.notice role="note" { (sections::marked(notice)) }
        }
        main {
            (sections::verdict(page.verdict))
            (curve::figure(page))
            (sections::findings(page.verdict))
            (sections::next(page.verdict))
            (sections::table_of_figures(&page.analysis.metrics))
            (sections::circumstances(page))
        }
        footer { (sections::footer(page)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use windrow_model::analysis::{RunContext, analyse};
    use windrow_model::emulate::{RunPlan, model_of, record_run};
    use windrow_model::verdict::{Case, judge};

    fn example(model: &wire::Model, faults: &str) -> String {
        let spec = model_of("Orrin 16 W").unwrap();
        let plan = RunPlan { faults: faults.parse().unwrap(), ..RunPlan::default() };
        let trace = record_run(&spec, &plan);
        let analysis = analyse(&trace, &RunContext::default());
        let limit = wire::Limit { limit_c: 100.0, source: wire::LimitSource::SensorCritical };
        let origin = Origin::Emulated { faults };
        let verdict = judge(&Case {
            origin,
            trace: &trace,
            analysis: &analysis,
            limit: Some(&limit),
            protocol: None,
            context: None,
            outcome: wire::Outcome::Complete,
            events: &[],
            pre_checks: &[],
        });
        page(&Page {
            origin,
            model: Some(model),
            started_at: Some("2026-01-02T03:04:05Z"),
            digest: None,
            limit: Some(&limit),
            context: None,
            events: &[],
            pre_checks: &[],
            sources: &[],
            trace: &trace,
            analysis: &analysis,
            verdict: &verdict,
        })
    }

    fn model(product: &str) -> wire::Model {
        wire::Model { product: product.into(), ..model_of("Orrin 16 W").unwrap().model }
    }

    #[test]
    fn nothing_is_fetched_and_nothing_runs() {
        let html = example(&model("Orrin 16 W"), "");
        let no_namespace = html.replace("http://www.w3.org/2000/svg", "");
        for outside in ["http://", "https://", "<script", "<link", "<img", "url(", "@import", "src="] {
            let found = no_namespace.contains(outside);
            assert!(!found, "{outside} in the page");
        }
    }

    #[test]
    fn a_name_from_the_firmware_cannot_add_markup() {
        let html = example(&model("<script>alert(1)</script>\""), "");
        assert!(!html.contains("<script>alert"));
        assert!(html.contains("&lt;script&gt;"));
    }

    #[test]
    fn emulation_is_said_and_cautions_stand_where_a_service_is_advised() {
        let healthy = example(&model("x"), "");
        let ill = example(&model("x"), "paste=9");
        assert!(healthy.contains("Emulated laptop, healthy"));
        assert!(!healthy.contains("swollen battery"));
        assert!(ill.contains("paste=9") && ill.contains("swollen battery"));
    }
}
