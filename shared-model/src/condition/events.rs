//! What moves all laptops of a model together: a firmware that drives the fan by another table, a driver that reads
//! another sensor. Such a step is one event of the model, not many sick laptops; it is found, told, and taken out of
//! every run after it.
//!
//! Each laptop's step at a date, or at the change to a firmware, is the median of its readings after less that before,
//! within some months and with no service between. Dust and paste move laptops one by one and slowly, a room one site;
//! an event shows as steps of one sign and size in nearly all laptops.

use serde::{Deserialize, Serialize};

use super::doubt::Part;
use super::evidence::RunEvidence;
use super::laptop::Laptop;
use super::wear::Action;
use crate::estimate::network_drive::median;

/// From which run on an event holds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EventStart {
    /// Every run from this day on.
    Day(f64),
    /// Every run under this firmware or a later one.
    Firmware(u32),
}

/// Something that moved all laptops of a model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ModelEvent {
    /// What it moved.
    pub part: Part,
    /// From which run on.
    pub start: EventStart,
    /// Median day of the laptops' first run after it.
    pub day: f64,
    /// By how much: the step of log airflow, of log contact, or of the logarithm of the fan's speed over the due one.
    pub log_step: f64,
    /// Standard error of it.
    pub log_step_se: f64,
    /// Laptops that show it.
    pub laptops: usize,
}

/// Fewest laptops that show a step before it counts as the model's.
const LAPTOPS_MIN: usize = 5;
/// Share of a model's laptops with runs on both sides that must show it.
const AGREEING_SHARE: f64 = 0.8;
/// Smallest step: log airflow, log fan speed, log contact. Below, dust's and season's own drift would do.
const STEP_MIN: [f64; 3] = [0.12, 0.06, 0.06];
/// Smallest step over its standard error.
const Z_MIN: f64 = 6.0;
/// Readings this long before and after are compared, days.
const WINDOW_DAYS: f64 = 150.0;
/// Most readings on each side.
const READINGS_MAX: usize = 3;
/// Dates that are tried.
const DATES_MAX: usize = 60;
/// Most events of each part.
const EVENTS_MAX: usize = 2;
/// A firmware's change explains better than a date that does as well.
const FIRMWARE_BONUS: f64 = 1.5;

impl ModelEvent {
    /// Whether it holds for a run.
    pub fn holds_for(&self, run: &RunEvidence) -> bool {
        self.start.is_past(run)
    }

    /// The run as it would have been without the event.
    pub(super) fn taken_out_of(&self, run: &RunEvidence) -> RunEvidence {
        let mut r = *run;
        if !self.holds_for(run) {
            return r;
        }
        match self.part {
            Part::Airflow => {
                r.raw_air -= self.log_step;
                r.air = r.air.map(|(v, sd)| (v - self.log_step, sd));
            }
            Part::Contact => r.contact = r.contact.map(|(v, sd)| (v - self.log_step, sd)),
            Part::Fan => {
                for f in r.fans.iter_mut().flatten() {
                    f.ratio *= (-self.log_step).exp();
                }
            }
        }
        r
    }
}

impl EventStart {
    fn is_past(self, run: &RunEvidence) -> bool {
        match self {
            Self::Day(day) => run.day >= day,
            Self::Firmware(firmware) => run.firmware >= firmware,
        }
    }
}

/// Finds a model's events.
pub(super) fn detect(laptops: &[&Laptop]) -> Vec<ModelEvent> {
    let starts = starts(laptops);
    let mut found = Vec::new();
    for part in [Part::Airflow, Part::Fan, Part::Contact] {
        let mut of_part: Vec<ModelEvent> = Vec::new();
        while of_part.len() < EVENTS_MAX {
            let seen: Vec<Readings<'_>> = laptops.iter().map(|l| Readings::new(l, part, &of_part)).collect();
            let tried = starts.iter().filter_map(|&s| step_at(&seen, part, s));
            let Some((_, event)) = tried.max_by(|a, b| a.0.total_cmp(&b.0)) else { break };
            of_part.push(event);
        }
        found.extend(of_part);
    }
    found.sort_by(|a, b| a.day.total_cmp(&b.day));
    found
}

