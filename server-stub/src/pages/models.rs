//! Models: what each is compared with, how wide healthy and worn laptops spread, and what its firmware did.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use maud::{Markup, PreEscaped, html};
use windrow_model::estimate::joint_model::Channels;
use windrow_model::measured::Measured;

use super::fleet::Entry;
use super::gauge::{self, Quantity};
use super::reading::{ModelMetrics, ModelRun};
use super::words;
use crate::store::EpochMs;

/// How laptops of a model spread in one number.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Spread {
    /// Each laptop's value, rising.
    pub values: Vec<f64>,
    /// Of these, past the service limit.
    pub n_past: usize,
}

impl Spread {
    /// From values in any order.
    pub fn new(quantity: Quantity, mut values: Vec<f64>) -> Self {
        values.retain(|v| v.is_finite());
        values.sort_by(f64::total_cmp);
        let n_past = values.iter().filter(|v| quantity.is_past(**v)).count();
        Self { values, n_past }
    }

    /// The value that a share of the laptops lies below; `None` where there is none.
    pub fn quantile(&self, share: f64) -> Option<f64> {
        let last = self.values.len().checked_sub(1)?;
        self.values.get((share * last as f64).round() as usize).copied()
    }
}

/// What a model's laptops are compared within.
#[derive(Debug, Clone)]
pub struct Epoch {
    /// What names its reference in addresses.
    pub model_id: String,
    /// Maker, product, stock-keeping unit and processor.
    pub kind: String,
    /// `measured`, `emulated` or `imported`.
    pub provenance: String,
    /// With which channels these laptops are measured; `None`: all of the kind are measured alike.
    pub measured: Option<Channels>,
    /// Its laptops.
    pub n_laptops: usize,
    /// Their runs.
    pub n_runs: usize,
    /// What their reference rests on: laptops and runs; `None`: there is none yet.
    pub rests_on: Option<(usize, usize)>,
    /// Mean residual of the fit, K.
    pub rms_k: Option<f64>,
    /// Whether the fit came to its optimum.
    pub has_converged: Option<bool>,
    /// Median highest sustained fan speed, rpm.
    pub fan_max_rpm: Option<f64>,
    /// Median resistance from chip to sink, K/W.
    pub r_contact_k_per_w: Option<f64>,
    /// Median conductance to the air, W/K.
    pub g_air_w_per_k: Option<f64>,
    /// Steps that all of its laptops made together, in words.
    pub events: Vec<String>,
}

/// A month's median of a model.
#[derive(Debug, Clone, PartialEq)]
pub struct Month {
    /// `2026-01`.
    pub month: String,
    /// Runs in it.
    pub n_runs: usize,
    /// Median speed gained per kelvin, rpm/K.
    pub fan_gain_rpm_per_k: Option<f64>,
    /// Median highest fan speed, rpm.
    pub fan_max_rpm: Option<f64>,
    /// Median resistance from chip to sink, K/W.
    pub r_contact_k_per_w: Option<f64>,
}

/// What a firmware did: a step that all of a model's laptops make is the model's event, not many sick laptops.
#[derive(Debug, Clone, PartialEq)]
pub struct Firmware {
    /// Its version; empty where none was told.
    pub version: String,
    /// Its first run.
    pub since_ms: EpochMs,
    /// Laptops with it.
    pub n_laptops: usize,
    /// Runs with it.
    pub n_runs: usize,
    /// Median highest fan speed, rpm.
    pub fan_max_rpm: Option<f64>,
    /// Median sustained power, W.
    pub power_w: Option<f64>,
    /// Median peak temperature, °C.
    pub peak_c: Option<f64>,
}

/// Fewest runs of a month or a firmware that a median is shown of.
const MIN_RUNS: usize = 3;

fn median_of(runs: &[&ModelRun], of: fn(&ModelMetrics) -> &Measured) -> Option<f64> {
    let values: Vec<f64> = runs.iter().filter_map(|r| of(&r.metrics).value()).collect();
    if values.len() < MIN_RUNS {
        return None;
    }
    // The quantity only says what counts as past its limit, which nobody asks here.
    Spread::new(Quantity::Airflow, values).quantile(0.5)
}

