//! A plan on the terminal, as CSV and as JSON.

use tabled::builder::Builder;
use tabled::settings::{Style, Width, peaker::Priority};
use windrow_model::cautions;

use crate::commands::{Outcome, print};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;
use crate::pages::words::{count, first_of, money};
use crate::rounds::Why;
use crate::rounds::document::{Document, Named, PlannedVisit};
use crate::rounds::steps::deeds;

/// Narrowest table: below it words would be cut to letters.
const MIN_WIDTH: usize = 60;
/// Laptops named in a list under the table; the rest is counted, and is all in the JSON.
const MAX_NAMED: usize = 12;

pub(super) fn plan(document: &Document, is_json: bool, is_csv: bool, output: &mut Output) -> Outcome {
    if is_json {
        let json = serde_json::to_string_pretty(document).map_err(|e| Failure::new(e.to_string()))?;
        print(output, &json)?;
    } else if is_csv {
        print(output, csv(document)?.trim_end())?;
    } else {
        table(document, output)?;
    }
    Ok(Exit::Done)
}

fn csv(document: &Document) -> Result<String, Failure> {
    let failed = |e: &dyn std::fmt::Display| Failure::new(format!("cannot write CSV: {e}"));
    let mut writer = csv::Writer::from_writer(Vec::new());
    let head = [
        "day",
        "site",
        "place",
        "asset_tag",
        "device_id",
        "model",
        "actions",
        "minutes",
        "why",
        "benefit_per_day",
        "visit_benefit",
        "code",
        "reason",
    ];
    writer.write_record(head).map_err(|e| failed(&e))?;
    for visit in &document.visits {
        let cells = [
            visit.day.to_string(),
            safe(&visit.laptop.site),
            safe(&visit.laptop.place),
            safe(&visit.laptop.asset_tag),
            safe(&visit.laptop.device_id),
            safe(&visit.laptop.model),
            visit.actions.iter().map(|a| a.name()).collect::<Vec<_>>().join(" "),
            visit.minutes.to_string(),
            why_name(visit.why).to_owned(),
            format!("{:.2}", visit.benefit_per_day),
            format!("{:.2}", visit.visit_benefit),
            visit.code.clone(),
            safe(&visit.reason),
        ];
        writer.write_record(cells).map_err(|e| failed(&e))?;
    }
    let bytes = writer.into_inner().map_err(|e| failed(&e))?;
    String::from_utf8(bytes).map_err(|e| failed(&e))
}

/// A spreadsheet takes a cell that begins so for a formula: it gets an apostrophe before it.
fn safe(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

const fn why_name(why: Why) -> &'static str {
    match why {
        Why::Benefit => "benefit",
        Why::Booked => "booked",
        Why::Random => "random",
    }
}

fn mark(visit: &PlannedVisit) -> &'static str {
    match (visit.why, visit.is_drawn()) {
        (Why::Booked, true) => "booked, by lot",
        (_, true) => "by lot",
        (Why::Booked, false) => "booked",
        (Why::Benefit | Why::Random, false) => "",
    }
}

fn table(document: &Document, output: &mut Output) -> Result<(), Failure> {
    if document.visits.is_empty() {
        output.say("nobody is visited: no laptop is worth its visit on these days");
    } else {
        let mut builder = Builder::default();
        builder.push_record(["day", "site", "laptop", "place", "to do", "min", "code", ""]);
        for visit in &document.visits {
            builder.push_record(cells(visit));
        }
        let mut table = builder.build();
        table.with(Style::sharp());
        if let Some(width) = output.width() {
            table.with(Width::wrap(width.max(MIN_WIDTH)).priority(Priority::max(true)).keep_words(true));
        }
        print(output, &table.to_string())?;
    }
    say_summary(document, output);
    say_rest(document, output);
    say_put_off(document, output);
    if !document.visits.is_empty() {
        output.say("Before anybody opens a laptop:");
        for caution in cautions::SERVICE {
            output.say(&format!("  {caution}"));
        }
    }
    Ok(())
}

