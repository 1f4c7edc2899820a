//! What is kept of a run for judging: its readings against the model's standing fit, each with its uncertainty.

use serde::{Deserialize, Serialize};

use super::constants::{Constants, Wider};
use super::disturbance::{Disturbance, Disturbances};
use super::fan_map::FanReading;
use crate::estimate::joint::RunFit;
use crate::estimate::joint_model::Channels;
use crate::estimate::network::{LA, LR, TA};
use crate::estimate::network_drive::{CLOCK_EXPONENT, Drive, RunFacts};
use crate::estimate::stumbles::Stumbles;

/// What a run says, once fitted; all that is kept of it for judging. It belongs to the standing fit that it was made
/// against.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[expect(clippy::struct_excessive_bools, reason = "facts of a run that have nothing to do with each other")]
pub struct RunEvidence {
    /// Day of the run, days since any fixed zero.
    pub day: f64,
    /// Quick protocol.
    pub quick: bool,
    /// Log airflow and its standard error, the fit's prior taken out; `None` where the run says nothing.
    pub air: Option<(f64, f64)>,
    /// Log contact likewise.
    pub contact: Option<(f64, f64)>,
    /// Log airflow as fitted.
    #[serde(with = "super::nan")]
    pub raw_air: f64,
    /// Whether a tachometer was read.
    pub has_rpm: bool,
    /// Each fan against its map.
    pub fans: [Option<FanReading>; 2],
    /// Log of the sustained power (of the clock to its exponent where power isn't read); NaN where unknown.
    #[serde(with = "super::nan")]
    pub log_power: f64,
    /// Whether power was read.
    pub has_power: bool,
    /// Whether the work rate stood in for power and clock.
    pub by_work_rate: bool,
    /// What disturbed the run; its standard errors hold it already.
    pub disturbed: Disturbances,
    /// On mains power, where known.
    pub on_mains: Option<bool>,
    /// Which of the model's firmwares ran, numbered by the caller; 0 where unknown.
    pub firmware: u32,
    /// Standard deviation of the room temperature that the fit began with, K.
    pub room_sd_k: f64,
    /// Room temperature as fitted, °C.
    #[serde(with = "super::nan")]
    pub room_c: f64,
    /// Root mean square of the fit's residuals, K.
    #[serde(with = "super::nan")]
    pub rms_k: f64,
    /// Whether its fit, and the model's that it rests on, came to their optimum.
    pub has_converged: bool,
    /// From the load's start to the fan's, s; `None` where the fan already turned, or none was read.
    pub start_delay_s: Option<f64>,
    /// Scatter of the speed from reading to reading at the load's end, share of the speed.
    pub flutter: Option<f64>,
    /// How often the fan stumbled; `None` where no speed was read.
    pub stumbles: Option<Stumbles>,
    /// Throttle events a second of load.
    pub throttle_per_s: Option<f64>,
    /// Median temperature in the last 30 s of load, °C.
    #[serde(with = "super::nan")]
    pub hot_c: f64,
}

/// What the caller knows of a run beside its trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunContext {
    /// Day of the run, days since any fixed zero.
    pub day: f64,
    /// Standard deviation of the room temperature that the fit began with, K.
    pub room_sd_k: f64,
    /// On mains power, where known.
    pub on_mains: Option<bool>,
    /// Which of the model's firmwares ran, numbered by the caller; 0 where unknown.
    pub firmware: u32,
    /// By how much an SSD of this model usually lies over the room when a run begins, K; NaN where unknown.
    pub usual_ssd_over_room_k: f64,
}

/// Standard deviations of the fit's own priors on log airflow and log contact, taken out here again.
pub(crate) const FIT_PRIORS: [(usize, f64, f64); 2] = [(LA, -0.16, 0.35), (LR, 0.05, 0.2)];
/// A run with a larger standard error says nothing.
const SAYS_NOTHING_SD: f64 = 0.5;

