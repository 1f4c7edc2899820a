//! The technician's pages, made for a phone: find a laptop, see what to do, log what was found, ask for the after-check.

use chrono::NaiveDate;
use maud::{Markup, html};
use windrow_model::cautions;
use windrow_model::trace::fleet::ServiceAction;

use super::behind::{self, Behind};
use super::fleet;
use super::layout::{Reader, form_token};
use super::service_list::{Overlay, where_it_is};
use super::{laptop, words};
use crate::rounds::document::{Document, PlannedVisit};
use crate::rounds::steps::{self, deeds};
use crate::scoring::Band;
use crate::store::facts::Laptop;

/// Days ahead whose visits are listed on the finding page.
const DAYS_AHEAD: u64 = 7;
/// Most visits listed there.
const MAX_VISITS: usize = 60;

/// What the finding page shows.
#[derive(Debug)]
pub struct FindView<'a> {
    /// What was typed.
    pub typed: &'a str,
    /// What it may mean, where it isn't one laptop; `None`: nothing was typed.
    pub found: Option<&'a [Laptop]>,
    /// The plan, of the sites that the reader sees.
    pub document: Option<&'a Document>,
    /// Today.
    pub today: NaiveDate,
}

/// The finding page, without its frame.
pub fn find(view: &FindView<'_>) -> Markup {
    html! {
        form.form.find method="get" action="/rounds/find" role="search" {
            div {
                label for="q" { "Asset tag, or the code on the work sheet" }
                input #q type="text" name="q" value=(view.typed) maxlength="100" autocomplete="off" autocapitalize="characters" spellcheck="false" enterkeyhint="search" required;
            }
            p { button type="submit" { "Find" } }
        }
        @match view.found {
            None => "",
            Some([]) => {
                p.said.refused role="alert" {
                    "No laptop of yours to see is called " b { (view.typed) } ". Compare the tag with the sticker; a code has seven letters and digits, and the last tells a slip of the finger."
                }
            },
            Some(several) => {
                p { "That means more than one laptop:" }
                ul { @for l in several { li { a href={ "/rounds/laptops/" (l.device_id) } { (name(l)) } @if !l.model_name.is_empty() { ", " (l.model_name) } ", " (where_it_is(&l.site, &l.place)) } } }
            },
        }
        (next(view))
    }
}

fn next(view: &FindView<'_>) -> Markup {
    let last = view.today + chrono::Days::new(DAYS_AHEAD);
    let visits: Vec<&PlannedVisit> = view
        .document
        .map(|d| d.visits.iter().filter(|v| v.day >= view.today && v.day <= last).take(MAX_VISITS).collect())
        .unwrap_or_default();
    html! {
        section aria-labelledby="next" {
            h2 #next { "Next visits" }
            @if visits.is_empty() {
                p { "None is planned from today to " (words::day(last)) "." }
            }
            @for (idx, visit) in visits.iter().enumerate() {
                @if idx == 0 || !is_same_day(visits[idx - 1], visit) {
                    h3 { (visit.day.format("%A ")) (words::day(visit.day)) ", " (visit.laptop.site) }
                }
                p.stop {
                    a href={ "/rounds/laptops/" (visit.laptop.device_id) } { (visit.laptop.name()) }
                    @if !visit.laptop.place.is_empty() { ", " (visit.laptop.place) }
                    br; span.soft { (deeds(&visit.actions)) ", " (visit.minutes) " min" }
                }
            }
        }
    }
}

fn is_same_day(a: &PlannedVisit, b: &PlannedVisit) -> bool {
    a.day == b.day && a.laptop.site == b.laptop.site
}

/// What the page of one laptop shows.
#[derive(Debug)]
pub struct View<'a> {
    /// What is known of it, checked or not.
    pub laptop: &'a Laptop,
    /// How it was judged; `None`: no check of it was yet.
    pub judged: Option<Judged<'a>>,
    /// Holds, snoozes, wanted checks.
    pub overlay: &'a Overlay,
    /// Its planned visit.
    pub visit: Option<&'a PlannedVisit>,
    /// Whether a visit was logged since it was judged.
    pub is_serviced: bool,
    /// For which day it is booked, where no plan visits it.
    pub booked_for: Option<NaiveDate>,
    /// What its judgement doesn't know yet.
    pub behind: Option<Behind>,
    /// Whether it can be asked for a check.
    pub may_be_asked: bool,
    /// Today.
    pub today: NaiveDate,
}

/// How a laptop was judged.
#[derive(Debug, Clone, Copy)]
pub struct Judged<'a> {
    /// When to see to it.
    pub band: Band,
    /// Why.
    pub reason: &'a str,
    /// `measured`, `emulated` or `imported`.
    pub provenance: &'a str,
    /// What is advised, where no visit is planned.
    pub advised: &'a [ServiceAction],
    /// What it rests on, strongest first, in words.
    pub evidence: &'a [String],
}

/// A name to find a laptop by.
pub fn name(laptop: &Laptop) -> &str {
    fleet::name_of(&laptop.asset_tag, &laptop.device_id)
}

