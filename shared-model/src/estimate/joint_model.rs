//! All runs of one model of laptop: scales, start values, the joint fit, and the standing fit that judges a new run.

use super::joint::{
    Evaluated, JointFit, JointRun, Mapper, RunFit, RunPrior, SharedPrior, fit, fit_from, fit_run,
};
use super::joint_speed::{FanCurve, NO_FAN, apply, search};
use super::network::{RunPars, Shared, X0};
use super::network_drive::{ClockReference, Drive, NOMINAL_LOAD_W, median};
use crate::condition::ambient::Room;

/// What a model's runs were scaled by and fitted to: enough to judge a new run at once.
#[derive(Debug, Clone, PartialEq)]
pub struct StandingFit {
    /// The shared numbers.
    pub shared: Shared,
    /// Speed that counts as 1, rpm.
    pub reference_rpm: f64,
    /// For models without power.
    pub clock: ClockReference,
    /// For models without a tachometer.
    pub curve: Option<FanCurve>,
    /// Median head start of the case, K.
    pub case_k: f64,
    /// Median sustained power, W.
    pub load_w: f64,
    /// Whether the model has power readings.
    pub has_power: bool,
    /// Whether the model has a fan, as far as its runs tell.
    pub has_fan: bool,
}

/// The joint fit of a model.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelFit {
    /// What a new run is judged against.
    pub standing: StandingFit,
    /// One for each run, in the order given.
    pub runs: Vec<RunFit>,
    /// Iterations of the last pass.
    pub iterations: usize,
}

/// Case over room where nothing is known yet, K. Calibrated on simulated fleets.
const CASE_START_K: f64 = 4.0;

/// Fits all runs of a model. The drives are those of [`Drive::from_trace`]; they come back scaled.
pub fn fit_model(drives: &mut [Drive], rooms: &[Room], map: Mapper<'_, Evaluated>) -> ModelFit {
    assert_eq!(drives.len(), rooms.len(), "one room for each run");
    let mut standing = scales(drives);
    for d in drives.iter_mut() {
        standing.scale(d);
    }
    let prior = SharedPrior::new(standing.load_w);
    if !drives.iter().any(|d| d.has_rpm) {
        let curve = search(&joint_runs(drives, rooms, &standing), &prior, map);
        standing.curve = Some(curve);
        standing.has_fan = curve != NO_FAN;
        for d in drives.iter_mut() {
            standing.scale_speed(d);
        }
    }
    let first = fit(&joint_runs(drives, rooms, &standing), &prior, map);
    standing.case_k = median(&first.runs.iter().map(|r| r.pars[X0]).collect::<Vec<_>>()).clamp(-10.0, 25.0);
    let start: Vec<RunPars> = first.runs.iter().map(|r| r.pars).collect();
    let JointFit { shared, runs, iterations, .. } =
        fit_from(&joint_runs(drives, rooms, &standing), &prior, first.shared, start, map);
    standing.shared = shared;
    ModelFit { standing, runs, iterations: first.iterations + iterations }
}

impl StandingFit {
    /// Judges one more run against the standing numbers.
    pub fn fit_run(&self, drive: &mut Drive, room: Room) -> RunFit {
        self.scale(drive);
        self.scale_speed(drive);
        let prior = RunPrior::new(room.value_c, room.sd_k, self.case_k, self.has_power);
        fit_run(&JointRun { drive, prior }, &self.shared)
    }

    fn scale(&self, drive: &mut Drive) {
        if drive.has_rpm {
            drive.scale_speed(self.reference_rpm);
        }
        if !drive.has_power {
            drive.power_from_clock(&self.clock);
        }
    }

    fn scale_speed(&self, drive: &mut Drive) {
        if let (false, Some(curve)) = (drive.has_rpm, &self.curve) {
            apply(drive, curve);
        }
    }
}

fn joint_runs<'a>(drives: &'a [Drive], rooms: &[Room], standing: &StandingFit) -> Vec<JointRun<'a>> {
    drives
        .iter()
        .zip(rooms)
        .map(|(drive, room)| JointRun {
            drive,
            prior: RunPrior::new(room.value_c, room.sd_k, standing.case_k, drive.has_power),
        })
        .collect()
}

/// Reference speed, clock and power of a model from its runs.
fn scales(drives: &[Drive]) -> StandingFit {
    let of = |f: &dyn Fn(&Drive) -> f64| drives.iter().map(f).collect::<Vec<f64>>();
    let has_power = drives.iter().any(|d| d.has_power);
    let or = |x: f64, fallback: f64| if x.is_finite() && x > 0.0 { x } else { fallback };
    let end_rpm = of(&|d| {
        let both: Vec<f64> = d.facts.rpm.iter().copied().filter(|r| r.is_finite()).collect();
        if both.is_empty() { f64::NAN } else { both.iter().sum::<f64>() / both.len() as f64 }
    });
    let clock_mhz = or(median(&of(&|d| d.facts.clock_mhz)), 1.0);
    let burst = or(median(&of(&|d| d.facts.burst_mhz)), clock_mhz) / clock_mhz;
    StandingFit {
        shared: Shared(SharedPrior::new(NOMINAL_LOAD_W).mean),
        reference_rpm: or(quantile(&end_rpm, 0.9), 4000.0),
        clock: ClockReference {
            clock_mhz,
            burst_ratio: burst.powf(super::network_drive::CLOCK_EXPONENT).clamp(1.0, 4.0),
        },
        curve: None,
        case_k: CASE_START_K,
        load_w: if has_power {
            or(median(&of(&|d| d.facts.power_w)), NOMINAL_LOAD_W)
        } else {
            NOMINAL_LOAD_W
        },
        has_power,
        has_fan: true,
    }
}

/// Quantile of the finite values by linear interpolation; NaN where there are none.
pub fn quantile(values: &[f64], q: f64) -> f64 {
    let mut v: Vec<f64> = values.iter().copied().filter(|x| x.is_finite()).collect();
    if v.is_empty() {
        return f64::NAN;
    }
    v.sort_by(f64::total_cmp);
    let at = q * (v.len() - 1) as f64;
    let (lo, part) = (at.floor() as usize, at.fract());
    v[lo] + part * (v[(lo + 1).min(v.len() - 1)] - v[lo])
}
