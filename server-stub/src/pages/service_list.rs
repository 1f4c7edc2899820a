//! The start page: coverage and the ranked laptops.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use maud::{Markup, html};

use super::changes::{self, Changes};
use super::fleet::{Entry, Fleet, Order};
use super::gauge;
use super::layout::Reader;
use super::query::{From, PAGE_SIZE, Page, Query};
use super::words;
use crate::coverage::{CoverageCounts, CoverageState};
use crate::scoring::Band;

/// What is laid over a laptop's line: facts that change between two judgements.
#[derive(Debug, Clone, Default)]
pub struct Overlay {
    /// Held back from load and visits, and why.
    pub held: Option<String>,
    /// Not to be shown as due until then, and why.
    pub snoozed: Option<(NaiveDate, String)>,
    /// A check was asked for, until when.
    pub check_wanted_by: Option<NaiveDate>,
}

/// All that the start page shows.
#[derive(Debug)]
pub struct View<'a> {
    /// The fleet.
    pub fleet: &'a Fleet,
    /// What is asked for.
    pub query: &'a Query,
    /// How many laptops stand how in the coverage, at the sites that the reader may see.
    pub coverage: &'a CoverageCounts,
    /// By device id, of the laptops that have one.
    pub overlays: &'a BTreeMap<String, Overlay>,
    /// What changed since a week ago; `None` until it is worked out.
    pub changes: Option<&'a Changes>,
}

/// The start page's body.
pub fn body(view: &View<'_>, reader: &Reader) -> Markup {
    if view.fleet.laptops.is_empty() {
        return empty(view, reader);
    }
    let page = view.query.page(view.fleet);
    html! {
        p.as-of {
            "Judged " (words::minute_of(view.fleet.as_of_ms)) "."
            @if let Some(site) = view.query.site.as_ref().filter(|_| view.query.is_bound_to_site) { " Your grant is for " b { (site) } "." }
        }
        div.abreast {
            (coverage(view.coverage))
            @if let Some(changes) = view.changes { (changes::section(changes, bound_site(view.query))) }
        }
        section aria-labelledby="laptops" {
            h2 #laptops { "Laptops, most urgent first" }
            (bands(view))
            (filter(view))
            (list(view, &page, reader))
        }
    }
}

/// The site that the reader's grant is for.
fn bound_site(query: &Query) -> Option<&str> {
    query.site.as_deref().filter(|_| query.is_bound_to_site)
}

fn empty(view: &View<'_>, reader: &Reader) -> Markup {
    html! {
        (coverage(view.coverage))
        section aria-labelledby="laptops" {
            h2 #laptops { "Laptops" }
            p.lead { "No laptop has been checked yet." }
            @if reader.may_change {
                ol.steps {
                    li { "On this machine, make an invite: " code { "windrow-hub invite --site \"SITE\" --uses 20" } }
                    li { "On each laptop, join with it: " code { "windrow join ADDRESS" } ", then " code { "windrow check" } }
                    li { "The laptop appears here as soon as its first record has arrived and been judged." }
                }
                p { "Recorded fleets come in with " code { "windrow-hub import manifest.csv" } "." }
            }
        }
    }
}

fn coverage(c: &CoverageCounts) -> Markup {
    html! {
        section.coverage aria-labelledby="coverage" {
            h2 #coverage { "Coverage" }
            @match c.checked_share() {
                Some(share) => {
                    p.lead {
                        b { (words::grouped(c.n_checked + c.n_cannot_tell)) } " of " (words::count(c.n_due(), "laptop", "laptops"))
                        " on the list checked in the last 30 days (" (words::percent(share)) ")."
                    }
                    (strip(c))
                }
                None => p.lead { "No laptop on the list of those that should be checked." },
            }
            (counts(c))
            @if c.checked_share().is_none() { (no_list(c)) }
        }
    }
}

/// Every way to stand that somebody has.
fn counts(c: &CoverageCounts) -> Markup {
    let not = c
        .not_checked
        .iter()
        .map(|(why, n)| (format!("{}: {}", CoverageState::NotChecked.words(), why.words()), *n));
    let others = [
        (CoverageState::CannotTell, c.n_cannot_tell),
        (CoverageState::NotDue, c.n_not_due),
        (CoverageState::Excluded, c.n_excluded),
        (CoverageState::NotInList, c.n_not_in_list),
    ];
    let others = others.into_iter().map(|(state, n)| (state.words().to_owned(), n));
    let told: Vec<(String, usize)> = not.chain(others).filter(|(_, n)| *n > 0).collect();
    html! {
        @if !told.is_empty() {
            dl.list { @for (what, n) in &told { div { dt { (words::capital(what)) } dd { (words::grouped(*n)) } } } }
        }
    }
}

