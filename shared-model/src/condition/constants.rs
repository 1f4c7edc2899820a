//! Everything that the judgement depends on, in one place, with its source.
//!
//! Where a line says "calibrated on simulated fleets", the number came from simulated laptops with known faults, not
//! from real ones. What a fleet can tell by itself (levels, spreads, fan curves) is learned from it; these are then
//! the prior.

use serde::{Deserialize, Serialize};

use super::disturbance::Disturbance;

/// Version of these numbers; stored with each result.
pub const CONSTANTS_VERSION: &str = "11";

/// An airflow below this share of as-new needs cleaning (the trade's bands; common practice, no source).
pub const CLOGGED_BELOW: f64 = 0.70;
/// A fan below this share of its due speed needs replacing (fan makers' end-of-life criteria lie at 0.7–0.9).
pub const FAN_BELOW: f64 = 0.80;
/// A contact above this multiple of as-new needs new paste (common practice, no source).
pub const CONTACT_ABOVE: f64 = 1.8;
/// Rate classes of a wear.
pub const N_RATES: usize = 4;
/// Days in a month of drift.
pub const MONTH_DAYS: f64 = 30.44;

/// How a wear builds up, is seen, and is undone. Wear is logarithmic and never negative: −ln airflow, or the
/// logarithm of the fast resistance over its as-new value.
#[derive(Debug, Clone, PartialEq)]
pub struct WearConstants {
    /// Grid step, log units.
    pub step: f64,
    /// Grid points.
    pub n_states: usize,
    /// Share of laptops and mean drift per month, of each rate class.
    pub rates: [(f64, f64); N_RATES],
    /// Mean wear of a laptop that has just come into use.
    pub first_new: f64,
    /// Share of laptops, and for how many months they have worn at their class's rate by the first run.
    pub first: [(f64, f64); 3],
    /// Odds per month that wear grows at once (a felt that forms, a mount that lets go), by how much in the mean, and how
    /// far a reading must lie above the lowest since the last service for that to be thought of.
    pub sudden: (f64, f64, f64),
    /// Spread of the models' tilts ([`super::tilt`]); 0 where they have none.
    pub model_sd: f64,
    /// Between which multiples of it they are looked for. For vents only upwards: evidence for less dust than usual came with too
    /// low probabilities on simulated fleets.
    pub model_reach: (f64, f64),
    /// Spread of the sites' tilts.
    pub site_sd: f64,
    /// Wear right after a service that worked: mean and standard deviation.
    pub reset: (f64, f64),
    /// Odds that a visit for cleaning, fan, paste undoes this wear.
    pub works: [f64; 3],
    /// Odds that a service booked before the first run is still true, over the above.
    pub booked_before: f64,
    /// Scatter of one laptop from run to run that the fit's standard error doesn't hold.
    pub noise_floor: f64,
    /// Factor on the fit's standard error.
    pub se_factor: f64,
    /// Further scatter of a quick run, and by how much its wear reads low.
    pub quick: (f64, f64),
    /// Scatter between healthy laptops of a model.
    pub offset_sd: f64,
    /// Share of runs that read too much wear (bedding), and by how much in the mean.
    pub tail: (f64, f64),
    /// Share of runs that say nothing.
    pub junk: f64,
    /// Estimated over true wear is one over this.
    pub gain: f64,
    /// Quantile of the laptops' medians, and the wear that it stands for, as the prior of the zero level.
    pub level_quantile: (f64, f64),
    /// Standard deviation of the zero level's prior: constant, and over the root of the number of laptops.
    pub level_sd: (f64, f64),
}

