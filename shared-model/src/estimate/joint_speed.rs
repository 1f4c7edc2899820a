//! The fan that no tachometer shows: its speed is told from the temperature, with a curve common to the model.
//!
//! Off below `on_c` − 6 K, from `on_c` on a floor plus a straight line up to full speed at `full_c`, with a lag of 4 s.
//! The three numbers come from a coarse search: the curve that lets the network explain the runs best wins. A curve of
//! no fan at all is among the candidates.

use serde::{Deserialize, Serialize};

use super::joint::{JointRun, SharedPrior, fit};
use super::network::{LA, LN_G, LN_M};
use super::network_drive::Drive;
use super::workers::Workers;

/// A fan's curve over temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FanCurve {
    /// Switch-on temperature, °C.
    pub on_c: f64,
    /// Temperature of full speed, °C.
    pub full_c: f64,
    /// Speed at switch-on, share of full speed; 0 stands for no fan.
    pub floor: f64,
}

/// No fan.
pub const NO_FAN: FanCurve = FanCurve { on_c: 200.0, full_c: 210.0, floor: 0.0 };

const LAG_S: f64 = 4.0;
const HYSTERESIS_K: f64 = 6.0;
/// A fan is believed in only if it lowers the cost to below this share: without one, a curve that wobbles with the
/// temperature takes up a hundredth of the error. Calibrated on simulated fleets.
const NO_FAN_BONUS: f64 = 0.95;
/// Standard deviation of the runs' log airflow while curves are compared. Calibrated on simulated fleets.
const SEARCH_AIR_SD: f64 = 0.12;
/// The grid is searched on at most this many runs.
const SEARCH_RUNS: usize = 24;

/// Puts the speed that a curve gives into a run's steps.
pub fn apply(drive: &mut Drive, curve: &FanCurve) {
    let mut speed = 0.0;
    let mut on = false;
    let mut temp_c = drive.start_temp_c;
    for s in &mut drive.steps {
        if s.temp_c.is_finite() {
            temp_c = s.temp_c;
        }
        on = temp_c > curve.on_c || (on && temp_c > curve.on_c - HYSTERESIS_K);
        let rise = ((temp_c - curve.on_c) / (curve.full_c - curve.on_c)).clamp(0.0, 1.0);
        let due = if on && curve.floor > 0.0 { curve.floor + (1.0 - curve.floor) * rise } else { 0.0 };
        speed += (due - speed) * (1.0 - (-s.dt_s / LAG_S).exp());
        s.speed = speed;
    }
}

/// The curve that explains these runs best, and whether a fan explains them better than none.
///
/// One number after the other: switch-on, span, switch-on again, floor. Laptops of a model are held to about the same
/// airflow meanwhile: a curve that needs each of them to differ explains nothing.
pub fn search(runs: &[JointRun<'_>], prior: &SharedPrior, workers: &impl Workers) -> FanCurve {
    let stride = runs.len().div_ceil(SEARCH_RUNS).max(1);
    let few: Vec<&JointRun<'_>> = runs.iter().step_by(stride).collect();
    let cost_of = |curve: &FanCurve| {
        let mut drives: Vec<Drive> = few.iter().map(|r| r.drive.clone()).collect();
        for d in &mut drives {
            apply(d, curve);
        }
        let runs: Vec<JointRun<'_>> = drives
            .iter()
            .zip(&few)
            .map(|(drive, r)| {
                let mut prior = r.prior;
                prior.sd[LA] = SEARCH_AIR_SD;
                JointRun { drive, prior }
            })
            .collect();
        let mut p = *prior;
        if curve.floor == 0.0 {
            (p.sd[LN_G], p.sd[LN_M]) = (0.01, 0.01);
        }
        fit(&runs, &p, workers).cost
    };
    let without = cost_of(&NO_FAN);
    let at = |on_c: f64, span_k: f64, floor: f64| FanCurve { on_c, full_c: on_c + span_k, floor };
    let mut best = (f64::INFINITY, at(47.0, 35.0, 0.3));
    let consider = |best: &mut (f64, FanCurve), curve: FanCurve| {
        let cost = cost_of(&curve);
        if cost < best.0 {
            *best = (cost, curve);
        }
    };
    for on_c in [32.0, 37.0, 42.0, 47.0, 52.0, 57.0, 62.0] {
        consider(&mut best, at(on_c, 35.0, 0.3));
    }
    let FanCurve { on_c, .. } = best.1;
    for span_k in [20.0, 50.0] {
        consider(&mut best, at(on_c, span_k, 0.3));
    }
    let span_k = best.1.full_c - best.1.on_c;
    for shift_k in [-5.0, 5.0] {
        consider(&mut best, at(on_c + shift_k, span_k, 0.3));
    }
    let FanCurve { on_c, .. } = best.1;
    consider(&mut best, at(on_c, span_k, 0.5));
    if best.0 < NO_FAN_BONUS * without { best.1 } else { NO_FAN }
}
