//! The condition of a laptop before and after each day of service, for [`crate::effects`].

use chrono::{Days, NaiveDate, NaiveTime};
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::judge::{Condition, Judge};
use windrow_model::condition::laptop::Laptop;
use windrow_model::condition::wear::Action;

use super::{Fault, MS_PER_DAY};
use crate::effects::{self, Around, PartReadings, VisitEffect};
use crate::store::Service;

/// Runs are looked at for so long after a visit: later ones tell of new dust. Our choice.
const AFTER_DAYS: f64 = 60.0;
/// A run is too old to be the condition before a visit after so many days. As for a judgement.
const BEFORE_DAYS: f64 = 180.0;

/// The services of one laptop on one day.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ServiceDay {
    pub(crate) on: NaiveDate,
    pub(crate) actions: Vec<Action>,
    /// Day and part of a day since the Unix epoch from which on a run is certainly after it.
    after: f64,
}

impl ServiceDay {
    /// From a laptop's services; each day once, earliest first.
    pub(crate) fn all<'a>(services: impl Iterator<Item = &'a Service>) -> Vec<Self> {
        let mut days: Vec<Self> = Vec::new();
        for service in services {
            let after = certainly_after(service);
            match days.iter_mut().find(|d| d.on == service.serviced_on) {
                Some(day) => {
                    day.actions.push(service.action);
                    day.after = day.after.min(after);
                }
                None => days.push(Self { on: service.serviced_on, actions: vec![service.action], after }),
            }
        }
        days.sort_by_key(|d| d.on);
        days
    }

    fn begins(&self) -> f64 {
        midnight(self.on)
    }
}

/// A run of the day of service may have been before or after it, unless the visit was logged on that day and the run came
/// later.
fn certainly_after(service: &Service) -> f64 {
    let next_day = service.serviced_on.checked_add_days(Days::new(1)).map_or(f64::MAX, midnight);
    let logged = service.logged.as_ref().map(|l| l.at_ms as f64 / MS_PER_DAY as f64);
    logged.filter(|at| *at >= midnight(service.serviced_on)).map_or(next_day, |at| at.min(next_day))
}

fn midnight(day: NaiveDate) -> f64 {
    day.and_time(NaiveTime::MIN).and_utc().timestamp_millis() as f64 / MS_PER_DAY as f64
}

/// What each day of service did to a laptop, up to the day for which it is judged.
pub(super) fn effects(
    judge: &Judge<'_>,
    laptop: &Laptop,
    days: &[ServiceDay],
    today: f64,
) -> Vec<VisitEffect> {
    let until = |at: usize| days.get(at + 1).map_or(f64::MAX, ServiceDay::begins);
    days.iter()
        .enumerate()
        .filter(|(_, day)| day.begins() <= today)
        .map(|(at, day)| effects::effect(day.on, &day.actions, &around(judge, laptop, day, until(at))))
        .collect()
}

fn around(judge: &Judge<'_>, laptop: &Laptop, day: &ServiceDay, until: f64) -> Around {
    let before: Vec<RunEvidence> = laptop.runs.iter().filter(|r| r.day < day.begins()).copied().collect();
    let is_after = |r: &&RunEvidence| r.day >= day.after && r.day < until && r.day < day.after + AFTER_DAYS;
    let after: Vec<RunEvidence> = laptop.runs.iter().filter(is_after).copied().collect();
    let mut around = Around { n_runs_before: before.len(), n_runs_after: after.len(), parts: Vec::new() };
    let (Some(last_before), Some(last_after)) = (before.last(), after.last()) else { return around };
    if day.begins() - last_before.day > BEFORE_DAYS {
        around.n_runs_before = 0;
        return around;
    }
    let (day_before, day_after) = (last_before.day, last_after.day);
    let services = laptop.services.iter().filter(|(at, _)| *at < day.begins()).copied().collect();
    let of = |runs: Vec<RunEvidence>, services: Vec<(f64, Action)>, as_of: f64| {
        judge.laptop(&Laptop { device: laptop.device.clone(), runs, services, as_of })
    };
    let shows = |runs: &[RunEvidence], part: Fault| runs.iter().any(|r| shows(r, part));
    let seen: Vec<Fault> =
        Fault::ALL.into_iter().filter(|part| shows(&before, *part) && shows(&after, *part)).collect();
    // Neither the runs before nor the belief in the service are let into the value after.
    let (before, after) = (of(before, services, day_before), of(after, Vec::new(), day_after));
    let prior = of(Vec::new(), Vec::new(), day_after);
    around.parts = seen.into_iter().filter_map(|part| readings(part, &before, &after, &prior)).collect();
    around
}

/// Whether a run itself shows a part.
fn shows(run: &RunEvidence, part: Fault) -> bool {
    match part {
        Fault::Clogged => run.air.is_some(),
        Fault::Fan => run.has_rpm && !run.is_stuck() && run.worst_fan().is_some(),
        Fault::Contact => run.contact.is_some(),
    }
}

fn readings(part: Fault, before: &Condition, after: &Condition, prior: &Condition) -> Option<PartReadings> {
    let of = |c: &Condition| match part {
        Fault::Clogged => c.airflow,
        Fault::Fan => c.fan,
        Fault::Contact => Some(c.contact),
    };
    // A tachometer is read directly: its prior is the scatter between units, and no part of what is compared.
    let prior = if part == Fault::Fan { None } else { of(prior) };
    Some(PartReadings { part, before: of(before)?, after: of(after)?, prior })
}