/// How a fan wears, is seen, and is replaced.
#[derive(Debug, Clone, PartialEq)]
pub struct FanConstants {
    /// As-new fan factor: mean and standard deviation.
    pub as_new: (f64, f64),
    /// Share of laptops whose fan is of the failing kind at the first run.
    pub first_failing: f64,
    /// Share seized at the first run.
    pub first_seized: f64,
    /// Mean loss of factor per month: steady, failing.
    pub rates: [f64; 2],
    /// Odds per month that a steady fan begins to fail.
    pub failing_starts: f64,
    /// Odds per month of seizing, and with a factor below 0.85.
    pub seizing: f64,
    /// As above, worn.
    pub seizing_worn: f64,
    /// Odds that a replacement works.
    pub replacing_works: f64,
    /// Scatter of a run's ratio about the unit's own, and how many pairs of runs it counts as.
    pub run_sd: (f64, f64),
    /// The least that it is.
    pub run_sd_min: f64,
    /// Spread of units about the model's map, and how many laptops it counts as.
    pub unit_sd: (f64, f64),
    /// The least that it is where the speed isn't held: motors aren't built alike.
    pub open_unit_sd_min: f64,
    /// What one run's reading, told alone, is unsure of beside these: what the fan's table sees lags or leads the sensor
    /// with the state that the case was in when the run began.
    pub one_run_sd: f64,
    /// Further scatter of a fan that is short of the speed that its firmware would hold.
    pub short_sd: f64,
    /// Spread of the speeds that firmware holds, between units.
    pub held_sd: f64,
    /// Speeds that a closed loop may reach over the highest due speed; the model's evidence chooses.
    pub headrooms: [f64; 3],
    /// Prior odds that a model's firmware holds the speed: alike in all units, and as unlike as the map shows them.
    pub closed_prior: (f64, f64),
    /// Odds that a run is quiet on a laptop that usually isn't.
    pub quiet_odds: f64,
    /// Share of laptops that are always quiet.
    pub always_quiet: f64,
    /// Highest speed in a quiet profile over the map's highest, and its scatter.
    pub quiet_cap: f64,
    /// Scatter of a quiet run's ratio.
    pub quiet_sd: f64,
    /// Log step of power in a quiet profile.
    pub quiet_step: f64,
    /// Scatter of log power from run to run, and between units.
    pub power_sd: f64,
    /// As above, between units.
    pub power_unit_sd: f64,
    /// How often it stumbles.
    pub stumbling: StumblingConstants,
    /// Share of runs that say nothing.
    pub junk: f64,
    /// Log airflow of a standing fan without tachometer, against the model's median: mean and standard deviation.
    pub standing: (f64, f64),
    /// Scatter of log airflow about the laptop's own level there, while the fan turns.
    pub turning_sd: f64,
    /// Share of the odds of low airflow without tachometer that a worn fan has, not dust.
    pub unseen_wear: f64,
}

/// How often a worn fan's speed breaks in.
#[derive(Debug, Clone, PartialEq)]
pub struct StumblingConstants {
    /// Fan factor below which it does.
    pub from: f64,
    /// Stumbles a second for each unit of factor below that.
    pub per_s: f64,
    /// Share of runs in which a worn fan stumbles no more than a sound one.
    pub silent: f64,
    /// Stumbles a second of a sound fan of a model whose fans never do.
    pub odd_per_s: f64,
    /// Share of runs with something that looks like no stumble, half as often like one, and so on up to ten.
    pub junk: f64,
}

impl StumblingConstants {
    /// Share of runs whose count says something.
    pub fn telling(&self) -> f64 {
        1.0 - self.junk
    }
}

/// By how much something widens a run: a further standard deviation of log airflow, of log contact, and of the fan's
/// share of its due speed, as the filters count on them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wider {
    /// Log airflow.
    pub air: f64,
    /// Log contact.
    pub contact: f64,
    /// Fan speed over due speed.
    pub fan: f64,
}

impl Wider {
    /// Not at all.
    pub const NONE: Self = Self { air: 0.0, contact: 0.0, fan: 0.0 };

    /// Both together: independent of each other.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            air: self.air.hypot(other.air),
            contact: self.contact.hypot(other.contact),
            fan: self.fan.hypot(other.fan),
        }
    }
}

/// What the disturbances of a run widen, each where power is read and where only its shape is known.
///
/// Each is what the residuals of such runs on simulated fleets asked for beyond what the filter counts on without it, so that
/// nine in ten lie within 1.645 standard deviations.
#[derive(Debug, Clone, PartialEq)]
pub struct DisturbanceConstants {
    /// Other work.
    pub background: [Wider; 2],
    /// On battery.
    pub on_battery: [Wider; 2],
    /// Warm start.
    pub warm_start: [Wider; 2],
    /// Cold soak.
    pub cold_soak: [Wider; 2],
    /// Sleep gap.
    pub sleep_gap: [Wider; 2],
    /// Stuck sensor; the fan's reading is left out besides.
    pub stuck_sensor: [Wider; 2],
    /// Quiet profile, times the odds that the run was made in one; the fan's filter has a cap of its own for it.
    pub quiet_profile: [Wider; 2],
}

impl DisturbanceConstants {
    /// What one of them widens.
    pub const fn of(&self, what: Disturbance, has_power: bool) -> Wider {
        let [with, without] = match what {
            Disturbance::BackgroundLoad => self.background,
            Disturbance::OnBattery => self.on_battery,
            Disturbance::WarmStart => self.warm_start,
            Disturbance::ColdSoak => self.cold_soak,
            Disturbance::SleepGap => self.sleep_gap,
            Disturbance::StuckSensor => self.stuck_sensor,
            Disturbance::QuietProfile => self.quiet_profile,
        };
        if has_power { with } else { without }
    }
}

