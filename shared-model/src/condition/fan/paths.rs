//! The filter's inner loop: a fan factor's weights for every unit offset and both quiet hypotheses at once.
//!
//! Only wear moves weight, and only from a factor to lower ones, within one column. So all columns stand side by side
//! in each row, in vector registers, and drift and reading are one pass from the highest factor
//! down. Single precision is enough: every pass sums terms of one sign, and each hypothesis is scaled to one again.

#![expect(
    clippy::inline_always,
    reason = "a loop reaches the vector registers only where it is inlined into the caller chosen for them"
)]

use pulp::Simd;

use super::super::vector::{load, store};
use super::{N_CLASSES, N_OFFSETS, N_STATES};

/// Laptops that usually aren't quiet, and those that always are.
pub(super) const N_QUIET: usize = 2;
/// Columns of a quiet hypothesis: the offsets, and some that stay empty so that rows fill registers.
pub(super) const N_COLUMNS: usize = 8;
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

/// Weights on their way from the highest factor down.
struct Down {
    starts: f32,
    keep: [f32; N_CLASSES],
    /// What a weight brings in, with the factor that is owed.
    enter: [Row; N_CLASSES],
    carry: [Row; N_CLASSES],
    seized: [Row; N_CLASSES],
    total: Row,
}

impl Down {
    fn new(wear: &Wear, scale: &Row) -> Self {
        let keep = wear.mean_steps.map(|m| (m / (1.0 + m)) as f32);
        let none = [[0.0; LANES]; N_CLASSES];
        let enter = keep.map(|keep| scale.map(|s| (1.0 - keep) * s));
        Self { starts: wear.starts as f32, keep, enter, carry: none, seized: none, total: [0.0; LANES] }
    }

    /// Steady and failing weight once some of the steady fans have begun to fail.
    fn enter_from(&self, steady: f32, failing: f32) -> [f32; N_CLASSES] {
        let new = self.starts * steady;
        [steady - new, failing + new]
    }

    /// Through rows at which the same share seizes.
    #[inline(always)]
    fn pass<S: Simd>(&mut self, simd: S, rows: &mut [[Row; N_CLASSES]], likelihoods: &[Row], seizes: f64) {
        let n_groups = LANES / S::F32_LANES;
        let (weights, _) = S::as_mut_simd_f32s(rows.as_flattened_mut().as_flattened_mut());
        let (likelihoods, _) = S::as_simd_f32s(likelihoods.as_flattened());
        let keep = self.keep.map(|k| simd.splat_f32s(k));
        let [starts, seizes, turns, floor] =
            [self.starts, seizes as f32, 1.0 - seizes as f32, FLOOR].map(|v| simd.splat_f32s(v));
        for group in 0..n_groups {
            let lanes = group * S::F32_LANES..(group + 1) * S::F32_LANES;
            let enter = [0, 1].map(|class| load(simd, &self.enter[class][lanes.clone()]));
            let mut carry = [0, 1].map(|class| load(simd, &self.carry[class][lanes.clone()]));
            let mut total = load(simd, &self.total[lanes.clone()]);
            let mut passed = [simd.splat_f32s(0.0); N_CLASSES];
            let rows = weights.chunks_exact_mut(N_CLASSES * n_groups);
            for (row, likelihood) in rows.zip(likelihoods.chunks_exact(n_groups)).rev() {
                let still = simd.mul_f32s(turns, likelihood[group]);
                let (steady, failing) = (row[group], row[n_groups + group]);
                let new = simd.mul_f32s(starts, steady);
                let from = [simd.sub_f32s(steady, new), simd.add_f32s(failing, new)];
                for class in 0..N_CLASSES {
                    let kept = simd.mul_f32s(keep[class], carry[class]);
                    let worn = simd.add_f32s(kept, simd.mul_f32s(enter[class], from[class]));
                    carry[class] = worn;
                    passed[class] = simd.add_f32s(passed[class], worn);
                    let weight = simd.add_f32s(simd.mul_f32s(worn, still), floor);
                    row[class * n_groups + group] = weight;
                    total = simd.add_f32s(total, weight);
                }
            }
            for class in 0..N_CLASSES {
                let seized = &mut self.seized[class][lanes.clone()];
                let sum = simd.add_f32s(load(simd, seized), simd.mul_f32s(seizes, passed[class]));
                store(simd, sum, seized);
                store(simd, carry[class], &mut self.carry[class][lanes.clone()]);
            }
            store(simd, total, &mut self.total[lanes]);
        }
    }
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
    #[inline(always)]
    pub(super) fn wear_and_see<S: Simd>(&mut self, simd: S, wear: &Wear, likelihoods: &[Row; N_STATES]) {
        let mut down = Down::new(wear, &self.scale);
        let (worn, sound) = self.rows.split_at_mut(wear.worn_below);
        down.pass(simd, sound, &likelihoods[wear.worn_below..], wear.seizes);
        down.pass(simd, &mut worn[1..], &likelihoods[1..wear.worn_below], wear.seizes_worn);
        // What would wear below the lowest turning factor stays there.
        for (class, weights) in self.rows[1].iter_mut().enumerate() {
            for lane in 0..LANES {
                let more = wear.mean_steps[class] as f32 * down.carry[class][lane];
                let stays = more * (1.0 - wear.seizes_worn as f32) * likelihoods[1][lane];
                down.seized[class][lane] += more * wear.seizes_worn as f32;
                weights[lane] += stays;
                down.total[lane] += stays;
            }
        }
        let [steady, failing] = &mut self.rows[0];
        for lane in 0..LANES {
            let [s, f] = down.enter_from(steady[lane], failing[lane]);
            steady[lane] = (s * self.scale[lane] + down.seized[0][lane]) * likelihoods[0][lane] + FLOOR;
            failing[lane] = (f * self.scale[lane] + down.seized[1][lane]) * likelihoods[0][lane] + FLOOR;
            down.total[lane] += steady[lane] + failing[lane];
        }
        let total = down.total;
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
