use chrono::NaiveTime;
use windrow_model::trace::fleet::ServiceAction;

use super::calendar::{Setting, calendar};
use super::code::code_of;
use super::document::{Day, Document, Named, PlannedVisit, SCHEMA};
use super::*;
use crate::store::rounds::RoundEvent;

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn visit(tag: &str, place: &str, on: &str) -> PlannedVisit {
    PlannedVisit {
        laptop: Named {
            device_id: format!("id of {tag}"),
            asset_tag: tag.to_owned(),
            model: "Fjordbook 14".to_owned(),
            site: "Lowfield; hall, \"west\"".to_owned(),
            place: place.to_owned(),
        },
        day: day(on),
        actions: vec![ServiceAction::Clean, ServiceAction::Fan],
        minutes: 57,
        why: Why::Booked,
        benefit_per_day: 3.0,
        visit_benefit: 200.0,
        suspected: vec![],
        reason: "vents".to_owned(),
        evidence: vec![],
        provenance: "measured".to_owned(),
        code: code_of(tag),
    }
}

fn document() -> Document {
    let visits =
        vec![visit("A-1", "säle, 2. Stock\nlinks", "2026-03-28"), visit("A-2", "floor 1", "2026-03-28")];
    Document {
        schema: SCHEMA.to_owned(),
        // On the plan's first day.
        made_at_ms: 1_772_323_200_000,
        method_version: "1".to_owned(),
        costs_version: "0".to_owned(),
        currency: "EUR".to_owned(),
        from: day("2026-03-01"),
        n_days: 60,
        n_random: 0,
        benefit: 1.0,
        bound: 1.0,
        days: vec![Day {
            site: visits[0].laptop.site.clone(),
            day: day("2026-03-28"),
            offered_minutes: 300,
            trip_minutes: 45,
            visit_minutes: 114,
        }],
        visits,
        waiting: vec![],
        check_again: vec![],
        unkept: vec![],
        serviced: vec![],
        worked: vec![],
        put_off: vec![],
        orders: vec![],
    }
}

fn event(on: &str, sequence: u32, is_cancelled: bool) -> RoundEvent {
    RoundEvent {
        site: "Lowfield; hall, \"west\"".to_owned(),
        day: day(on),
        uid: "00ff".to_owned(),
        sequence,
        is_cancelled,
        changed_at_ms: 1_769_846_400_000,
    }
}

/// Content lines put together again, RFC 5545 section 3.1.
fn unfolded(text: &str) -> Vec<String> {
    text.replace("\r\n ", "").split("\r\n").filter(|l| !l.is_empty()).map(str::to_owned).collect()
}

fn has(lines: &[String], line: &str) -> bool {
    lines.iter().any(|l| l == line)
}

#[test]
fn lines_are_folded_at_75_octets_and_text_is_escaped() {
    let text = calendar(Some(&document()), &[event("2026-03-28", 3, false)], &Setting::default());
    assert!(
        text.ends_with("END:VCALENDAR\r\n") && !text.replace("\r\n", "").contains(['\r', '\n']),
        "{text}"
    );
    assert!(text.split("\r\n").all(|line| line.len() <= 75), "{text}");
    let lines = unfolded(&text);
    assert!(has(&lines, r#"LOCATION:Lowfield\; hall\, "west""#), "{lines:#?}");
    let description = lines.iter().find(|l| l.starts_with("DESCRIPTION:")).unwrap();
    assert!(
        description
            .contains(r"A-1 (Fjordbook 14)\, säle\, 2. Stock links: clean vents and fins\, replace the fan")
    );
    assert!(!description.contains("\\n\\n"), "a place's own line end is a blank");
    for line in ["VERSION:2.0", "UID:00ff", "SEQUENCE:3", "DTSTAMP:20260131T080000Z", "STATUS:CONFIRMED"] {
        assert!(has(&lines, line), "{line}: {lines:#?}");
    }
}

#[test]
fn a_day_is_a_whole_day_or_in_the_site_s_own_time() {
    let events = [event("2026-03-28", 0, false)];
    let lines = unfolded(&calendar(Some(&document()), &events, &Setting::default()));
    assert!(
        has(&lines, "DTSTART;VALUE=DATE:20260328") && has(&lines, "DTEND;VALUE=DATE:20260329"),
        "{lines:#?}"
    );
    let starts = NaiveTime::from_hms_opt(8, 30, 0);
    let lines = unfolded(&calendar(Some(&document()), &events, &Setting { starts, ..Setting::default() }));
    // 45 minutes of travel and 114 of work, no zone and no Z.
    assert!(has(&lines, "DTSTART:20260328T083000") && has(&lines, "DTEND:20260328T110900"), "{lines:#?}");
}

#[test]
fn a_plan_made_ahead_speaks_from_the_day_on_which_it_was_made() {
    let made_at_ms = day("2026-02-16").and_hms_opt(9, 0, 0).unwrap().and_utc().timestamp_millis();
    let document = Document { made_at_ms, ..document() };
    assert_eq!(document.told_from(), day("2026-02-16"));
    let events = [event("2026-02-15", 1, true), event("2026-02-17", 4, true)];
    let lines = unfolded(&calendar(Some(&document), &events, &Setting::default()));
    assert!(has(&lines, "STATUS:CANCELLED") && has(&lines, "SEQUENCE:4"), "{lines:#?}");
    assert_eq!(lines.iter().filter(|l| *l == "BEGIN:VEVENT").count(), 1, "what is past stays as it is");
}

#[test]
fn what_was_given_up_is_cancelled_and_what_is_past_or_elsewhere_is_not_told() {
    let events = [event("2026-03-27", 4, true), event("2026-02-01", 2, true)];
    let text = calendar(Some(&document()), &events, &Setting::default());
    let lines = unfolded(&text);
    assert!(has(&lines, "STATUS:CANCELLED") && has(&lines, "SEQUENCE:4"), "{lines:#?}");
    assert_eq!(lines.iter().filter(|l| *l == "BEGIN:VEVENT").count(), 1);
    let elsewhere = Setting { site: Some("Sandhill"), ..Setting::default() };
    assert!(!calendar(Some(&document()), &events, &elsewhere).contains("VEVENT"));
    assert!(calendar(None, &events, &Setting::default()).contains("BEGIN:VCALENDAR"));
    assert_eq!(text, calendar(Some(&document()), &events, &Setting::default()), "the same bytes again");
}