/// Share of a model's as-new fast resistance that paste and mounting make up, and how unsure it is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PasteShare {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub sd: f64,
}

/// How it depends on that resistance: on simulated fleets, the larger it is the larger is the paste's share.
#[derive(Debug, Clone, PartialEq)]
pub struct PasteShareConstants {
    /// Where nothing is known of it.
    pub usual: PasteShare,
    /// The resistance that goes with it, as fitted, K/W.
    pub at_k_per_w: f64,
    /// By how much more of it for each unit of the resistance's logarithm.
    pub more_per_ln: f64,
}

impl PasteShareConstants {
    /// Of a model with this fast resistance; `None` where only ratios are known, as power isn't read.
    pub fn of(&self, r_k_per_w: Option<f64>) -> PasteShare {
        /// Resistances farther off than these times the usual one are no laptops' (our choice).
        const FARTHEST: f64 = 3.0;
        let off = r_k_per_w.map_or(1.0, |r| (r / self.at_k_per_w).clamp(1.0 / FARTHEST, FARTHEST)).ln();
        let factor = self.more_per_ln.mul_add(off, 1.0);
        PasteShare { mean: factor * self.usual.mean, sd: factor * self.usual.sd }
    }
}

/// All constants of the judgement.
#[derive(Debug, Clone, PartialEq)]
pub struct Constants {
    /// Of airflow (dust).
    pub air: WearConstants,
    /// Of contact (paste and mounting).
    pub contact: WearConstants,
    /// Scatter of log airflow within and between laptops of a model without tachometer: the fan's own spread is in it.
    pub air_scatter_without_rpm: (f64, f64),
    /// As [`WearConstants::gain`], of airflow where power is told from the clock or the work rate.
    pub air_gain_without_power: f64,
    /// Standard deviation of the logarithm of a model's true gain of log airflow over the usual one, with and without
    /// tachometer.
    pub air_gain_sd: (f64, f64),
    /// Of the fan.
    pub fan: FanConstants,
    /// Share of the as-new fast resistance that paste and mounting make up.
    pub paste_share: PasteShareConstants,
    /// rms of the residuals from which a run counts as odd, K, and what each kelvin beyond adds to the standard
    /// errors of log airflow and log contact.
    pub odd_rms: (f64, f64, f64),
    /// What a run's disturbances widen.
    pub disturbed: DisturbanceConstants,
    /// What a fit that came to no optimum adds in quadrature to the scatter of log airflow and log contact, beside what
    /// counts of the fit's own standard error.
    pub unsettled_sd: (f64, f64),
    /// Logistic slope and shift of p_clogged, p_fan, p_contact.
    pub calibration: [(f64, f64); 3],
}

impl Constants {
    /// Gain of log airflow, with or without a power reading.
    pub fn air_gain_of(&self, has_power: bool) -> f64 {
        if has_power { self.air.gain } else { self.air_gain_without_power }
    }

    /// What a model's gain of log airflow leaves open, with and without tachometer.
    pub fn air_gain_sd_of(&self, has_rpm: bool) -> f64 {
        if has_rpm { self.air_gain_sd.0 } else { self.air_gain_sd.1 }
    }
}

