//! The room's temperature where nobody told it, learned from the runs where somebody did.
//!
//! A robust ridge regression of the reported temperature on what a run tells by itself: SSD temperature at the start,
//! idle temperature, site, season, model. No fault enters: these stand before the load. Laptops tested at one site in
//! the same hours share a room: what the others' reports lay above or below the regression moves this one too, as far
//! as such runs have been seen to move together. Only what came before a run counts, so that a run's room doesn't
//! change when later runs arrive.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::room_fit::{self, FixedPrior, Report};
use crate::estimate::network_drive::{RunFacts, median};

/// What a run tells of its room; all that is kept of it for this. NaN where unknown.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RoomFacts {
    /// Median temperature of the idle before the load, °C.
    #[serde(with = "super::nan")]
    pub idle_temp_c: f64,
    /// Slope of it, K/min.
    #[serde(with = "super::nan")]
    pub idle_slope_k_per_min: f64,
    /// SSD temperature at the start, °C.
    #[serde(with = "super::nan")]
    pub ssd_start_c: f64,
    /// Mean load before the load phase, 0–1.
    #[serde(with = "super::nan")]
    pub busy_before: f64,
}

impl From<&RunFacts> for RoomFacts {
    fn from(f: &RunFacts) -> Self {
        Self {
            idle_temp_c: f.idle_temp_c,
            idle_slope_k_per_min: f.idle_slope_k_per_min,
            ssd_start_c: f.ssd_start_c,
            busy_before: f.busy_before,
        }
    }
}

/// A run as the regression sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoomCase<'a> {
    /// Its model.
    pub model: &'a str,
    /// Its site; empty where unknown.
    pub site: &'a str,
    /// When, days since any fixed zero.
    pub day: f64,
    /// Day of the year, 1–366.
    pub day_of_year: f64,
    /// What the run tells.
    pub facts: RoomFacts,
    /// Reported room temperature, °C.
    pub reported_c: Option<f64>,
}

/// Room temperature and its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Room {
    /// °C.
    pub value_c: f64,
    /// K.
    pub sd_k: f64,
}

/// Indoor rooms where nothing else is known (common practice, no source).
pub const INDOOR: Room = Room { value_c: 22.8, sd_k: 3.0 };
/// Runs at one site share a room when they are no further apart than this, days.
pub const SAME_HOURS_DAYS: f64 = 2.0 / 24.0;
/// Fewest reports to learn from.
const REPORTS_MIN: usize = 12;
/// Standard deviation of a prediction where the reports tell no other, K. Calibrated on simulated fleets.
const PREDICTION_SD_K: f64 = 1.5;
/// Standard deviation of a report, K. Calibrated on simulated fleets.
const REPORT_SD_K: f64 = 1.0;
/// Residuals beyond this count linearly, K.
const HUBER_K: f64 = 2.0;
/// Residuals are cut here where pairs of them tell how far a room is shared, K.
const PAIR_CUT_K: f64 = 4.0;
/// Pairs that the prior on the shared part is worth, and its variance, K² (common practice, no source).
const SHARED_PRIOR: (f64, f64) = (20.0, 0.25);
/// Usual size of a residual, K.
const RESIDUAL_SD_K: f64 = 1.8;
/// Columns that every case has before those of models and sites.
pub(super) const FIXED: usize = 9;
/// Precisions and centres of these: intercept and season loose, temperatures moderately.
const FIXED_PRIOR: FixedPrior = [
    (1.0 / 100.0, INDOOR.value_c),
    (1.0 / 9.0, 0.0),
    (1.0 / 9.0, 0.0),
    (4.0, 0.6),
    (4.0, 0.0),
    (4.0, 0.0),
    (1.0 / 400.0, 0.0),
    (4.0, 0.5),
    (4.0, 0.0),
];

/// What a fleet's reports taught about its rooms; enough to tell a new run's room.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RoomStanding {
    /// Reports that it was learned from.
    pub reports: usize,
    /// Coefficients of the columns that every run has; empty where there were too few reports.
    fixed: Vec<f64>,
    models: BTreeMap<String, ModelRoom>,
    sites: BTreeMap<String, f64>,
    /// Standard deviation of a prediction, K.
    pub base_sd_k: f64,
    /// Part of it that runs at one site in the same hours share, K.
    pub shared_sd_k: f64,
}

/// A model's usual temperatures at the start, and its effect.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct ModelRoom {
    effect_k: f64,
    #[serde(with = "super::nan")]
    ssd_c: f64,
    #[serde(with = "super::nan")]
    idle_c: f64,
    #[serde(with = "super::nan")]
    excess_k: f64,
}

const NO_MODEL: ModelRoom =
    ModelRoom { effect_k: 0.0, ssd_c: f64::NAN, idle_c: f64::NAN, excess_k: f64::NAN };