/// The page of one laptop, without its frame.
pub fn body(view: &View<'_>, reader: &Reader) -> Markup {
    let laptop = view.laptop;
    let advised = view.judged.filter(|_| !view.is_serviced).map_or(&[][..], |j| j.advised);
    let actions = view.visit.map_or(advised, |v| &v.actions);
    html! {
        dl.facts {
            @if !laptop.model_name.is_empty() { div { dt { "Model" } dd { (laptop.model_name) } } }
            div { dt { "Where" } dd { (where_it_is(&laptop.site, &laptop.place)) } }
            @if let Some(visit) = view.visit {
                div { dt { "Planned" } dd { (words::day(visit.day)) ", " (visit.minutes) " min" } }
                div { dt { "Code" } dd { code { (visit.code) } } }
            }
        }
        (super::service_list::marks(view.judged.map_or("", |j| j.provenance), view.overlay))
        section aria-labelledby="to-do" {
            h2 #to-do { "What to do" }
            @if view.overlay.held.is_some() {
                p.said.refused { "It is held: no load and no visit until an administrator lets it go." }
            } @else if view.is_serviced && view.judged.is_some() && view.visit.is_none() {
                p { "A visit was logged since it was last judged. Nothing more is advised before its next check." }
            } @else if view.judged.is_none() && view.visit.is_none() {
                p { "No check of it was judged yet, so nothing is suspected. What is done to it can be logged all the same." }
            } @else if actions.is_empty() && view.visit.is_none() {
                p { "No visit is planned, and none is advised." }
            } @else {
                p.lead { (words::sentence(&deeds(actions))) }
            }
            @if let Some(judged) = view.judged {
                (behind::notice(view.behind, &format!("/rounds/laptops/{}", laptop.device_id)))
                p { (words::band(judged.band)) " " (words::claim(judged.reason, judged.evidence)) }
                @if !judged.evidence.is_empty() { ul { @for line in judged.evidence { li { (words::marked(line)) } } } }
            }
        }
        section.cautions aria-labelledby="cautions" {
            h2 #cautions { "Before you open it" }
            ul { @for caution in cautions::SERVICE { li { (caution) } } }
        }
        (all_steps(actions))
        @if reader.may_change { (book(view, reader)) (log(view, reader)) (ask(view, reader)) }
        p {
            @if view.judged.is_some() { a href={ "/laptops/" (laptop.device_id) } { "All about this laptop" } " · " }
            a href="/rounds/find" { "Find another" }
        }
    }
}

fn all_steps(actions: &[ServiceAction]) -> Markup {
    html! {
        section aria-labelledby="steps" {
            h2 #steps { "Steps" }
            @for one in steps::lists(actions) {
                h3 { (words::capital(one.heading)) }
                @if let Some(bring) = one.bring { p.soft { "Bring: " (bring) "." } }
                ol { @for step in one.steps { li { (words::marked(step)) } } }
            }
        }
    }
}

/// A visit that is advised and not planned can be booked; a booking that no plan has yet can be moved and ended.
fn book(view: &View<'_>, reader: &Reader) -> Markup {
    let is_advised = view.judged.is_some_and(|j| j.band.is_visit());
    let is_free = view.visit.is_none() && view.overlay.held.is_none() && !view.is_serviced;
    if !is_free || !(is_advised || view.booked_for.is_some()) {
        return html! {};
    }
    let own = format!("/rounds/laptops/{}", view.laptop.device_id);
    let fields = |act: &str| {
        html! {
            (form_token(reader))
            input type="hidden" name="laptop" value=(view.laptop.device_id);
            input type="hidden" name="back" value=(own);
            input type="hidden" name="act" value=(act);
        }
    };
    html! {
        section.no-print aria-labelledby="book" {
            h2 #book { "Book its visit" }
            @match view.booked_for {
                Some(day) => { p { "Booked for " b { (words::day(day)) } ". The next plan keeps it." } },
                None => { p { "No visit is planned yet. Book it for a day with technician hours at its site: the next plan keeps it." } },
            }
            form.form method="post" action="/rounds/book" {
                (fields("book"))
                div { label for="book-day" { "Day of the visit" } input #book-day type="date" name="day" min=(view.today) required; }
                p { button type="submit" { @if view.booked_for.is_some() { "Move the booking" } @else { "Book the visit" } } }
            }
            @if view.booked_for.is_some() {
                form.form method="post" action="/rounds/book" { (fields("release")) p { button type="submit" { "End the booking" } } }
            }
        }
    }
}

fn log(view: &View<'_>, reader: &Reader) -> Markup {
    let id = &view.laptop.device_id;
    html! {
        section.no-print aria-labelledby="visit" {
            h2 #visit { "Log what was found" }
            form.form method="post" action={ "/laptops/" (id) "/visits" } {
                (form_token(reader))
                input type="hidden" name="back" value={ "/rounds/laptops/" (id) };
                div { label for="visited-on" { "Day" } input #visited-on type="date" name="visited_on" value=(view.today) max=(view.today) required; }
                (laptop::found_and_done())
                p { button type="submit" { "Log the visit" } }
            }
        }
    }
}

fn ask(view: &View<'_>, reader: &Reader) -> Markup {
    let until = view.today + chrono::Days::new(DAYS_AHEAD);
    html! {
        section.no-print aria-labelledby="after-check" {
            h2 #after-check { "The check after it" }
            @if !view.may_be_asked {
                p { "It has not joined this hub, so that it cannot be asked: run a check on it, or take its next run from its trace." }
            } @else {
                @if let Some(by) = view.overlay.check_wanted_by { p { "A check is asked for, by " (words::day(by)) "." } }
                form.form method="post" action="/laptops/act" {
                    (form_token(reader))
                    input type="hidden" name="laptop" value=(view.laptop.device_id);
                    input type="hidden" name="back" value={ "/rounds/laptops/" (view.laptop.device_id) };
                    input type="hidden" name="act" value="ask";
                    div { label for="until" { "Check wanted by" } input #until type="date" name="until" value=(until) min=(view.today) required; }
                    p { button type="submit" { "Ask for the check" } }
                    p.hint { "The laptop hears of it with its next acknowledgement, and decides itself when it is idle, on mains power and cool enough. Before and after are then compared." }
                }
            }
        }
    }
}
