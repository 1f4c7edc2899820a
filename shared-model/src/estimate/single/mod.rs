//! The network fitted to one run alone.

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

use super::input::{Equipment, Run, SpoilKind, prepare};
use super::lsq::{Failure, Normal, Options, Outcome};
use crate::measured::Reason;
use crate::record::wire::Ambient;
use crate::trace::Trace;

/// What is known beside the run.
#[derive(Debug, Clone, Copy, Default)]
pub struct Knowledge<'a> {
    /// The laptop's equipment.
    pub equipment: Equipment,
    /// Room temperature, where somebody or something measured it.
    pub ambient: Option<&'a Ambient>,
}

/// Fits the two-node network to one recorded run.
///
/// Never fails: what the run cannot say is [`crate::measured::Measured::No`] with its reason.
pub fn fit_run(trace: &Trace, knowledge: &Knowledge<'_>) -> RunFit {
    match prepare(trace, &knowledge.equipment) {
        Ok(run) => fit_prepared(&run, knowledge),
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
