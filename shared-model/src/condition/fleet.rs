//! A whole fleet at once: rooms, the joint fit of each model, fan maps, and each laptop's condition.
//!
//! Pure: runs and services in, conditions out. The caller spreads the work over threads by the mapper it hands in.

use std::collections::BTreeMap;

use super::ambient::{AmbientCase, rooms};
use super::constants::Constants;
use super::fan_map::FanMap;
use super::judge::{Condition, Laptop, ModelReference, RunEvidence, judge_model};
use super::wear::Action;
use crate::estimate::joint::{Evaluated, Mapper};
use crate::estimate::joint_model::{ModelFit, fit_model};
use crate::estimate::network_drive::{Drive, FanPoint};

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

/// A model's standing fit and reference.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelJudged {
    /// Model.
    pub model: String,
    /// Its joint fit.
    pub fit: ModelFit,
    /// What its laptops taught.
    pub reference: ModelReference,
}

/// Judges a fleet. Laptops come out model by model, each model's in the order of their ids.
pub fn judge_fleet(
    k: &Constants,
    runs: Vec<FleetRun>,
    services: &BTreeMap<String, Vec<(f64, Action)>>,
    map: Mapper<'_, Evaluated>,
) -> (Vec<ModelJudged>, Vec<Judged>) {
    let models = numbered(runs.iter().map(|r| r.model.as_str()));
    let sites = numbered(runs.iter().map(|r| r.site.as_str()));
    let cases: Vec<AmbientCase<'_>> = runs
        .iter()
        .map(|r| AmbientCase {
            model: models[&r.model],
            site: sites[&r.site],
            day_of_year: r.day_of_year,
            facts: &r.drive.facts,
            reported_c: r.ambient_c,
        })
        .collect();
    let room = rooms(&cases);
    let mut by_model: BTreeMap<String, Vec<(FleetRun, super::ambient::Room)>> = BTreeMap::new();
    for (run, room) in runs.into_iter().zip(room) {
        by_model.entry(run.model.clone()).or_default().push((run, room));
    }
    let mut fitted = Vec::new();
    let mut judged = Vec::new();
    for (model, runs) in by_model {
        let (m, laptops) = judge_one_model(k, model, &runs, services, map);
        fitted.push(m);
        judged.extend(laptops);
    }
    (fitted, judged)
}

fn numbered<'a>(names: impl Iterator<Item = &'a str>) -> BTreeMap<String, usize> {
    let mut out: BTreeMap<String, usize> = names.map(|n| (n.to_owned(), 0)).collect();
    for (i, v) in out.values_mut().enumerate() {
        *v = i;
    }
    out
}

fn judge_one_model(
    k: &Constants,
    model: String,
    runs: &[(FleetRun, super::ambient::Room)],
    services: &BTreeMap<String, Vec<(f64, Action)>>,
    map: Mapper<'_, Evaluated>,
) -> (ModelJudged, Vec<Judged>) {
    let (rooms, mut drives): (Vec<_>, Vec<_>) = runs.iter().map(|(r, room)| (*room, r.drive.clone())).unzip();
    let fit = fit_model(&mut drives, &rooms, map);
    let mut of_device: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, (r, _)) in runs.iter().enumerate() {
        of_device.entry(&r.device).or_default().push(i);
    }
    for at in of_device.values_mut() {
        at.sort_by(|&a, &b| runs[a].0.day.total_cmp(&runs[b].0.day));
    }
    let fans: Vec<Vec<&[FanPoint]>> =
        of_device.values().map(|at| at.iter().map(|&i| drives[i].fan.as_slice()).collect()).collect();
    let maps = [FanMap::learn(&fans, 0), FanMap::learn(&fans, 1)];
    let evidence = |i: usize| {
        let drive = &drives[i];
        let read = (0..2).filter_map(|f| maps[f].as_ref().and_then(|m| m.read(&drive.fan, f))).collect();
        RunEvidence::new(k, runs[i].0.day, &fit.runs[i], &drive.facts, read, drive.has_rpm)
    };
    let laptops: Vec<Laptop> = of_device
        .iter()
        .map(|(device, at)| Laptop {
            runs: at.iter().map(|&i| evidence(i)).collect(),
            services: services.get(*device).cloned().unwrap_or_default(),
            as_of: at.iter().map(|&i| runs[i].0.day).fold(f64::MIN, f64::max),
        })
        .collect();
    let (reference, conditions) = judge_model(k, fit.standing.has_fan, &laptops);
    let judged = of_device
        .iter()
        .zip(conditions)
        .map(|((device, at), condition)| Judged {
            device: (*device).to_owned(),
            model: model.clone(),
            condition,
            n_runs: at.len(),
        })
        .collect();
    (ModelJudged { model, fit, reference }, judged)
}
