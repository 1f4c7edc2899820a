//! The filter's inner loop: a fan factor's weights for every unit offset and both quiet hypotheses at once.
//!
//! Only wear moves weight, and only from a factor to lower ones, within one column. So all columns stand side by side
//! in each row, which compilers keep in vector registers, and drift and reading are one pass from the highest factor
//! down. Single precision is enough: every pass sums terms of one sign, and each hypothesis is scaled to one again.

use super::{N_CLASSES, N_OFFSETS, N_STATES};

/// Laptops that usually aren't quiet, and those that always are.
pub(super) const N_QUIET: usize = 2;
/// Columns of a quiet hypothesis: the offsets, and one that stays empty so that rows fill registers.
pub(super) const N_COLUMNS: usize = N_OFFSETS + 1;
const LANES: usize = N_QUIET * N_COLUMNS;

/// One number for each quiet hypothesis and offset.
pub(super) type Row = [f32; LANES];

/// Column of a quiet hypothesis and offset.
pub(super) fn column(quiet: usize, offset: usize) -> usize {
    quiet * N_COLUMNS + offset
}

/// Added to each weight: far below all that matters, and above the subnormal numbers, which are slow to compute with.
const FLOOR: f32 = 1e-30;

/// What some months do to a fan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Wear {
    /// Share of steady fans that begin to fail.
    pub(super) starts: f64,
    /// Mean loss in grid steps, steady and failing.
    pub(super) mean_steps: [f64; N_CLASSES],
    /// Share of fans that seize, above the factor at which one counts as worn.
    pub(super) seizes: f64,
    /// As above, below it.
    pub(super) seizes_worn: f64,
    /// Rows below this one are worn.
    pub(super) worn_below: usize,
}

/// Weights of each class, factor and column.
#[derive(Debug, Clone)]
pub(super) struct Paths {
    rows: Vec<[Row; N_CLASSES]>,
    /// Factor on all weights that the next pass multiplies in.
    scale: Row,
    /// Natural logarithm of the common factor of the scaled weights.
    pub(super) log_scale: [f64; N_QUIET],
}

impl Paths {
    /// With the same weights for both quiet hypotheses.
    pub(super) fn new(weights: impl Fn(usize, usize, usize) -> f64) -> Self {
        let mut rows = vec![[[0.0; LANES]; N_CLASSES]; N_STATES];
        for (k, row) in rows.iter_mut().enumerate() {
            for (class, of_class) in row.iter_mut().enumerate() {
                for quiet in 0..N_QUIET {
                    for offset in 0..N_OFFSETS {
                        of_class[column(quiet, offset)] = weights(class, offset, k) as f32;
                    }
                }
            }
        }
        Self { rows, scale: [1.0; LANES], log_scale: [0.0; N_QUIET] }
    }

    /// The fan wears, then is seen.
    pub(super) fn wear_and_see(&mut self, wear: &Wear, likelihoods: &[Row]) {
        let keep = wear.mean_steps.map(|m| (m / (1.0 + m)) as f32);
        let enter = keep.map(|keep| self.scale.map(|s| (1.0 - keep) * s));
        let (starts, stays) = (wear.starts as f32, 1.0 - wear.starts as f32);
        let mut carry = [[0.0; LANES]; N_CLASSES];
        let mut seized = [[0.0; LANES]; N_CLASSES];
        let mut total = [0.0; LANES];
        for (k, (row, likelihood)) in self.rows.iter_mut().zip(likelihoods).enumerate().skip(1).rev() {
            let hazard = if k < wear.worn_below { wear.seizes_worn } else { wear.seizes } as f32;
            // What would wear below the lowest turning factor stays there.
            let at_end = if k == 1 { wear.mean_steps.map(|m| 1.0 + m as f32) } else { [1.0; N_CLASSES] };
            let [steady, failing] = row;
            for lane in 0..LANES {
                let grown =
                    keep[1] * carry[1][lane] + enter[1][lane] * (failing[lane] + starts * steady[lane]);
                carry[1][lane] = grown;
                let moved = grown * at_end[1] * hazard;
                seized[1][lane] += moved;
                failing[lane] = (grown * at_end[1] - moved) * likelihood[lane] + FLOOR;
                total[lane] += failing[lane];
            }
            for lane in 0..LANES {
                let grown = keep[0] * carry[0][lane] + enter[0][lane] * (stays * steady[lane]);
                carry[0][lane] = grown;
                let moved = grown * at_end[0] * hazard;
                seized[0][lane] += moved;
                steady[lane] = (grown * at_end[0] - moved) * likelihood[lane] + FLOOR;
                total[lane] += steady[lane];
            }
        }
        let [steady, failing] = &mut self.rows[0];
        for lane in 0..LANES {
            let new = starts * steady[lane];
            let still = [steady[lane] - new, failing[lane] + new];
            let [s, f] = [0, 1].map(|class| still[class] * self.scale[lane] + seized[class][lane]);
            steady[lane] = s * likelihoods[0][lane] + FLOOR;
            failing[lane] = f * likelihoods[0][lane] + FLOOR;
            total[lane] += steady[lane] + failing[lane];
        }
        self.scale_to_one(&total);
    }

    fn scale_to_one(&mut self, total: &Row) {
        for quiet in 0..N_QUIET {
            let columns = column(quiet, 0)..column(quiet, N_OFFSETS);
            let sum = f64::from(total[columns.clone()].iter().sum::<f32>());
            let is_usable = sum > 0.0;
            self.scale[columns].fill(if is_usable { (1.0 / sum) as f32 } else { 1.0 });
            self.log_scale[quiet] += if is_usable { sum.ln() } else { 0.0 };
        }
    }

    /// With these odds the fan is a new one, distributed as `new`, and steady.
    pub(super) fn replace(&mut self, odds: f32, new: &[f64; N_STATES]) {
        let mut total = [0.0; LANES];
        for weights in self.rows.as_flattened() {
            total.iter_mut().zip(weights).for_each(|(t, p)| *t += p);
        }
        for ([steady, failing], share) in self.rows.iter_mut().zip(new) {
            for lane in 0..LANES {
                steady[lane] = steady[lane] * (1.0 - odds) + odds * total[lane] * *share as f32;
                failing[lane] *= 1.0 - odds;
            }
        }
    }

    /// Weight of each factor and of all failing fans under a quiet hypothesis, up to a common factor.
    pub(super) fn sums(&self, quiet: usize) -> (Vec<f64>, f64) {
        let columns = column(quiet, 0)..column(quiet, N_OFFSETS);
        let of = |row: &Row| row[columns.clone()].iter().map(|p| f64::from(*p)).sum::<f64>();
        let failing = self.rows.iter().map(|[_, failing]| of(failing)).sum();
        (self.rows.iter().map(|[steady, failing]| of(steady) + of(failing)).collect(), failing)
    }
}
