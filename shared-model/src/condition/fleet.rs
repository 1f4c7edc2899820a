//! A whole fleet at once: rooms, the joint fit of each model, and each laptop's condition.
//!
//! Pure: runs and services in, conditions out. The caller's workers share the work out.

use std::collections::BTreeMap;

use super::ambient::{RoomCase, RoomFacts, RoomStanding};
use super::constants::Constants;
use super::judge::Condition;
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
) -> (Vec<(String, ModelStanding)>, Vec<Judged>) {
    let cases: Vec<RoomCase<'_>> = runs.iter().map(room_case).collect();
    let rooms = RoomStanding::learn(&cases).rooms(&cases);
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
    let mut models = Vec::new();
    let mut judged = Vec::new();
    for (model, runs) in by_model {
        let Some((standing, evidence)) = ModelStanding::learn(k, &runs, services, workers) else { continue };
        let laptops = laptops(&runs, &evidence, services, None);
        let judge = standing.judge(k);
        let conditions = workers.map(laptops.len(), |i| judge.laptop(&laptops[i]));
        judged.extend(laptops.into_iter().zip(conditions).map(|(l, condition)| Judged {
            device: l.device,
            model: model.clone(),
            condition,
            n_runs: l.runs.len(),
        }));
        models.push((model, standing));
    }
    (models, judged)
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
