//! A curve `y = f(x; parameters)` through points, differentiated by dual numbers.

use super::dense::{Dense, Rows, Scaling};
use super::{Dual, Failure, Options, Outcome};

/// Points and the function meant to pass through them.
#[derive(Debug)]
pub struct Curve<'a, F> {
    /// Abscissas.
    pub x: &'a [f64],
    /// Ordinates, as many as abscissas.
    pub y: &'a [f64],
    /// The function, written once for values and derivatives.
    pub f: F,
}

impl<F, const P: usize> Rows<P> for Curve<'_, F>
where
    F: Fn(f64, &[Dual<P>; P]) -> Dual<P>,
{
    fn rows(&mut self, params: &[f64; P], emit: &mut impl FnMut(f64, &[f64; P])) -> bool {
        let params = Dual::parameters(params);
        for (x, y) in self.x.iter().zip(self.y) {
            let model = (self.f)(*x, &params);
            if !model.v.is_finite() || model.d.iter().any(|d| !d.is_finite()) {
                return false;
            }
            emit(model.v - y, &model.d);
        }
        true
    }
}

/// A fitted curve: parameters, their standard errors from the residuals' own scatter, and how the search went.
#[derive(Debug, Clone, Copy)]
pub struct CurveFit<const P: usize> {
    /// Parameters.
    pub params: [f64; P],
    /// Standard errors, assuming independent residuals of equal variance.
    pub se: [f64; P],
    /// The search.
    pub outcome: Outcome,
    /// The damping's scaling that converged.
    pub scaling: Scaling,
}

/// Fits a curve from a start that may lie far away: one scaling of the damping after the other, from the most
/// to the least proven, until one converges.
///
/// # Errors
/// The first scaling's failure if none converges.
pub fn fit_curve<F, const P: usize>(
    curve: &Curve<'_, F>,
    start: &[f64; P],
    options: &Options,
) -> Result<CurveFit<P>, Failure>
where
    F: Fn(f64, &[Dual<P>; P]) -> Dual<P>,
{
    let mut first_failure = None;
    for scaling in [Scaling::LargestColumn, Scaling::Column, Scaling::Unit] {
        match fit_scaled(curve, start, options, scaling) {
            Ok(fit) => return Ok(fit),
            Err(failure) => _ = first_failure.get_or_insert(failure),
        }
    }
    Err(first_failure.unwrap_or(Failure::StartNotFinite))
}

fn fit_scaled<F, const P: usize>(
    curve: &Curve<'_, F>,
    start: &[f64; P],
    options: &Options,
    scaling: Scaling,
) -> Result<CurveFit<P>, Failure>
where
    F: Fn(f64, &[Dual<P>; P]) -> Dual<P>,
{
    let mut params = *start;
    let mut problem = Dense::with_scaling(Curve { x: curve.x, y: curve.y, f: &curve.f }, scaling);
    let outcome = problem.minimise(&mut params, options)?;
    let covariance = problem.covariance()?;
    let n_free = curve.x.len().saturating_sub(P).max(1) as f64;
    let variance = outcome.cost / n_free;
    let se = std::array::from_fn(|j| (covariance[j][j] * variance).sqrt());
    Ok(CurveFit { params, se, outcome, scaling })
}
