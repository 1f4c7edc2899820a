//! How much one second of residuals is really worth.
//!
//! Residuals of a simplified network are correlated over many seconds. Taken as independent they would make
//! every standard error several times too small. Their long-run variance (the variance of means over long
//! batches, times the batch's length) is what an independent residual of one second would need to have for
//! the sums that the fit forms to scatter as they do.

use super::model::{Network, Params};
use super::priors::Priors;
use crate::estimate::input::Run;

/// Standard deviation of a one-second mean before anything is known of the run, K. It stands for the
/// correlated errors of a two-node network; calibrated on simulated fleets.
pub(super) const USUAL_SD_1S_K: f64 = 1.4;
/// Never believed better than this, K: about the rounding of a 1 °C sensor held over ten seconds.
const LEAST_SD_1S_K: f64 = 0.7;
/// Never worse, K: beyond it the run is flagged, not weighted away.
const LARGEST_SD_1S_K: f64 = 6.0;
/// Length of a batch, s: longer than the correlation of sensor lag and rounding, short enough for a dozen
/// batches in a check.
const BATCH_S: f64 = 20.0;
/// Degrees of freedom that the slow part of a fit takes from the batches.
const SLOW_PARAMETERS: f64 = 4.0;

/// Standard deviation of a one-second mean from the residuals at `params`.
pub(super) fn sd_1s_k(run: &Run, priors: &Priors, params: &Params) -> f64 {
    let mut batches = Batches::default();
    let network = Network { steps: &run.steps, prior_mean: priors.mean, prior_sd: priors.sd, sd_1s_k: 1.0 };
    network.replay(params, |step, modelled_c| batches.add(step.weight_s, modelled_c - step.temp_c));
    let rounding = run.sensor_step_k * run.sensor_step_k / 12.0;
    (batches.long_run_variance() + rounding).sqrt().clamp(LEAST_SD_1S_K, LARGEST_SD_1S_K)
}

#[derive(Default)]
struct Batches {
    weight_s: f64,
    sum: f64,
    n: f64,
    /// Σ over batches of (weight × mean²).
    spread: f64,
}

impl Batches {
    fn add(&mut self, weight_s: f64, residual_k: f64) {
        // One glitch must not pass for a model error.
        self.sum += weight_s * residual_k.clamp(-5.0, 5.0);
        self.weight_s += weight_s;
        if self.weight_s >= BATCH_S {
            self.spread += self.sum * self.sum / self.weight_s;
            self.n += 1.0;
            (self.sum, self.weight_s) = (0.0, 0.0);
        }
    }

    fn long_run_variance(&self) -> f64 {
        if self.n <= SLOW_PARAMETERS {
            return USUAL_SD_1S_K * USUAL_SD_1S_K;
        }
        self.spread / (self.n - SLOW_PARAMETERS)
    }
}
