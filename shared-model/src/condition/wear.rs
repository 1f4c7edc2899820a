//! The exact grid filter of a slow wear: over all runs and services of a laptop, with its own unknown offset.
//!
//! State: rate class × wear × offset. The offset (of the unit against its model, and of the model's zero level) does
//! not change, so the filter runs for every offset of a grid at once and leaves the choice open until the end: the
//! same pass gives the evidence for each zero level, which is how the level of a model is learned, and then the
//! posterior of the laptop given the level. Wear only grows between services; a service puts it back, if it worked.

use serde::{Deserialize, Serialize};

use super::constants::{MONTH_DAYS, WearConstants};
pub use crate::trace::fleet::ServiceAction as Action;

/// What happens to a laptop, in time order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Event {
    /// A run's reading of the wear, offset included, with its standard error and whether it was the quick protocol.
    Seen {
        /// Day.
        day: f64,
        /// Reading.
        value: f64,
        /// Standard error.
        sd: f64,
        /// Quick protocol.
        quick: bool,
    },
    /// A service.
    Serviced {
        /// Day.
        day: f64,
        /// What.
        action: Action,
    },
}

impl Event {
    /// When.
    pub fn day(&self) -> f64 {
        match *self {
            Self::Seen { day, .. } | Self::Serviced { day, .. } => day,
        }
    }
}

const N_CLASSES: usize = 3;

/// The offsets that a filter carries: whole multiples of the grid step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Offsets {
    /// First, in steps.
    pub from: i32,
    /// How many.
    pub n: usize,
}

impl Offsets {
    /// Those within `half_span` of `centre`.
    pub fn around(c: &WearConstants, centre: f64, half_span: f64) -> Self {
        let from = ((centre - half_span) / c.step).floor() as i32;
        let to = ((centre + half_span) / c.step).ceil() as i32;
        Self { from, n: (to - from + 1).clamp(1, 400) as usize }
    }

    /// The values.
    pub fn values(self, c: &WearConstants) -> impl Iterator<Item = f64> {
        let step = c.step;
        (0..self.n).map(move |j| (f64::from(self.from) + j as f64) * step)
    }
}

/// What the filter leaves: the joint weights of class, wear and offset, up to a common factor.
#[derive(Debug, Clone, PartialEq)]
pub struct Filtered {
    /// The offsets carried.
    pub offsets: Offsets,
    /// Weights, class-major, then wear, then offset.
    weights: Vec<f64>,
    /// Natural logarithm of the common factor.
    log_scale: f64,
}

/// Runs the filter over `events` (in time order) up to day `until`.
pub fn filter(c: &WearConstants, events: &[Event], until: f64, offsets: Offsets) -> Filtered {
    let mut f = Filtered { offsets, weights: first_state(c, offsets.n), log_scale: 0.0 };
    let first_seen = events.iter().find(|e| matches!(e, Event::Seen { .. })).map_or(f64::MAX, Event::day);
    let mut now: Option<f64> = None;
    for e in events {
        if let Some(before) = now {
            f.drift(c, e.day() - before);
        }
        now = Some(e.day());
        match *e {
            Event::Seen { value, sd, quick, .. } => f.see(c, value, sd, quick),
            Event::Serviced { day, action } => {
                let still = if day < first_seen { c.booked_before } else { 1.0 };
                f.serve(c, c.works.get(action as usize).map_or(0.0, |odds| odds * still));
            }
        }
    }
    if let Some(before) = now {
        f.drift(c, until - before);
    }
    f
}

fn first_state(c: &WearConstants, n_offsets: usize) -> Vec<f64> {
    let mut out = Vec::with_capacity(N_CLASSES * c.n_states * n_offsets);
    for (share, _) in c.rates {
        for k in 0..c.n_states {
            let w = (k as f64 + 0.5) * c.step;
            let p: f64 = c.first.iter().map(|(part, mean)| part * (-w / mean).exp() / mean).sum();
            out.extend(std::iter::repeat_n(share * p * c.step, n_offsets));
        }
    }
    out
}

impl Filtered {
    /// Wear grows: an exponential increment with the class's mean.
    fn drift(&mut self, c: &WearConstants, days: f64) {
        if days <= 0.0 {
            return;
        }
        let n = self.offsets.n;
        let mut carry = vec![0.0; n];
        for (class, rows) in self.weights.chunks_mut(c.n_states * n).enumerate() {
            let mean_steps = c.rates[class].1 * days / MONTH_DAYS / c.step;
            let keep = mean_steps / (1.0 + mean_steps);
            carry.fill(0.0);
            for row in rows.chunks_mut(n) {
                for (r, p) in carry.iter_mut().zip(row.iter_mut()) {
                    *r = keep * *r + (1.0 - keep) * *p;
                    *p = *r;
                }
            }
            // What would leave the grid stays at its end.
            if let Some(last) = rows.chunks_mut(n).last() {
                for (p, r) in last.iter_mut().zip(&carry) {
                    *p += r * mean_steps;
                }
            }
        }
    }

    fn serve(&mut self, c: &WearConstants, odds: f64) {
        if odds <= 0.0 {
            return;
        }
        let n = self.offsets.n;
        let shape: Vec<f64> = (0..c.n_states)
            .map(|k| {
                let z = ((k as f64 + 0.5) * c.step - c.reset.0) / c.reset.1;
                (-0.5 * z * z).exp()
            })
            .collect();
        let norm: f64 = shape.iter().sum();
        for rows in self.weights.chunks_mut(c.n_states * n) {
            let mut total = vec![0.0; n];
            for row in rows.chunks(n) {
                total.iter_mut().zip(row).for_each(|(t, p)| *t += p);
            }
            for (row, s) in rows.chunks_mut(n).zip(&shape) {
                for (p, t) in row.iter_mut().zip(&total) {
                    *p = (1.0 - odds) * *p + odds * t * s / norm;
                }
            }
        }
    }