/// Medians by month, the earliest first.
pub fn months_of(runs: &[ModelRun]) -> Vec<Month> {
    let mut by_month: BTreeMap<String, Vec<&ModelRun>> = BTreeMap::new();
    for run in runs {
        if let Some(day) = words::date(run.tested_at_ms) {
            by_month.entry(day.format("%Y-%m").to_string()).or_default().push(run);
        }
    }
    by_month
        .into_iter()
        .map(|(month, runs)| Month {
            month,
            n_runs: runs.len(),
            fan_gain_rpm_per_k: median_of(&runs, |m| &m.fan_gain_rpm_per_k),
            fan_max_rpm: median_of(&runs, |m| &m.fan_max_rpm),
            r_contact_k_per_w: median_of(&runs, |m| &m.r_contact_k_per_w),
        })
        .collect()
}

/// Medians by firmware, the first seen first.
pub fn firmwares_of(runs: &[ModelRun]) -> Vec<Firmware> {
    let mut by_version: BTreeMap<&str, Vec<&ModelRun>> = BTreeMap::new();
    for run in runs {
        by_version.entry(&run.firmware).or_default().push(run);
    }
    let mut firmwares: Vec<Firmware> = by_version
        .into_iter()
        .map(|(version, runs)| {
            let devices: BTreeSet<&str> = runs.iter().map(|r| r.device_id.as_str()).collect();
            Firmware {
                version: version.to_owned(),
                since_ms: runs.iter().map(|r| r.tested_at_ms).min().unwrap_or_default(),
                n_laptops: devices.len(),
                n_runs: runs.len(),
                fan_max_rpm: median_of(&runs, |m| &m.fan_max_rpm),
                power_w: median_of(&runs, |m| &m.power_sustained_w),
                peak_c: median_of(&runs, |m| &m.peak_c),
            }
        })
        .collect();
    firmwares.sort_by_key(|f| f.since_ms);
    firmwares
}

/// A model with its laptops.
#[derive(Debug, Clone)]
pub struct Model {
    /// What a person calls it.
    pub name: String,
    /// What names it in addresses.
    pub slug: String,
    /// Whether all of its laptops are emulated.
    pub is_emulated: bool,
    /// Laptops.
    pub n_laptops: usize,
    /// Laptops that need a visit.
    pub n_due: usize,
    /// Airflow, fan, contact.
    pub spreads: [Spread; 3],
    /// What it is compared within, by firmware.
    pub epochs: Vec<Epoch>,
}

/// All models.
pub fn list(models: &[Model]) -> Markup {
    html! {
        @if models.is_empty() {
            p.lead { "No model is known yet: the first checked laptop brings its own." }
        } @else {
            p.as-of { "A laptop is compared with others of its model, processor and firmware, and of the same provenance." }
            (gauge::papers())
            table.stacked.models {
                caption { "Ticks are laptops; the hatched side is past the service limit." }
                thead { tr {
                    th scope="col" { "Model" } th.value scope="col" { "Laptops" } th.value scope="col" { "Need a visit" }
                    @for q in Quantity::ALL { th scope="col" { (words::capital(q.name())) } }
                } }
                tbody { @for model in models { (line(model)) } }
            }
        }
    }
}

fn line(model: &Model) -> Markup {
    html! {
        tr {
            th scope="row" {
                a href={ "/models/" (model.slug) } { (model.name) }
                @if model.is_emulated { p.mark.emulated { "emulated laptops" } }
            }
            td.value data-name="Laptops" { (words::grouped(model.n_laptops)) }
            td.value data-name="Need a visit" { (words::grouped(model.n_due)) }
            @for q in Quantity::ALL {
                td data-name=(words::capital(q.name())) { (strip(q, &model.spreads[q as usize])) (spread_words(q, &model.spreads[q as usize])) }
            }
        }
    }
}

fn spread_words(quantity: Quantity, spread: &Spread) -> Markup {
    html! {
        @match spread.quantile(0.5) {
            None => span.soft { "cannot tell" },
            Some(median) => {
                span.number { b { (gauge::two(median)) } }
                @if let (Some(low), Some(high)) = (spread.quantile(0.1), spread.quantile(0.9)) {
                    span.number.soft { " " (gauge::two(low)) "–" (gauge::two(high)) }
                }
                span.chance { " " (quantity.past()) ": " (words::grouped(spread.n_past)) }
            }
        }
    }
}

/// Most ticks on a strip; of more laptops an even choice is drawn, so that a page stays small.
const MAX_TICKS: usize = 200;

/// Each laptop a tick over the number's paper.
fn strip(quantity: Quantity, spread: &Spread) -> Markup {
    let mut ticks = String::new();
    let every = spread.values.len().div_ceil(MAX_TICKS).max(1);
    for value in spread.values.iter().step_by(every) {
        let _ = write!(ticks, "M{:.1} 5V15", gauge::x_of(quantity, *value));
    }
    PreEscaped(format!(
        concat!(
            r##"<svg class="gauge" viewBox="0 0 120 20" width="120" height="20" aria-hidden="true" focusable="false">"##,
            r##"<use href="#paper-{}"/><path class="ticks" d="{}"/></svg>"##
        ),
        quantity.name(),
        ticks
    ))
}

