//! What a judgement reads: runs as the estimator takes them, and what they taught.

use std::collections::{BTreeMap, HashMap};
use std::hash::BuildHasher;
use std::sync::Arc;

use chrono::{DateTime, Datelike, NaiveTime};
use windrow_model::condition::ambient::{Room, RoomCase, RoomFacts, RoomStanding};
#[cfg(test)]
use windrow_model::condition::constants::Constants;
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::standing::{ModelRun, ModelStanding};
use windrow_model::condition::wear::Action;
use windrow_model::estimate::network_drive::Drive;

use super::MS_PER_DAY;
use super::runs::RunRef;
use crate::store::{EpochMs, Service, StoreError};
#[cfg(test)]
use crate::workers::Pool;

/// Services of each laptop: day and action.
pub(crate) type ServicesOf = BTreeMap<String, Vec<(f64, Action)>>;

/// What runs are compared within: provenance and model. Neither is ever mixed.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ModelOf {
    /// `measured`, `emulated` or `imported`.
    pub provenance: String,
    /// Product, stock-keeping unit and processor.
    pub model_key: String,
}

/// All that runs taught: each model's standing and each run's evidence against it.
#[derive(Debug, Clone, Default)]
pub struct Learned<E> {
    /// By provenance and model.
    pub models: BTreeMap<ModelOf, Arc<ModelStanding>>,
    /// Where each run's evidence is read.
    pub evidence: E,
}

/// Where runs' evidence is read, that of some laptops at a time: a large fleet's is never held whole.
pub trait EvidenceSource: Sync {
    /// Whether a run has any. One without has no load phase, or cannot be read.
    fn has(&self, run_id: i64) -> bool;
    /// That of runs that have some, in the order of the rows.
    ///
    /// # Errors
    /// If the store fails.
    fn read(&self, run_ids: Vec<i64>) -> Result<Vec<RunEvidence>, StoreError>;
}

impl<H: BuildHasher + Sync> EvidenceSource for HashMap<i64, RunEvidence, H> {
    fn has(&self, run_id: i64) -> bool {
        self.contains_key(&run_id)
    }

    fn read(&self, run_ids: Vec<i64>) -> Result<Vec<RunEvidence>, StoreError> {
        Ok(run_ids.iter().filter_map(|id| self.get(id).copied()).collect())
    }
}

/// The rooms of all runs of one provenance, in their order.
pub(crate) fn rooms(runs: &[(&RunRef, RoomFacts)]) -> Vec<Room> {
    let cases: Vec<RoomCase<'_>> = runs.iter().map(|(run, facts)| room_case(run, *facts)).collect();
    RoomStanding::learn(&cases).rooms(&cases)
}

/// A run ready for its model's fit.
pub(crate) fn model_run(run: &RunRef, drive: Drive, room: Room, firmwares: &Firmwares) -> ModelRun {
    ModelRun {
        device: run.device_id.to_string(),
        day: day(run),
        room,
        on_mains: run.kind.on_ac,
        firmware: firmwares.of(run),
        drive,
    }
}

/// Learns everything from all runs of one provenance at once, as a test's measure of what is learned bit by bit.
#[cfg(test)]
pub(crate) fn learn(runs: &[(&RunRef, Drive)], services: &ServicesOf) -> Learned<HashMap<i64, RunEvidence>> {
    let with_facts: Vec<(&RunRef, RoomFacts)> =
        runs.iter().map(|(run, drive)| (*run, RoomFacts::from(&drive.facts))).collect();
    let firmwares = firmwares(runs.iter().map(|(run, _)| *run));
    let mut by_model: BTreeMap<ModelOf, Vec<(i64, ModelRun)>> = BTreeMap::new();
    for ((run, drive), room) in runs.iter().zip(rooms(&with_facts)) {
        let ready = model_run(run, drive.clone(), room, &firmwares);
        by_model.entry(run.kind.of.clone()).or_default().push((run.run_id, ready));
    }
    let mut learned = Learned { models: BTreeMap::new(), evidence: HashMap::new() };
    for (of, runs) in by_model {
        let (ids, runs): (Vec<i64>, Vec<ModelRun>) = runs.into_iter().unzip();
        let made = ModelStanding::learn(&Constants::default(), &runs, services, &Pool);
        let (standing, evidence) = made.expect("a model has runs");
        learned.models.insert(of, Arc::new(standing));
        learned.evidence.extend(ids.into_iter().zip(evidence));
    }
    learned
}

pub(crate) fn room_case(run: &RunRef, facts: RoomFacts) -> RoomCase<'_> {
    let tested_at = DateTime::from_timestamp_millis(run.tested_at_ms).unwrap_or_default();
    RoomCase {
        model: &run.kind.of.model_key,
        site: &run.kind.site,
        day: day(run),
        day_of_year: f64::from(tested_at.ordinal()),
        facts,
        reported_c: run.ambient_c,
    }
}

/// The time of a day since the Unix epoch.
pub(crate) fn ms_of_day(day: f64) -> EpochMs {
    (day * MS_PER_DAY as f64).round() as EpochMs
}

/// Day of a run, days since the Unix epoch.
pub(crate) fn day(run: &RunRef) -> f64 {
    run.tested_at_ms as f64 / MS_PER_DAY as f64
}

/// Each model's firmwares, numbered in the order in which they came.
#[derive(Debug, Clone, Default)]
pub struct Firmwares(BTreeMap<ModelOf, Vec<String>>);

/// Numbers the firmwares of all runs.
pub(crate) fn firmwares<'a>(runs: impl Iterator<Item = &'a RunRef>) -> Firmwares {
    let mut first: BTreeMap<&ModelOf, BTreeMap<&str, EpochMs>> = BTreeMap::new();
    for run in runs.filter(|r| !r.kind.firmware.is_empty()) {
        let seen = first.entry(&run.kind.of).or_default();
        let at = seen.entry(&run.kind.firmware).or_insert(run.tested_at_ms);
        *at = run.tested_at_ms.min(*at);
    }
    let ordered = first.into_iter().map(|(of, seen)| {
        let mut versions: Vec<(EpochMs, &str)> = seen.into_iter().map(|(v, at)| (at, v)).collect();
        versions.sort_unstable();
        (of.clone(), versions.into_iter().map(|(_, v)| v.to_owned()).collect())
    });
    Firmwares(ordered.collect())
}

impl Firmwares {
    /// A model's firmwares in the order in which they came.
    pub fn names(&self, of: &ModelOf) -> &[String] {
        self.0.get(of).map_or(&[], Vec::as_slice)
    }

    /// A run's number, from 1; 0 where its firmware isn't known.
    pub(crate) fn of(&self, run: &RunRef) -> u32 {
        let versions = self.0.get(&run.kind.of);
        let at = versions.and_then(|v| v.iter().position(|v| *v == run.kind.firmware));
        at.map_or(0, |at| at as u32 + 1)
    }
}

pub(crate) fn services_by_device(services: &[Service]) -> ServicesOf {
    let mut out = ServicesOf::new();
    for s in services {
        // A visit's hour isn't booked: noon, or when it was logged where that was earlier on the day.
        let midnight_ms = s.serviced_on.and_time(NaiveTime::MIN).and_utc().timestamp_millis();
        let logged_ms = s.logged.as_ref().map(|l| l.at_ms).filter(|at| *at >= midnight_ms);
        let at_ms = logged_ms.unwrap_or(i64::MAX).min(midnight_ms + MS_PER_DAY / 2);
        let at = at_ms as f64 / MS_PER_DAY as f64;
        out.entry(s.device_id.clone()).or_default().push((at, s.action));
    }
    out
}
