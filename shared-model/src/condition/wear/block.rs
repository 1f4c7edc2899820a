//! The filter's inner loop, for four offsets at once.
//!
//! Each offset has a chain of wears of its own, and the chains don't mix. So four stand side by side in each row,
//! which compilers keep in vector registers, and a block of them is followed through all events before the next: it
//! stays in the processor's nearest cache. Drift and reading are one pass. Single precision is enough: every pass sums
//! terms of one sign, and each block is scaled to one again.

use super::super::constants::N_RATES;

/// Offsets in a block.
pub(super) const LANES: usize = 4;
/// Rate classes.
pub(super) const N_CLASSES: usize = N_RATES;

/// Weights of one wear: by class, then offset.
type Row = [[f32; LANES]; N_CLASSES];

/// Added to each weight: far below all that matters, and above the subnormal numbers, which are slow to compute with.
const FLOOR: f32 = 1e-30;

/// Growth of the wear over some days: an exponential increment with each class's mean, or in a few laptops one with the
/// mean of a sudden step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Growth {
    /// Mean increment in grid steps.
    pub(super) mean_steps: [f64; N_CLASSES],
    /// Share of the laptops that wear at once.
    pub(super) sudden: f64,
    /// Their mean increment in grid steps.
    pub(super) sudden_steps: f64,
}

/// Share of the weight at each wear that goes on to the next.
pub(super) fn keep(mean_steps: f64) -> f64 {
    mean_steps / (1.0 + mean_steps)
}

impl Growth {
    pub(super) const NONE: Self = Self { mean_steps: [0.0; N_CLASSES], sudden: 0.0, sudden_steps: 0.0 };
}

/// Four offsets.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Block {
    rows: Vec<Row>,
    /// Factor on all weights that the next pass multiplies in.
    scale: f32,
    /// Natural logarithm of the common factor of the scaled weights.
    log_scale: f64,
}

impl Block {
    /// With the same weights at each offset.
    pub(super) fn new(by_wear: &[[f32; N_CLASSES]]) -> Self {
        let rows = by_wear.iter().map(|classes| classes.map(|p| [p; LANES])).collect();
        Self { rows, scale: 1.0, log_scale: 0.0 }
    }

    /// The wear grows, then is read. `likelihoods` begins with that of the first wear at the block's first offset and
    /// goes on in grid steps, since it depends on wear + offset alone.
    pub(super) fn grow_and_see(&mut self, growth: &Growth, likelihoods: &[f32]) {
        let steady = growth.mean_steps.map(|m| keep(m) as f32);
        let far = keep(growth.sudden_steps) as f32;
        let enter = steady.map(|k| (1.0 - k) * self.scale);
        let enter_far = (1.0 - far) * self.scale;
        let (usual, sudden) = ((1.0 - growth.sudden) as f32, growth.sudden as f32);
        let mut carry = [[0.0_f32; LANES]; N_CLASSES];
        let mut carry_far = [[0.0_f32; LANES]; N_CLASSES];
        let mut total = [0.0_f32; LANES];
        for (row, likelihood) in self.rows.iter_mut().zip(likelihoods.array_windows::<LANES>()) {
            for class in 0..N_CLASSES {
                for lane in 0..LANES {
                    let before = row[class][lane];
                    let grown = steady[class] * carry[class][lane] + enter[class] * before;
                    let grown_far = far * carry_far[class][lane] + enter_far * before;
                    carry[class][lane] = grown;
                    carry_far[class][lane] = grown_far;
                    let weight = (usual * grown + sudden * grown_far) * likelihood[lane] + FLOOR;
                    row[class][lane] = weight;
                    total[lane] += weight;
                }
            }
        }
        let mut total = f64::from(total.iter().sum::<f32>());
        // What would leave the grid stays at its last wear.
        let last = self.rows.len().saturating_sub(1);
        if let (Some(row), Some(likelihood)) =
            (self.rows.last_mut(), likelihoods.array_windows::<LANES>().nth(last))
        {
            for class in 0..N_CLASSES {
                let out = usual * growth.mean_steps[class] as f32;
                let out_far = sudden * growth.sudden_steps as f32;
                for lane in 0..LANES {
                    let beyond = out * carry[class][lane] + out_far * carry_far[class][lane];
                    let weight = beyond * likelihood[lane];
                    row[class][lane] += weight;
                    total += f64::from(weight);
                }
            }
        }
        self.scale_to_one(total);
    }

    /// With these odds the wear is put back to `reset`, a distribution over the grid.
    pub(super) fn serve(&mut self, odds: f32, reset: &[f32]) {
        let mut total = [[0.0_f32; LANES]; N_CLASSES];
        for row in &self.rows {
            for (t, p) in total.as_flattened_mut().iter_mut().zip(row.as_flattened()) {
                *t += p;
            }
        }
        for (row, share) in self.rows.iter_mut().zip(reset) {
            for (p, t) in row.as_flattened_mut().iter_mut().zip(total.as_flattened()) {
                *p = (1.0 - odds) * *p + odds * t * share;
            }
        }
    }

    fn scale_to_one(&mut self, total: f64) {
        if total > 0.0 {
            self.scale = (1.0 / total) as f32;
            self.log_scale += total.ln();
        } else {
            self.scale = 1.0;
        }
    }

    /// Natural logarithm of the common factor.
    pub(super) fn log_scale(&self) -> f64 {
        self.log_scale
    }

    /// Sum of all weights of each offset, the common factor left out.
    pub(super) fn evidence(&self) -> [f64; LANES] {
        let mut sum = [0.0_f32; LANES];
        for weights in self.rows.as_flattened() {
            sum.iter_mut().zip(weights).for_each(|(s, p)| *s += p);
        }
        sum.map(|s| f64::from(s * self.scale))
    }

    /// Adds to each wear's and class's weight in `to` those of all offsets, each offset with its factor.
    pub(super) fn add_to(&self, to: &mut [[f64; N_CLASSES]], factors: &[f64; LANES]) {
        let factors = factors.map(|f| (f * f64::from(self.scale)) as f32);
        for (sums, row) in to.iter_mut().zip(&self.rows) {
            for (sum, weights) in sums.iter_mut().zip(row) {
                let weighted: f32 = weights.iter().zip(&factors).map(|(p, f)| p * f).sum();
                *sum += f64::from(weighted);
            }
        }
    }
}
