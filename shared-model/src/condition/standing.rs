//! A model's standing fit and reference: what the hub keeps, judges new runs by, and learns anew now and then.
//!
//! `learn` fits the network to a model's runs, makes each run's evidence against that fit, and learns the reference
//! from the laptops. Later runs are judged at once by `evidence_of`, which takes the same steps for the same run: a
//! run's evidence is the same number whether it came with the others or after them. So a fleet that grew run by run
//! against a standing fit is judged exactly as one that is judged anew against it.
//!
//! Runs that tell other channels share neither fit nor reference. So there is a part for each set of channels that
//! laptops are measured with ([`super::channel_sets`]), learned by the same steps. A run's evidence is made against the
//! part with its own channels, whichever laptop it is of; the laptop is judged by the part that it is measured as.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::ambient::Room;
use super::channel_sets::{Judges, sets_of};
use super::constants::{CONSTANTS_VERSION, Constants};
use super::doubt::Part;
use super::events::ModelEvent;
use super::evidence::{RunContext, RunEvidence};
use super::fan_map::{FanMap, FanReading};
use super::judge::{Condition, Judge};
use super::laptop::Laptop;
use super::reference::{ModelReference, Share};
use super::wear::Action;
use crate::estimate::joint::RunFit;
use crate::estimate::joint_model::{Channels, StandingFit, fit_model};
use crate::estimate::network::TA;
use crate::estimate::network_drive::{Drive, FanPoint, median};
use crate::estimate::workers::Workers;

/// Version of the network, the evidence and what is stored of them. Evidence and standing of different versions don't
/// go together.
pub const STANDING_VERSION: &str = "9";

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

/// All that is kept of a model; and each of its [`ModelStanding::others`], all that is kept of the laptops that are measured
/// with other channels than most.
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
    /// The parts for laptops that are measured with other channels, the one with most runs first; these have none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub others: Vec<ModelStanding>,
}

impl ModelStanding {
    /// Fits a model's networks, makes each run's evidence in the order given, and learns the references.
    ///
    /// `None` without runs.
    pub fn learn(
        k: &Constants,
        runs: &[ModelRun],
        services: &BTreeMap<String, Vec<(f64, Action)>>,
        workers: &impl Workers,
    ) -> Option<(Self, Vec<RunEvidence>)> {
        let sets = sets_of(of_laptops(runs).values().map(Vec::as_slice));
        let mut parts = sets.iter().map(|channels| Self::fitted(k, &alike(runs, *channels), workers));
        let mut out = parts.next()?;
        out.others = parts.collect();
        out.agree_on_fan();
        let mut evidence = workers.map(runs.len(), |i| out.evidence_of(k, &runs[i]));
        out.learn_reference(k, laptops(runs, &evidence, services, None), workers);
        if out.bring_fans_back(k, runs, &mut evidence) {
            out.learn_reference(k, laptops(runs, &evidence, services, None), workers);
        }
        Some((out, evidence))
    }

    /// One part from runs that tell the same channels, its reference not yet learned.
    fn fitted(k: &Constants, alike: &[&ModelRun], workers: &impl Workers) -> Self {
        let stride = alike.len().div_ceil(FIT_RUNS_MAX).max(1);
        let (mut drives, rooms): (Vec<Drive>, Vec<Room>) =
            alike.iter().step_by(stride).map(|r| (r.drive.clone(), r.room)).unzip();
        let fit = fit_model(&mut drives, &rooms, workers);
        let rms_k = fit.runs.iter().map(|r| r.rms_k).sum::<f64>() / fit.runs.len() as f64;
        let ssd_over_room_k = ssd_over_room_k(&fit.runs, &drives);
        Self {
            version: STANDING_VERSION.to_owned(),
            constants_version: CONSTANTS_VERSION.to_owned(),
            fit: fit.standing,
            fan_maps: fan_maps(alike.iter().map(|r| (*r, 0.0))),
            ssd_over_room_k,
            reference: ModelReference::learn(k, &[], workers),
            fitted_runs: drives.len(),
            rms_k,
            others: Vec::new(),
        }
    }

    /// A model of which some laptops tell their fan's speed has a fan, whatever the runs of the others seem to say.
    fn agree_on_fan(&mut self) {
        if self.parts().any(|part| part.fit.channels.has_rpm) {
            (0..=self.others.len()).for_each(|at| self.part_mut(at).fit.has_fan = true);
        }
    }

    /// Where a part's fans had an event, its maps become those of the fans before, and what came after is read against
    /// these. Whether there was any.
    fn bring_fans_back(&mut self, k: &Constants, runs: &[ModelRun], evidence: &mut [RunEvidence]) -> bool {
        let mut had_any = false;
        for at in 0..=self.others.len() {
            let part = self.part_mut(at);
            let is_fans = |e: &&ModelEvent| e.part == Part::Fan;
            let events: Vec<ModelEvent> = part.reference.events.iter().filter(is_fans).copied().collect();
            if events.is_empty() {
                continue;
            }
            had_any = true;
            let of_part = || (0..runs.len()).filter(|i| Channels::of(&runs[*i].drive) == part.fit.channels);
            let step =
                |i: usize| events.iter().filter(|e| e.holds_for(&evidence[i])).map(|e| e.log_step).sum();
            let maps = fan_maps(of_part().map(|i| (&runs[i], step(i))));
            let places: Vec<usize> = of_part().collect();
            part.fan_maps = maps;
            for i in places {
                evidence[i] = evidence[i].with_fans(k, part.read_fans(&runs[i].drive));
            }
        }
        had_any
    }

