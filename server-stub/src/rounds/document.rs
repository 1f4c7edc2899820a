//! The plan as it is kept and shown: by names, with what a work sheet needs. Its fields are a promise (docs/rounds.md).

use std::borrow::Borrow;
use std::collections::{BTreeSet, HashMap, HashSet};

use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize};
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use super::worked::WorkedDay;
use super::{WaitsFor, Why};
use crate::pages::fleet::name_of;
use crate::pages::words;
use crate::store::EpochMs;
use crate::store::rounds::SiteDay;

/// Name and version of the format.
pub const SCHEMA: &str = "windrow-rounds/2";

/// A plan by names.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Rounds")]
pub struct Document {
    /// [`SCHEMA`].
    pub schema: String,
    /// When it was made.
    pub made_at_ms: EpochMs,
    /// Version of the method that judged the laptops.
    pub method_version: String,
    /// Version of the costs.
    pub costs_version: String,
    /// Name of the money.
    pub currency: String,
    /// First day.
    #[schemars(with = "String")]
    pub from: NaiveDate,
    /// How many days.
    pub n_days: u32,
    /// How many random visits were asked for.
    pub n_random: usize,
    /// Benefit of the planned visits less their trips, money.
    pub benefit: f64,
    /// No plan reaches more, money.
    pub bound: f64,
    /// Days at sites on which somebody goes there, by day and site.
    pub days: Vec<Day>,
    /// Visits by day, site and place; those that are booked for a day before or after the plan's are among them.
    pub visits: Vec<PlannedVisit>,
    /// Laptops that would be worth a visit and have none; the costliest wait first.
    pub waiting: Vec<WaitingLaptop>,
    /// Laptops that cannot be judged: a check, not a visit.
    pub check_again: Vec<Named>,
    /// Bookings that cannot be kept: the laptop is gone or held, or nobody is there that day.
    #[serde(deserialize_with = "whole_visits")]
    pub unkept: Vec<PlannedVisit>,
    /// Planned, and a visit was logged since; absent in a plan that an older version made.
    #[serde(default)]
    pub serviced: Vec<Named>,
    /// Days with planned visits that were made, of this plan and up to today of those before; absent in a plan that an
    /// older version made.
    #[serde(default)]
    pub worked: Vec<WorkedDay>,
    /// Worth a visit, but held or snoozed; absent in a plan that an older version made.
    #[serde(default)]
    pub put_off: Vec<PutOffLaptop>,
    /// Parts to order.
    pub orders: Vec<OrderedPart>,
}

/// A laptop as a person finds it.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "RoundLaptop")]
pub struct Named {
    /// Device id.
    pub device_id: String,
    /// Asset tag; may be empty.
    pub asset_tag: String,
    /// Model.
    pub model: String,
    /// Site.
    pub site: String,
    /// Place within the site; may be empty.
    pub place: String,
}

impl Named {
    /// Its asset tag, else the first digits of its id.
    pub fn name(&self) -> &str {
        name_of(&self.asset_tag, &self.device_id)
    }
}

/// A day at a site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "RoundDay")]
pub struct Day {
    /// Where.
    pub site: String,
    /// When.
    #[schemars(with = "String")]
    pub day: NaiveDate,
    /// Technician minutes offered.
    pub offered_minutes: u32,
    /// Of these for the trip.
    pub trip_minutes: u32,
    /// Of these for visits.
    pub visit_minutes: u32,
}

/// A fault that is suspected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Suspected {
    /// `vents`, `fan` or `paste`.
    pub part: String,
    /// How probable.
    pub probability: f64,
}

/// A visit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlannedVisit {
    /// The laptop.
    #[serde(flatten)]
    pub laptop: Named,
    /// When.
    #[schemars(with = "String")]
    pub day: NaiveDate,
    /// What is done; empty: it is looked at and checked.
    #[schemars(with = "Vec<String>")]
    pub actions: Vec<ServiceAction>,
    /// Technician minutes.
    pub minutes: u32,
    /// Why it takes place.
    pub why: Why,
    /// What each day of delay costs, money.
    pub benefit_per_day: f64,
    /// What it is worth, money.
    pub visit_benefit: f64,
    /// What is suspected, likeliest first.
    pub suspected: Vec<Suspected>,
    /// Why, in words.
    pub reason: String,
    /// On what evidence, strongest first.
    pub evidence: Vec<String>,
    /// `measured`, `imported` or `emulated`: what it was judged by.
    pub provenance: String,
    /// What the technician types to find it.
    pub code: String,
}

