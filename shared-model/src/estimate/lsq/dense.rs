//! A small dense problem: a model that streams its residuals with their derivatives.

use super::triangle::{Sum, Triangle};
use super::{Failure, Options, Outcome, Problem, minimise};

/// A model with `P` parameters that can stream its weighted residuals and their derivatives.
pub trait Rows<const P: usize> {
    /// Calls `emit(residual, derivatives)` for each residual at `x`; false where the model has no value.
    ///
    /// Priors are rows like any other: `(x_j − mean) / sd`.
    fn rows(&mut self, x: &[f64; P], emit: &mut impl FnMut(f64, &[f64; P])) -> bool;
}

/// What the damping is measured in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scaling {
    /// Largest length that the parameter's column has had: no unit matters, and no direction is forgotten.
    LargestColumn,
    /// Present length of the parameter's column: the most daring.
    Column,
    /// The parameter's own units: the shyest, for models whose columns vanish far from the minimum.
    Unit,
}

/// [`Rows`] solved by streaming QR. Nothing is allocated after construction.
#[derive(Debug)]
pub struct Dense<M, const P: usize> {
    model: M,
    scaling: Scaling,
    scale: [f64; P],
    at: Triangle<P>,
    candidate: Triangle<P>,
}

impl<M: Rows<P>, const P: usize> Dense<M, P> {
    /// A problem with the usual scaling.
    pub fn new(model: M) -> Self {
        Self::with_scaling(model, Scaling::LargestColumn)
    }

    /// A problem with a scaling of choice.
    pub fn with_scaling(model: M, scaling: Scaling) -> Self {
        Self { model, scaling, scale: [0.0; P], at: Triangle::default(), candidate: Triangle::default() }
    }

    /// `(JᵀJ)⁻¹` at the accepted point: the covariance where residuals have unit variance.
    ///
    /// # Errors
    /// [`Failure::Singular`] where parameters cannot be told apart.
    pub fn covariance(&self) -> Result<[[f64; P]; P], Failure> {
        self.at.inverse_normal().ok_or(Failure::Singular { cost: self.at.left_over() })
    }

    /// Minimises from `x`, which ends at the best point found.
    ///
    /// # Errors
    /// [`Failure`] tells why no minimum was reached.
    pub fn minimise(&mut self, x: &mut [f64; P], options: &Options) -> Result<Outcome, Failure> {
        self.scale = [0.0; P];
        minimise(self, x, options)
    }

    /// The model.
    pub fn model(&self) -> &M {
        &self.model
    }

    fn rescale(&mut self) {
        for (j, scale) in self.scale.iter_mut().enumerate() {
            let length = self.at.column_norm(j);
            *scale = match self.scaling {
                Scaling::LargestColumn => scale.max(length),
                Scaling::Column => length,
                Scaling::Unit => 1.0,
            };
        }
    }
}

impl<M: Rows<P>, const P: usize> Problem for Dense<M, P> {
    fn n_params(&self) -> usize {
        P
    }

    fn evaluate(&mut self, x: &[f64]) -> Option<f64> {
        let x: &[f64; P] = x.try_into().ok()?;
        let triangle = &mut self.candidate;
        *triangle = Triangle::default();
        let mut cost = Sum::default();
        let has_value = self.model.rows(x, &mut |residual, row| {
            cost.add(residual * residual);
            triangle.push(row, residual);
        });
        triangle.finish();
        has_value.then(|| cost.value())
    }

    fn accept(&mut self) {
        std::mem::swap(&mut self.at, &mut self.candidate);
        self.rescale();
    }

    fn step(&mut self, damping: f64, dx: &mut [f64]) -> Option<f64> {
        if damping == 0.0 {
            dx.copy_from_slice(&self.at.solve()?);
            return Some(self.at.fall(dx));
        }
        let mut damped = self.at.clone();
        for (j, scale) in self.scale.iter().enumerate() {
            let mut row = [0.0; P];
            // A column that has always been zero still must not make the system singular.
            row[j] = damping.sqrt() * if *scale > 0.0 { *scale } else { 1.0 };
            damped.push(&row, 0.0);
        }
        damped.finish();
        dx.copy_from_slice(&damped.solve()?);
        Some(self.at.fall(dx))
    }
}