/// Each run's room, all at once.
pub fn rooms(cases: &[RoomCase<'_>]) -> Vec<Room> {
    RoomStanding::learn(cases).rooms(cases)
}

impl RoomStanding {
    /// Learns from all runs; those with a report teach the regression, all teach the models' usual temperatures.
    pub fn learn(cases: &[RoomCase<'_>]) -> Self {
        let reports = cases.iter().filter(|c| c.reported_c.is_some()).count();
        let mut out = Self {
            reports,
            fixed: Vec::new(),
            models: usual_temperatures(cases),
            sites: cases.iter().map(|c| (c.site.to_owned(), 0.0)).collect(),
            base_sd_k: INDOOR.sd_k,
            shared_sd_k: 0.0,
        };
        if reports < REPORTS_MIN {
            return out;
        }
        let told: Vec<&RoomCase<'_>> = cases.iter().filter(|c| c.reported_c.is_some()).collect();
        let resid_sd = out.regress(&told);
        // The report's own error is in the residuals too.
        let own = (resid_sd * resid_sd - REPORT_SD_K * REPORT_SD_K).max(0.0).sqrt();
        out.base_sd_k = own.clamp(0.8 * PREDICTION_SD_K, 2.0 * PREDICTION_SD_K);
        out.shared_sd_k = out.shared_sd(&told);
        out
    }

    /// Each run's room; the runs may stand in any order.
    pub fn rooms(&self, cases: &[RoomCase<'_>]) -> Vec<Room> {
        let mut order: Vec<usize> = (0..cases.len()).collect();
        order.sort_by(|&a, &b| cases[a].site.cmp(cases[b].site).then(cases[a].day.total_cmp(&cases[b].day)));
        let mut out = vec![INDOOR; cases.len()];
        let mut from = 0;
        let mut mates: Vec<RoomCase<'_>> = Vec::new();
        for (at, &i) in order.iter().enumerate() {
            while !same_hours(&cases[order[from]], &cases[i]) {
                from += 1;
            }
            mates.clear();
            mates.extend(order[from..at].iter().map(|&m| cases[m]));
            out[i] = self.room(&cases[i], &mates);
        }
        out
    }

    /// A run's room. Of `mates`, those with a report count that were run at the same site no more than
    /// [`SAME_HOURS_DAYS`] before it; the others are passed over.
    pub fn room(&self, case: &RoomCase<'_>, mates: &[RoomCase<'_>]) -> Room {
        if self.fixed.is_empty() {
            return with_report(INDOOR, case.reported_c);
        }
        let sd_k = if self.is_far(case) { 1.5 * self.base_sd_k } else { self.base_sd_k };
        let alone = Room { value_c: self.predict(case).clamp(0.0, 45.0), sd_k };
        let shared = self.with_mates(alone, mates.iter().filter(|m| shares_room(m, case)));
        with_report(shared, case.reported_c)
    }

    /// Moves a prediction by what its mates' reports lay off theirs (normal–normal shrinkage).
    fn with_mates<'a, 'b: 'a>(&self, room: Room, mates: impl Iterator<Item = &'a RoomCase<'b>>) -> Room {
        let shared = self.shared_sd_k * self.shared_sd_k;
        let rest = self.base_sd_k * self.base_sd_k - shared + REPORT_SD_K * REPORT_SD_K;
        let (mut n, mut sum) = (0.0, 0.0);
        for m in mates {
            if let Some(told) = m.reported_c {
                n += 1.0;
                sum += (told - self.predict(m)).clamp(-PAIR_CUT_K, PAIR_CUT_K);
            }
        }
        if n == 0.0 || shared <= 0.0 {
            return room;
        }
        let precision = 1.0 / shared + n / rest;
        Room {
            value_c: room.value_c + sum / rest / precision,
            sd_k: (room.sd_k * room.sd_k - shared + 1.0 / precision).max(0.01).sqrt(),
        }
    }

    fn model(&self, name: &str) -> &ModelRoom {
        self.models.get(name).unwrap_or(&NO_MODEL)
    }

    fn row(&self, c: &RoomCase<'_>) -> [f64; FIXED] {
        let (f, usual) = (&c.facts, self.model(c.model));
        let day = c.day_of_year / 365.25 * std::f64::consts::TAU;
        let slope = finite(f.idle_slope_k_per_min).clamp(-6.0, 6.0);
        let busy = finite(f.busy_before).clamp(0.0, 0.5);
        if f.ssd_start_c.is_finite() && usual.ssd_c.is_finite() {
            let ssd = f.ssd_start_c - usual.ssd_c;
            let excess = finite(f.idle_temp_c - f.ssd_start_c - usual.excess_k).clamp(-6.0, 15.0);
            [1.0, day.cos(), day.sin(), ssd, excess, slope, busy, 0.0, 0.0]
        } else {
            let idle = finite(f.idle_temp_c - usual.idle_c);
            [1.0, day.cos(), day.sin(), 0.0, 0.0, 0.0, 0.0, idle.clamp(-12.0, 12.0), slope + 8.0 * busy]
        }
    }

    /// Whether the run lies where few reports do.
    fn is_far(&self, c: &RoomCase<'_>) -> bool {
        let usual = self.model(c.model);
        finite(c.facts.idle_temp_c - usual.idle_c).abs() > 5.0
            || finite(c.facts.ssd_start_c - usual.ssd_c).abs() > 4.0
    }

    fn predict(&self, c: &RoomCase<'_>) -> f64 {
        let fixed: f64 = self.row(c).iter().zip(&self.fixed).map(|(v, b)| v * b).sum();
        fixed + self.model(c.model).effect_k + self.sites.get(c.site).copied().unwrap_or(0.0)
    }

    /// Standard deviation that reports of one site's hours have in common: the mean product of their residuals in
    /// pairs, drawn to a prior.
    fn shared_sd(&self, told: &[&RoomCase<'_>]) -> f64 {
        let mut order: Vec<(&RoomCase<'_>, f64)> = told
            .iter()
            .map(|c| {
                (
                    *c,
                    (finite(c.reported_c.unwrap_or(f64::NAN) - self.predict(c)))
                        .clamp(-PAIR_CUT_K, PAIR_CUT_K),
                )
            })
            .collect();
        order.sort_by(|a, b| a.0.site.cmp(b.0.site).then(a.0.day.total_cmp(&b.0.day)));
        let (mut n, mut sum) = (SHARED_PRIOR.0, SHARED_PRIOR.0 * SHARED_PRIOR.1);
        for (at, (c, r)) in order.iter().enumerate() {
            for (m, q) in
                order[..at].iter().rev().take_while(|(m, _)| same_hours(m, c)).take(PAIRS_PER_RUN_MAX)
            {
                if shares_room(m, c) {
                    n += 1.0;
                    sum += r * q;
                }
            }
        }
        (sum / n).clamp(0.0, 0.8 * self.base_sd_k * self.base_sd_k).sqrt()
    }

    /// Iteratively reweighted ridge regression on the reports; returns the residuals' robust standard deviation.
    fn regress(&mut self, told: &[&RoomCase<'_>]) -> f64 {
        let model_at: BTreeMap<&str, usize> =
            self.models.keys().enumerate().map(|(i, m)| (m.as_str(), i)).collect();
        let site_at: BTreeMap<&str, usize> =
            self.sites.keys().enumerate().map(|(i, s)| (s.as_str(), i)).collect();
        let report = |c: &&RoomCase<'_>| Report {
            fixed: self.row(c),
            effect: [model_at[c.model], site_at[c.site]],
            told_c: c.reported_c.unwrap_or(INDOOR.value_c),
        };
        let reports: Vec<Report> = told.iter().map(report).collect();
        let n_of = [self.models.len(), self.sites.len()];
        let fitted = room_fit::fit(&reports, n_of, &FIXED_PRIOR, (HUBER_K, RESIDUAL_SD_K));
        self.fixed = fitted.fixed.to_vec();
        let [models, sites] = fitted.effects;
        self.models.values_mut().zip(models).for_each(|(m, effect_k)| m.effect_k = effect_k);
        self.sites.values_mut().zip(sites).for_each(|(s, effect_k)| *s = effect_k);
        1.4826 * median(&fitted.residuals)
    }
}

/// Most mates that one run is paired with when the shared part is learned.
const PAIRS_PER_RUN_MAX: usize = 8;

/// Whether `earlier`, which is not after `later`, stands at the same site in the same hours.
fn same_hours(earlier: &RoomCase<'_>, later: &RoomCase<'_>) -> bool {
    earlier.site == later.site && later.day - earlier.day <= SAME_HOURS_DAYS
}

/// Whether `later`'s room is told by `earlier`: a known site, the same hours, and truly before it.
fn shares_room(earlier: &RoomCase<'_>, later: &RoomCase<'_>) -> bool {
    !later.site.is_empty() && earlier.day < later.day && same_hours(earlier, later)
}

fn with_report(room: Room, reported_c: Option<f64>) -> Room {
    let Some(told) = reported_c else { return room };
    let (a, b) = (1.0 / (room.sd_k * room.sd_k), 1.0 / (REPORT_SD_K * REPORT_SD_K));
    Room { value_c: (a * room.value_c + b * told) / (a + b), sd_k: (1.0 / (a + b)).sqrt() }
}

fn usual_temperatures(cases: &[RoomCase<'_>]) -> BTreeMap<String, ModelRoom> {
    let mut of: BTreeMap<&str, [Vec<f64>; 3]> = BTreeMap::new();
    for c in cases {
        let f = &c.facts;
        let values = [f.ssd_start_c, f.idle_temp_c, f.idle_temp_c - f.ssd_start_c];
        of.entry(c.model).or_default().iter_mut().zip(values).for_each(|(all, v)| all.push(v));
    }
    let usual = |v: &[Vec<f64>; 3]| ModelRoom {
        effect_k: 0.0,
        ssd_c: median(&v[0]),
        idle_c: median(&v[1]),
        excess_k: median(&v[2]),
    };
    of.iter().map(|(model, v)| ((*model).to_owned(), usual(v))).collect()
}

fn finite(x: f64) -> f64 {
    if x.is_finite() { x } else { 0.0 }
}
