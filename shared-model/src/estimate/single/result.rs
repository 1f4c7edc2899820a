//! What a single run says, in the quantities that people and scoring use.

use super::model::{FAN_STILL_BELOW, Network, Param, Params};
use super::priors::Priors;
use crate::estimate::input::{FanSource, HeatSource, Run, Spoil, SpoilKind};
use crate::measured::{Measured, Reason};

/// The minimum in the solver's own terms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Parameters in the order of [`Param`].
    pub params: Params,
    /// Their covariance, priors included.
    pub covariance: [Params; super::N_PARAMS],
    /// Sum of squared standardised residuals, priors included.
    pub cost: f64,
    /// Evaluations of the sweep.
    pub evaluations: usize,
    /// Standard deviation of a one-second mean that the residuals were given, K.
    pub sd_1s_k: f64,
}

impl Estimate {
    /// Standard error of `Σ weight_j · params_j`.
    pub fn se_of(&self, weights: &[(Param, f64)]) -> f64 {
        let mut variance = 0.0;
        for (a, wa) in weights {
            for (b, wb) in weights {
                variance += wa * wb * self.covariance[*a as usize][*b as usize];
            }
        }
        variance.max(0.0).sqrt()
    }

    /// A parameter.
    pub fn get(&self, param: Param) -> f64 {
        self.params[param as usize]
    }
}

/// The network of one run: each quantity with its standard error, or the reason why there is none.
#[derive(Debug, Clone, PartialEq)]
pub struct RunFit {
    /// Resistance from sink to die, K/W: paste and mounting are part of it.
    pub r_contact_k_w: Measured,
    /// Heat capacity of the sink, J/K.
    pub c_sink_j_k: Measured,
    /// What the fan's air carries away at the sustained speed, W/K.
    pub g_air_w_k: Measured,
    /// What is carried away without the fan, W/K.
    pub g0_w_k: Measured,
    /// Both together at the sustained speed, W/K.
    pub g_total_w_k: Measured,
    /// Exponent of the conductance in the fan speed.
    pub exponent: Measured,
    /// Time constant of the slow branch at the sustained fan speed, C/G, s. Needs no power reading.
    pub tau_slow_s: Measured,
    /// Time constant of the fast branch: die and sensor lag, s.
    pub tau_fast_s: Measured,
    /// R·C, s: contact over capacity without the power's scale.
    pub r_times_c_s: Measured,
    /// Air temperature, °C.
    pub ambient_c: Measured,
    /// Sink temperature at the start, °C.
    pub sink_start_c: Measured,
    /// Heat into the sink that package power doesn't count, W.
    pub extra_heat_w: Measured,
    /// Root mean square of the residuals, K.
    pub rms_k: f64,
    /// Comparisons that counted.
    pub n_used: usize,
    /// What spoiled part of the run.
    pub spoils: Vec<Spoil>,
    /// What to know of the fit as a whole.
    pub flags: Vec<FitFlag>,
    /// Fan speed that `g` refers to, rpm.
    pub n_ref_rpm: f64,
    /// Sustained fan speed as a share of it.
    pub fan_sustained: f64,
    /// Parameters and covariance, where the fit converged.
    pub estimate: Option<Estimate>,
}

/// What to know of a fit as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum FitFlag {
    /// Residuals are larger than sensor and network explain: something odd in this run.
    OddResiduals,
    /// The exponent lies outside what a heat sink can have: a term is missing.
    ExponentOutside,
    /// Power was not measured: ratios only.
    NoPower,
    /// Fan speed was not measured.
    NoFanSpeed,
    /// The ambient temperature is pulled more than two standard deviations from what was believed.
    AmbientPulled,
    /// Nothing, or too little, follows the load.
    NoRecovery,
}

/// Residual rms beyond which a run is odd, K, over what the sensor's rounding explains (calibrated on
/// simulated fleets: ordinary runs on 1 °C sensors leave 0.42–0.46 K, rounding alone 0.29 K).
const ODD_RMS_K: f64 = 0.55;
/// Range of the exponent that heat sinks have (effectiveness–NTU, convection exponents 0.5 and 0.8, NTU 0.2–3).
pub const EXPONENT_RANGE: (f64, f64) = (0.55, 0.97);
/// A posterior wider than this share of its prior says nothing that wasn't believed before.
const SAYS_NOTHING: f64 = 0.9;
/// A shorter recovery doesn't show the slow branch, s (common practice, no source).
const RECOVERY_MIN_S: f64 = 20.0;

