//! A laptop's runs and services, and what the filters make of them: events in time order.

use super::constants::{Constants, FanConstants};
use super::events::ModelEvent;
use super::evidence::RunEvidence;
use super::fan::{Evenness, FanEvent, FanEvidence};
use super::fan_map::FanReading;
use super::level::History;
use super::quiet::{Quiet, quiet};
use super::reference::ModelReference;
use super::wear::{Action, Event};
use crate::estimate::network_drive::median;
use crate::estimate::stumbles::Stumbles;

/// A laptop: its runs and services in time order, and the day for which it is judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Laptop {
    /// Its name: where the model's reference was learned from it too, its own part is taken out again.
    pub device: String,
    /// Runs.
    pub runs: Vec<RunEvidence>,
    /// Services: day and action.
    pub services: Vec<(f64, Action)>,
    /// Judged for this day; what comes later is left out.
    pub as_of: f64,
}

impl Laptop {
    /// The runs up to the day for which it is judged, with the model's events taken out of them.
    pub(super) fn seen(&self, events: &[ModelEvent]) -> Vec<RunEvidence> {
        let upto = self.runs.iter().filter(|r| r.day <= self.as_of);
        if events.is_empty() {
            return upto.copied().collect();
        }
        upto.map(|r| events.iter().fold(*r, |r, e| e.taken_out_of(&r))).collect()
    }

    /// How often the fan stumbled in the last run, up to the day for which it is judged, that watched it turn.
    pub(super) fn last_stumbles(&self) -> Stumbles {
        let upto = self.runs.iter().rev().filter(|r| r.day <= self.as_of);
        upto.filter_map(|r| r.stumbles).find(|s| s.watched_s > 0.0).unwrap_or_default()
    }

    /// Whether the fan's speed was read in the runs that say something of the air; where none does, in any.
    pub(super) fn has_rpm(&self) -> bool {
        let mut telling = self.runs.iter().filter(|r| r.raw_air.is_finite()).peekable();
        match telling.peek() {
            Some(_) => telling.any(|r| r.has_rpm),
            None => self.runs.iter().any(|r| r.has_rpm),
        }
    }

    /// Whether any run shows the fan, or its standing without a tachometer.
    pub(super) fn shows_fan(&self) -> bool {
        self.runs.iter().any(|r| !r.has_rpm || r.fans.iter().any(Option::is_some))
    }
}

/// What a model's laptops have in common that a single laptop's events need.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Common {
    /// Median log airflow as fitted.
    pub(super) model_air: f64,
    /// Median log power of standard and quick runs.
    pub(super) log_power: [f64; 2],
    /// Stumbles a second of a sound fan.
    pub(super) stumbles_per_s: f64,
}

pub(super) fn air_history(k: &Constants, laptop: &Laptop, runs: &[RunEvidence], common: Common) -> History {
    let level = own_air_level(runs, common.model_air);
    history(laptop, &as_quiet(k, runs, common), |r| {
        if !r.has_rpm && r.raw_air.is_finite() {
            let (stands, turns) = standing(&k.fan, r.raw_air, level);
            // A standing fan's airflow says nothing of the vents.
            if stands > turns {
                return None;
            }
        }
        r.air.map(|(la, sd)| (-la, sd))
    })
}

pub(super) fn contact_history(
    k: &Constants,
    laptop: &Laptop,
    runs: &[RunEvidence],
    common: Common,
) -> History {
    history(laptop, &as_quiet(k, runs, common), |r| r.contact)
}

/// A laptop's runs, each widened by the odds that it was made in a quiet profile.
fn as_quiet(k: &Constants, runs: &[RunEvidence], common: Common) -> Vec<RunEvidence> {
    let odds = quiet_of(k, runs, common).runs;
    runs.iter().zip(odds).map(|(r, odds)| r.if_quiet(k, odds)).collect()
}

/// For each of a laptop's runs, the odds that it was made in a quiet profile, told from the power of all of them.
/// `always` are the odds that the laptop always runs in one, which its own runs don't tell from one another.
pub fn quiet_odds(k: &Constants, reference: &ModelReference, runs: &[RunEvidence], always: f64) -> Vec<f64> {
    quiet_of(k, runs, reference.common()).runs.iter().map(|odds| always + (1.0 - always) * odds).collect()
}

