//! From runs and services to each laptop's cooling condition.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{DateTime, Datelike, NaiveTime};
use windrow_model::condition::ambient::{Room, RoomCase, RoomFacts, RoomStanding};
use windrow_model::condition::constants::Constants;
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::judge::{Condition, Weighed};
use windrow_model::condition::laptop::Laptop;
use windrow_model::condition::site::{Classes, NO_SITE, SiteAir};
use windrow_model::condition::standing::{ModelRun, ModelStanding};
use windrow_model::condition::wear::Action;
use windrow_model::estimate::network_drive::Drive;
use windrow_model::estimate::workers::Workers;

use super::MS_PER_DAY;
use super::around::{self, ServiceDay};
use crate::effects::{Effects, VisitEffect};
use crate::store::{EpochMs, MeasuredRun, Service};
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

impl ModelOf {
    /// Of a run.
    pub fn run(run: &MeasuredRun) -> Self {
        Self { provenance: run.provenance.clone(), model_key: run.model_key.clone() }
    }
}

/// All that runs taught: each model's standing and each run's evidence against it.
#[derive(Debug, Clone, Default)]
pub struct Learned {
    /// By provenance and model.
    pub models: BTreeMap<ModelOf, Arc<ModelStanding>>,
    /// By the run's row.
    pub evidence: HashMap<i64, RunEvidence>,
}

/// A laptop's condition and what it rests on.
#[derive(Debug, Clone)]
pub(super) struct Conditioned {
    pub(super) condition: Condition,
    /// What its site says of its vents' rate of wear.
    pub(super) site: Classes,
    pub(super) n_runs: usize,
}

/// All conditions of a fleet.
pub(super) struct Conditions {
    of: HashMap<(ModelOf, String), Conditioned>,
    effects: Vec<(String, VisitEffect)>,
}

impl Conditions {
    /// What each visit did, by laptop.
    pub(super) fn take_effects(&mut self) -> Effects {
        Effects::new(std::mem::take(&mut self.effects).into_iter())
    }

    /// A laptop's condition among its model.
    pub(super) fn of(&self, run: &MeasuredRun) -> Option<&Conditioned> {
        self.of.get(&(ModelOf::run(run), run.device_id.clone()))
    }
}

/// The rooms of all runs of one provenance, in their order.
pub(crate) fn rooms(runs: &[(&MeasuredRun, RoomFacts)]) -> Vec<Room> {
    let cases: Vec<RoomCase<'_>> = runs.iter().map(|(run, facts)| room_case(run, *facts)).collect();
    RoomStanding::learn(&cases).rooms(&cases)
}

/// A run ready for its model's fit.
pub(crate) fn model_run(run: &MeasuredRun, drive: Drive, room: Room, firmwares: &Firmwares) -> ModelRun {
    ModelRun {
        device: run.device_id.clone(),
        day: day(run),
        room,
        on_mains: run.on_ac,
        firmware: firmwares.of(run),
        drive,
    }
}

/// Learns everything from all runs of one provenance at once, as a test's measure of what is learned bit by bit.
#[cfg(test)]
pub(crate) fn learn(runs: &[(&MeasuredRun, Drive)], services: &ServicesOf) -> Learned {
    let with_facts: Vec<(&MeasuredRun, RoomFacts)> =
        runs.iter().map(|(run, drive)| (*run, RoomFacts::from(&drive.facts))).collect();
    let firmwares = firmwares(runs.iter().map(|(run, _)| *run));
    let mut by_model: BTreeMap<ModelOf, Vec<(i64, ModelRun)>> = BTreeMap::new();
    for ((run, drive), room) in runs.iter().zip(rooms(&with_facts)) {
        let ready = model_run(run, drive.clone(), room, &firmwares);
        by_model.entry(ModelOf::run(run)).or_default().push((run.run_id, ready));
    }
    let mut learned = Learned::default();
    for (of, runs) in by_model {
        let (ids, runs): (Vec<i64>, Vec<ModelRun>) = runs.into_iter().unzip();
        let made = ModelStanding::learn(&Constants::default(), &runs, services, &Pool);
        let (standing, evidence) = made.expect("a model has runs");
        learned.models.insert(of, Arc::new(standing));
        learned.evidence.extend(ids.into_iter().zip(evidence));
    }
    learned
}