/// What can be said while the list is missing.
fn no_list(c: &CoverageCounts) -> Markup {
    html! {
        p.soft {
            "Coverage counts against a list of the laptops that should be checked; an administrator imports one with "
            code { "windrow-hub scope import LIST.csv" } "."
            @if c.n_not_in_list > 0 {
                " Of the " (words::count(c.n_not_in_list, "laptop", "laptops")) " that the hub knows, "
                (words::grouped(c.n_not_in_list_checked)) " were checked in the last 30 days."
            }
        }
    }
}

/// The strip of paper that is written full as far as the fleet is checked.
fn strip(c: &CoverageCounts) -> Markup {
    let whole = c.n_due().max(1) as f64;
    let x_told = 300.0 * c.n_checked as f64 / whole;
    let x_checked = 300.0 * (c.n_checked + c.n_cannot_tell) as f64 / whole;
    html! {
        svg.strip viewBox="0 0 300 16" preserveAspectRatio="none" aria-hidden="true" focusable="false" {
            rect.paper x="0" y="0" width="300" height="16" {}
            rect.told x="0" y="4" width=(format!("{x_told:.1}")) height="8" {}
            rect.untold x=(format!("{x_told:.1}")) y="4" width=(format!("{:.1}", x_checked - x_told)) height="8" {}
        }
    }
}

/// How many laptops each band holds; each is a link that shows it alone.
fn bands(view: &View<'_>) -> Markup {
    let n_of =
        |band: Band| view.fleet.laptops.iter().filter(|e| e.band == band && view.query.is_of_site(e)).count();
    html! {
        ul.bands aria-label="Bands" {
            @for band in words::BANDS {
                @let query = Query { band: Some(band), from: From::Start, ..view.query.clone() };
                li {
                    a href=(query.address(&From::Start)) aria-current=[(view.query.band == Some(band)).then_some("true")] {
                        (words::band(band)) " " b { (words::grouped(n_of(band))) }
                    }
                }
            }
        }
    }
}

fn filter(view: &View<'_>) -> Markup {
    let query = view.query;
    html! {
        form.filter method="get" action="/" role="search" aria-label="Laptops" {
            @if !query.is_bound_to_site {
                (choice("site", "Site", "all sites", &view.fleet.sites, query.site.as_deref()))
            }
            (choice("model", "Model", "all models", &view.fleet.models, query.model.as_deref()))
            div {
                label for="band" { "Band" }
                select #band name="band" {
                    option value="" { "all bands" }
                    @for band in words::BANDS {
                        option value=(words::band_class(band)) selected[query.band == Some(band)] { (band.words()) }
                    }
                }
            }
            div {
                label for="order" { "Order by" }
                select #order name="order" {
                    @for order in Order::ALL { option value=(order.key()) selected[query.order == order] { (order.words()) } }
                }
            }
            div.find {
                label for="find" { "Find tag, id, model or place" }
                input #find type="search" name="find" value=(query.search) maxlength="80" autocomplete="off";
            }
            div.go {
                button type="submit" { "Show" }
                @if query.narrows() || query.order != Order::Rank { a href="/" { "Show all" } }
            }
        }
    }
}

fn choice(name: &str, label: &str, all: &str, values: &[String], chosen: Option<&str>) -> Markup {
    html! {
        div {
            label for=(name) { (label) }
            select id=(name) name=(name) {
                option value="" { (all) }
                @for value in values { option value=(value) selected[chosen == Some(value)] { (value) } }
            }
        }
    }
}

fn list(view: &View<'_>, page: &Page<'_>, reader: &Reader) -> Markup {
    html! {
        p.tally role="status" {
            @if page.n_fitting == 0 {
                "No laptop fits. " a href="/" { "Show all" }
            } @else {
                (words::grouped(page.n_before + 1)) "–" (words::grouped(page.n_before + page.entries.len()))
                " of " (words::count(page.n_fitting, "laptop", "laptops"))
                @if view.query.narrows() { " that fit" }
                ", by " (view.query.order.words()) "."
            }
        }
        @if !page.entries.is_empty() {
            (gauge::legend())
            (gauge::papers())
            @if reader.may_change {
                form.list-form method="post" action="/laptops/act" {
                    (super::layout::form_token(reader))
                    (laptops(view, page, true))
                    (paging(view.query, page))
                    (super::act::fields("With the chosen laptops"))
                }
            } @else {
                (laptops(view, page, false))
                (paging(view.query, page))
            }
        }
    }
}

fn laptops(view: &View<'_>, page: &Page<'_>, may_change: bool) -> Markup {
    let none = Overlay::default();
    html! {
        ol.laptops {
            @for entry in &page.entries {
                (laptop(entry, view.overlays.get(&*entry.device_id).unwrap_or(&none), may_change))
            }
        }
    }
}