/// All that a model's page shows.
#[derive(Debug)]
pub struct View<'a> {
    /// The model.
    pub model: &'a Model,
    /// Its laptops that need a visit most, worst first.
    pub weakest: &'a [&'a Entry],
    /// By month.
    pub months: &'a [Month],
    /// By firmware, the first seen first.
    pub firmwares: &'a [Firmware],
    /// Latest runs that months and firmware rest on.
    pub n_runs_read: usize,
}

/// A model's page.
pub fn body(view: &View<'_>) -> Markup {
    let m = view.model;
    html! {
        @if m.is_emulated { p.notice role="note" { "Emulated laptops: no real machine stands behind these numbers." } }
        p.lead { (words::count(m.n_laptops, "laptop", "laptops")) ", of which " (words::grouped(m.n_due)) " need a visit." }
        section.condition aria-labelledby="spread" {
            h2 #spread { "How its laptops spread" }
            (gauge::papers())
            dl.numbers {
                @for q in Quantity::ALL {
                    div.figure {
                        dt { (words::capital(q.name())) }
                        dd { (strip(q, &m.spreads[q as usize])) (spread_words(q, &m.spreads[q as usize])) }
                    }
                }
            }
            p.soft { "Median, and where eight in ten laptops lie. Each tick is a laptop." }
        }
        (epochs(&m.epochs))
        (firmwares(&m.epochs, view.firmwares, view.n_runs_read))
        (months(view.months))
        (weakest(view.weakest))
    }
}

fn epochs(epochs: &[Epoch]) -> Markup {
    html! {
        section aria-labelledby="kinds" {
            h2 #kinds { "What they are compared within" }
            table.stacked {
                caption { "Maker, product, unit and processor as the laptops tell them; medians of the last runs." }
                thead { tr {
                    th scope="col" { "Kind" } th scope="col" { "Provenance" } th.value scope="col" { "Laptops" } th.value scope="col" { "Runs" }
                    th.value scope="col" { "Residual, K" } th.value scope="col" { "Fan, rpm" } th.value scope="col" { "Contact, K/W" } th.value scope="col" { "Air, W/K" }
                } }
                tbody {
                    @for e in epochs {
                        tr {
                            th scope="row" {
                                (e.kind)
                                @if let Some(channels) = e.measured { p.soft { (measured(channels, e.rests_on)) } }
                                @if e.has_converged == Some(false) { p.mark { "the fit of its runs came to no optimum: its laptops are judged with wider intervals" } }
                            }
                            td data-name="Provenance" { (e.provenance) }
                            td.value data-name="Laptops" { (words::grouped(e.n_laptops)) }
                            td.value data-name="Runs" { (words::grouped(e.n_runs)) }
                            td.value data-name="Residual, K" { (number(e.rms_k, 2)) }
                            td.value data-name="Fan, rpm" { (number(e.fan_max_rpm, 0)) }
                            td.value data-name="Contact, K/W" { (number(e.r_contact_k_per_w, 2)) }
                            td.value data-name="Air, W/K" { (number(e.g_air_w_per_k, 2)) }
                        }
                    }
                }
            }
        }
    }
}

/// How the laptops of a line are measured, and what their reference rests on: with laptops that are measured otherwise
/// they aren't compared.
fn measured(channels: Channels, rests_on: Option<(usize, usize)>) -> String {
    let (laptops, runs) = rests_on.unwrap_or_default();
    let (laptops, runs) = (words::count(laptops, "laptop", "laptops"), words::count(runs, "run", "runs"));
    format!("measured {}; their reference rests on {laptops} and {runs}", channels.words())
}

fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "–".to_owned(), |v| format!("{v:.decimals$}"))
}