/// Judges every laptop within its model, each at its latest run until the time asked for. Where later runs are left out,
/// the models' references are learned without them.
pub(super) fn conditions(
    runs: &[MeasuredRun],
    learned: &mut Learned,
    services: &ServicesOf,
    days: &BTreeMap<String, Vec<ServiceDay>>,
    as_of_ms: EpochMs,
) -> Conditions {
    let k = Constants::default();
    let mut laptops_of: BTreeMap<ModelOf, BTreeMap<&str, Vec<RunEvidence>>> = BTreeMap::new();
    let mut is_cut: BTreeMap<ModelOf, bool> = BTreeMap::new();
    for run in runs {
        let Some(evidence) = learned.evidence.get(&run.run_id) else { continue };
        let of = ModelOf::run(run);
        if run.tested_at_ms > as_of_ms {
            is_cut.insert(of, true);
            continue;
        }
        laptops_of.entry(of).or_default().entry(&run.device_id).or_default().push(*evidence);
    }
    let mut models = Vec::new();
    for (of, by_device) in laptops_of {
        let Some(standing) = learned.models.get_mut(&of) else { continue };
        let laptops: Vec<Laptop> =
            by_device.into_iter().map(|(device, runs)| laptop(device, runs, services)).collect();
        if is_cut.get(&of).copied().unwrap_or(false) {
            Arc::make_mut(standing).learn_reference(&k, &laptops, &Pool);
        }
        let judge = standing.judge(&k);
        let weighed = Pool.map(laptops.len(), |i| {
            let weighed = judge.weigh(&laptops[i]);
            let classes = judge.classes(&weighed);
            (weighed, classes)
        });
        models.push(OfModel { standing: Arc::clone(standing), of, laptops, weighed });
    }
    let sites = Sites::learn(&k, runs, as_of_ms, &models);
    let today = as_of_ms as f64 / MS_PER_DAY as f64;
    let mut conditions = Conditions { of: HashMap::new(), effects: Vec::new() };
    for OfModel { of, standing, laptops, weighed } in models {
        let judge = standing.judge(&k);
        let judged = Pool.map(laptops.len(), |i| {
            let (weighed, own) = &weighed[i];
            let site = sites.factors(&of, &laptops[i].device, own);
            (site, judge.at_site(&laptops[i], weighed, &site))
        });
        let serviced: Vec<(&Laptop, &Vec<ServiceDay>)> =
            laptops.iter().filter_map(|l| Some((l, days.get(&l.device)?))).collect();
        let effects =
            Pool.map(serviced.len(), |i| around::effects(&judge, serviced[i].0, serviced[i].1, today));
        for ((laptop, _), of) in serviced.iter().zip(effects) {
            conditions.effects.extend(of.into_iter().map(|e| (laptop.device.clone(), e)));
        }
        conditions.of.extend(laptops.into_iter().zip(judged).map(|(l, (site, condition))| {
            ((of.clone(), l.device), Conditioned { condition, site, n_runs: l.runs.len() })
        }));
    }
    conditions
}

/// A model with its laptops, each weighed, and what it says of its site.
struct OfModel {
    of: ModelOf,
    standing: Arc<ModelStanding>,
    laptops: Vec<Laptop>,
    weighed: Vec<(Weighed, Classes)>,
}

/// What each site does to its laptops' vents, within a provenance.
struct Sites<'a> {
    site_of: HashMap<&'a str, (EpochMs, &'a str)>,
    airs: HashMap<(String, &'a str), SiteAir>,
}

