"""Reads the calendar files of calendar.sh with Python's icalendar and holds them against the plans' JSON (RFC 5545).

usage: calendar.py FOLDER
"""

import datetime
import json
import pathlib
import sys

import icalendar

folder = pathlib.Path(sys.argv[1])


def events_of(name):
    """Events by UID; every line at most 75 octets long, every one read without an error."""
    raw = (folder / name).read_bytes()
    for line in raw.split(b"\r\n"):
        assert len(line) <= 75 and b"\n" not in line, f"{name}: {line!r}"
    calendar = icalendar.Calendar.from_ical(raw)
    assert not calendar.errors, calendar.errors
    assert str(calendar["VERSION"]) == "2.0" and calendar["PRODID"]
    events = {str(e["UID"]): e for e in calendar.walk("VEVENT")}
    assert len(events) == len(calendar.walk("VEVENT")), "a UID stands twice"
    for event in events.values():
        assert not event.errors, event.errors
        assert event["DTSTAMP"].dt.tzinfo is not None, "DTSTAMP is in UTC"
    # Written again by the other program, it reads as the same.
    again = icalendar.Calendar.from_ical(calendar.to_ical())
    assert [e["SUMMARY"] for e in again.walk("VEVENT")] == [e["SUMMARY"] for e in calendar.walk("VEVENT")]
    return events


def check_against(plan, events):
    """Each day at a site of the plan is one event with its laptops, codes and times."""
    live = {(str(e["LOCATION"]), e["DTSTART"].dt): e for e in events.values() if str(e["STATUS"]) == "CONFIRMED"}
    assert len(live) == len(plan["days"]) > 0, (len(live), len(plan["days"]))
    for day in plan["days"]:
        start = datetime.datetime.fromisoformat(f"{day['day']}T08:30:00")
        event = live[(day["site"], start)]
        assert start.tzinfo is None, "local time of the site"
        minutes = day["trip_minutes"] + day["visit_minutes"]
        assert event["DTEND"].dt - start == datetime.timedelta(minutes=minutes), event
        for visit in plan["visits"]:
            is_there = (visit["site"], visit["day"]) == (day["site"], day["day"])
            named = visit["code"] in str(event["DESCRIPTION"]) and visit["asset_tag"] in str(event["DESCRIPTION"])
            assert named == is_there, visit


first, second, whole = events_of("first.ics"), events_of("second.ics"), events_of("days.ics")
plans = [json.loads((folder / name).read_text()) for name in ("plan1.json", "plan2.json")]
check_against(plans[0], first)
check_against(plans[1], second)
for uid, event in whole.items():
    days = (event["DTEND"].dt - event["DTSTART"].dt).days
    assert type(event["DTSTART"].dt) is datetime.date and days == 1, event
    assert uid in first

n_changed = n_cancelled = 0
for uid, event in first.items():
    later = second[uid]
    is_changed = any(event.get(k) != later.get(k) for k in ("SUMMARY", "DESCRIPTION", "STATUS", "DTEND"))
    assert int(later["SEQUENCE"]) - int(event["SEQUENCE"]) == int(is_changed), (event, later)
    n_changed += is_changed
    n_cancelled += str(later["STATUS"]) == "CANCELLED"
assert n_cancelled > 0, "the second plan gives days up"
print(f"icalendar {icalendar.__version__}: {len(first)} events, then {len(second)}; {n_changed} changed, {n_cancelled} of them cancelled")
