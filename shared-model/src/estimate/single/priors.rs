//! What is believed before a run is looked at: the handbook. What the model's other laptops say is the joint fit's business.

use super::model::{N_PARAMS, Param, Params};
use crate::estimate::input::{FanSource, Run};
use crate::record::wire::Ambient;

/// Prior means and standard deviations, in the order of [`Param`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Priors {
    /// Means.
    pub mean: Params,
    /// Standard deviations.
    pub sd: Params,
}

/// Load power that the handbook values are for, W.
const HANDBOOK_W: f64 = 20.0;
/// A cooler grows with the power it is built for: exponent between none and proportional (calibrated on
/// simulated fleets).
const SIZE_EXPONENT: f64 = 0.7;

/// Handbook mean and sd of a logarithm: of resistances and conductances from the budget of a laptop cooler
/// (65 K over 20 W), of the capacity from the masses of copper and aluminium (50–150 J/K). Common practice;
/// the widths are calibrated on simulated fleets.
const CONTACT_K_W: (f64, f64) = (0.9, 0.5);
const CAPACITY_J_K: (f64, f64) = (75.0, 0.5);
const PASSIVE_W_K: (f64, f64) = (0.2, 0.7);
const AIR_W_K: (f64, f64) = (0.5, 0.6);
/// Die time constant and sensor average, s.
const LAG_S: (f64, f64) = (1.8, 0.7);
/// Exponent of conductance in fan speed: the heat sink's effectiveness gives 0.55–0.97 (effectiveness–NTU with
/// convection exponents 0.5 and 0.8).
const EXPONENT: (f64, f64) = (0.75, 0.10);
/// Heat in the sink that package power doesn't count, as a share of the load's heat: memory, voltage
/// regulators, chipset on the same sink. Its sd is common practice, no source.
const EXTRA_SHARE: (f64, f64) = (0.03, 0.05);
/// The same where only the power's shape is known: it also stands for what the shape gets wrong at idle.
const EXTRA_SHARE_NO_WATTS: (f64, f64) = (0.0, 0.10);
/// Spread of real load power about the nominal, ln (common practice, no source).
const NOMINAL_POWER_LN_SD: f64 = 0.3;
/// The sink's start is the data's business.
const SINK_START_SD_K: f64 = 25.0;
/// Where the fan speed is assumed, what the fan does is known less well, ln.
const ASSUMED_FAN_LN_SD: f64 = 0.3;
/// Indoor air, °C: common practice, no source.
pub const INDOOR_C: (f64, f64) = (23.0, 3.0);

impl Priors {
    /// The handbook's for this run.
    pub fn handbook(run: &Run, ambient: Option<&Ambient>) -> Self {
        let ln_size = SIZE_EXPONENT * (run.load_heat_w.max(1.0) / HANDBOOK_W).ln();
        let mut priors = Self { mean: [0.0; N_PARAMS], sd: [1.0; N_PARAMS] };
        priors.set_ln(Param::LnContact, CONTACT_K_W, -ln_size);
        priors.set_ln(Param::LnCapacity, CAPACITY_J_K, ln_size);
        priors.set_ln(Param::LnPassive, PASSIVE_W_K, ln_size);
        priors.set_ln(Param::LnAir, AIR_W_K, ln_size);
        priors.set_ln(Param::LnLag, LAG_S, 0.0);
        priors.set(Param::Exponent, EXPONENT);
        priors.set_for_run(run, ambient);
        priors.widen_for_shape(run);
        priors
    }

    /// Replaces one parameter's prior.
    pub fn set(&mut self, param: Param, (mean, sd): (f64, f64)) {
        self.mean[param as usize] = mean;
        self.sd[param as usize] = sd;
    }

    fn set_ln(&mut self, param: Param, (value, ln_sd): (f64, f64), ln_size: f64) {
        self.set(param, (value.ln() + ln_size, ln_sd));
    }

    fn set_for_run(&mut self, run: &Run, ambient: Option<&Ambient>) {
        self.set(Param::Ambient, ambient.map_or(INDOOR_C, |a| (a.value_c, a.sd_k.max(0.1))));
        self.set(
            Param::SinkStart,
            (sink_start_c(run, self.mean[Param::LnContact as usize]), SINK_START_SD_K),
        );
        let (mean, sd) = if run.heat.has_watts() { EXTRA_SHARE } else { EXTRA_SHARE_NO_WATTS };
        self.set(Param::ExtraHeat, (mean * run.load_heat_w, sd * run.load_heat_w));
    }

    fn widen_for_shape(&mut self, run: &Run) {
        let mut widen = |param: Param, by: f64| {
            let sd = &mut self.sd[param as usize];
            *sd = sd.hypot(by);
        };
        if !run.heat.has_watts() {
            for param in [Param::LnContact, Param::LnCapacity, Param::LnPassive, Param::LnAir] {
                widen(param, NOMINAL_POWER_LN_SD);
            }
        }
        if run.fan == FanSource::Assumed {
            widen(Param::LnAir, ASSUMED_FAN_LN_SD);
        }
    }
}

/// The first reading less what the die stands above the sink.
fn sink_start_c(run: &Run, ln_contact: f64) -> f64 {
    run.steps.first().map_or(INDOOR_C.0, |s| s.temp_c - ln_contact.exp() * s.heat_w)
}