impl<'a> Sites<'a> {
    /// A laptop belongs to the site of its latest run.
    fn learn(k: &Constants, runs: &'a [MeasuredRun], as_of_ms: EpochMs, models: &[OfModel]) -> Self {
        let mut site_of: HashMap<&str, (EpochMs, &str)> = HashMap::new();
        for run in runs.iter().filter(|r| r.tested_at_ms <= as_of_ms) {
            let known = site_of.entry(&run.device_id).or_insert((run.tested_at_ms, &run.site));
            if run.tested_at_ms >= known.0 {
                *known = (run.tested_at_ms, &run.site);
            }
        }
        let mut said: HashMap<(String, &str), Vec<Classes>> = HashMap::new();
        for model in models {
            for (laptop, (_, own)) in model.laptops.iter().zip(&model.weighed) {
                let Some((_, site)) = site_of.get(laptop.device.as_str()) else { continue };
                said.entry((model.of.provenance.clone(), site)).or_default().push(*own);
            }
        }
        let airs = said.into_iter().filter(|((_, site), _)| !site.is_empty());
        Self { site_of, airs: airs.map(|(site, said)| (site, SiteAir::learn(&k.air, &said))).collect() }
    }

    fn factors(&self, of: &ModelOf, device: &str, own: &Classes) -> Classes {
        let air =
            self.site_of.get(device).and_then(|(_, site)| self.airs.get(&(of.provenance.clone(), *site)));
        air.map_or(NO_SITE, |air| air.for_one(own))
    }
}

fn laptop(device: &str, mut runs: Vec<RunEvidence>, services: &ServicesOf) -> Laptop {
    runs.sort_by(|a, b| a.day.total_cmp(&b.day));
    Laptop {
        device: device.to_owned(),
        services: services.get(device).cloned().unwrap_or_default(),
        as_of: runs.last().map_or(0.0, |r| r.day),
        runs,
    }
}

pub(crate) fn room_case(run: &MeasuredRun, facts: RoomFacts) -> RoomCase<'_> {
    let tested_at = DateTime::from_timestamp_millis(run.tested_at_ms).unwrap_or_default();
    RoomCase {
        model: &run.model_key,
        site: &run.site,
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
pub(crate) fn day(run: &MeasuredRun) -> f64 {
    run.tested_at_ms as f64 / MS_PER_DAY as f64
}

/// Each model's firmwares, numbered in the order in which they came.
#[derive(Debug, Clone, Default)]
pub struct Firmwares(BTreeMap<ModelOf, Vec<String>>);

/// Numbers the firmwares of all runs.
pub(crate) fn firmwares<'a>(runs: impl Iterator<Item = &'a MeasuredRun>) -> Firmwares {
    let mut first: BTreeMap<ModelOf, BTreeMap<&str, EpochMs>> = BTreeMap::new();
    for run in runs.filter(|r| !r.firmware.is_empty()) {
        let seen = first.entry(ModelOf::run(run)).or_default();
        let at = seen.entry(&run.firmware).or_insert(run.tested_at_ms);
        *at = run.tested_at_ms.min(*at);
    }
    let ordered = first.into_iter().map(|(of, seen)| {
        let mut versions: Vec<(EpochMs, &str)> = seen.into_iter().map(|(v, at)| (at, v)).collect();
        versions.sort_unstable();
        (of, versions.into_iter().map(|(_, v)| v.to_owned()).collect())
    });
    Firmwares(ordered.collect())
}

impl Firmwares {
    /// A model's firmwares in the order in which they came.
    pub fn names(&self, of: &ModelOf) -> &[String] {
        self.0.get(of).map_or(&[], Vec::as_slice)
    }

    /// A run's number, from 1; 0 where its firmware isn't known.
    pub(crate) fn of(&self, run: &MeasuredRun) -> u32 {
        let versions = self.0.get(&ModelOf::run(run));
        let at = versions.and_then(|v| v.iter().position(|v| *v == run.firmware));
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
