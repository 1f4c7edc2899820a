//! The work of a day at a site: what to bring, what to do, at which laptops. The page prints it, the API gives it.

use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::cautions;
use windrow_model::trace::fleet::ServiceAction;

use super::document::{Day, Document, PlannedVisit};
use super::steps::{self, StepList};

/// A day's work at a site.
#[derive(Debug, Serialize, JsonSchema)]
#[schemars(rename = "WorkSheet")]
pub struct Sheet<'a> {
    /// Where.
    pub site: &'a str,
    /// When.
    pub day: NaiveDate,
    /// Minutes offered, of the trip, of the visits, made ones too.
    pub minutes: Option<Day>,
    /// What to bring.
    pub bring: Vec<Needed<'a>>,
    /// Before anybody opens a laptop.
    pub cautions: &'static [&'static str],
    /// The steps of all that is still to be done that day, once.
    pub steps: Vec<StepList>,
    /// Visits in their order, each with its code.
    pub visits: Vec<&'a PlannedVisit>,
    /// Visits of that day that were made.
    pub made: Vec<&'a PlannedVisit>,
}

/// Something to bring.
#[derive(Debug, Serialize, JsonSchema)]
#[schemars(rename = "ThingToBring")]
pub struct Needed<'a> {
    /// What.
    pub what: &'static str,
    /// The model that it must fit; empty: any.
    pub model: &'a str,
    /// How many.
    pub n: usize,
}

impl<'a> Sheet<'a> {
    /// Of a plan; `None`: nobody goes there that day, and nobody went.
    pub fn of(document: &'a Document, site: &'a str, day: NaiveDate) -> Option<Self> {
        let (minutes, _) = document.told_on(site, day)?;
        let visits: Vec<&PlannedVisit> = document.visits_on(site, day).collect();
        let made: Vec<&PlannedVisit> = document.made_on(site, day).collect();
        if visits.is_empty() && made.is_empty() {
            return None;
        }
        let steps = if visits.is_empty() { Vec::new() } else { steps::lists(&wanted(&visits)) };
        Some(Self {
            site,
            day,
            minutes: Some(minutes),
            bring: needed(&visits),
            cautions: cautions::SERVICE,
            steps,
            visits,
            made,
        })
    }
}

fn needed<'a>(visits: &[&'a PlannedVisit]) -> Vec<Needed<'a>> {
    let mut all: Vec<Needed<'a>> = Vec::new();
    for visit in visits {
        for action in &visit.actions {
            // A fan fits one model; the rest fits all.
            let is_fan = *action == ServiceAction::Fan;
            let what = steps::parts(*action);
            let model = if is_fan { visit.laptop.model.as_str() } else { "" };
            match all.iter_mut().find(|n| n.what == what && n.model == model) {
                Some(needed) => needed.n += 1,
                None => all.push(Needed { what, model, n: 1 }),
            }
        }
    }
    all
}

/// All that is done that day.
fn wanted(visits: &[&PlannedVisit]) -> Vec<ServiceAction> {
    let is_wanted = |action: &ServiceAction| match action {
        ServiceAction::None => visits.iter().any(|v| v.is_drawn()),
        action => visits.iter().any(|v| v.actions.contains(action)),
    };
    let all = [ServiceAction::Clean, ServiceAction::Fan, ServiceAction::Paste, ServiceAction::None];
    all.into_iter().filter(is_wanted).collect()
}
