//! A small dense problem whose normal equations are summed block by block.

#![expect(
    clippy::inline_always,
    reason = "a loop reaches the vector registers only where it is inlined into the caller chosen for them"
)]
#![expect(clippy::needless_range_loop, reason = "rows and columns of several matrices are addressed at once")]

use super::super::lanes::{Lane, PARTS, add_products, total};
use super::{Failure, Options, Outcome, Problem, minimise};

/// A model with `P` parameters, each held by a prior, that can sum up its normal equations.
///
/// The priors are what makes this safe: in their units no eigenvalue of the normal matrix is below one, so that squaring
/// the condition number costs digits far below a standard error. Without them use [`super::Rows`].
pub trait Summed<const P: usize> {
    /// Adds everything at `x` to `sums`.
    fn sum(&self, x: &[f64; P], sums: &mut Sums<P>);
}

/// Weighted squares, gradient and normal matrix on their way to being summed.
#[derive(Debug, Clone, PartialEq)]
pub struct Sums<const P: usize> {
    /// `Σ w·J_j·J_k`, for k up to j.
    matrix: [[[f64; PARTS]; P]; P],
    /// `Σ J_j·pull`.
    gradient: [[f64; PARTS]; P],
    cost: [f64; PARTS],
}

impl<const P: usize> Sums<P> {
    /// Of nothing.
    pub const NONE: Self =
        Self { matrix: [[[0.0; PARTS]; P]; P], gradient: [[0.0; PARTS]; P], cost: [0.0; PARTS] };

    /// Adds a block of residuals: each parameter's derivatives, weights, weight times residual, and weighted squares.
    #[inline(always)]
    pub fn add(&mut self, derivatives: &[&Lane; P], weight: &Lane, pull: &Lane, square: &Lane) {
        for j in 0..P {
            let mut weighted = *derivatives[j];
            for (d, w) in weighted.iter_mut().zip(weight) {
                *d *= w;
            }
            add_products(&mut self.gradient[j], derivatives[j], pull);
            for k in 0..=j {
                add_products(&mut self.matrix[j][k], &weighted, derivatives[k]);
            }
        }
        for chunk in square.chunks_exact(PARTS) {
            for part in 0..PARTS {
                self.cost[part] += chunk[part];
            }
        }
    }

    /// Adds a residual that is `offset / sd` and depends on parameter `j` alone: a prior.
    pub fn add_prior(&mut self, j: usize, offset: f64, sd: f64) {
        let per_sd = 1.0 / sd;
        let residual = offset * per_sd;
        self.matrix[j][j][0] += per_sd * per_sd;
        self.gradient[j][0] += residual * per_sd;
        self.cost[0] += residual * residual;
    }
}

/// The linearised problem at a point.
#[derive(Debug, Clone, Copy)]
struct Linear<const P: usize> {
    /// Normal matrix; below the diagonal as above it.
    matrix: [[f64; P]; P],
    gradient: [f64; P],
    cost: f64,
}

impl<const P: usize> Linear<P> {
    const NONE: Self = Self { matrix: [[0.0; P]; P], gradient: [0.0; P], cost: f64::NAN };

    fn of(sums: &Sums<P>) -> Self {
        let mut linear = Self::NONE;
        for j in 0..P {
            for k in 0..=j {
                linear.matrix[j][k] = total(&sums.matrix[j][k]);
                linear.matrix[k][j] = linear.matrix[j][k];
            }
            linear.gradient[j] = total(&sums.gradient[j]);
        }
        linear.cost = total(&sums.cost);
        linear
    }
}

/// [`Summed`] solved by Cholesky's factorisation. Nothing is allocated after construction.
#[derive(Debug)]
pub struct Normal<M, const P: usize> {
    model: M,
    /// Largest length that each parameter's column has had, squared: what the damping is measured in.
    scale: [f64; P],
    at: Linear<P>,
    candidate: Linear<P>,
}

impl<M: Summed<P>, const P: usize> Normal<M, P> {
    /// A problem.
    pub fn new(model: M) -> Self {
        Self { model, scale: [0.0; P], at: Linear::NONE, candidate: Linear::NONE }
    }

