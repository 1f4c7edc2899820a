//! The rounds: who is serviced where and when for what, what doesn't fit, what to order, and what it is planned from.

use chrono::NaiveDate;
use maud::{Markup, html};

use super::layout::{Reader, form_token};
use super::words;
use crate::rounds::document::{Day, Document, Named, PlannedVisit};
use crate::rounds::hours::{Hours, Stock};
use crate::rounds::steps::deeds;
use crate::rounds::{WaitsFor, Why};

/// Visits shown on one page; with more, a day is chosen.
const MAX_VISITS: usize = 120;
/// Rows of the lists below the days; the rest is in `GET /v1/rounds`.
const MAX_ROWS: usize = 60;

/// What the page shows.
#[derive(Debug)]
pub struct View<'a> {
    /// The plan, of the sites that the reader sees.
    pub document: Option<&'a Document>,
    /// Only this site.
    pub site: Option<&'a str>,
    /// Only this day.
    pub day: Option<NaiveDate>,
    /// Sites that laptops stand at.
    pub sites: &'a [String],
    /// Models of laptops.
    pub models: &'a [String],
    /// Technician hours.
    pub hours: &'a Hours,
    /// Parts in stock.
    pub stock: &'a Stock,
    /// Today.
    pub today: NaiveDate,
    /// Whether the reader may plan and change hours and stock.
    pub may_plan: bool,
}

/// The page, without its frame.
pub fn body(view: &View<'_>, reader: &Reader) -> Markup {
    html! {
        @match view.document {
            None => { (nothing_planned(view)) },
            Some(document) => { (planned(view, document, reader)) },
        }
        @if view.may_plan {
            h2 { "Plan the rounds" }
            div.abreast {
                (plan_form(view, reader))
                div {
                    (hours_form(view, reader))
                    (stock_form(view, reader))
                }
            }
        }
        (inputs(view))
    }
}

fn nothing_planned(view: &View<'_>) -> Markup {
    html! {
        p.lead { "No rounds are planned yet." }
        @if view.may_plan {
            ol.steps {
                li { "Say when a technician is at which site: hours, below, or " code { "windrow-hub rounds plan --hours hours.csv" } "." }
                li { "Say which parts are in stock, where they run short." }
                li { "Plan. What is booked afterwards stays where it is, however often it is planned again." }
            }
        } @else {
            p { "An administrator plans them." }
        }
    }
}

fn planned(view: &View<'_>, document: &Document, reader: &Reader) -> Markup {
    let is_chosen =
        |day: &&Day| view.day.is_none_or(|on| on == day.day) && view.site.is_none_or(|site| site == day.site);
    let chosen: Vec<&Day> = document.days.iter().filter(is_chosen).collect();
    let n_visits: usize = chosen.iter().map(|d| document.visits_on(&d.site, d.day).count()).sum();
    html! {
        (summary(document))
        (unkept(document, reader))
        (chooser(view, document))
        @if chosen.is_empty() {
            p { "Nobody is sent anywhere on these days." }
        } @else if n_visits > MAX_VISITS && chosen.len() > 1 {
            (index(&chosen, document))
        } @else {
            (days(view, document, &chosen, reader))
        }
        (worked(document))
        (waiting(document, reader))
        (put_off(document))
        (orders(document))
        (check_again(document))
    }
}

fn summary(document: &Document) -> Markup {
    let n_random = document.visits.iter().filter(|v| v.is_drawn()).count();
    let n_beside = document.visits.iter().filter(|v| !document.covers(v.day)).count();
    let n_days = document.days.iter().filter(|d| document.covers(d.day)).count();
    html! {
        p.lead {
            (words::count(document.visits.len() - n_beside, "visit", "visits")) " on " (words::count(n_days, "day at a site", "days at sites"))
            ", " (words::day(document.from)) " to " (words::day(document.last())) "."
            @if n_beside > 0 { " " (words::count(n_beside, "visit is", "visits are")) " booked for days before or after these." }
        }
        p.soft {
            "Worth " (words::money(document.benefit, &document.currency)) " after the trips, " (gap(document)) ". Planned "
            (words::minute_of(document.made_at_ms)) "."
            @if n_random > 0 { " " (words::count(n_random, "visit is", "visits are")) " drawn by lot." }
        }
        @if !document.serviced.is_empty() {
            p { "Serviced since: " (names(&document.serviced)) "." }
        }
        p.no-print { a href="/rounds/calendar.ics" { "Calendar file" } " · " a href="/rounds/find" { "Find a laptop by tag or code" } }
    }
}

