//! How much one second of residuals is really worth.
//!
//! Residuals of a simplified network are correlated over many seconds. Taken as independent they would make
//! every standard error several times too small. Their long-run variance (the variance of means over long
//! batches, times the batch's length) is what an independent residual of one second would need to have for
//! the sums that the fit forms to scatter as they do.

use super::model::{N_PARAMS, Network, Param, Params};
use super::priors::Priors;
use crate::estimate::input::{Run, SpoilKind};

/// Standard deviation of a one-second mean before anything is known of the run, K. It stands for the
/// correlated errors of a two-node network; calibrated on simulated fleets.
pub(super) const USUAL_SD_1S_K: f64 = 1.4;
/// Never believed better than this, K: about the rounding of a 1 °C sensor held over ten seconds.
const LEAST_SD_1S_K: f64 = 1.0;
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
    Network::new(&run.steps, priors, 1.0)
        .replay(params, |step, modelled_c| batches.add(step.weight_s, modelled_c - step.temp_c));
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

/// Error of a package power reading's scale, ln: unit-to-unit spread of power meters and of what they leave out
/// (method's own study: 3 %; calibrated on simulated fleets).
const POWER_GAIN_LN_SD: f64 = 0.02;
/// What two nodes cannot know of a laptop's many, ln, of contact and of capacity (calibrated on simulated fleets).
const CONTACT_STRUCTURE_LN_SD: f64 = 0.02;
const CAPACITY_STRUCTURE_LN_SD: f64 = 0.06;
/// Capacity again, where only the power's shape is known.
const CAPACITY_SHAPE_LN_SD: f64 = 0.15;

/// What something that spoils a run adds, ln: to the contact, and to the slow time constant where watts are known and
/// where only their shape is. The errors of such runs on simulated fleets asked for it; beside sleep and a stuck sensor
/// the slow branch is not told at all.
const fn spoiled_ln_sd(kind: SpoilKind) -> (f64, [f64; 2]) {
    match kind {
        SpoilKind::BackgroundLoad => (0.035, [0.11, 0.26]),
        SpoilKind::OnBattery => (0.01, [0.2, 0.28]),
        SpoilKind::WarmStart => (0.02, [0.12, 0.12]),
        SpoilKind::ColdSoak => (0.01, [0.07, 0.07]),
        SpoilKind::QuietProfile => (0.01, [0.09, 0.2]),
        SpoilKind::SleepGap => (0.08, [0.0, 0.0]),
        SpoilKind::SensorStuck | SpoilKind::NotSettled | SpoilKind::Throttled => (0.0, [0.0, 0.0]),
    }
}

/// What spoils a run is known to nobody in which of capacity and conductance: half of the variance to each.
fn add_spoils(covariance: &mut [Params; N_PARAMS], run: &Run) {
    let mut kinds: Vec<SpoilKind> = run.spoils.iter().map(|s| s.kind).collect();
    kinds.sort_unstable();
    kinds.dedup();
    for kind in kinds {
        let (contact, slow) = spoiled_ln_sd(kind);
        let slow_variance = slow[usize::from(!run.heat.has_watts())].powi(2);
        covariance[Param::LnContact as usize][Param::LnContact as usize] += contact * contact;
        covariance[Param::LnCapacity as usize][Param::LnCapacity as usize] += 0.5 * slow_variance;
        // Both conductances by one factor.
        for a in [Param::LnPassive, Param::LnAir] {
            for b in [Param::LnPassive, Param::LnAir] {
                covariance[a as usize][b as usize] += 0.5 * slow_variance;
            }
        }
    }
}

/// Adds what no residual of one run can show: the power meter's scale, which multiplies resistances by 1/k and
/// capacity and conductances by k, the network's own simplification, and what spoiled the run.
pub(super) fn add_model_error(covariance: &mut [Params; N_PARAMS], run: &Run) {
    let gain = if run.heat.has_watts() { POWER_GAIN_LN_SD } else { 0.0 };
    let by_gain = [
        (Param::LnContact, -gain),
        (Param::LnCapacity, gain),
        (Param::LnPassive, gain),
        (Param::LnAir, gain),
    ];
    for (a, by_a) in by_gain {
        for (b, by_b) in by_gain {
            covariance[a as usize][b as usize] += by_a * by_b;
        }
    }
    let capacity = if run.heat.has_watts() { CAPACITY_STRUCTURE_LN_SD } else { CAPACITY_SHAPE_LN_SD };
    for (param, sd) in [(Param::LnContact, CONTACT_STRUCTURE_LN_SD), (Param::LnCapacity, capacity)] {
        covariance[param as usize][param as usize] += sd * sd;
    }
    add_spoils(covariance, run);
}