impl Default for Constants {
    /// Calibrated on simulated fleets.
    fn default() -> Self {
        Self {
            air: WearConstants {
                step: 0.02,
                n_states: 110,
                rates: [(0.3, 0.0018), (0.4, 0.0075), (0.2, 0.016), (0.1, 0.035)],
                first_new: 0.04,
                first: [(0.08, 5.0), (0.62, 16.0), (0.3, 28.0)],
                sudden: (0.002, 0.5, 0.2),
                model_sd: 0.3,
                model_reach: (0.0, 2.5),
                site_sd: 0.5,
                reset: (0.075, 0.05),
                works: [0.88, 0.45, 0.5],
                booked_before: 0.8,
                noise_floor: 0.035,
                se_factor: 0.8,
                quick: (0.09, 0.02),
                offset_sd: 0.058,
                tail: (0.08, 0.6),
                junk: 0.01,
                gain: 0.89,
                level_quantile: (0.25, 0.06),
                level_sd: (0.05, 0.3),
            },
            contact: WearConstants {
                step: 0.01,
                n_states: 90,
                rates: [(0.3, 0.0003), (0.42, 0.001), (0.2, 0.0025), (0.08, 0.007)],
                first_new: 0.015,
                first: [(0.2, 6.0), (0.6, 25.0), (0.2, 50.0)],
                sudden: (0.001, 0.15, 0.12),
                model_sd: 0.5,
                model_reach: (-1.4, 1.4),
                site_sd: 0.0,
                reset: (0.012, 0.018),
                works: [0.0, 0.0, 0.88],
                booked_before: 0.8,
                noise_floor: 0.012,
                se_factor: 0.3,
                quick: (0.01, 0.0),
                offset_sd: 0.052,
                tail: (0.01, 0.1),
                junk: 0.02,
                gain: 1.0,
                level_quantile: (0.25, 0.02),
                level_sd: (0.05, 0.15),
            },
            fan: FanConstants {
                as_new: (0.986, 0.014),
                first_failing: 0.07,
                first_seized: 0.015,
                rates: [0.0008, 0.035],
                failing_starts: 0.0025,
                seizing: 0.002,
                seizing_worn: 0.05,
                replacing_works: 0.85,
                run_sd: (0.012, 10.0),
                run_sd_min: 0.006,
                unit_sd: (0.025, 6.0),
                open_unit_sd_min: 0.02,
                one_run_sd: 0.045,
                short_sd: 0.03,
                held_sd: 0.006,
                headrooms: [1.05, 1.12, 1.2],
                closed_prior: (0.2, 0.1),
                quiet_odds: 0.06,
                always_quiet: 0.05,
                quiet_cap: 0.68,
                quiet_sd: 0.07,
                quiet_step: 0.20,
                power_sd: 0.015,
                power_unit_sd: 0.065,
                stumbling: StumblingConstants {
                    from: 0.95,
                    per_s: 0.063,
                    silent: 0.3,
                    odd_per_s: 2e-5,
                    junk: 0.005,
                },
                junk: 0.02,
                standing: (-1.8, 0.5),
                turning_sd: 0.2,
                unseen_wear: 0.13,
            },
            air_scatter_without_rpm: (0.08, 0.1),
            air_gain_without_power: 0.78,
            air_gain_sd: (0.06, 0.2),
            paste_share: PasteShareConstants {
                usual: PasteShare { mean: 0.265, sd: 0.03 },
                at_k_per_w: 0.85,
                more_per_ln: 0.2,
            },
            odd_rms: (0.55, 0.5, 0.3),
            disturbed: DisturbanceConstants {
                background: [wider(0.02, 0.013, 0.0), wider(0.04, 0.04, 0.0)],
                on_battery: [wider(0.03, 0.005, 0.08), wider(0.07, 0.1, 0.08)],
                warm_start: [wider(0.025, 0.024, 0.0), wider(0.03, 0.038, 0.0)],
                cold_soak: [wider(0.03, 0.018, 0.0), wider(0.03, 0.02, 0.0)],
                sleep_gap: [wider(0.095, 0.022, 0.0), wider(0.135, 0.064, 0.0)],
                stuck_sensor: [wider(0.02, 0.014, 0.0), wider(0.02, 0.034, 0.0)],
                quiet_profile: [wider(0.034, 0.005, 0.0), wider(0.034, 0.014, 0.0)],
            },
            // Our choice, no source: about a quarter of the way from as-new to the limit, log 1/0.7 of airflow and log 1.2 of
            // the fast resistance. Simulated fleets cannot tell, as every model's fit converges on them.
            unsettled_sd: (0.1, 0.05),
            calibration: [(1.0, 0.0); 3],
        }
    }
}

const fn wider(air: f64, contact: f64, fan: f64) -> Wider {
    Wider { air, contact, fan }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paste_s_share_grows_with_the_fast_resistance_and_stays_a_share() {
        let c = Constants::default().paste_share;
        assert_eq!(c.of(None), c.usual);
        let of = |r| c.of(Some(r)).mean;
        assert!((of(c.at_k_per_w) / c.usual.mean - 1.0).abs() < 1e-12);
        assert!(of(0.5) < of(0.85) && of(0.85) < of(1.5));
        assert!((of(1.4) / of(0.7) - 1.0 - c.more_per_ln * 2.0_f64.ln()).abs() < 0.02);
        for r in [f64::MIN_POSITIVE, 1e-9, 1e9, f64::INFINITY] {
            let share = c.of(Some(r));
            assert!((0.1..0.5).contains(&share.mean) && share.sd < 0.1, "{r}: {share:?}");
        }
    }
}