fn cells(visit: &PlannedVisit) -> [String; 8] {
    let laptop = &visit.laptop;
    [
        visit.day.format("%a %Y-%m-%d").to_string(),
        laptop.site.clone(),
        format!("{} ({})", laptop.name(), laptop.model),
        laptop.place.clone(),
        deeds(&visit.actions),
        visit.minutes.to_string(),
        visit.code.clone(),
        mark(visit).to_owned(),
    ]
}

fn say_summary(document: &Document, output: &mut Output) {
    if document.visits.is_empty() {
        return;
    }
    let n_minutes: u32 = document.visits.iter().map(|v| v.minutes).sum();
    output.say(&format!(
        "{} on {}, {}:{:02} h of work; worth {} after the trips, at most {:.1} % below what any plan reaches",
        count(document.visits.len(), "visit", "visits"),
        count(document.days.len(), "day at a site", "days at sites"),
        n_minutes / 60,
        n_minutes % 60,
        money(document.benefit, &document.currency),
        100.0 * document.gap(),
    ));
}

fn say_rest(document: &Document, output: &mut Output) {
    for order in &document.orders {
        let model = if order.model == "*" { "any model" } else { &order.model };
        let for_waiting = match (order.n_planned, order.n_waiting) {
            (_, 0) => String::new(),
            (0, _) => ", all for laptops that wait".to_owned(),
            (_, n) => format!(", {n} of them for laptops that wait"),
        };
        output.say(&format!(
            "order: {} × {} for {model}{for_waiting}; there in {}",
            order.n_planned + order.n_waiting,
            order.part,
            count(order.lead_days as usize, "day", "days"),
        ));
    }
    let waiting = &document.waiting;
    if !waiting.is_empty() {
        let cost: f64 = waiting.iter().map(|w| w.waiting_cost).sum();
        let names = named(waiting, |w| match w.waits_for {
            Some(why) => format!("{} ({:.0}, {})", w.laptop.name(), w.waiting_cost, why.words()),
            None => format!("{} ({:.0})", w.laptop.name(), w.waiting_cost),
        });
        output.say(&format!(
            "waiting: {} without a visit, which costs {} until the plan's end: {names}",
            laptops(waiting.len()),
            money(cost, &document.currency),
        ));
    }
    let plain = |l: &Named| l.name().to_owned();
    if !document.check_again.is_empty() {
        output.say(&format!(
            "to be checked, not visited: {} that cannot be judged: {}",
            laptops(document.check_again.len()),
            named(&document.check_again, plain)
        ));
    }
    if !document.unkept.is_empty() {
        output.say(&format!(
            "cannot be kept: {} (the laptop is gone or held, or nobody is there that day; `windrow-hub rounds book TAG --move-to` moves one): {}",
            count(document.unkept.len(), "booking", "bookings"),
            named(&document.unkept, |v| format!("{} ({})", v.laptop.name(), v.day))
        ));
    }
}

fn say_put_off(document: &Document, output: &mut Output) {
    let put_off = &document.put_off;
    if !put_off.is_empty() {
        let names = named(put_off, |p| match p.until {
            Some(last) => format!("{} (snoozed to {last})", p.laptop.name()),
            None => format!("{} (held)", p.laptop.name()),
        });
        output
            .say(&format!("put off: {} worth a visit, but held or snoozed: {names}", laptops(put_off.len())));
    }
    let serviced = &document.serviced;
    if !serviced.is_empty() {
        let names = named(serviced, |l| l.name().to_owned());
        output.say(&format!("done: {} serviced since it was planned: {names}", laptops(serviced.len())));
    }
}

fn laptops(n: usize) -> String {
    count(n, "laptop", "laptops")
}

/// The first of a list; the rest is counted, and is all in the JSON.
fn named<T>(list: &[T], name: impl Fn(&T) -> String) -> String {
    let names: Vec<String> = list.iter().map(name).collect();
    first_of(names.iter().map(String::as_str), MAX_NAMED)
}
