//! A whole fleet at once: rooms, the joint fit of each model, and each laptop's condition.
//!
//! Pure: runs and services in, conditions out. The caller's workers share the work out.

use std::collections::BTreeMap;

use super::ambient::{RoomCase, RoomFacts, RoomStanding};
use super::channel_sets::{Judges, Measured};
use super::constants::Constants;
use super::judge::{Condition, Weighed};
use super::laptop::Laptop;
use super::site::{Classes, NO_SITE, SiteAir};
use super::standing::{ModelRun, ModelStanding, laptops};
use super::wear::Action;
use crate::estimate::network_drive::Drive;
use crate::estimate::workers::Workers;

/// A run of the fleet.
#[derive(Debug, Clone)]
pub struct FleetRun {
    /// Laptop.
    pub device: String,
    /// Model: what it is compared with.
    pub model: String,
    /// Site.
    pub site: String,
    /// Day of the run, days since a fixed zero.
    pub day: f64,
    /// Day of the year, 1–366.
    pub day_of_year: f64,
    /// Reported room temperature, °C.
    pub ambient_c: Option<f64>,
    /// On mains power, where known.
    pub on_mains: Option<bool>,
    /// Which of the model's firmwares ran, in the order in which they came, from 1; 0 where unknown.
    pub firmware: u32,
    /// The run made ready.
    pub drive: Drive,
}

/// What a model's runs taught, and its laptops as they are judged by it.
#[derive(Debug, Clone)]
pub struct JudgedModel {
    /// Its name.
    pub name: String,
    /// What its runs taught.
    pub standing: ModelStanding,
    /// Its laptops, each with its runs' evidence.
    pub laptops: Vec<Laptop>,
}

/// A laptop's result.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Laptop.
    pub device: String,
    /// Model.
    pub model: String,
    /// Its cooling condition at its latest run.
    pub condition: Condition,
    /// Runs that it rests on.
    pub n_runs: usize,
}

/// Judges a fleet. Models come out in the order of their names; so do laptops, model by model, each model's in the
/// order of their ids.
pub fn judge_fleet(
    k: &Constants,
    runs: Vec<FleetRun>,
    services: &BTreeMap<String, Vec<(f64, Action)>>,
    workers: &impl Workers,
) -> (Vec<JudgedModel>, Vec<Judged>) {
    let cases: Vec<RoomCase<'_>> = runs.iter().map(room_case).collect();
    let rooms = RoomStanding::learn(&cases).rooms(&cases);
    let sites: BTreeMap<String, String> = runs.iter().map(|r| (r.device.clone(), r.site.clone())).collect();
    let mut by_model: BTreeMap<String, Vec<ModelRun>> = BTreeMap::new();
    for (run, room) in runs.into_iter().zip(rooms) {
        by_model.entry(run.model).or_default().push(ModelRun {
            device: run.device,
            day: run.day,
            room,
            on_mains: run.on_mains,
            firmware: run.firmware,
            drive: run.drive,
        });
    }
    let learned: Vec<JudgedModel> = by_model
        .into_iter()
        .filter_map(|(name, runs)| {
            let (standing, evidence) = ModelStanding::learn(k, &runs, services, workers)?;
            let laptops = laptops(&runs, &evidence, services, None);
            Some(JudgedModel { name, standing, laptops })
        })
        .collect();
    let judges: Vec<Judges<'_>> = learned.iter().map(|model| model.standing.judges(k)).collect();
    let measured: Vec<Vec<Measured<'_, '_>>> = learned
        .iter()
        .zip(&judges)
        .map(|(model, judges)| model.laptops.iter().map(|l| judges.measured(l.clone())).collect())
        .collect();
    let mut said: BTreeMap<&str, Vec<Classes>> = BTreeMap::new();
    let mut weighed: Vec<Vec<(Weighed, Classes)>> = Vec::new();
    for of_model in &measured {
        weighed.push(workers.map(of_model.len(), |i| {
            let Measured { judge, laptop, .. } = &of_model[i];
            let weighed = judge.weigh(laptop);
            let classes = judge.classes(&weighed);
            (weighed, classes)
        }));
    }
    let site_of = |device: &str| sites.get(device).map_or("", String::as_str);
    for (of_model, weighed) in measured.iter().zip(&weighed) {
        for (one, (_, own)) in of_model.iter().zip(weighed) {
            said.entry(site_of(&one.laptop.device)).or_default().push(*own);
        }
    }
    let airs: BTreeMap<&str, SiteAir> =
        said.into_iter().map(|(site, said)| (site, SiteAir::learn(&k.air, &said))).collect();
    let mut judged = Vec::new();
    for ((model, of_model), weighed) in learned.iter().zip(&measured).zip(&weighed) {
        let conditions = workers.map(of_model.len(), |i| {
            let Measured { judge, laptop, .. } = &of_model[i];
            let (weighed, own) = &weighed[i];
            let factors = airs.get(site_of(&laptop.device)).map_or(NO_SITE, |air| air.for_one(own));
            judge.at_site(laptop, weighed, &factors)
        });
        judged.extend(of_model.iter().zip(conditions).map(|(one, condition)| Judged {
            device: one.laptop.device.clone(),
            model: model.name.clone(),
            condition,
            n_runs: one.laptop.runs.len(),
        }));
    }
    (learned, judged)
}

fn room_case(r: &FleetRun) -> RoomCase<'_> {
    RoomCase {
        model: &r.model,
        site: &r.site,
        day: r.day,
        day_of_year: r.day_of_year,
        facts: RoomFacts::from(&r.drive.facts),
        reported_c: r.ambient_c,
    }
}