/// How far from the best.
fn gap(document: &Document) -> String {
    if document.gap() < 0.0005 {
        return "as much as any plan reaches".to_owned();
    }
    format!("at most {:.1} % below what any plan reaches", 100.0 * document.gap())
}

/// Bookings that the planner cannot keep: each can be moved and released here.
fn unkept(document: &Document, reader: &Reader) -> Markup {
    let rows = &document.unkept;
    html! {
        @if !rows.is_empty() {
            h2 { "Bookings that cannot be kept" }
            form method="post" action="/rounds/book" {
                (form_token(reader))
                input type="hidden" name="back" value="/rounds";
                table.stacked {
                    caption { "The laptop is gone or held, or nobody is at its site that day: move each to a day with technician hours, or end it." }
                    thead { tr {
                        th scope="col" { "Laptop" } th scope="col" { "Site" } th scope="col" { "Booked for" }
                        @if reader.may_change { th scope="col" { span.hidden { "Choose" } } }
                    } }
                    tbody { @for visit in rows.iter().take(MAX_ROWS) { tr {
                        th scope="row" { (link(&visit.laptop)) }
                        td data-name="Site" { @if visit.laptop.site.is_empty() { span.soft { "not known" } } @else { (visit.laptop.site) } }
                        td data-name="Booked for" { (words::day(visit.day)) }
                        @if reader.may_change {
                            td { label.tick { input type="checkbox" name="laptop" value=(visit.laptop.device_id); span.hidden { "Choose " (visit.laptop.name()) } } }
                        }
                    } } }
                }
                @if rows.len() > MAX_ROWS { p.soft { "And " (rows.len() - MAX_ROWS) " more." } }
                @if reader.may_change { (book_fields("unkept", "Book them for another day")) }
            }
        }
    }
}

fn names(laptops: &[Named]) -> Markup {
    html! {
        @for (idx, laptop) in laptops.iter().take(MAX_ROWS).enumerate() {
            @if idx > 0 { ", " }
            (link(laptop))
        }
        @if laptops.len() > MAX_ROWS { " and " (laptops.len() - MAX_ROWS) " more" }
    }
}

fn link(laptop: &Named) -> Markup {
    html! { a href={ "/rounds/laptops/" (laptop.device_id) } { (laptop.name()) } }
}

fn chooser(view: &View<'_>, document: &Document) -> Markup {
    let mut dates: Vec<NaiveDate> = document.days.iter().map(|d| d.day).collect();
    dates.dedup();
    html! {
        form.filter.no-print method="get" action="/rounds" {
            div {
                label for="site" { "Site" }
                select #site name="site" {
                    option value="" { "all" }
                    @for site in view.sites { option value=(site) selected[view.site == Some(site)] { (site) } }
                }
            }
            div {
                label for="day" { "Day" }
                select #day name="day" {
                    option value="" { "all" }
                    @for day in dates { option value=(day) selected[view.day == Some(day)] { (day.format("%a %-d %b %Y")) } }
                }
            }
            div.go { button type="submit" { "Show" } }
        }
    }
}

/// Where there are too many visits for one page.
fn index(days: &[&Day], document: &Document) -> Markup {
    html! {
        h2 { "Days" }
        table.stacked {
            caption { "Choose a day to see its visits." }
            thead { tr { th scope="col" { "Day" } th scope="col" { "Site" } th.value scope="col" { "Laptops" } th.value scope="col" { "Work and trip" } th.value scope="col" { "Offered" } } }
            tbody {
                @for day in days {
                    tr {
                        th.short scope="row" { (words::day(day.day)) }
                        td data-name="Site" { a href={ "/rounds?" (query(&day.site, day.day)) } { (day.site) } }
                        td.value data-name="Laptops" { (document.visits_on(&day.site, day.day).count()) }
                        td.value data-name="Work and trip" { (hours_of(day.visit_minutes + day.trip_minutes)) }
                        td.value data-name="Offered" { (hours_of(day.offered_minutes)) }
                    }
                }
            }
        }
    }
}