/// What the power of a laptop's runs says of the quiet profile.
pub(super) fn quiet_of(k: &Constants, runs: &[RunEvidence], common: Common) -> Quiet {
    let over_model = |r: &RunEvidence| r.log_power - common.log_power[usize::from(r.quick)];
    quiet(&k.fan, &runs.iter().map(over_model).collect::<Vec<f64>>(), k.fan.quiet_step)
}

fn history(
    laptop: &Laptop,
    runs: &[RunEvidence],
    read: impl Fn(&RunEvidence) -> Option<(f64, f64)>,
) -> History {
    let mut events: Vec<Event> =
        laptop.services.iter().map(|&(day, action)| Event::Serviced { day, action }).collect();
    events
        .extend(runs.iter().filter_map(|r| {
            read(r).map(|(value, sd)| Event::Seen { day: r.day, value, sd, quick: r.quick })
        }));
    events.retain(|e| e.day() <= laptop.as_of);
    events.sort_by(|a, b| a.day().total_cmp(&b.day()));
    History { events, until: laptop.as_of }
}

/// A laptop's own usual log airflow, not too far below the model's.
fn own_air_level(runs: &[RunEvidence], model_air: f64) -> f64 {
    let own = median(&runs.iter().map(|r| r.raw_air).collect::<Vec<_>>());
    if own.is_finite() { own.max(model_air - 0.5) } else { model_air }
}

/// How likely a run's log airflow is with a standing and a turning fan, where no tachometer tells.
fn standing(c: &FanConstants, raw_air: f64, level: f64) -> (f64, f64) {
    let bell = |x: f64, sd: f64| 0.3989 * (-0.5 * (x / sd).powi(2)).exp() / sd;
    let below = level - raw_air;
    let z = below / c.turning_sd;
    let core = 0.375 / c.turning_sd / (1.0 + 0.25 * z * z).powf(2.5);
    let bedding = if below > 0.0 { (-below / 0.6).exp() / 0.6 } else { 0.0 };
    (bell(raw_air - c.standing.0, c.standing.1), 0.965 * core + 0.035 * bedding)
}

/// A laptop's fan events, and what its power says of the quiet profile.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FanHistory {
    pub(super) events: Vec<FanEvent>,
    pub(super) until: f64,
    /// Log odds, prior included, that it is usually not quiet, and that it always is.
    pub(super) quiet_log: [f64; 2],
}

pub(super) fn fan_history(
    k: &Constants,
    laptop: &Laptop,
    runs: &[RunEvidence],
    common: Common,
) -> FanHistory {
    let q = quiet_of(k, runs, common);
    let level = own_air_level(runs, common.model_air);
    let mut events: Vec<FanEvent> =
        laptop.services.iter().map(|&(day, action)| FanEvent::Serviced { day, action }).collect();
    for (r, &quiet) in runs.iter().zip(&q.runs) {
        let evidence = if r.has_rpm {
            let seen = r.stumbles.unwrap_or_default();
            let evenness = Evenness { seen, usual_per_s: common.stumbles_per_s };
            match r.worst_fan().filter(|_| !r.is_stuck()) {
                Some(&FanReading { ratio, due_share, doubt, .. }) => {
                    FanEvidence::Ratio { ratio, due_share, doubt, quiet, evenness }
                }
                None => FanEvidence::Even(evenness),
            }
        } else {
            if r.is_stuck() || !r.raw_air.is_finite() {
                continue;
            }
            let (stands, turns) = standing(&k.fan, r.raw_air, level);
            FanEvidence::Standing { stands, turns }
        };
        events.push(FanEvent::Seen { day: r.day, evidence });
    }
    events.retain(|e| e.day() <= laptop.as_of);
    events.sort_by(|a, b| a.day().total_cmp(&b.day()));
    let always = k.fan.always_quiet;
    FanHistory {
        events,
        until: laptop.as_of,
        quiet_log: [q.log_evidence[0] + (1.0 - always).ln(), q.log_evidence[1] + always.ln()],
    }
}