/// A laptop that would be worth a visit and has none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WaitingLaptop {
    /// The laptop.
    #[serde(flatten)]
    pub laptop: Named,
    /// What would be done.
    #[schemars(with = "Vec<String>")]
    pub actions: Vec<ServiceAction>,
    /// Technician minutes that it would take.
    pub minutes: u32,
    /// What each day of delay costs, money.
    pub benefit_per_day: f64,
    /// What waiting past the plan's last day costs, money.
    pub waiting_cost: f64,
    /// What it waits for; absent in a plan that an older version made.
    #[serde(default)]
    pub waits_for: Option<WaitsFor>,
}

/// A laptop that would be worth a visit, and to which nobody is sent because somebody said so. Why stands with the laptop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "PutOffLaptop")]
pub struct PutOffLaptop {
    /// The laptop.
    #[serde(flatten)]
    pub laptop: Named,
    /// Last day of its snooze; absent: it is held until somebody lets it go.
    #[schemars(with = "Option<String>")]
    pub until: Option<NaiveDate>,
}

/// Parts to order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct OrderedPart {
    /// Named after the action that takes it.
    pub part: String,
    /// The model that it fits; `*`: all.
    pub model: String,
    /// How many the planned visits take beyond the stock.
    pub n_planned: u32,
    /// How many more the waiting laptops will take.
    pub n_waiting: u32,
    /// Days until they are there.
    pub lead_days: u32,
}

impl PlannedVisit {
    /// Whether it was drawn by lot: nothing is suspected, and nothing is to be done but look and check.
    pub fn is_drawn(&self) -> bool {
        self.actions.is_empty()
    }
}

impl Document {
    /// Visits of a day at a site.
    pub fn visits_on<'a>(&'a self, site: &'a str, day: NaiveDate) -> impl Iterator<Item = &'a PlannedVisit> {
        self.visits.iter().filter(move |v| v.day == day && v.laptop.site == site)
    }

    /// Its last day.
    pub fn last(&self) -> NaiveDate {
        self.from + chrono::Days::new(u64::from(self.n_days.saturating_sub(1)))
    }

    /// Whether a day is one of those that were planned; visits on others are booked.
    pub fn covers(&self, day: NaiveDate) -> bool {
        (self.from..=self.last()).contains(&day)
    }

    /// The visit of a laptop.
    pub fn visit_of(&self, device_id: &str) -> Option<&PlannedVisit> {
        self.visits.iter().find(|v| v.laptop.device_id == device_id)
    }

    /// The site of a laptop that is planned or booked, where it is known.
    pub fn site_of(&self, device_id: &str) -> Option<&str> {
        let visits = self.visits.iter().map(|v| &v.laptop);
        let mut named = visits.chain(self.unkept.iter().map(|v| &v.laptop));
        named.find(|l| l.device_id == device_id).map(|l| l.site.as_str()).filter(|site| !site.is_empty())
    }

    /// The visit whose sheet has this code, however it was typed.
    pub fn visit_by_code(&self, typed: &str) -> Option<&PlannedVisit> {
        let code = super::code::read(typed)?;
        self.visits.iter().find(|v| v.code == code)
    }

    /// Takes laptops out of what is still to be done, since their visits were logged.
    pub fn take_serviced(&mut self, device_ids: &[String]) {
        if device_ids.is_empty() {
            return;
        }
        let ids: HashSet<&str> = device_ids.iter().map(String::as_str).collect();
        let mut taken: BTreeSet<Named> = BTreeSet::new();
        let mut stays = |laptop: &Named| {
            let is_done = ids.contains(laptop.device_id.as_str());
            if is_done {
                taken.insert(laptop.clone());
            }
            !is_done
        };
        let (open, made): (Vec<_>, Vec<_>) =
            std::mem::take(&mut self.visits).into_iter().partition(|v| stays(&v.laptop));
        self.visits = open;
        self.unkept.retain(|v| stays(&v.laptop));
        self.waiting.retain(|w| stays(&w.laptop));
        self.put_off.retain(|p| stays(&p.laptop));
        self.serviced.extend(taken);
        for visit in made {
            self.take_made(visit);
        }
        self.take_times();
    }