fn query(site: &str, day: NaiveDate) -> String {
    let mut query = form_urlencoded::Serializer::new(String::new());
    query.append_pair("site", site).append_pair("day", &day.to_string());
    query.finish()
}

fn hours_of(minutes: u32) -> String {
    format!("{} h {:02}", minutes / 60, minutes % 60)
}

fn days(view: &View<'_>, document: &Document, chosen: &[&Day], reader: &Reader) -> Markup {
    html! {
        form method="post" action="/rounds/book" {
            (form_token(reader))
            input type="hidden" name="back" value=(back(view));
            @for day in chosen { (one_day(day, document, reader)) }
            @if reader.may_change { (book_fields("planned", "Book: they stay where they are")) }
        }
    }
}

fn back(view: &View<'_>) -> String {
    let mut query = form_urlencoded::Serializer::new(String::new());
    if let Some(site) = view.site {
        query.append_pair("site", site);
    }
    if let Some(day) = view.day {
        query.append_pair("day", &day.to_string());
    }
    let query = query.finish();
    if query.is_empty() { "/rounds".to_owned() } else { format!("/rounds?{query}") }
}

fn one_day(day: &Day, document: &Document, reader: &Reader) -> Markup {
    let visits: Vec<&PlannedVisit> = document.visits_on(&day.site, day.day).collect();
    html! {
        section.day {
            h2 { (day.day.format("%A ")) (words::day(day.day)) ", " (day.site) }
            p.soft {
                (words::count(visits.len(), "laptop", "laptops")) ", " (hours_of(day.visit_minutes)) " of work and " (hours_of(day.trip_minutes))
                " of travel in " (hours_of(day.offered_minutes)) ". "
                a href={ "/rounds/sheet?" (query(&day.site, day.day)) } { "Work sheet" span.hidden { " for " (day.site) ", " (day.day) } }
            }
            table.stacked {
                thead { tr {
                    th scope="col" { "Laptop" } th scope="col" { "Place" } th scope="col" { "To do" } th scope="col" { "Why" }
                    th.value scope="col" { "Minutes" } th scope="col" { "Code" }
                    @if reader.may_change { th scope="col" { span.hidden { "Choose" } } }
                } }
                tbody { @for visit in visits { (line(visit, reader)) } }
            }
        }
    }
}

fn line(visit: &PlannedVisit, reader: &Reader) -> Markup {
    let laptop = &visit.laptop;
    html! {
        tr {
            th scope="row" { (link(laptop)) " " span.soft { (laptop.model) } @if visit.provenance == "emulated" { p.mark.emulated { "emulated laptop, no real machine" } } }
            td data-name="Place" { @if laptop.place.is_empty() { span.soft { "not known" } } @else { (laptop.place) } }
            td data-name="To do" { (deeds(&visit.actions)) }
            td data-name="Why" { (why(visit)) }
            td.value data-name="Minutes" { (visit.minutes) }
            td data-name="Code" { code.unbroken { (visit.code) } }
            @if reader.may_change {
                td { label.tick { input type="checkbox" name="laptop" value=(laptop.device_id); span.hidden { "Choose " (laptop.name()) } } }
            }
        }
    }
}

fn why(visit: &PlannedVisit) -> Markup {
    html! {
        @if visit.why == Why::Booked { b { "booked" } @if visit.is_drawn() { ", " } @else { " " } }
        @if visit.is_drawn() { b { "drawn by lot" } ": nothing is suspected" }
        @for (idx, suspected) in visit.suspected.iter().enumerate() {
            @if idx > 0 { ", " }
            (suspected.part) " " (words::percent(suspected.probability))
        }
    }
}

