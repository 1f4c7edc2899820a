//! The room's temperature where nobody told it, learned from the runs where somebody did.
//!
//! A robust ridge regression of the reported temperature on what a run tells by itself: SSD temperature at the start,
//! idle temperature, site, season, model. No fault enters: these stand before the load.

use nalgebra::{DMatrix, DVector};

use crate::estimate::network_drive::{RunFacts, median};

/// A run as the regression sees it.
#[derive(Debug, Clone, Copy)]
pub struct AmbientCase<'a> {
    /// Index of its model.
    pub model: usize,
    /// Index of its site.
    pub site: usize,
    /// Day of the year, 1–366.
    pub day_of_year: f64,
    /// What the run tells.
    pub facts: &'a RunFacts,
    /// Reported room temperature.
    pub reported_c: Option<f64>,
}

/// Room temperature and its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    /// °C.
    pub value_c: f64,
    /// K.
    pub sd_k: f64,
}

/// Indoor rooms where nothing else is known (common practice, no source).
pub const INDOOR: Room = Room { value_c: 22.8, sd_k: 3.0 };
/// Fewest reports to learn from.
const REPORTS_MIN: usize = 12;
/// Standard deviation of a prediction where the reports tell no other, K. Calibrated on simulated fleets.
const PREDICTION_SD_K: f64 = 1.5;
/// Standard deviation of a report, K. Calibrated on simulated fleets.
const REPORT_SD_K: f64 = 1.0;
/// Residuals beyond this count linearly, K.
const HUBER_K: f64 = 2.0;
/// Columns that every case has before those of models and sites.
const FIXED: usize = 9;

