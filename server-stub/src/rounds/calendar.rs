//! The rounds as an iCalendar file (RFC 5545): one event a site and day.
//!
//! An event's UID never changes, and its SEQUENCE rises whenever the day's work does, so that taking the file again
//! changes what a calendar holds instead of doubling it. A day on which nobody goes there any more is CANCELLED (section
//! 3.8.1.11), and one on which somebody went stays as it was. Without a time of day an event is a whole day (VALUE=DATE); with one it is in the site's own local time,
//! whatever that is there (section 3.3.5, form 1), for the hub doesn't know a site's time zone. The same plan always
//! gives the same bytes.

use std::fmt::Write as _;

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use icalendar::{Calendar, Class, Component, Event, EventLike, EventStatus, Property};

use super::Why;
use super::document::{Day, Document, PlannedVisit};
use super::steps::deeds;
use crate::store::EpochMs;
use crate::store::rounds::RoundEvent;

/// Whose file it is.
const PRODID: &str = "-//Windrow//Rounds 1//EN";
/// Laptops named in an event; more are on the work sheet.
const MAX_NAMED: usize = 40;

/// What of the plan, and how.
#[derive(Debug, Clone, Default)]
pub struct Setting<'a> {
    /// Only this site.
    pub site: Option<&'a str>,
    /// When a day begins; `None`: events are whole days.
    pub starts: Option<NaiveTime>,
}

/// The file.
pub fn calendar(document: Option<&Document>, events: &[RoundEvent], setting: &Setting<'_>) -> String {
    let mut calendar = Calendar::empty();
    let heads = [
        ("VERSION", "2.0"),
        ("PRODID", PRODID),
        ("CALSCALE", "GREGORIAN"),
        ("X-WR-CALNAME", "Windrow rounds"),
    ];
    for (name, value) in heads {
        calendar.append_property(Property::new(name, value));
    }
    for event in events.iter().filter(|e| setting.site.is_none_or(|site| site == e.site)) {
        if let Some(written) = written(document, event, setting) {
            calendar.push(written);
        }
    }
    calendar.to_string()
}

/// An event of the file; `None` for a day of which this plan doesn't speak: what a calendar holds of it, it keeps.
fn written(document: Option<&Document>, event: &RoundEvent, setting: &Setting<'_>) -> Option<Event> {
    let document = document?;
    let told = document.told_on(&event.site, event.day);
    if told.is_none() && (!event.is_cancelled || event.day < document.told_from()) {
        return None;
    }
    let mut out = Event::new();
    let changed_at = time_of(event.changed_at_ms)?;
    out.uid(&event.uid).sequence(event.sequence).timestamp(changed_at).last_modified(changed_at);
    out.class(Class::Public).location(&plain(&event.site));
    let minutes = told.as_ref().map_or(0, |(d, _)| d.trip_minutes + d.visit_minutes);
    match setting.starts {
        Some(starts) => {
            let starts = event.day.and_time(starts);
            out.starts(starts).ends(starts + TimeDelta::minutes(i64::from(minutes.max(15))));
        }
        None => {
            // DTEND is the day after: it must be later than DTSTART (section 3.6.1).
            out.starts(event.day).ends(event.day.succ_opt()?);
        }
    }
    match told {
        Some((day, visits)) => {
            out.status(EventStatus::Confirmed);
            out.summary(&summary(&event.site, visits.len()));
            out.description(&description(&day, &visits));
        }
        None => {
            out.status(EventStatus::Cancelled)
                .summary(&format!("No laptop service at {}", plain(&event.site)));
        }
    }
    Some(out.done())
}

fn time_of(ms: EpochMs) -> Option<DateTime<Utc>> {
    DateTime::from_timestamp_millis(ms)
}

fn summary(site: &str, n_visits: usize) -> String {
    let noun = if n_visits == 1 { "laptop" } else { "laptops" };
    format!("Laptop service at {}: {n_visits} {noun}", plain(site))
}

fn description(day: &Day, visits: &[&PlannedVisit]) -> String {
    let mut text = format!("{} minutes of work and {} of travel.\n", day.visit_minutes, day.trip_minutes);
    for visit in visits.iter().take(MAX_NAMED) {
        let laptop = &visit.laptop;
        let place =
            if laptop.place.is_empty() { String::new() } else { format!(", {}", plain(&laptop.place)) };
        let mark = match (visit.why, visit.is_drawn()) {
            (Why::Booked, true) => " (booked, drawn by lot)",
            (_, true) => " (drawn by lot)",
            (Why::Booked, false) => " (booked)",
            (Why::Benefit | Why::Random, false) => "",
        };
        let _ = writeln!(
            text,
            "{} ({}){place}: {}{mark}, code {}",
            plain(laptop.name()),
            plain(&laptop.model),
            deeds(&visit.actions),
            visit.code
        );
    }
    if visits.len() > MAX_NAMED {
        let _ = writeln!(text, "and {} more, on the work sheet", visits.len() - MAX_NAMED);
    }
    text.push_str("The work sheet has the steps and the cautions; read them before anybody opens a laptop.");
    text
}

/// Without what the format has no way to write.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}
