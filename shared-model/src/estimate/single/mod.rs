//! The network fitted to one run alone.

#[cfg(test)]
mod disturbed;
mod model;
mod noise;
mod priors;
#[cfg(test)]
mod recovery;
mod result;
mod sweep;

pub use model::{FAN_STILL_BELOW, HUBER_AT, N_PARAMS, Network, Param, Params};
pub use priors::{INDOOR_C, Priors};
pub use result::{EXPONENT_RANGE, Estimate, FitFlag, RunFit};

use super::input::{Equipment, Run, Spoil, SpoilKind, prepare};
use super::lsq::{Failure, Normal, Options, Outcome};
use crate::measured::Reason;
use crate::record::wire::{Ambient, AmbientSource};
use crate::trace::Trace;

/// What is known beside the run.
#[derive(Debug, Clone, Copy, Default)]
pub struct Knowledge<'a> {
    /// The laptop's equipment.
    pub equipment: Equipment,
    /// Room temperature, where somebody or something measured it.
    pub ambient: Option<&'a Ambient>,
    /// On mains power, where known.
    pub on_mains: Option<bool>,
    /// It ran in a profile that lowers power and fan.
    pub is_quiet: bool,
}

/// A laptop at rest whose CPU, or whose SSD, lies no further over a room that was told came in from the cold, K: its idle
/// power alone lifts it by more. Calibrated on simulated fleets: both together find two in three of such runs, and one in
/// a hundred of others.
const AT_ROOM_K: (f64, f64) = (5.0, 6.5);

/// Whether a laptop came in from the cold, where the room was told; a NaN says nothing.
pub(crate) fn is_from_the_cold(idle_c: f64, ssd_start_c: f64, room: Option<&Ambient>) -> bool {
    let told = room.filter(|a| a.source != AmbientSource::Prior);
    told.is_some_and(|a| idle_c - a.value_c < AT_ROOM_K.0 || ssd_start_c - a.value_c < AT_ROOM_K.1)
}

impl Knowledge<'_> {
    /// What spoils a run beside what its samples show.
    fn spoils(&self, run: &Run) -> Vec<Spoil> {
        let is_cold = is_from_the_cold(run.idle_c, run.ssd_start_c, self.ambient);
        let kinds = [
            (SpoilKind::OnBattery, self.on_mains == Some(false)),
            (SpoilKind::QuietProfile, self.is_quiet),
            (SpoilKind::ColdSoak, is_cold && run.spoils.iter().all(|s| s.kind != SpoilKind::ColdSoak)),
        ];
        let (from_s, to_s) = run.span_s;
        kinds.into_iter().filter(|(_, is)| *is).map(|(kind, _)| Spoil { kind, from_s, to_s }).collect()
    }
}

/// Fits the two-node network to one recorded run.
///
/// Never fails: what the run cannot say is [`crate::measured::Measured::No`] with its reason.
pub fn fit_run(trace: &Trace, knowledge: &Knowledge<'_>) -> RunFit {
    match prepare(trace, &knowledge.equipment) {
        Ok(mut run) => {
            run.spoils.extend(knowledge.spoils(&run));
            fit_prepared(&run, knowledge)
        }
        Err(reason) => RunFit::not_determinable(reason),
    }
}

/// [`fit_run`] for a run that is prepared already.
pub fn fit_prepared(run: &Run, knowledge: &Knowledge<'_>) -> RunFit {
    let priors = Priors::handbook(run, knowledge.ambient);
    match estimate(run, &priors) {
        Ok(estimate) => RunFit::of(run, &priors, &estimate),
        Err(_) => RunFit::not_determinable(why_it_failed(run)),
    }
}

/// A sensor that stood still is the likelier culprit than the solver.
fn why_it_failed(run: &Run) -> Reason {
    let stuck = run.spoils.iter().any(|s| s.kind == SpoilKind::SensorStuck);
    if stuck { Reason::SensorStuck } else { Reason::FitFailed }
}

/// The fit itself: once with the usual noise, once more with the noise that the first left.
///
/// # Errors
/// The solver's failure.
pub fn estimate(run: &Run, priors: &Priors) -> Result<Estimate, Failure> {
    let first = solve(run, priors, priors.mean, noise::USUAL_SD_1S_K)?;
    let sd_1s_k = noise::sd_1s_k(run, priors, &first.params);
    let refit_matters = (sd_1s_k / noise::USUAL_SD_1S_K).ln().abs() > 0.05;
    let mut last = if refit_matters { solve(run, priors, first.params, sd_1s_k)? } else { first };
    noise::add_model_error(&mut last.covariance, run);
    Ok(last)
}

/// One minimisation at a given noise.
///
/// # Errors
/// The solver's failure.
pub fn solve(run: &Run, priors: &Priors, start: Params, sd_1s_k: f64) -> Result<Estimate, Failure> {
    let mut problem = Normal::new(Network::new(&run.steps, priors, sd_1s_k));
    let mut params = start;
    let Outcome { cost, evaluations, .. } = problem.minimise(&mut params, &Options::MEASURED)?;
    let covariance = problem.covariance()?;
    Ok(Estimate { params, covariance, cost, evaluations, sd_1s_k })
}
