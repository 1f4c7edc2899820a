//! Days on which planned visits were made: they stay as they were told, in calendars and on sheets, though no later plan
//! speaks of them.

use std::collections::HashSet;

use chrono::{Days, NaiveDate};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::document::{Day, Document, PlannedVisit, sort};
use crate::store::EpochMs;

/// How long a worked day stays in the plans that follow, days: as far back as a plan reaches ahead.
const KEPT_DAYS: u64 = super::MAX_DAYS as u64;

/// A day at a site on which planned visits were made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WorkedDay {
    /// Where, when, and the minutes of these visits.
    #[serde(flatten)]
    pub day: Day,
    /// When the first plan was made of which these visits are.
    pub planned_at_ms: EpochMs,
    /// Visits that were logged since.
    pub visits: Vec<PlannedVisit>,
}

impl WorkedDay {
    fn is_of(&self, site: &str, day: NaiveDate) -> bool {
        self.day.day == day && self.day.site == site
    }
}

impl Document {
    /// Visits of a day at a site that were made.
    pub fn made_on<'a>(&'a self, site: &'a str, day: NaiveDate) -> impl Iterator<Item = &'a PlannedVisit> {
        self.worked.iter().filter(move |w| w.is_of(site, day)).flat_map(|w| &w.visits)
    }

    /// Puts a visit that was made where it stays.
    pub(super) fn take_made(&mut self, visit: PlannedVisit) {
        let (site, on) = (visit.laptop.site.clone(), visit.day);
        if let Some(worked) = self.worked.iter_mut().find(|w| w.is_of(&site, on)) {
            worked.day.visit_minutes += visit.minutes;
            worked.visits.push(visit);
            return;
        }
        let told = self.days.iter().find(|d| d.day == on && d.site == site);
        let (offered_minutes, trip_minutes) =
            told.map_or((0, 0), |day| (day.offered_minutes, day.trip_minutes));
        let day = Day { site, day: on, offered_minutes, trip_minutes, visit_minutes: visit.minutes };
        self.worked.push(WorkedDay { day, planned_at_ms: self.made_at_ms, visits: vec![visit] });
    }

    /// Since when the log tells whether the visits of its worked days still count.
    pub(super) fn worked_since_ms(&self) -> Option<EpochMs> {
        self.worked.iter().map(|w| w.planned_at_ms).min()
    }

    /// What the next plan keeps of the worked days: those up to today, and of them the visits that still count. A visit made
    /// before its day leaves that day free.
    pub(super) fn worked_until(self, today: NaiveDate, logged: &[String]) -> Vec<WorkedDay> {
        let logged: HashSet<&str> = logged.iter().map(String::as_str).collect();
        let first = today.checked_sub_days(Days::new(KEPT_DAYS)).unwrap_or(today);
        let mut kept = self.worked;
        kept.retain_mut(|worked| {
            worked.visits.retain(|v| logged.contains(v.laptop.device_id.as_str()));
            worked.day.visit_minutes = worked.visits.iter().map(|v| v.minutes).sum();
            !worked.visits.is_empty() && (first..=today).contains(&worked.day.day)
        });
        kept
    }

    /// A day as calendars are told of it, with its visits, made or still to be made; `None`: nobody goes or went there.
    pub fn told_on<'a>(&'a self, site: &'a str, on: NaiveDate) -> Option<(Day, Vec<&'a PlannedVisit>)> {
        let open = self.days.iter().find(|d| d.day == on && d.site == site);
        let worked = self.worked.iter().find(|w| w.is_of(site, on));
        let mut day = open.or(worked.map(|w| &w.day))?.clone();
        if let (Some(_), Some(worked)) = (open, worked) {
            day.visit_minutes += worked.day.visit_minutes;
        }
        let mut visits: Vec<&PlannedVisit> = self.visits_on(site, on).chain(self.made_on(site, on)).collect();
        sort(&mut visits);
        Some((day, visits))
    }
}