/// Each run's room.
pub fn rooms(cases: &[AmbientCase<'_>]) -> Vec<Room> {
    let reports = cases.iter().filter(|c| c.reported_c.is_some()).count();
    if reports < REPORTS_MIN {
        return cases.iter().map(|c| with_report(INDOOR, c.reported_c)).collect();
    }
    let n_models = cases.iter().map(|c| c.model + 1).max().unwrap_or(0);
    let n_sites = cases.iter().map(|c| c.site + 1).max().unwrap_or(0);
    let mids = Mids::of(cases, n_models);
    let rows: Vec<[f64; FIXED]> = cases.iter().map(|c| mids.row(c)).collect();
    let (beta, resid_sd) = regress(cases, &rows, n_models, n_sites);
    // The report's own error is in the residuals too.
    let own = (resid_sd * resid_sd - REPORT_SD_K * REPORT_SD_K).max(0.0).sqrt();
    let base_sd = own.clamp(0.8 * PREDICTION_SD_K, 2.0 * PREDICTION_SD_K);
    cases
        .iter()
        .zip(&rows)
        .map(|(c, row)| {
            let value_c = predict(&beta, row, c, n_models).clamp(0.0, 45.0);
            let far = mids.far(c);
            with_report(Room { value_c, sd_k: if far { 1.5 * base_sd } else { base_sd } }, c.reported_c)
        })
        .collect()
}

fn with_report(room: Room, reported_c: Option<f64>) -> Room {
    let Some(told) = reported_c else { return room };
    let (a, b) = (1.0 / (room.sd_k * room.sd_k), 1.0 / (REPORT_SD_K * REPORT_SD_K));
    Room { value_c: (a * room.value_c + b * told) / (a + b), sd_k: (1.0 / (a + b)).sqrt() }
}

/// Each model's usual temperatures at the start.
struct Mids {
    ssd: Vec<f64>,
    idle: Vec<f64>,
    excess: Vec<f64>,
}

impl Mids {
    fn of(cases: &[AmbientCase<'_>], n_models: usize) -> Self {
        let per = |f: &dyn Fn(&RunFacts) -> f64| {
            let mut values = vec![Vec::new(); n_models];
            for c in cases {
                values[c.model].push(f(c.facts));
            }
            values.iter().map(|v| median(v)).collect()
        };
        Self {
            ssd: per(&|f| f.ssd_start_c),
            idle: per(&|f| f.idle_temp_c),
            excess: per(&|f| f.idle_temp_c - f.ssd_start_c),
        }
    }

    fn row(&self, c: &AmbientCase<'_>) -> [f64; FIXED] {
        let f = c.facts;
        let day = c.day_of_year / 365.25 * std::f64::consts::TAU;
        let idle = finite(f.idle_temp_c - self.idle[c.model]);
        let slope = f.idle_slope_k_per_min.clamp(-6.0, 6.0);
        let busy = f.busy_before.clamp(0.0, 0.5);
        if f.ssd_start_c.is_finite() && self.ssd[c.model].is_finite() {
            let ssd = f.ssd_start_c - self.ssd[c.model];
            let excess = finite(f.idle_temp_c - f.ssd_start_c - self.excess[c.model]).clamp(-6.0, 15.0);
            [1.0, day.cos(), day.sin(), ssd, excess, slope, busy, 0.0, 0.0]
        } else {
            [1.0, day.cos(), day.sin(), 0.0, 0.0, 0.0, 0.0, idle.clamp(-12.0, 12.0), slope + 8.0 * busy]
        }
    }

    /// Whether the run lies where few reports do.
    fn far(&self, c: &AmbientCase<'_>) -> bool {
        finite(c.facts.idle_temp_c - self.idle[c.model]).abs() > 5.0
            || finite(c.facts.ssd_start_c - self.ssd[c.model]).abs() > 4.0
    }
}

fn finite(x: f64) -> f64 {
    if x.is_finite() { x } else { 0.0 }
}

fn predict(beta: &DVector<f64>, row: &[f64; FIXED], c: &AmbientCase<'_>, n_models: usize) -> f64 {
    let fixed: f64 = row.iter().enumerate().map(|(k, v)| v * beta[k]).sum();
    fixed + beta[FIXED + c.model] + beta[FIXED + n_models + c.site]
}

/// Iteratively reweighted ridge regression; coefficients and the residuals' robust standard deviation.
fn regress(
    cases: &[AmbientCase<'_>],
    rows: &[[f64; FIXED]],
    n_models: usize,
    n_sites: usize,
) -> (DVector<f64>, f64) {
    let n = FIXED + n_models + n_sites;
    // Ridge: intercept and season loose, temperatures moderately, models and sites as their spread of a kelvin or two.
    let mut ridge = DVector::from_element(n, 1.0);
    let mut centre = DVector::zeros(n);
    let fixed_sd = [10.0, 3.0, 3.0, 0.5, 0.5, 0.5, 20.0, 0.5, 0.5];
    for (k, sd) in fixed_sd.iter().enumerate() {
        ridge[k] = 1.0 / (sd * sd);
    }
    centre[0] = INDOOR.value_c;
    centre[3] = 0.6;
    centre[7] = 0.5;
    for k in FIXED..n {
        ridge[k] = if k < FIXED + n_models { 0.5 } else { 0.7 };
    }
    let mut beta = centre.clone();
    let mut residuals: Vec<f64> = Vec::new();
    for _ in 0..6 {
        let mut a = DMatrix::from_diagonal(&ridge);
        let mut b = ridge.component_mul(&centre);
        residuals.clear();
        for (c, row) in cases.iter().zip(rows) {
            let Some(told) = c.reported_c else { continue };
            let r = told - predict(&beta, row, c, n_models);
            residuals.push(r.abs());
            let w = (HUBER_K / r.abs().max(1e-9)).min(1.0) / (1.8 * 1.8);
            let mut entries = [(0usize, 0.0); FIXED + 2];
            for (k, v) in row.iter().enumerate() {
                entries[k] = (k, *v);
            }
            entries[FIXED] = (FIXED + c.model, 1.0);
            entries[FIXED + 1] = (FIXED + n_models + c.site, 1.0);
            for &(i, vi) in &entries {
                b[i] += w * vi * told;
                for &(j, vj) in &entries {
                    a[(i, j)] += w * vi * vj;
                }
            }
        }
        match a.cholesky() {
            Some(ch) => beta = ch.solve(&b),
            None => break,
        }
    }
    (beta, 1.4826 * median(&residuals))
}