impl RunFit {
    /// Nothing can be said, for this reason.
    pub fn not_determinable(reason: Reason) -> Self {
        let no = Measured::no(reason);
        Self {
            r_contact_k_w: no,
            c_sink_j_k: no,
            g_air_w_k: no,
            g0_w_k: no,
            g_total_w_k: no,
            exponent: no,
            tau_slow_s: no,
            tau_fast_s: no,
            r_times_c_s: no,
            ambient_c: no,
            sink_start_c: no,
            extra_heat_w: no,
            rms_k: f64::NAN,
            n_used: 0,
            spoils: Vec::new(),
            flags: Vec::new(),
            n_ref_rpm: f64::NAN,
            fan_sustained: f64::NAN,
            estimate: None,
        }
    }

    pub(super) fn of(run: &Run, priors: &Priors, estimate: &Estimate) -> Self {
        let told = Told { run, priors, estimate };
        let (rms_k, n_used) = told.residuals();
        Self {
            r_contact_k_w: told.needs_watts(told.contact()),
            c_sink_j_k: told.slow(told.needs_watts(told.exp_of(&[(Param::LnCapacity, 1.0)]))),
            g_air_w_k: told.slow(told.needs_watts(told.air())),
            g0_w_k: told.slow(told.needs_watts(told.exp_of(&[(Param::LnPassive, 1.0)]))),
            g_total_w_k: told.slow(told.needs_watts(told.total())),
            exponent: told.if_it_says(Param::Exponent, told.plain(Param::Exponent), Reason::FanConstant),
            tau_slow_s: told.slow(told.tau_slow()),
            tau_fast_s: told.if_it_says(
                Param::LnLag,
                told.exp_of(&[(Param::LnLag, 1.0)]),
                Reason::TooFewReadings,
            ),
            r_times_c_s: told.slow(told.exp_of(&[(Param::LnContact, 1.0), (Param::LnCapacity, 1.0)])),
            ambient_c: told.plain(Param::Ambient),
            sink_start_c: told.plain(Param::SinkStart),
            extra_heat_w: told.needs_watts(told.plain(Param::ExtraHeat)),
            rms_k,
            n_used,
            spoils: run.spoils.clone(),
            flags: told.flags(rms_k),
            n_ref_rpm: run.n_ref_rpm,
            fan_sustained: run.fan_sustained,
            estimate: Some(*estimate),
        }
    }
}

/// What a converged fit tells, quantity by quantity.
struct Told<'a> {
    run: &'a Run,
    priors: &'a Priors,
    estimate: &'a Estimate,
}

