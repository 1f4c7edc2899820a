//! A model's standing fit and reference: what the hub keeps, judges new runs by, and learns anew now and then.
//!
//! `learn` fits the network to a model's runs, makes each run's evidence against that fit, and learns the reference
//! from the laptops. Later runs are judged at once by `evidence_of`, which takes the same steps for the same run: a
//! run's evidence is the same number whether it came with the others or after them. So a fleet that grew run by run
//! against a standing fit is judged exactly as one that is judged anew against it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::ambient::Room;
use super::constants::{CONSTANTS_VERSION, Constants};
use super::doubt::Part;
use super::events::ModelEvent;
use super::evidence::{RunContext, RunEvidence};
use super::fan_map::{FanMap, FanReading};
use super::judge::{Condition, Judge};
use super::laptop::Laptop;
use super::reference::ModelReference;
use super::wear::Action;
use crate::estimate::joint::RunFit;
use crate::estimate::joint_model::{Channels, StandingFit, fit_model};
use crate::estimate::network::TA;
use crate::estimate::network_drive::{Drive, FanPoint, median};
use crate::estimate::workers::Workers;

/// Version of the network, the evidence and what is stored of them. Evidence and standing of different versions don't
/// go together.
pub const STANDING_VERSION: &str = "5";

/// Most runs that the network is fitted to; further ones are judged against the fit.
pub const FIT_RUNS_MAX: usize = 1800;

/// A run of a model, made ready.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelRun {
    /// Laptop.
    pub device: String,
    /// Day of the run, days since any fixed zero.
    pub day: f64,
    /// Its room.
    pub room: Room,
    /// On mains power, where known.
    pub on_mains: Option<bool>,
    /// Which of the model's firmwares ran, numbered by the caller in the order in which they came, from 1; 0 where
    /// unknown. A caller whose numbers come to mean others learns the standing anew.
    pub firmware: u32,
    /// The run, unscaled, as [`Drive::from_trace`] gives it.
    pub drive: Drive,
}

/// All that is kept of a model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModelStanding {
    /// Version of what is stored here.
    pub version: String,
    /// Version of the constants that it was learned with.
    pub constants_version: String,
    /// The thermal network and its scales.
    pub fit: StandingFit,
    /// Due speeds of the two fans.
    pub fan_maps: [Option<FanMap>; 2],
    /// By how much its SSDs lie over the room when a run begins, median, K; NaN where none is read.
    #[serde(with = "super::nan")]
    pub ssd_over_room_k: f64,
    /// Levels, scatter, peers' bands, events.
    pub reference: ModelReference,
    /// Runs that the network was fitted to.
    pub fitted_runs: usize,
    /// Mean residual of them, K.
    pub rms_k: f64,
}

impl ModelStanding {
    /// Fits a model's network, makes each run's evidence in the order given, and learns the reference.
    ///
    /// `None` without runs.
    pub fn learn(
        k: &Constants,
        runs: &[ModelRun],
        services: &BTreeMap<String, Vec<(f64, Action)>>,
        workers: &impl Workers,
    ) -> Option<(Self, Vec<RunEvidence>)> {
        let channels = Channels::usual(runs.iter().map(|r| &r.drive))?;
        let alike: Vec<&ModelRun> = runs.iter().filter(|r| Channels::of(&r.drive) == channels).collect();
        let stride = alike.len().div_ceil(FIT_RUNS_MAX).max(1);
        let (mut drives, rooms): (Vec<Drive>, Vec<Room>) =
            alike.iter().step_by(stride).map(|r| (r.drive.clone(), r.room)).unzip();
        let fit = fit_model(&mut drives, &rooms, workers);
        let rms_k = fit.runs.iter().map(|r| r.rms_k).sum::<f64>() / fit.runs.len() as f64;
        let ssd_over_room_k = ssd_over_room_k(&fit.runs, &drives);
        let mut out = Self {
            version: STANDING_VERSION.to_owned(),
            constants_version: CONSTANTS_VERSION.to_owned(),
            fit: fit.standing,
            fan_maps: fan_maps(runs, &[]),
            ssd_over_room_k,
            reference: ModelReference::learn(k, &[], workers),
            fitted_runs: drives.len(),
            rms_k,
        };
        let mut evidence = workers.map(runs.len(), |i| out.evidence_of(k, &runs[i]));
        out.learn_reference(k, &laptops(runs, &evidence, services, None), workers);
        let fan_events: Vec<ModelEvent> =
            out.reference.events.iter().copied().filter(|e| e.part == Part::Fan).collect();
        if !fan_events.is_empty() {
            // The map is that of the fans before; what came after is brought back to it.
            out.fan_maps =
                fan_maps(runs, &fan_events.iter().map(|e| (*e, &evidence[..])).collect::<Vec<_>>());
            evidence.iter_mut().zip(runs).for_each(|(e, r)| *e = e.with_fans(k, out.read_fans(&r.drive)));
            out.learn_reference(k, &laptops(runs, &evidence, services, None), workers);
        }
        Some((out, evidence))
    }