    /// Minimises from `x`, which ends at the best point found.
    ///
    /// # Errors
    /// [`Failure`] tells why no minimum was reached.
    pub fn minimise(&mut self, x: &mut [f64; P], options: &Options) -> Result<Outcome, Failure> {
        self.scale = [0.0; P];
        minimise(self, x, options)
    }

    /// The inverse of the normal matrix at the accepted point: the covariance where residuals have unit variance.
    ///
    /// # Errors
    /// [`Failure::Singular`] where parameters cannot be told apart.
    pub fn covariance(&self) -> Result<[[f64; P]; P], Failure> {
        let factor = Cholesky::of(&self.at.matrix).ok_or(Failure::Singular { cost: self.at.cost })?;
        Ok(factor.inverse())
    }
}

impl<M: Summed<P>, const P: usize> Problem for Normal<M, P> {
    fn n_params(&self) -> usize {
        P
    }

    fn evaluate(&mut self, x: &[f64]) -> Option<f64> {
        let x: &[f64; P] = x.try_into().ok()?;
        let mut sums = Sums::NONE;
        self.model.sum(x, &mut sums);
        self.candidate = Linear::of(&sums);
        Some(self.candidate.cost)
    }

    fn accept(&mut self) {
        self.at = self.candidate;
        for (j, scale) in self.scale.iter_mut().enumerate() {
            *scale = scale.max(self.at.matrix[j][j]);
        }
    }

    fn step(&mut self, damping: f64, dx: &mut [f64]) -> Option<f64> {
        let mut damped = self.at.matrix;
        for (j, scale) in self.scale.iter().enumerate() {
            damped[j][j] += damping * scale;
        }
        let step = Cholesky::of(&damped)?.solve(&self.at.gradient.map(|g| -g));
        dx.copy_from_slice(&step);
        // gᵀdx and dxᵀN·dx without their cancellation: N·dx is −g less what the damping holds back.
        let mut fall = 0.0;
        for j in 0..P {
            fall += step[j] * (damping * self.scale[j] * step[j] - self.at.gradient[j]);
        }
        Some(fall)
    }
}

/// The lower triangle whose product with its transpose is a matrix.
#[derive(Debug)]
struct Cholesky<const P: usize> {
    lower: [[f64; P]; P],
    per_pivot: [f64; P],
}

impl<const P: usize> Cholesky<P> {
    /// `None` unless the matrix is positive definite.
    fn of(matrix: &[[f64; P]; P]) -> Option<Self> {
        let mut factor = Self { lower: [[0.0; P]; P], per_pivot: [0.0; P] };
        // Column by column, each taken off what is right of it: those updates fill vector registers.
        let mut rest = *matrix;
        for j in 0..P {
            let pivot = rest[j][j];
            // Also for a NaN.
            if !(pivot > 0.0 && pivot.is_finite()) {
                return None;
            }
            let per_pivot = 1.0 / pivot.sqrt();
            factor.per_pivot[j] = per_pivot;
            let column = rest[j].map(|v| v * per_pivot);
            for i in j..P {
                factor.lower[i][j] = column[i];
            }
            for i in j + 1..P {
                for k in 0..P {
                    rest[i][k] -= column[i] * column[k];
                }
            }
        }
        Some(factor)
    }

    fn solve(&self, right: &[f64; P]) -> [f64; P] {
        let mut x = *right;
        for j in 0..P {
            x[j] *= self.per_pivot[j];
            for i in j + 1..P {
                x[i] -= self.lower[i][j] * x[j];
            }
        }
        for j in (0..P).rev() {
            x[j] *= self.per_pivot[j];
            for i in 0..j {
                x[i] -= self.lower[j][i] * x[j];
            }
        }
        x
    }

