//! The filter's inner loop, for eight offsets at once.
//!
//! Each offset has a chain of wears of its own, and the chains don't mix. So eight stand side by side in each row, as
//! many as a vector register holds, and a block of them is followed through all events before the next: it
//! stays in the processor's nearest cache. Drift and reading are one pass. Single precision is enough: every pass sums
//! terms of one sign, and each block is scaled to one again.

#![expect(
    clippy::inline_always,
    reason = "a loop reaches the vector registers only where it is inlined into the caller chosen for them"
)]

use pulp::Simd;

use super::super::constants::N_RATES;
use super::super::vector::{load, store};

/// Offsets in a block.
pub(super) const LANES: usize = 8;
/// Rate classes.
pub(super) const N_CLASSES: usize = N_RATES;

/// Weights of one wear: by class, then offset.
type Row = [[f32; LANES]; N_CLASSES];

/// Added to each weight: far below all that matters, and above the subnormal numbers, which are slow to compute with.
const FLOOR: f32 = 1e-30;

/// Growth of the wear over some days: an exponential increment with each class's mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Growth {
    /// Mean increment in grid steps.
    mean_steps: [f64; N_CLASSES],
}

impl Growth {
    pub(super) const NONE: Self = Self { mean_steps: [0.0; N_CLASSES] };

    pub(super) fn new(mean_steps: [f64; N_CLASSES]) -> Self {
        Self { mean_steps }
    }

    /// Share of the weight at each wear that goes on to the next.
    pub(super) fn keep(&self) -> [f64; N_CLASSES] {
        self.mean_steps.map(|m| m / (1.0 + m))
    }

    /// Factor on the last wear of the grid: what would leave the grid stays there.
    pub(super) fn at_end(&self) -> [f64; N_CLASSES] {
        self.mean_steps.map(|m| 1.0 + m)
    }
}

/// Eight offsets.
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
    #[inline(always)]
    pub(super) fn grow_and_see<S: Simd>(&mut self, simd: S, growth: &Growth, likelihoods: &[f32]) {
        let keep = growth.keep().map(|k| k as f32);
        let enter = keep.map(|k| simd.splat_f32s((1.0 - k) * self.scale));
        let keep = keep.map(|k| simd.splat_f32s(k));
        let floor = simd.splat_f32s(FLOOR);
        let mut totals = [0.0_f32; LANES];
        let n_groups = LANES / S::F32_LANES;
        let (weights, _) = S::as_mut_simd_f32s(self.rows.as_flattened_mut().as_flattened_mut());
        for (group, totals) in totals.chunks_exact_mut(S::F32_LANES).enumerate() {
            let mut carry = [simd.splat_f32s(0.0); N_CLASSES];
            let mut total = simd.splat_f32s(0.0);
            let seen = likelihoods.get(group * S::F32_LANES..).unwrap_or_default().windows(S::F32_LANES);
            for (row, likelihood) in weights.chunks_exact_mut(N_CLASSES * n_groups).zip(seen) {
                let likelihood = load(simd, likelihood);
                for class in 0..N_CLASSES {
                    let weight = &mut row[class * n_groups + group];
                    let kept = simd.mul_f32s(keep[class], carry[class]);
                    let grown = simd.add_f32s(kept, simd.mul_f32s(enter[class], *weight));
                    carry[class] = grown;
                    *weight = simd.add_f32s(simd.mul_f32s(grown, likelihood), floor);
                    total = simd.add_f32s(total, *weight);
                }
            }
            store(simd, total, totals);
        }
        let mut total = f64::from(totals.iter().sum::<f32>());
        if let Some(last) = self.rows.last_mut() {
            for (weights, factor) in last.iter_mut().zip(growth.at_end()) {
                for p in weights {
                    total += f64::from(*p) * (factor - 1.0);
                    *p *= factor as f32;
                }
            }
        }
        self.scale_to_one(total);
    }

    /// With these odds the wear has grown at once, by an exponential increment of this mean in grid steps.
    pub(super) fn jump(&mut self, odds: f32, mean_steps: f32) {
        let keep = mean_steps / (1.0 + mean_steps);
        let mut carry = Row::default();
        let n = self.rows.len();
        for (k, row) in self.rows.iter_mut().enumerate() {
            // What would leave the grid stays at its last wear.
            let at_end = if k + 1 == n { 1.0 + mean_steps } else { 1.0 };
            for (p, carry) in row.as_flattened_mut().iter_mut().zip(carry.as_flattened_mut()) {
                *carry = keep * *carry + (1.0 - keep) * *p;
                *p = (1.0 - odds) * *p + odds * at_end * *carry;
            }
        }
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

    /// Sum of all weights of each offset and class, the common factor left out.
    pub(super) fn evidence(&self) -> [[f64; N_CLASSES]; LANES] {
        let mut sum = Row::default();
        for row in &self.rows {
            for (s, p) in sum.as_flattened_mut().iter_mut().zip(row.as_flattened()) {
                *s += p;
            }
        }
        std::array::from_fn(|lane| sum.map(|of_class| f64::from(of_class[lane] * self.scale)))
    }

    /// Adds to each wear's and class's weight in `to` those of all offsets, each offset and class with its factor.
    pub(super) fn add_to(&self, to: &mut [[f64; N_CLASSES]], factors: &[[f64; N_CLASSES]; LANES]) {
        let scale = f64::from(self.scale);
        let factors: Row = std::array::from_fn(|class| factors.map(|f| (f[class] * scale) as f32));
        for (sums, row) in to.iter_mut().zip(&self.rows) {
            for ((sum, weights), factors) in sums.iter_mut().zip(row).zip(&factors) {
                let weighted: f32 = weights.iter().zip(factors).map(|(p, f)| p * f).sum();
                *sum += f64::from(weighted);
            }
        }
    }
}