fn starts(laptops: &[&Laptop]) -> Vec<EventStart> {
    let runs = || laptops.iter().flat_map(|l| &l.runs);
    let mut firmwares: Vec<u32> = runs().map(|r| r.firmware).filter(|&f| f > 0).collect();
    firmwares.sort_unstable();
    firmwares.dedup();
    let mut days: Vec<f64> = runs().map(|r| r.day).collect();
    days.sort_by(f64::total_cmp);
    let stride = days.len().div_ceil(DATES_MAX).max(1);
    let dates = days.iter().step_by(stride).map(|&d| EventStart::Day(d));
    // The first firmware has nothing before it.
    firmwares.into_iter().skip(1).map(EventStart::Firmware).chain(dates).collect()
}

/// The step of all laptops at a start, with its rank among candidates; `None` where there is none to speak of.
fn step_at(laptops: &[Readings<'_>], part: Part, start: EventStart) -> Option<(f64, ModelEvent)> {
    let each: Vec<(f64, f64)> = laptops.iter().filter_map(|l| l.step(start)).collect();
    if each.len() < LAPTOPS_MIN {
        return None;
    }
    let steps: Vec<f64> = each.iter().map(|s| s.0).collect();
    let step = median(&steps);
    let off: Vec<f64> = steps.iter().map(|s| (s - step).abs()).collect();
    let se = 1.4826 * median(&off) / (steps.len() as f64).sqrt();
    let agreeing = steps.iter().filter(|s| *s * step.signum() > 0.5 * step.abs()).count();
    let z = step.abs() / (se + 0.01);
    let is_event = step.abs() >= STEP_MIN[part as usize]
        && z >= Z_MIN
        && agreeing as f64 >= AGREEING_SHARE * steps.len() as f64;
    let bonus = if matches!(start, EventStart::Firmware(_)) { FIRMWARE_BONUS } else { 1.0 };
    is_event.then(|| {
        let day = median(&each.iter().map(|s| s.1).collect::<Vec<_>>());
        let event = ModelEvent { part, start, day, log_step: step, log_step_se: se, laptops: agreeing };
        // Between dates that do as well the one with more laptops on both sides lies nearer.
        (bonus * z * (agreeing as f64).sqrt(), event)
    })
}

/// A laptop's readings of one part in time order, the known events taken out.
struct Readings<'a> {
    laptop: &'a Laptop,
    each: Vec<(&'a RunEvidence, f64)>,
}

impl<'a> Readings<'a> {
    fn new(laptop: &'a Laptop, part: Part, known: &[ModelEvent]) -> Self {
        let upto = laptop.runs.iter().filter(|r| r.day <= laptop.as_of);
        let without = |r: &RunEvidence| known.iter().fold(*r, |r, e| e.taken_out_of(&r));
        let each = upto.filter_map(|r| Some((r, reading(&without(r), part)?))).collect();
        Self { laptop, each }
    }

    /// The laptop's step at a start, and the day of its first run after it.
    fn step(&self, start: EventStart) -> Option<(f64, f64)> {
        let first = self.each.iter().position(|(r, _)| start.is_past(r))?;
        let (before, after) = self.each.split_at(first);
        let at = after[0].0.day;
        let after = after.iter().take_while(|(r, _)| start.is_past(r) && r.day <= at + WINDOW_DAYS);
        let before = before.iter().rev().take_while(|(r, _)| r.day >= at - WINDOW_DAYS);
        let (before, after) = (before.take(READINGS_MAX), after.take(READINGS_MAX));
        let (from, to) = (before.clone().last()?.0.day, after.clone().last()?.0.day);
        let services = &self.laptop.services;
        let is_serviced =
            services.iter().any(|&(day, action)| action != Action::None && from <= day && day <= to);
        if is_serviced {
            return None;
        }
        let mid = |values: Vec<f64>| median(&values);
        Some((mid(after.map(|r| r.1).collect()) - mid(before.map(|r| r.1).collect()), at))
    }
}

fn reading(r: &RunEvidence, part: Part) -> Option<f64> {
    match part {
        Part::Airflow => r.air.filter(|_| !r.quick).map(|a| a.0),
        Part::Contact => r.contact.map(|c| c.0),
        Part::Fan => r.worst_fan().filter(|f| !r.is_stuck() && f.ratio > 0.3).map(|f| f.ratio.ln()),
    }
}