    fn inverse(&self) -> [[f64; P]; P] {
        let mut inverse = [[0.0; P]; P];
        for (j, row) in inverse.iter_mut().enumerate() {
            row[j] = 1.0;
            *row = self.solve(row);
        }
        inverse
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::lanes::{BLOCK, lane};
    use super::super::{Dense, Rows};
    use super::*;

    /// `a·exp(−b·t) + c` through points, each parameter with a prior unless it is infinitely wide.
    struct Decay {
        sd: [f64; 3],
    }

    const MEAN: [f64; 3] = [4.0, 1.0, 0.5];

    impl Decay {
        fn y(i: usize) -> f64 {
            5.0 * (-0.7 * Self::t(i)).exp() + 1.0 + 0.01 * (i as f64).sin()
        }

        fn t(i: usize) -> f64 {
            0.1 * i as f64
        }

        fn row(x: &[f64; 3], i: usize) -> (f64, [f64; 3]) {
            let decay = (-x[1] * Self::t(i)).exp();
            (x[0] * decay + x[2] - Self::y(i), [decay, -x[0] * Self::t(i) * decay, 1.0])
        }
    }

    impl Summed<3> for Decay {
        fn sum(&self, x: &[f64; 3], sums: &mut Sums<3>) {
            let residual = lane(|i| Self::row(x, i).0);
            let columns = [0, 1, 2].map(|j| lane(|i| Self::row(x, i).1[j]));
            sums.add(&columns.each_ref(), &[1.0; BLOCK], &residual, &residual.map(|r| r * r));
            for j in 0..3 {
                sums.add_prior(j, x[j] - MEAN[j], self.sd[j]);
            }
        }
    }

    impl Rows<3> for Decay {
        fn rows(&mut self, x: &[f64; 3], emit: &mut impl FnMut(f64, &[f64; 3])) -> bool {
            for i in 0..BLOCK {
                let (residual, row) = Self::row(x, i);
                emit(residual, &row);
            }
            for j in 0..3 {
                let mut row = [0.0; 3];
                row[j] = 1.0 / self.sd[j];
                emit((x[j] - MEAN[j]) / self.sd[j], &row);
            }
            true
        }
    }

    #[test]
    fn the_minimum_and_its_covariance_are_those_of_qr() {
        let sd = [1.0, 0.5, 2.0];
        let (mut got, mut wanted) = (MEAN, MEAN);
        let mut normal = Normal::new(Decay { sd });
        let mut dense = Dense::new(Decay { sd });
        let by_sums = normal.minimise(&mut got, &Options::MEASURED).unwrap();
        let by_rows = dense.minimise(&mut wanted, &Options::MEASURED).unwrap();
        assert_eq!(by_sums.evaluations, by_rows.evaluations);
        assert!((by_sums.cost / by_rows.cost - 1.0).abs() < 1e-12);
        let (covariance, wanted_covariance) = (normal.covariance().unwrap(), dense.covariance().unwrap());
        for j in 0..3 {
            assert!((got[j] - wanted[j]).abs() < 1e-10, "{} against {}", got[j], wanted[j]);
            for k in 0..3 {
                let (got, wanted) = (covariance[j][k], wanted_covariance[j][k]);
                assert!((got - wanted).abs() < 1e-10, "{j}, {k}: {got} against {wanted}");
            }
        }
    }

    /// The promised fall is that of the linearised sum, damped or not.
    #[test]
    fn a_step_promises_what_the_linear_model_falls() {
        let mut problem = Normal::new(Decay { sd: [1.0; 3] });
        problem.evaluate(&MEAN).unwrap();
        problem.accept();
        for damping in [0.0, 1e-3, 1.0, 1e3] {
            let mut dx = [0.0; 3];
            let promised = problem.step(damping, &mut dx).unwrap();
            let Linear { matrix, gradient, .. } = &problem.at;
            let mut fall = 0.0;
            for j in 0..3 {
                let moved: f64 = (0..3).map(|k| matrix[j][k] * dx[k]).sum();
                fall -= dx[j] * (2.0 * gradient[j] + moved);
            }
            assert!((promised / fall - 1.0).abs() < 1e-9, "damping {damping}: {promised} against {fall}");
        }
    }

    #[test]
    fn what_cannot_be_solved_is_refused() {
        assert!(Cholesky::of(&[[1.0, 1.0], [1.0, 1.0]]).is_none());
        assert!(Cholesky::of(&[[f64::NAN, 0.0], [0.0, 1.0]]).is_none());
        let mut x = [f64::NAN, 1.0, 0.5];
        let failure = Normal::new(Decay { sd: [1.0; 3] }).minimise(&mut x, &Options::MEASURED);
        assert_eq!(failure, Err(Failure::StartNotFinite));
    }
}