impl Told<'_> {
    fn plain(&self, param: Param) -> Measured {
        Measured::Value { value: self.estimate.get(param), se: self.estimate.se_of(&[(param, 1.0)]) }
    }

    /// `exp(Σ weight · param)`, its error carried over by the slope.
    fn exp_of(&self, weights: &[(Param, f64)]) -> Measured {
        let value = weights.iter().map(|(p, w)| w * self.estimate.get(*p)).sum::<f64>().exp();
        Measured::Value { value, se: value * self.estimate.se_of(weights) }
    }

    fn needs_watts(&self, measured: Measured) -> Measured {
        if self.run.heat.has_watts() { measured } else { Measured::no(Reason::NoChannel) }
    }

    fn if_it_says(&self, param: Param, measured: Measured, otherwise: Reason) -> Measured {
        let posterior = self.estimate.se_of(&[(param, 1.0)]);
        let says = posterior < SAYS_NOTHING * self.priors.sd[param as usize];
        if says { measured } else { Measured::no(otherwise) }
    }

    fn contact(&self) -> Measured {
        if self.spoiled(SpoilKind::SensorStuck) {
            return Measured::no(Reason::SensorStuck);
        }
        self.if_it_says(Param::LnContact, self.exp_of(&[(Param::LnContact, 1.0)]), Reason::FitFailed)
    }

    /// What rests on the slow branch, where nothing spoiled that altogether: a sensor that stood still, a sleep, or
    /// unmeasured work while it cooled, which looks like lost air and is many times the error.
    fn slow(&self, measured: Measured) -> Measured {
        let works_unseen = !self.run.heat.has_watts()
            && self
                .run
                .spoils
                .iter()
                .any(|s| s.kind == SpoilKind::BackgroundLoad && s.to_s > self.run.load_end_s);
        if self.spoiled(SpoilKind::SensorStuck) {
            Measured::no(Reason::SensorStuck)
        } else if self.spoiled(SpoilKind::SleepGap) {
            Measured::no(Reason::SleepGap)
        } else if works_unseen {
            Measured::no(Reason::BackgroundLoad)
        } else {
            measured
        }
    }

    fn spoiled(&self, kind: SpoilKind) -> bool {
        self.run.spoils.iter().any(|s| s.kind == kind)
    }

    fn fan_turns(&self) -> bool {
        self.run.fan_sustained > FAN_STILL_BELOW
    }

    fn air_weights(&self) -> [(Param, f64); 2] {
        [(Param::LnAir, 1.0), (Param::Exponent, self.run.fan_sustained.max(f64::MIN_POSITIVE).ln())]
    }

    fn air(&self) -> Measured {
        match self.run.fan {
            FanSource::None => Measured::no(Reason::NotApplicable),
            _ if !self.fan_turns() => Measured::no(Reason::FanStill),
            _ => self.exp_of(&self.air_weights()),
        }
    }

    /// Passive and air conductance, and the weights that turn errors of parameters into errors of ln G.
    fn conductance(&self) -> (f64, Vec<(Param, f64)>) {
        let passive = self.estimate.get(Param::LnPassive).exp();
        if !self.fan_turns() {
            return (passive, vec![(Param::LnPassive, 1.0)]);
        }
        let weights = self.air_weights();
        let air = weights.iter().map(|(p, w)| w * self.estimate.get(*p)).sum::<f64>().exp();
        let total = passive + air;
        let mut shares = vec![(Param::LnPassive, passive / total)];
        shares.extend(weights.map(|(p, w)| (p, w * air / total)));
        (total, shares)
    }

    fn total(&self) -> Measured {
        let (value, weights) = self.conductance();
        Measured::Value { value, se: value * self.estimate.se_of(&weights) }
    }

    fn tau_slow(&self) -> Measured {
        let (conductance, mut weights) = self.conductance();
        for (_, weight) in &mut weights {
            *weight = -*weight;
        }
        weights.push((Param::LnCapacity, 1.0));
        let value = self.estimate.get(Param::LnCapacity).exp() / conductance;
        Measured::Value { value, se: value * self.estimate.se_of(&weights) }
    }

    fn residuals(&self) -> (f64, usize) {
        let network = Network::new(&self.run.steps, self.priors, 1.0);
        let (mut sum, mut weight, mut n) = (0.0, 0.0, 0);
        network.replay(&self.estimate.params, |step, modelled_c| {
            sum += step.weight_s * (modelled_c - step.temp_c).powi(2);
            weight += step.weight_s;
            n += usize::from(step.weight_s > 0.0);
        });
        ((sum / weight).sqrt(), n)
    }

    fn flags(&self, rms_k: f64) -> Vec<FitFlag> {
        let exponent = self.estimate.get(Param::Exponent);
        let pull = self.estimate.get(Param::Ambient) - self.priors.mean[Param::Ambient as usize];
        let no_speed = matches!(self.run.fan, FanSource::Assumed | FanSource::Duty);
        let checks = [
            (FitFlag::OddResiduals, rms_k > ODD_RMS_K.max(0.55 * self.run.sensor_step_k)),
            (FitFlag::ExponentOutside, !(EXPONENT_RANGE.0..=EXPONENT_RANGE.1).contains(&exponent)),
            (FitFlag::NoPower, self.run.heat != HeatSource::Power),
            (FitFlag::NoFanSpeed, no_speed),
            (FitFlag::AmbientPulled, pull.abs() > 2.0 * self.priors.sd[Param::Ambient as usize]),
            (FitFlag::NoRecovery, self.run.recovery_s < RECOVERY_MIN_S),
        ];
        checks.into_iter().filter(|(_, holds)| *holds).map(|(flag, _)| flag).collect()
    }
}