fn firmwares(epochs: &[Epoch], firmwares: &[Firmware], n_runs_read: usize) -> Markup {
    let n_events: usize = epochs.iter().map(|e| e.events.len()).sum();
    html! {
        section aria-labelledby="firmware" {
            h2 #firmware { "Firmware" }
            p {
                "A step that all units make together is the firmware's (a new fan table, other power limits), not many sick laptops. "
                @if n_events == 0 { "None was found here. " }
                "From the last " (words::count(n_runs_read, "run", "runs")) "."
            }
            @if n_events > 0 {
                ul.events {
                    @for (epoch, event) in epochs.iter().flat_map(|e| e.events.iter().map(move |event| (e, event))) {
                        li { (words::sentence(event)) @if epochs.len() > 1 { " " span.soft {
                            (epoch.kind) ", " (epoch.provenance) @if let Some(channels) = epoch.measured { ", measured " (channels.words()) }
                        } } }
                    }
                }
            }
            @if !firmwares.is_empty() {
                table.stacked {
                    caption { "Medians of the runs made with it." }
                    thead { tr {
                        th scope="col" { "Version" } th scope="col" { "First run" } th.value scope="col" { "Laptops" } th.value scope="col" { "Runs" }
                        th.value scope="col" { "Fan, rpm" } th.value scope="col" { "Power, W" } th.value scope="col" { "Peak, °C" }
                    } }
                    tbody {
                        @for f in firmwares {
                            tr {
                                th scope="row" { @if f.version.is_empty() { "not told" } @else { (f.version) } }
                                td data-name="First run" { (words::day_of(f.since_ms)) }
                                td.value data-name="Laptops" { (words::grouped(f.n_laptops)) }
                                td.value data-name="Runs" { (words::grouped(f.n_runs)) }
                                td.value data-name="Fan, rpm" { (number(f.fan_max_rpm, 0)) }
                                td.value data-name="Power, W" { (number(f.power_w, 1)) }
                                td.value data-name="Peak, °C" { (number(f.peak_c, 1)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn months(months: &[Month]) -> Markup {
    html! {
        section aria-labelledby="trends" {
            h2 #trends { "Fan and paste, month by month" }
            @if months.len() < 2 {
                p { "There are runs of one month only: a trend needs two." }
            } @else {
                table.stacked {
                    caption { "Medians of all runs of the month." }
                    thead { tr {
                        th scope="col" { "Month" } th.value scope="col" { "Runs" } th.value scope="col" { "Fan, rpm" }
                        th.value scope="col" { "Fan gain, rpm/K" } th.value scope="col" { "Contact, K/W" }
                    } }
                    tbody {
                        @for m in months {
                            tr {
                                th scope="row" { (m.month) }
                                td.value data-name="Runs" { (words::grouped(m.n_runs)) }
                                td.value data-name="Fan, rpm" { (number(m.fan_max_rpm, 0)) }
                                td.value data-name="Fan gain, rpm/K" { (number(m.fan_gain_rpm_per_k, 1)) }
                                td.value data-name="Contact, K/W" { (number(m.r_contact_k_per_w, 2)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn weakest(weakest: &[&Entry]) -> Markup {
    html! {
        section aria-labelledby="weakest" {
            h2 #weakest { "Weakest units" }
            @if weakest.is_empty() { p { "None needs a visit." } }
            ol.plain-list {
                @for e in weakest {
                    li { a href={ "/laptops/" (e.device_id) } { (e.name()) } " " (words::band(e.band)) ": " (words::sentence(&e.reason)) }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spread_knows_its_middle_and_who_is_past_the_limit() {
        let spread = Spread::new(Quantity::Airflow, vec![0.9, 0.5, f64::NAN, 0.6, 1.0, 0.95]);
        assert_eq!((spread.values.len(), spread.n_past), (5, 2));
        assert_eq!(spread.quantile(0.5), Some(0.9));
        assert_eq!(Spread::default().quantile(0.5), None);
    }

    #[test]
    fn a_fit_that_came_to_no_optimum_is_told() {
        let kind = |has_converged| Epoch {
            model_id: "m".to_owned(),
            kind: "Tamsel 14".to_owned(),
            provenance: "measured".to_owned(),
            measured: None,
            n_laptops: 3,
            n_runs: 9,
            rests_on: Some((3, 9)),
            rms_k: Some(0.4),
            has_converged,
            fan_max_rpm: None,
            r_contact_k_per_w: None,
            g_air_w_per_k: None,
            events: Vec::new(),
        };
        let is_told = |has_converged| epochs(&[kind(has_converged)]).into_string().contains("no optimum");
        assert_eq!([Some(false), Some(true), None].map(is_told), [true, false, false]);
    }

    #[test]
    fn a_large_model_stays_a_small_drawing() {
        let values = (0..100_000).map(|i| f64::from(i) / 100_000.0).collect();
        let svg = strip(Quantity::Airflow, &Spread::new(Quantity::Airflow, values)).into_string();
        assert!(svg.len() < 4000, "{}", svg.len());
    }
}
