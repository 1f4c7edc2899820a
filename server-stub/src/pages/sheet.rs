//! The work sheet of a day at a site: one printable page, with boxes to tick and a code to type back.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use windrow_model::trace::fleet::ServiceAction;

use super::layout;
use super::words;
use crate::rounds::Why;
use crate::rounds::document::{Day, PlannedVisit};
use crate::rounds::sheet::{Needed, Sheet};
use crate::rounds::steps::{self, StepList, deeds};

/// The sheet as a page of its own, with its style in it: for a file that is printed elsewhere.
pub fn whole_page(sheet: &Sheet<'_>) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title(sheet)) }
                style { (PreEscaped(&*layout::STYLE)) }
            }
            body class="sheet-page" {
                main #content {
                    h1 { (title(sheet)) }
                    (body(sheet))
                }
            }
        }
    }
}

/// Heading of a sheet.
pub fn title(sheet: &Sheet<'_>) -> String {
    format!("Work sheet: {}, {}", sheet.site, sheet.day.format("%A %-d %b %Y"))
}

/// All below the heading.
pub fn body(sheet: &Sheet<'_>) -> Markup {
    html! {
        @if let Some(minutes) = &sheet.minutes { (summary(minutes, sheet.visits.len() + sheet.made.len())) }
        (needed(&sheet.bring))
        section.cautions aria-labelledby="cautions" {
            h2 #cautions { "Before anybody opens a laptop" }
            ul { @for caution in sheet.cautions { li { (caution) } } }
        }
        @if !sheet.visits.is_empty() {
            (all_steps(&sheet.steps))
            h2 { "Laptops" }
            ol.sheet { @for (idx, visit) in sheet.visits.iter().enumerate() { (one(idx + 1, visit)) } }
        }
        (made(&sheet.made))
    }
}

fn summary(day: &Day, n_visits: usize) -> Markup {
    let hours = |minutes: u32| format!("{} h {:02} min", minutes / 60, minutes % 60);
    html! {
        dl.facts {
            div { dt { "Laptops" } dd { (n_visits) } }
            div { dt { "Work" } dd { (hours(day.visit_minutes)) } }
            div { dt { "Trip" } dd { (hours(day.trip_minutes)) } }
            div { dt { "Technician" } dd.blank { "" } }
        }
    }
}

/// What to bring.
fn needed(needed: &[Needed<'_>]) -> Markup {
    html! {
        @if !needed.is_empty() {
            section aria-labelledby="bring" {
                h2 #bring { "To bring" }
                ul.boxes { @for n in needed { li { (tick()) (n.n) " × " (n.what) @if !n.model.is_empty() { ": " (n.model) } } } }
            }
        }
    }
}

/// What was done already, and is in the log.
fn made(visits: &[&PlannedVisit]) -> Markup {
    html! {
        @if !visits.is_empty() {
            section aria-labelledby="made" {
                h2 #made { "Visits made" }
                ul { @for visit in visits {
                    li {
                        b { (visit.laptop.name()) } ", " (visit.laptop.model)
                        @if !visit.laptop.place.is_empty() { ", " (visit.laptop.place) }
                        ", code " (visit.code) ". Planned: " (deeds(&visit.actions)) ", " (visit.minutes) " min. Its visit is logged."
                    }
                } }
            }
        }
    }
}

/// The steps of all that is to be done that day, once.
fn all_steps(lists: &[StepList]) -> Markup {
    html! {
        section aria-labelledby="steps" {
            h2 #steps { "Steps" }
            div.steps-of-day {
                @for one in lists {
                    @match one.heading {
                        steps::FIRST | steps::LAST => (list(&format!("{}, at every laptop", words::capital(one.heading)), one.steps)),
                        deed => (list(&words::capital(deed), one.steps)),
                    }
                }
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
                @if visit.why == Why::Booked { " Booked for this day." }
                @if visit.is_drawn() { " Drawn by lot, nothing is suspected: look, check, and log what you find; that keeps the judgements honest." }
                @if visit.provenance == "emulated" { " " b { "This is an emulated laptop: there is nothing to open." } }
            }
            @if !visit.suspected.is_empty() {
                p { "Suspected: " (suspected(visit)) ". " (words::claim(&visit.reason, &visit.evidence)) }
            }
            @if !visit.evidence.is_empty() {
                ul.evidence { @for line in &visit.evidence { li { (words::marked(line)) } } }
            }
            p.ticks {
                span { (tick()) "first steps" }
                @for action in &visit.actions { span { (tick()) (steps::deed(*action)) } }
                @if visit.is_drawn() { span { (tick()) (steps::deed(ServiceAction::None)) } }
                span { (tick()) "logged" }
                span { (tick()) "checked after" }
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
