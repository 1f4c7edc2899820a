//! The work sheet of a day at a site: one printable page, with boxes to tick and a code to type back.

use chrono::NaiveDate;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use windrow_model::cautions;
use windrow_model::trace::fleet::ServiceAction;

use super::layout;
use super::words;
use crate::rounds::Why;
use crate::rounds::document::{Day, Document, PlannedVisit};
use crate::rounds::steps::{self, deeds};

/// The sheet as a page of its own, with its style in it: for a file that is printed elsewhere.
pub fn whole_page(document: &Document, site: &str, day: NaiveDate) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title(site, day)) }
                style { (PreEscaped(&*layout::STYLE)) }
            }
            body class="sheet-page" {
                main #content {
                    h1 { (title(site, day)) }
                    (body(document, site, day))
                }
            }
        }
    }
}

/// Heading of a sheet.
pub fn title(site: &str, day: NaiveDate) -> String {
    format!("Work sheet: {site}, {}", day.format("%A %-d %b %Y"))
}

/// All below the heading.
pub fn body(document: &Document, site: &str, day: NaiveDate) -> Markup {
    let visits: Vec<&PlannedVisit> = document.visits_on(site, day).collect();
    let of_day = document.days.iter().find(|d| d.site == site && d.day == day);
    html! {
        @if let Some(of_day) = of_day { (summary(of_day, &visits)) }
        (needed(&visits))
        section.cautions aria-labelledby="cautions" {
            h2 #cautions { "Before anybody opens a laptop" }
            ul { @for caution in cautions::SERVICE { li { (caution) } } }
        }
        (all_steps(&visits))
        h2 { "Laptops" }
        ol.sheet { @for (idx, visit) in visits.iter().enumerate() { (one(idx + 1, visit)) } }
    }
}

fn summary(day: &Day, visits: &[&PlannedVisit]) -> Markup {
    let hours = |minutes: u32| format!("{} h {:02} min", minutes / 60, minutes % 60);
    html! {
        dl.facts {
            div { dt { "Laptops" } dd { (visits.len()) } }
            div { dt { "Work" } dd { (hours(day.visit_minutes)) } }
            div { dt { "Trip" } dd { (hours(day.trip_minutes)) } }
            div { dt { "Technician" } dd.blank { "" } }
        }
    }
}

/// What to bring.
fn needed(visits: &[&PlannedVisit]) -> Markup {
    let mut kinds: Vec<(&str, &str, usize)> = Vec::new();
    for visit in visits {
        for action in &visit.actions {
            // A fan fits one model; the rest fits all.
            let is_fan = *action == ServiceAction::Fan;
            let (part, model) =
                (steps::parts(*action), if is_fan { visit.laptop.model.as_str() } else { "" });
            match kinds.iter_mut().find(|k| k.0 == part && k.1 == model) {
                Some(kind) => kind.2 += 1,
                None => kinds.push((part, model, 1)),
            }
        }
    }
    html! {
        @if !kinds.is_empty() {
            section aria-labelledby="bring" {
                h2 #bring { "To bring" }
                ul.boxes { @for (part, model, n) in kinds { li { (tick()) (n) " × " (part) @if !model.is_empty() { ": " (model) } } } }
            }
        }
    }
}

/// The steps of all that is to be done that day, once.
fn all_steps(visits: &[&PlannedVisit]) -> Markup {
    let is_wanted = |action: &ServiceAction| match action {
        ServiceAction::None => visits.iter().any(|v| v.is_drawn()),
        action => visits.iter().any(|v| v.actions.contains(action)),
    };
    let all = [ServiceAction::Clean, ServiceAction::Fan, ServiceAction::Paste, ServiceAction::None];
    html! {
        section aria-labelledby="steps" {
            h2 #steps { "Steps" }
            div.steps-of-day {
                (list("First, at every laptop", steps::BEFORE))
                @for action in all.iter().filter(|a| is_wanted(a)) {
                    (list(&words::capital(steps::deed(*action)), steps::steps(*action)))
                }
                (list("Last, at every laptop", steps::AFTER))
            }
        }
    }
}

fn list(heading: &str, lines: &[&str]) -> Markup {
    html! { div { h3 { (heading) } ol { @for line in lines { li { (words::marked(line)) } } } } }
}

fn one(number: usize, visit: &PlannedVisit) -> Markup {
    let laptop = &visit.laptop;
    html! {
        li.job {
            h3 { (number) ". " (laptop.name()) ", " (laptop.model) span.code { "code " b { (visit.code) } } }
            p {
                @if laptop.place.is_empty() { "Place not known. " } @else { "Place: " b { (laptop.place) } ". " }
                "To do: " b { (deeds(&visit.actions)) } ". Planned: " (visit.minutes) " min."
                @if visit.why == Why::Booked { " Booked: its user was told." }
                @if visit.is_drawn() { " Drawn by lot, nothing is suspected: look, check, and log what you find; that keeps the judgements honest." }
                @if visit.provenance == "emulated" { " " b { "This is an emulated laptop: there is nothing to open." } }
            }
            @if !visit.suspected.is_empty() {
                p { "Suspected: " (suspected(visit)) ". " (words::sentence(&visit.reason)) }
            }
            @if !visit.evidence.is_empty() {
                ul.evidence { @for line in &visit.evidence { li { (words::marked(line)) } } }
            }
            p.ticks {
                span { (tick()) "first steps" }
                @for action in &visit.actions { span { (tick()) (steps::deed(*action)) } }
                @if visit.is_drawn() { span { (tick()) (steps::deed(ServiceAction::None)) } }
                span { (tick()) "checked after" }
                span { (tick()) "logged" }
            }
            p.log { "Found:" span.blank {} " Minutes:" span.blank.small {} " Parts:" span.blank.small {} }
        }
    }
}

fn suspected(visit: &PlannedVisit) -> String {
    let each = visit.suspected.iter().map(|s| format!("{} {}", s.part, words::percent(s.probability)));
    each.collect::<Vec<_>>().join(", ")
}

/// A box for a pen.
fn tick() -> Markup {
    html! { span.box aria-hidden="true" {} " " }
}