    /// Days hold the visits that are left; one without any is over.
    fn take_times(&mut self) {
        let mut minutes_left: HashMap<(NaiveDate, &str), u32> = HashMap::new();
        for visit in &self.visits {
            *minutes_left.entry((visit.day, &visit.laptop.site)).or_default() += visit.minutes;
        }
        self.days.retain_mut(|d| {
            let minutes = minutes_left.get(&(d.day, d.site.as_str()));
            d.visit_minutes = minutes.copied().unwrap_or_default();
            minutes.is_some()
        });
    }

    /// Only what stands at one site.
    #[must_use]
    pub fn at_site(mut self, site: &str) -> Self {
        self.days.retain(|d| d.site == site);
        self.visits.retain(|v| v.laptop.site == site);
        self.waiting.retain(|w| w.laptop.site == site);
        self.check_again.retain(|l| l.site == site);
        self.unkept.retain(|v| v.laptop.site == site);
        self.serviced.retain(|l| l.site == site);
        self.worked.retain(|w| w.day.site == site);
        self.put_off.retain(|p| p.laptop.site == site);
        self
    }

    /// How far the plan is below the bound, 0 to 1.
    pub fn gap(&self) -> f64 {
        if self.bound > 0.0 { (1.0 - self.benefit / self.bound).clamp(0.0, 1.0) } else { 0.0 }
    }

    /// The first day of which this plan speaks: that on which it was made, or its own first day. It takes the place of the
    /// plan before from then on.
    pub fn told_from(&self) -> NaiveDate {
        words::date(self.made_at_ms).map_or(self.from, |made_on| made_on.min(self.from))
    }

    /// What a calendar must know of its days.
    pub fn site_days(&self) -> Vec<SiteDay> {
        let of_day = |day: &Day| {
            let (day, visits) = self.told_on(&day.site, day.day)?;
            let told: Vec<_> =
                visits.iter().map(|v| (&v.laptop, &v.actions, v.minutes)).map(|t| format!("{t:?}")).collect();
            let text = format!("{} {}\n{}", day.trip_minutes, day.visit_minutes, told.join("\n"));
            Some(SiteDay { site: day.site, day: day.day, digest: Digest::of_parts(&[text.as_bytes()]) })
        };
        let is_over = |worked: &&Day| !self.days.iter().any(|d| d.day == worked.day && d.site == worked.site);
        let over = self.worked.iter().map(|w| &w.day).filter(is_over);
        self.days.iter().chain(over).filter_map(of_day).collect()
    }
}

/// By day, and within it the way that somebody walks.
pub(super) fn sort<V: Borrow<PlannedVisit>>(visits: &mut [V]) {
    visits.sort_by_cached_key(|v| {
        let v = v.borrow();
        (v.day, v.laptop.site.clone(), v.laptop.place.clone(), v.laptop.name().to_owned())
    });
}

/// Visits as they are kept now; an older version kept of a booking that cannot be kept its laptop alone, and the next plan
/// names it again.
fn whole_visits<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<PlannedVisit>, D::Error> {
    let kept: Vec<serde_json::Value> = Vec::deserialize(from)?;
    Ok(kept.into_iter().filter_map(|visit| serde_json::from_value(visit).ok()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plan_of_an_older_version_is_read_without_what_it_did_not_keep() {
        let laptop = r#""device_id":"d","asset_tag":"A-1","model":"Fjordbook 14","site":"north","place":"""#;
        let text = format!(
            r#"{{"schema":"windrow-rounds/1","made_at_ms":0,"method_version":"1","costs_version":"0","currency":"EUR",
                "from":"2026-03-01","n_days":7,"n_random":0,"benefit":1.0,"bound":1.0,"days":[],"visits":[],"waiting":[],
                "check_again":[],"unkept":[{{{laptop}}}],"booked_outside":[{{{laptop},"day":"2026-02-20"}}],"orders":[]}}"#
        );
        let plan: Document = serde_json::from_str(&text).unwrap();
        assert!(plan.unkept.is_empty() && plan.visits.is_empty());
    }
}