/// What is done with chosen visits; `form` tells the forms of a page apart.
fn book_fields(form: &str, book: &str) -> Markup {
    let day = format!("move-to-{form}");
    let label = if form == "planned" { "Move to this day (empty: keep its own)" } else { "Move to this day" };
    html! {
        fieldset.act {
            legend { "With the chosen visits" }
            div.ways role="radiogroup" aria-label="What to do" {
                label { input type="radio" name="act" value="book" checked; " " (book) }
                label { input type="radio" name="act" value="release"; " End the booking" }
            }
            div.needs {
                div { label for=(day) { (label) } input id=(day) type="date" name="day"; }
                button type="submit" { "Do it" }
            }
        }
    }
}

/// Whoever waits can be booked all the same, for a day that somebody names.
fn book_waiting() -> Markup {
    html! {
        fieldset.act {
            legend { "Book the chosen laptops all the same" }
            div.needs {
                div { label for="book-waiting" { "For this day" } input #book-waiting type="date" name="day" required; }
                button type="submit" { "Book" }
            }
        }
    }
}

fn waiting(document: &Document, reader: &Reader) -> Markup {
    let cost: f64 = document.waiting.iter().map(|w| w.waiting_cost).sum();
    html! {
        section aria-labelledby="waiting" {
            h2 #waiting { "What doesn't fit" }
            @if document.waiting.is_empty() {
                p { "Every laptop that is worth a visit has one." }
            } @else {
                p {
                    (words::count(document.waiting.len(), "laptop", "laptops")) " would be worth a visit and "
                    @if document.waiting.len() == 1 { "waits. Its" } @else { "wait. Their" } " waiting costs " b { (words::money(cost, &document.currency)) } " until the plan's end."
                }
                form method="post" action="/rounds/book" {
                (form_token(reader))
                input type="hidden" name="back" value="/rounds";
                input type="hidden" name="act" value="book";
                table.stacked {
                    caption { "The costliest wait first." }
                    thead { tr { th scope="col" { "Laptop" } th scope="col" { "Site" } th scope="col" { "To do" } th scope="col" { "Why it waits" } th.value scope="col" { "A day" } th.value scope="col" { "Until the end" } @if reader.may_change { th scope="col" { span.hidden { "Choose" } } } } }
                    tbody {
                        @for w in document.waiting.iter().take(MAX_ROWS) {
                            tr {
                                th scope="row" { (link(&w.laptop)) " " span.soft { (w.laptop.model) } }
                                td data-name="Site" { @if w.laptop.site.is_empty() { span.soft { "no site known" } } @else { (w.laptop.site) } }
                                td data-name="To do" { (deeds(&w.actions)) }
                                td data-name="Why it waits" { (w.waits_for.map_or("–", WaitsFor::words)) }
                                td.value data-name="A day" { (format!("{:.2}", w.benefit_per_day)) }
                                td.value data-name="Until the end" { (words::money(w.waiting_cost, &document.currency)) }
                                @if reader.may_change {
                                    td { label.tick { input type="checkbox" name="laptop" value=(w.laptop.device_id); span.hidden { "Choose " (w.laptop.name()) } } }
                                }
                            }
                        }
                    }
                }
                @if reader.may_change { (book_waiting()) }
                }
                @if document.waiting.len() > MAX_ROWS { p.soft { "And " (document.waiting.len() - MAX_ROWS) " more, in " code { "GET /v1/rounds" } "." } }
            }
        }
    }
}

/// Days on which somebody went, the latest first.
fn worked(document: &Document) -> Markup {
    let mut days: Vec<_> = document.worked.iter().collect();
    days.sort_by(|a, b| (b.day.day, &a.day.site).cmp(&(a.day.day, &b.day.site)));
    html! {
        @if !days.is_empty() {
            section aria-labelledby="worked" {
                h2 #worked { "Visits made" }
                ul { @for worked in days.iter().take(MAX_ROWS) {
                    li {
                        (words::day(worked.day.day)) ", " (worked.day.site) ": " (words::count(worked.visits.len(), "visit", "visits")) ". "
                        a href={ "/rounds/sheet?" (query(&worked.day.site, worked.day.day)) } { "Work sheet" span.hidden { " for " (worked.day.site) ", " (worked.day.day) } }
                    }
                } }
                @if days.len() > MAX_ROWS { p.soft { "And " (days.len() - MAX_ROWS) " more, in " code { "GET /v1/rounds" } "." } }
            }
        }
    }
}

/// Who would be worth a visit, and was left out because somebody said so.
fn put_off(document: &Document) -> Markup {
    html! {
        @if !document.put_off.is_empty() {
            section aria-labelledby="put-off" {
                h2 #put-off { "Held or snoozed" }
                p {
                    "Worth a visit, but " (words::count(document.put_off.len(), "laptop is", "laptops are"))
                    " held, or snoozed past the plan's last day: nobody is sent there until that is over and it is planned anew. Why stands with each."
                }
                ul { @for p in document.put_off.iter().take(MAX_ROWS) {
                    li {
                        (link(&p.laptop)) ", " (p.laptop.site) ": "
                        @match p.until { Some(last) => { "snoozed to " (words::day(last)) }, None => "held" }
                    }
                } }
                @if document.put_off.len() > MAX_ROWS { p.soft { "And " (document.put_off.len() - MAX_ROWS) " more, in " code { "GET /v1/rounds" } "." } }
            }
        }
    }
}

fn orders(document: &Document) -> Markup {
    html! {
        section aria-labelledby="orders" {
            h2 #orders { "Parts to order" }
            @if document.orders.is_empty() {
                p { "None: what is planned is in stock." }
            } @else {
                table.stacked {
                    thead { tr { th scope="col" { "Part" } th scope="col" { "For" } th.value scope="col" { "For planned visits" } th.value scope="col" { "For those that wait" } th.value scope="col" { "There in" } } }
                    tbody {
                        @for order in &document.orders {
                            tr {
                                th scope="row" { (part(&order.part)) }
                                td data-name="For" { @if order.model == "*" { "any model" } @else { (order.model) } }
                                td.value data-name="For planned visits" { (order.n_planned) }
                                td.value data-name="For those that wait" { (order.n_waiting) }
                                td.value data-name="There in" { (words::count(order.lead_days as usize, "day", "days")) }
                            }
                        }
                    }
                }
                p.soft { "Planned visits that take an ordered part lie after its arrival, counted from the plan's first day: order by then." }
            }
        }
    }
}

fn part(name: &str) -> &str {
    match name {
        "clean" => "material for cleaning",
        "fan" => "fan module",
        "paste" => "paste and solvent",
        other => other,
    }
}

fn check_again(document: &Document) -> Markup {
    html! {
        @if !document.check_again.is_empty() {
            section aria-labelledby="check-again" {
                h2 #check-again { "A check, not a visit" }
                p {
                    (words::count(document.check_again.len(), "laptop cannot", "laptops cannot")) " be judged: nobody is sent there before a check. "
                    a href="/?band=retest" { "Ask for checks in the service list" } "."
                }
                p { (names(&document.check_again)) "." }
            }
        }
    }
}

fn plan_form(view: &View<'_>, reader: &Reader) -> Markup {
    let (from, n_days, n_random) =
        view.document.map_or((view.today, 14, 0), |d| (view.today.max(d.from), d.n_days, d.n_random));
    html! {
        form.form method="post" action="/rounds/plan" {
            (form_token(reader))
            h3 { "Plan anew" }
            div { label for="from" { "First day" } input #from type="date" name="from" value=(from) min=(view.today) required; }
            div { label for="days" { "Days" } input #days type="number" name="days" value=(n_days) min="1" max="92" inputmode="numeric" required; }
            div {
                label for="random" { "Visits drawn by lot" }
                input #random type="number" name="random" value=(n_random) min="0" max="100" inputmode="numeric" aria-describedby="random-hint";
                p.hint #random-hint { "Among laptops of which nothing is suspected. What is found there keeps the judgements honest." }
            }
            p { label { input type="checkbox" name="fresh" value="yes"; " Forget the plan before (bookings stay)" } }
            p { button type="submit" { "Plan" } }
        }
    }
}

fn hours_form(view: &View<'_>, reader: &Reader) -> Markup {
    html! {
        form.form method="post" action="/rounds/hours" {
            (form_token(reader))
            h3 { "Technician hours" }
            div {
                label for="hours-site" { "Site" }
                input #hours-site type="text" name="site" maxlength="100" list="sites" autocomplete="off" required;
                datalist #sites { @for site in view.sites { option value=(site) {} } }
            }
            div { label for="hours-from" { "From" } input #hours-from type="date" name="from" value=(view.today) required; }
            div { label for="hours-until" { "Until" } input #hours-until type="date" name="until" value=(view.today) required; }
            div { label for="hours-a-day" { "Hours a day; 0 takes them away" } input #hours-a-day type="number" name="hours" min="0" max="400" step="0.25" inputmode="decimal" required; }
            p { label { input type="checkbox" name="weekends" value="yes"; " Saturdays and Sundays too" } }
            p { button type="submit" { "Set hours" } }
        }
    }
}

fn stock_form(view: &View<'_>, reader: &Reader) -> Markup {
    html! {
        form.form method="post" action="/rounds/stock" {
            (form_token(reader))
            h3 { "Parts in stock" }
            div {
                label for="part" { "Part" }
                select #part name="part" { @for name in ["fan", "paste", "clean"] { option value=(name) { (part(name)) } } }
            }
            div {
                label for="model" { "For the model" }
                input #model type="text" name="model" maxlength="100" list="models" value="*" autocomplete="off" required aria-describedby="model-hint";
                datalist #models { @for model in view.models { option value=(model) {} } }
                p.hint #model-hint { "* stands for all models without a line of their own." }
            }
            div { label for="in-stock" { "In stock" } input #in-stock type="number" name="in_stock" min="0" max="100000" inputmode="numeric" required; }
            div { label for="lead-days" { "Days until ordered ones are there" } input #lead-days type="number" name="lead_days" value="7" min="0" max="366" inputmode="numeric" required; }
            p { button type="submit" { "Set stock" } }
        }
    }
}

/// What it is planned from.
fn inputs(view: &View<'_>) -> Markup {
    let coming: Vec<_> =
        view.hours.iter().filter(|((_, day), minutes)| *day >= view.today && **minutes > 0).collect();
    html! {
        details.no-print {
            summary { "Hours, stock and costs that it is planned from" }
            p { a href="/rounds/costs" { "What things cost" } ": minutes, money, trips, spare units and days off." }
            @if coming.is_empty() { p { "No technician hours are set from today on." } } @else {
                table.stacked {
                    caption { "Technician hours from today on." }
                    thead { tr { th scope="col" { "Site" } th scope="col" { "Day" } th.value scope="col" { "Hours" } } }
                    tbody { @for ((site, day), minutes) in coming.iter().take(4 * MAX_ROWS) {
                        tr { th scope="row" { (site) } td data-name="Day" { (words::day(*day)) } td.value data-name="Hours" { (hours_of(**minutes)) } }
                    } }
                }
                @if coming.len() > 4 * MAX_ROWS { p.soft { "And " (coming.len() - 4 * MAX_ROWS) " more; " code { "windrow-hub rounds hours" } " prints all." } }
            }
            @if view.stock.is_empty() { p { "No stock is set: fans are ordered when they are planned, other material is taken as there." } } @else {
                table.stacked {
                    caption { "Parts in stock." }
                    thead { tr { th scope="col" { "Part" } th scope="col" { "For" } th.value scope="col" { "In stock" } th.value scope="col" { "Ordered ones there in" } } }
                    tbody { @for ((name, model), stocked) in view.stock.iter().take(4 * MAX_ROWS) {
                        tr {
                            th scope="row" { (part(name)) }
                            td data-name="For" { @if model == "*" { "any other model" } @else { (model) } }
                            td.value data-name="In stock" { (stocked.in_stock) }
                            td.value data-name="Ordered ones there in" { (words::count(stocked.lead_days as usize, "day", "days")) }
                        }
                    } }
                }
            }
        }
    }
}