    fn see(&mut self, c: &WearConstants, value: f64, sd: f64, quick: bool) {
        let n = self.offsets.n;
        let (quick_sd, quick_low) = if quick { c.quick } else { (0.0, 0.0) };
        let se = c.se_factor * sd;
        let sd = (se * se + c.noise_floor * c.noise_floor + quick_sd * quick_sd).sqrt();
        let value = (value + quick_low) * c.gain;
        // The likelihood depends on wear + offset alone: one table, read with a shift.
        let table: Vec<f64> = (0..c.n_states + n)
            .map(|i| likelihood(c, value - (i as f64 + 0.5 + f64::from(self.offsets.from)) * c.step, sd))
            .collect();
        let mut total = 0.0;
        for rows in self.weights.chunks_mut(c.n_states * n) {
            for (k, row) in rows.chunks_mut(n).enumerate() {
                for (p, l) in row.iter_mut().zip(&table[k..k + n]) {
                    *p *= l;
                    total += *p;
                }
            }
        }
        if total > 0.0 {
            let scale = 1.0 / total;
            for p in &mut self.weights {
                *p *= scale;
            }
            self.log_scale += total.ln();
        }
    }

    /// Evidence of each offset, up to the factor of [`Self::log_scale`].
    pub fn evidence(&self, c: &WearConstants) -> Vec<f64> {
        let n = self.offsets.n;
        let mut out = vec![0.0; n];
        for row in self.weights.chunks(n).take(N_CLASSES * c.n_states) {
            out.iter_mut().zip(row).for_each(|(o, p)| *o += p);
        }
        out
    }

    /// Natural logarithm of the common factor of the weights.
    pub fn log_scale(&self) -> f64 {
        self.log_scale
    }

    /// The laptop's wear with the offsets weighted by `prior`.
    pub fn posterior(&self, c: &WearConstants, prior: &[f64]) -> Posterior {
        let n = self.offsets.n;
        let mut by_class = Vec::with_capacity(N_CLASSES * c.n_states);
        for row in self.weights.chunks(n) {
            by_class.push(row.iter().zip(prior).map(|(a, b)| a * b).sum());
        }
        Posterior::new(c, by_class)
    }
}

/// Student's t with 4 degrees of freedom, a one-sided tail and a floor.
fn likelihood(c: &WearConstants, residual: f64, sd: f64) -> f64 {
    /// Γ(5/2) / (Γ(2)·√(4π)).
    const T4: f64 = 0.375;
    /// Width over which a reading that says nothing is spread, log units.
    const JUNK_SPAN: f64 = 2.0;
    let z = residual / sd;
    let q = 1.0 / (1.0 + 0.25 * z * z);
    let core = T4 * q * q * q.sqrt() / sd;
    let (share, mean) = c.tail;
    let tail = if residual > 0.0 { (-residual / mean).exp() / mean } else { 0.0 };
    (1.0 - share - c.junk) * core + share * tail + c.junk / JUNK_SPAN
}

/// The distribution of a laptop's wear.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Grid step.
    pub step: f64,
    /// Probability of each grid cell; cell k spans k·step to (k+1)·step.
    pub states: Vec<f64>,
    /// The same for each rate class, class-major.
    pub by_class: Vec<f64>,
}

impl Posterior {
    /// From weights up to a common factor, class-major. Where they have none, anything is as likely.
    fn new(c: &WearConstants, mut by_class: Vec<f64>) -> Self {
        let total: f64 = by_class.iter().sum();
        if total > 0.0 && total.is_finite() {
            for p in &mut by_class {
                *p /= total;
            }
        } else {
            let even = 1.0 / by_class.len() as f64;
            by_class.fill(even);
        }
        let mut states = vec![0.0; c.n_states];
        for rows in by_class.chunks(c.n_states) {
            states.iter_mut().zip(rows).for_each(|(s, p)| *s += p);
        }
        Self { step: c.step, states, by_class }
    }

    /// The wear's distribution some days on, without a service between.
    #[must_use]
    pub fn after(&self, c: &WearConstants, days: f64) -> Self {
        let mut by_class = self.by_class.clone();
        for (rows, (_, rate)) in by_class.chunks_mut(c.n_states).zip(c.rates) {
            let mean_steps = rate * days.max(0.0) / MONTH_DAYS / c.step;
            let keep = mean_steps / (1.0 + mean_steps);
            let mut carry = 0.0;
            for p in rows.iter_mut() {
                carry = keep * carry + (1.0 - keep) * *p;
                *p = carry;
            }
            if let Some(last) = rows.last_mut() {
                *last += carry * mean_steps;
            }
        }
        Self::new(c, by_class)
    }

    /// P(wear > x).
    pub fn above(&self, x: f64) -> f64 {
        let at = (x / self.step).max(0.0);
        let (cell, part) = (at.floor() as usize, at.fract());
        let beyond: f64 = self.states.iter().skip(cell + 1).sum();
        beyond + self.states.get(cell).map_or(0.0, |p| p * (1.0 - part))
    }

    /// Quantile of the wear.
    pub fn quantile(&self, q: f64) -> f64 {
        let mut sum = 0.0;
        for (k, p) in self.states.iter().enumerate() {
            if sum + p >= q && *p > 0.0 {
                return (k as f64 + (q - sum) / p) * self.step;
            }
            sum += p;
        }
        self.states.len() as f64 * self.step
    }

    /// Mean of a function of the wear.
    pub fn mean_of(&self, f: impl Fn(f64) -> f64) -> f64 {
        self.states.iter().enumerate().map(|(k, p)| p * f((k as f64 + 0.5) * self.step)).sum()
    }
}
