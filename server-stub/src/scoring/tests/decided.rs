//! What is decided and said of conditions that are given.

use windrow_model::condition::doubt::{CannotTell, NextStep, Part};
use windrow_model::condition::forecast::Forecast;
use windrow_model::condition::judge::{Condition, Interval};
use windrow_model::condition::site::NO_SITE;
use windrow_model::estimate::joint_model::Channels;
use windrow_model::estimate::stumbles::Stumbles;

use super::{DAY_MS, stored};
use crate::costs::Costs;
use crate::scoring::by_site::Conditioned;
use crate::scoring::evidence::{Evidence, evidence};
use crate::scoring::rule::{Case, Decided, decide};
use crate::scoring::words::reason;
use crate::scoring::{Band, Fault, ReasonCode, Runs, day_of, peers};
use crate::testing::START_MS;

const fn between(low: f64, mid: f64, high: f64) -> Interval {
    Interval { mid, low, high }
}

const fn sound() -> Condition {
    Condition {
        p_clogged: 0.01,
        p_fan: 0.01,
        p_contact: 0.01,
        airflow: Some(between(0.88, 0.94, 0.99)),
        fan: Some(between(0.93, 0.98, 1.02)),
        contact: between(1.0, 1.1, 1.3),
        clogged_on: None,
        contact_on: None,
        always_quiet: 0.0,
        stumbles: Stumbles { count: 0, watched_s: 160.0 },
        cannot_tell: Vec::new(),
    }
}

/// A weak fan, and how often it stumbled.
fn weak_fan(count: u32) -> Condition {
    let stumbles = Stumbles { count, watched_s: 160.0 };
    Condition { p_fan: 0.97, fan: Some(between(0.62, 0.70, 0.77)), stumbles, ..sound() }
}

#[test]
fn a_weak_fan_s_reason_says_how_often_its_speed_broke_in() {
    let (_, pieces, words) = told(weak_fan(4), 1);
    assert!(
        words.contains("fan at 0.70 of its due speed, 0.62 to 0.77; its speed broke in 4 times"),
        "{words}"
    );
    assert_eq!(pieces.iter().filter(|e| e.metric == "fan_stumbles").map(|e| e.value).sum::<f64>(), 4.0);
    let (_, _, words) = told(weak_fan(1), 1);
    assert!(words.contains("its speed broke in once"), "{words}");
    let (_, pieces, words) = told(weak_fan(0), 1);
    assert!(!words.contains("broke in") && pieces.iter().all(|e| e.metric != "fan_stumbles"), "{words}");
}

const MEASURED: Channels = Channels { has_power: true, has_rpm: true, by_work_rate: false };

/// A laptop tested and fitted at [`START_MS`], judged some days later.
fn told(condition: Condition, days: i64) -> (Decided, Vec<Evidence>, String) {
    let as_of_ms = START_MS + days * DAY_MS;
    let mut runs = Runs::new(as_of_ms);
    runs.add(vec![stored("one", START_MS)]);
    let last = runs.into_last().remove(0).last;
    let conditioned = Conditioned {
        condition: Box::new(condition),
        site: NO_SITE,
        measured: MEASURED,
        fitted_at_ms: START_MS,
        n_runs: 1,
    };
    let (conditioned, last_service) = (Some(&conditioned), None);
    let case = Case { last: &last, n_of_model: 30, conditioned, last_service, as_of_ms };
    let decided = decide(&case, &Costs::default());
    let evidence = evidence(&case, &decided, &peers::ranges(std::iter::empty()));
    let reason = reason(&case, &decided, &evidence);
    (decided, evidence, reason)
}

const fn open(part: Part, next: NextStep) -> CannotTell {
    CannotTell { part, next }
}

#[test]
fn what_is_left_open_is_said_where_nothing_asks_for_a_visit() {
    let by_hand = |part| open(part, NextStep::LookByHand);
    let mut condition = Condition { p_fan: 0.11, fan: Some(between(0.2, 0.97, 1.01)), ..sound() };
    condition.cannot_tell =
        vec![by_hand(Part::Airflow), by_hand(Part::Fan), open(Part::Contact, NextStep::CheckAgain)];
    let (decided, _, reason) = told(condition, 1);
    assert_eq!((decided.band, decided.reason_code), (Band::NoVisit, ReasonCode::NothingSeen));
    let wanted = "nothing asks for a visit; cannot tell of the vents and fan: no further check would tell, somebody has \
                  to look and listen; cannot tell of the paste: one more check would tell (airflow 0.94";
    assert!(reason.starts_with(wanted), "{reason}");
}

#[test]
fn evidence_is_of_the_part_that_is_left_open() {
    for (part, metric) in
        [(Part::Airflow, "airflow_fraction"), (Part::Fan, "fan_factor"), (Part::Contact, "contact_factor")]
    {
        let mut condition = sound();
        condition.cannot_tell = vec![open(part, NextStep::CheckAgain)];
        match part {
            Part::Airflow => condition.p_clogged = 0.3,
            Part::Fan => condition.p_fan = 0.3,
            Part::Contact => condition.p_contact = 0.3,
        }
        let (decided, evidence, reason) = told(condition, 1);
        assert_eq!((decided.band, decided.reason_code), (Band::Retest, ReasonCode::CannotTell));
        let names: Vec<&str> = evidence.iter().map(|e| e.metric).collect();
        assert_eq!(names, [metric], "{reason}");
        assert!(reason.starts_with(&format!("cannot tell: {}: ", Fault::from(part).part())), "{reason}");
    }
}

#[test]
fn a_forecast_asks_for_a_check_from_its_day_on() {
    let day = START_MS as f64 / DAY_MS as f64 + 40.0;
    let forecast = Forecast { day, low_day: day - 20.0, high_day: None };
    let condition = || Condition { contact_on: Some(forecast), ..sound() };
    let due_on = day_of(START_MS + 40 * DAY_MS).unwrap();

    let (before, _, _) = told(condition(), 39);
    assert_eq!((before.band, before.due_on), (Band::NoVisit, Some(due_on)));
    for days in [40, 100] {
        let (after, evidence, reason) = told(condition(), days);
        let wanted = (Band::Retest, ReasonCode::ForecastPassed, None);
        assert_eq!((after.band, after.reason_code, after.due_on), wanted, "{days} days");
        assert_eq!(evidence[0].metric, "contact_factor");
        let said = format!("paste: even odds to have passed the limit by {due_on}: check again");
        assert!(reason.starts_with(&said), "{reason}");
    }
}

/// A limit that was passed at the run itself, where no visit pays, is no date to come.
#[test]
fn no_visit_is_due_on_a_day_that_was_over_when_it_was_fitted() {
    let day = START_MS as f64 / DAY_MS as f64 - 10.0;
    let forecast = Forecast { day, low_day: day, high_day: Some(day) };
    let (decided, _, _) = told(Condition { clogged_on: Some(forecast), ..sound() }, 1);
    assert_eq!((decided.band, decided.due_on), (Band::NoVisit, None));
}