    /// Learns levels, scatter, bands and events anew from stored evidence; the network stays.
    pub fn learn_reference(&mut self, k: &Constants, laptops: &[Laptop], workers: &impl Workers) {
        self.reference = ModelReference::learn(k, laptops, workers);
    }

    /// Judges one run against the standing fit. One with other channels than the fit rests on says nothing of air and
    /// contact.
    pub fn evidence_of(&self, k: &Constants, run: &ModelRun) -> RunEvidence {
        let mut drive = run.drive.clone();
        let fit = self.fit.fit_run(&mut drive, run.room);
        let context = RunContext {
            day: run.day,
            room_sd_k: run.room.sd_k,
            on_mains: run.on_mains,
            firmware: run.firmware,
            usual_ssd_over_room_k: self.ssd_over_room_k,
        };
        let evidence = RunEvidence::new(k, context, &fit, &drive, self.read_fans(&drive));
        if Channels::of(&drive) == self.fit.channels { evidence } else { evidence.without_fit() }
    }

    fn read_fans(&self, drive: &Drive) -> [Option<FanReading>; 2] {
        [0, 1].map(|f| self.fan_maps[f].as_ref().and_then(|m| m.read(&drive.fan, f)))
    }

    /// Whether its tables have the lengths that judging counts on; for one that came from outside.
    pub fn is_sound(&self, k: &Constants) -> bool {
        self.fan_maps.iter().flatten().all(FanMap::is_sound)
            && self.reference.air.is_sound()
            && self.reference.contact.is_sound()
            && self.reference.is_sound(k)
    }

    /// A judge for this model's laptops; make one and judge many.
    pub fn judge<'a>(&'a self, k: &'a Constants) -> Judge<'a> {
        Judge::new(k, self.fit.has_fan, &self.reference)
    }

    /// One laptop's cooling condition.
    pub fn judge_laptop(&self, k: &Constants, laptop: &Laptop) -> Condition {
        self.judge(k).laptop(laptop)
    }
}

/// Fewest runs from which what is usual of the SSD is told.
const SSD_RUNS_MIN: usize = 5;

/// Median of the SSD's temperature at the start over the room as fitted, K; NaN where too few runs tell.
fn ssd_over_room_k(fits: &[RunFit], drives: &[Drive]) -> f64 {
    let over = fits.iter().zip(drives).map(|(fit, drive)| drive.facts.ssd_start_c - fit.pars[TA]);
    let over: Vec<f64> = over.filter(|k| k.is_finite()).collect();
    if over.len() < SSD_RUNS_MIN { f64::NAN } else { median(&over) }
}

/// The fans' maps from each laptop's runs, each run's speeds as they would be without the events that hold for it.
fn fan_maps(runs: &[ModelRun], events: &[(ModelEvent, &[RunEvidence])]) -> [Option<FanMap>; 2] {
    let mut of_device: BTreeMap<&str, Vec<Vec<FanPoint>>> = BTreeMap::new();
    for (i, r) in runs.iter().enumerate() {
        let log_step: f64 =
            events.iter().filter(|(e, evidence)| e.holds_for(&evidence[i])).map(|(e, _)| e.log_step).sum();
        let back = (-log_step).exp() as f32;
        let points = r.drive.fan.iter().map(|p| FanPoint { rpm: p.rpm.map(|n| n * back), ..*p }).collect();
        of_device.entry(&r.device).or_default().push(points);
    }
    let fans: Vec<Vec<&[FanPoint]>> =
        of_device.values().map(|runs| runs.iter().map(Vec::as_slice).collect()).collect();
    [FanMap::learn(&fans, 0), FanMap::learn(&fans, 1)]
}

/// A model's laptops in the order of their names, each with its runs in time order, judged for the day of its latest
/// run or for `as_of`.
pub fn laptops(
    runs: &[ModelRun],
    evidence: &[RunEvidence],
    services: &BTreeMap<String, Vec<(f64, Action)>>,
    as_of: Option<f64>,
) -> Vec<Laptop> {
    let mut of_device: BTreeMap<&str, Vec<RunEvidence>> = BTreeMap::new();
    for (r, e) in runs.iter().zip(evidence) {
        of_device.entry(&r.device).or_default().push(*e);
    }
    of_device
        .into_iter()
        .map(|(device, mut runs)| {
            runs.sort_by(|a, b| a.day.total_cmp(&b.day));
            let last = runs.last().map_or(0.0, |r| r.day);
            Laptop {
                device: device.to_owned(),
                services: services.get(device).cloned().unwrap_or_default(),
                as_of: as_of.unwrap_or(last),
                runs,
            }
        })
        .collect()
}