    /// Learns levels, scatter, bands and events anew from stored evidence, of each part from the laptops that are measured
    /// as it is; the networks stay.
    pub fn learn_reference(&mut self, k: &Constants, laptops: Vec<Laptop>, workers: &impl Workers) {
        let mut of_part: Vec<Vec<Laptop>> = vec![Vec::new(); 1 + self.others.len()];
        for laptop in laptops {
            let own = laptop.measured_as();
            let at = self.parts().position(|part| Some(part.fit.channels) == own).unwrap_or(0);
            of_part[at].push(laptop.beside(self.part_mut(at).fit.channels));
        }
        for (at, laptops) in of_part.into_iter().enumerate() {
            let part = self.part_mut(at);
            part.reference = ModelReference::learn(k, &laptops, workers);
            part.reference.paste_share = k.paste_share.of(part.fit.r_k_per_w());
        }
    }

    /// Its parts: the one with most runs, which also judges laptops whose channels no other has, then the others.
    pub fn parts(&self) -> impl Iterator<Item = &Self> {
        std::iter::once(self).chain(&self.others)
    }

    /// The part for laptops that are measured with these channels.
    pub fn part(&self, channels: Channels) -> Option<&Self> {
        self.parts().find(|part| part.fit.channels == channels)
    }

    fn part_mut(&mut self, at: usize) -> &mut Self {
        match at.checked_sub(1) {
            None => self,
            Some(at) => &mut self.others[at],
        }
    }

    /// Whether the fits of all parts came to their optimum.
    pub fn have_all_converged(&self) -> bool {
        self.parts().all(|part| part.fit.has_converged)
    }

    /// What a laptop said when the references were learned, and of which part's.
    pub fn share_of(&self, device: &str) -> Option<(Channels, &Share)> {
        self.parts().find_map(|part| Some((part.fit.channels, part.reference.shares.get(device)?)))
    }

    /// Leaves out what single laptops said.
    pub(crate) fn clear_shares(&mut self) {
        (0..=self.others.len()).for_each(|at| self.part_mut(at).reference.shares.clear());
    }

    /// Takes in again what a laptop said of the part for these channels.
    pub(crate) fn put_share(&mut self, channels: Channels, device: String, share: Share) {
        let at = self.parts().position(|part| part.fit.channels == channels);
        if let Some(at) = at {
            self.part_mut(at).reference.shares.insert(device, share);
        }
    }

    /// Judges one run against the standing fit for its channels. One with channels for which there is none says nothing of
    /// air and contact.
    pub fn evidence_of(&self, k: &Constants, run: &ModelRun) -> RunEvidence {
        let own = self.part(Channels::of(&run.drive));
        let part = own.unwrap_or(self);
        let mut drive = run.drive.clone();
        let fit = part.fit.fit_run(&mut drive, run.room);
        let context = RunContext {
            day: run.day,
            room_sd_k: run.room.sd_k,
            on_mains: run.on_mains,
            firmware: run.firmware,
            usual_ssd_over_room_k: part.ssd_over_room_k,
        };
        let evidence = RunEvidence::new(k, context, &fit, &drive, part.read_fans(&drive));
        if own.is_some() { evidence } else { evidence.without_fit() }
    }

    fn read_fans(&self, drive: &Drive) -> [Option<FanReading>; 2] {
        [0, 1].map(|f| self.fan_maps[f].as_ref().and_then(|m| m.read(&drive.fan, f)))
    }

    /// Whether its tables have the lengths that judging counts on; for one that came from outside.
    pub fn is_sound(&self, k: &Constants) -> bool {
        let is_sound = |part: &Self| {
            part.fan_maps.iter().flatten().all(FanMap::is_sound)
                && part.reference.air.is_sound()
                && part.reference.contact.is_sound()
                && part.reference.is_sound(k)
        };
        self.parts().all(is_sound)
            && self.others.iter().all(|part| part.others.is_empty())
            && self.parts().map(|part| part.fit.channels).collect::<BTreeSet<_>>().len()
                == 1 + self.others.len()
    }

    /// The judges for this model's laptops; make them once and judge many.
    pub fn judges<'a>(&'a self, k: &'a Constants) -> Judges<'a> {
        let of = |part: &'a Self| (part.fit.channels, Judge::new(k, part.fit.has_fan, &part.reference));
        Judges::new(of(self), self.others.iter().map(of))
    }

    /// One laptop's cooling condition.
    pub fn judge_laptop(&self, k: &Constants, laptop: Laptop) -> Condition {
        self.judges(k).measured(laptop).condition()
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

/// Runs that tell these channels.
fn alike(runs: &[ModelRun], channels: Channels) -> Vec<&ModelRun> {
    runs.iter().filter(|r| Channels::of(&r.drive) == channels).collect()
}

/// The channels of each laptop's runs in time order.
fn of_laptops(runs: &[ModelRun]) -> BTreeMap<&str, Vec<Channels>> {
    let mut by_day: Vec<&ModelRun> = runs.iter().collect();
    by_day.sort_by(|a, b| a.day.total_cmp(&b.day));
    let mut of_device: BTreeMap<&str, Vec<Channels>> = BTreeMap::new();
    for run in by_day {
        of_device.entry(&run.device).or_default().push(Channels::of(&run.drive));
    }
    of_device
}

/// The fans' maps from each laptop's runs, each run's speeds as they would be without the step of their logarithm that
/// comes with it.
fn fan_maps<'a>(runs: impl Iterator<Item = (&'a ModelRun, f64)>) -> [Option<FanMap>; 2] {
    let mut of_device: BTreeMap<&str, Vec<Vec<FanPoint>>> = BTreeMap::new();
    for (run, log_step) in runs {
        let back = (-log_step).exp() as f32;
        let points = run.drive.fan.iter().map(|p| FanPoint { rpm: p.rpm.map(|n| n * back), ..*p }).collect();
        of_device.entry(&run.device).or_default().push(points);
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

#[cfg(test)]
mod tests;