fn laptop(entry: &Entry, overlay: &Overlay, may_change: bool) -> Markup {
    html! {
        li class={ "laptop " (words::band_class(entry.band)) } {
            div.who {
                p.rank { span.hidden { "Rank " } (words::grouped(entry.rank)) }
                @if may_change {
                    label.tick {
                        input type="checkbox" name="laptop" value=(entry.device_id);
                        span.hidden { "Choose " (entry.name()) }
                    }
                }
                div.name {
                    h3 { a href={ "/laptops/" (entry.device_id) } { (entry.name()) } }
                    p.of { (entry.model) }
                    p.of { (where_it_is(&entry.site, &entry.place)) }
                    (marks(&entry.provenance, overlay))
                }
            }
            div.when {
                p { (words::band(entry.band)) }
                @if let Some(due_on) = entry.due_on { p { "due " (words::day(due_on)) } }
                p.soft {
                    @match entry.checked_at_ms { Some(at_ms) => { "checked " (words::day_of(at_ms)) } None => "never checked" }
                }
                @if let Some(at_ms) = entry.failed_at_ms { p.soft { "last attempt failed " (words::day_of(at_ms)) } }
            }
            (gauge::three(&entry.numbers))
            p.why { (words::sentence(&entry.reason)) }
        }
    }
}

/// Site and place in one line.
pub fn where_it_is(site: &str, place: &str) -> String {
    match (site.is_empty(), place.is_empty()) {
        (true, true) => "place unknown".to_owned(),
        (false, true) => site.to_owned(),
        (true, false) => place.to_owned(),
        (false, false) => format!("{site}, {place}"),
    }
}

/// What a reader must know of a laptop before anything else.
pub fn marks(provenance: &str, overlay: &Overlay) -> Markup {
    html! {
        @match provenance {
            "emulated" => p.mark.emulated { "emulated laptop, no real machine" },
            "imported" => p.mark { "imported runs, unsigned" },
            _ => {}
        }
        @if let Some(why) = &overlay.held { p.mark.held { "held: " (why) } }
        @if let Some((until, why)) = &overlay.snoozed { p.mark { "snoozed until " (words::day(*until)) ": " (why) } }
        @if let Some(by) = overlay.check_wanted_by { p.mark { "check asked for by " (words::day(by)) } }
    }
}

fn paging(query: &Query, page: &Page<'_>) -> Markup {
    let first = page.entries.first().filter(|_| page.n_before > 0);
    let last = page.entries.last().filter(|_| page.n_before + page.entries.len() < page.n_fitting);
    html! {
        @if first.is_some() || last.is_some() {
            nav.paging aria-label="Pages of the list" {
                @if let Some(first) = first {
                    a href=(query.address(&From::Start)) { "First " (PAGE_SIZE) }
                    a rel="prev" href=(query.address(&From::Before(first.device_id.to_string()))) { "Earlier" }
                }
                @if let Some(last) = last {
                    a rel="next" href=(query.address(&From::After(last.device_id.to_string()))) { "Further" }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pages::layout::{self, Content, Room};
    use crate::pages::sample;

    fn shown(fleet: &Fleet, query: &Query, reader: &Reader) -> String {
        let (coverage, overlays) = (sample::coverage(fleet.laptops.len()), sample::overlays(fleet));
        let view = View { fleet, query, coverage: &coverage, overlays: &overlays, changes: None };
        let content = Content {
            title: "Service list",
            room: Room::ServiceList,
            class: "",
            notice: None,
            body: body(&view, reader),
        };
        layout::page(&content, Some(reader)).into_string()
    }

    #[test]
    fn a_reader_without_rights_finds_no_form_that_changes() {
        let fleet = sample::fleet(60);
        let html = shown(&fleet, &Query::default(), &sample::auditor());
        assert!(!html.contains("/laptops/act") && !html.contains("checkbox"));
        let html = shown(&fleet, &Query::default(), &sample::administrator());
        assert!(html.contains("/laptops/act") && html.contains("name=\"csrf\""));
    }

    #[test]
    fn an_emulated_laptop_says_so_and_a_cannot_tell_has_no_number() {
        let fleet = sample::fleet(60);
        let html = shown(&fleet, &Query::default(), &sample::auditor());
        let page = Query::default().page(&fleet);
        let n_emulated = page.entries.iter().filter(|e| &*e.provenance == "emulated").count();
        assert!(n_emulated > 0);
        assert_eq!(html.matches("emulated laptop, no real machine").count(), n_emulated);
        assert!(html.contains("cannot tell"));
    }

    #[test]
    fn nothing_inline_that_the_policy_would_stop() {
        let fleet = sample::fleet(60);
        let html = shown(&fleet, &Query::default(), &sample::administrator());
        for found in [" style=", "<style", "<script", " onclick", "javascript:", "http://", "https://"] {
            assert!(!html.contains(found), "{found}");
        }
    }
}