impl RunEvidence {
    /// From a run's fit, its drive and its readings against the fan maps.
    pub fn new(
        k: &Constants,
        context: RunContext,
        fit: &RunFit,
        drive: &Drive,
        fans: [Option<FanReading>; 2],
    ) -> Self {
        let facts = &drive.facts;
        let odd_k = (fit.rms_k - k.odd_rms.0).max(0.0);
        let known = |v: f64| v.is_finite().then_some(v);
        let ssd_off_k = facts.ssd_start_c - fit.pars[TA] - context.usual_ssd_over_room_k;
        let disturbed = Disturbances::of(facts, context.on_mains, ssd_off_k);
        let wider = disturbed.widen(&k.disturbed, drive.has_power);
        let unsettled = if fit.has_converged { (0.0, 0.0) } else { k.unsettled_sd };
        // Of a standard error only a share counts, which is calibrated on fits that converged and were not disturbed; these
        // shall count whole.
        let more_air = unsettled.0.hypot(wider.air) / k.air.se_factor;
        let more_contact = unsettled.1.hypot(wider.contact) / k.contact.se_factor;
        let air_sd = (k.odd_rms.1 * odd_k).hypot(more_air);
        let contact_sd = (k.odd_rms.2 * odd_k).hypot(more_contact);
        Self {
            day: context.day,
            quick: facts.quick,
            air: without_prior(fit, FIT_PRIORS[0], air_sd),
            contact: without_prior(fit, FIT_PRIORS[1], contact_sd),
            raw_air: fit.pars[LA],
            has_rpm: drive.has_rpm,
            fans: [None; 2],
            log_power: log_power(facts),
            has_power: drive.has_power,
            by_work_rate: drive.by_work_rate,
            disturbed,
            on_mains: context.on_mains,
            firmware: context.firmware,
            room_sd_k: context.room_sd_k,
            room_c: fit.pars[TA],
            rms_k: fit.rms_k,
            has_converged: fit.has_converged,
            start_delay_s: drive.fan_start_delay_s(),
            flutter: drive.fan_flutter(),
            stumbles: drive.stumbles,
            throttle_per_s: known(facts.throttle_per_s),
            hot_c: facts.hot_c,
        }
        .with_fans(k, fans)
    }

    /// The same with other readings of the fans, as its disturbances widen them.
    #[must_use]
    pub fn with_fans(&self, k: &Constants, fans: [Option<FanReading>; 2]) -> Self {
        let wider = self.disturbed.widen(&k.disturbed, self.has_power).fan;
        Self { fans: fans.map(|f| f.map(|f| FanReading { doubt: f.doubt.hypot(wider), ..f })), ..*self }
    }

    /// Whether the temperature sensor stood still for a while, and the firmware's fan with it.
    pub const fn is_stuck(&self) -> bool {
        self.disturbed.has(Disturbance::StuckSensor)
    }

    /// The same as one that was made in a quiet profile with these odds.
    #[must_use]
    pub fn if_quiet(&self, k: &Constants, odds: f64) -> Self {
        let Wider { air, contact, .. } = k.disturbed.of(Disturbance::QuietProfile, self.has_power);
        let widened = |of: Option<(f64, f64)>, by: f64| of.map(|(v, sd)| (v, sd.hypot(odds * by)));
        Self {
            air: widened(self.air, air / k.air.se_factor),
            contact: widened(self.contact, contact / k.contact.se_factor),
            fans: self.fans.map(|f| f.map(|f| f.if_quiet(&k.fan, odds))),
            ..*self
        }
    }

    /// The channels that it told.
    pub const fn channels(&self) -> Channels {
        Channels { has_power: self.has_power, has_rpm: self.has_rpm, by_work_rate: self.by_work_rate }
    }

    /// The same beside runs that told these channels: where its own are others, what rests on them is taken out.
    #[must_use]
    pub fn beside(self, channels: Channels) -> Self {
        let own = self.channels();
        if own == channels {
            return self;
        }
        // A power and a clock are no more the same number than two fits' levels are.
        let is_alike = (own.has_power, own.by_work_rate) == (channels.has_power, channels.by_work_rate);
        let log_power = if is_alike { self.log_power } else { f64::NAN };
        Self { log_power, ..self.without_fit() }
    }

    /// The same without what the network's fit says: the run is not of the kind that was fitted.
    #[must_use]
    pub fn without_fit(self) -> Self {
        Self { air: None, contact: None, raw_air: f64::NAN, rms_k: f64::NAN, ..self }
    }

    /// The reading of the fan that does worst.
    pub fn worst_fan(&self) -> Option<&FanReading> {
        self.fans.iter().flatten().min_by(|a, b| a.ratio.total_cmp(&b.ratio))
    }
}

fn log_power(facts: &RunFacts) -> f64 {
    if facts.power_w.is_finite() {
        facts.power_w.max(0.1).ln()
    } else {
        CLOCK_EXPONENT * facts.clock_mhz.max(1.0).ln()
    }
}

/// The estimate with the fit's prior taken out (information form); `None` where little else is left.
pub(crate) fn without_prior(
    fit: &RunFit,
    (at, mean, sd): (usize, f64, f64),
    more_sd: f64,
) -> Option<(f64, f64)> {
    let (with, prior) = (1.0 / (fit.sd[at] * fit.sd[at]), 1.0 / (sd * sd));
    let precision = with - prior;
    if !precision.is_finite() || precision < 1.0 / (SAYS_NOTHING_SD * SAYS_NOTHING_SD) {
        return None;
    }
    let value = (with * fit.pars[at] - prior * mean) / precision;
    let out = (value, (1.0 / precision + more_sd * more_sd).sqrt());
    (out.0.is_finite() && out.1.is_finite()).then_some(out)
}
