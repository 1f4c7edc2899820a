//! The one nonlinear least-squares solver behind every fit.
//!
//! Levenberg–Marquardt in two layers. [`minimise`] is the outer loop: it knows damping, acceptance and when to
//! stop, and nothing of how a linear system is solved. A [`Problem`] knows its residuals and solves its own
//! linearised system, and there are two kinds for small parameter vectors: [`Dense`] by streaming QR for anything,
//! since forming the normal equations would square the condition number and cost the digits that the published
//! problems (NIST StRD) ask for; [`Normal`] by just these equations, with less work, where priors hold every
//! parameter.
//!
//! Failing to converge is a value of its own ([`Failure`]) with the best point left in place.

mod curve;
mod dense;
mod dual;
#[cfg(test)]
mod nist;
mod normal;
mod triangle;

pub use curve::{Curve, CurveFit, fit_curve};
pub use dense::{Dense, Rows, Scaling};
pub use dual::Dual;
pub use normal::{Normal, Summed, Sums};
pub use triangle::Triangle;

/// A sum of squares that can be linearised about a point and solved with damping.
///
/// The candidate's linearisation is kept beside the accepted one, so that an accepted step costs one
/// evaluation and not two.
pub trait Problem {
    /// Number of parameters.
    fn n_params(&self) -> usize;

    /// Sum of squared residuals at `x`, whose linearisation becomes the candidate; `None` where the model has
    /// no finite value.
    fn evaluate(&mut self, x: &[f64]) -> Option<f64>;

    /// The candidate becomes the point about which [`Problem::step`] solves.
    fn accept(&mut self);

    /// Writes the damped step from the accepted point and returns by how much the linearised sum of squares
    /// falls; `None` if the system is singular. Damping 0 is the Gauss–Newton step.
    fn step(&mut self, damping: f64, dx: &mut [f64]) -> Option<f64>;
}

/// When to stop. The defaults suit fits of measured data.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Most evaluations of the residuals.
    pub evaluations_max: usize,
    /// Converged when an undamped step would lower the sum of squares by less than this share of it.
    pub cost_share_min: f64,
    /// Converged when an undamped step would lower the sum of squares by less than this, in its own unit: where
    /// residuals are standardised, a fall of `f` moves no parameter by more than `√f` standard errors.
    pub cost_fall_min: f64,
    /// Converged when an undamped step changes each parameter by less than this share of it.
    pub step_share_min: f64,
    /// First damping, relative to the scaled normal matrix's unit diagonal.
    pub damping_start: f64,
    /// Undamped steps after convergence, each kept only while the expected fall shrinks.
    pub polish_steps_max: usize,
}

impl Options {
    /// For measured data: parameters within a thousandth of their standard errors.
    pub const MEASURED: Self = Self {
        evaluations_max: 200,
        cost_share_min: 1e-10,
        cost_fall_min: 1e-7,
        step_share_min: 1e-12,
        damping_start: 1e-3,
        polish_steps_max: 0,
    };
    /// To the last digit that doubles allow, from starts that may lie far away.
    pub const EXACT: Self = Self {
        // MGH10 of NIST's set creeps down a bent valley for some 7,700 evaluations from its far start.
        evaluations_max: 20_000,
        cost_share_min: 1e-20,
        cost_fall_min: 0.0,
        step_share_min: 1e-13,
        damping_start: 1e-3,
        polish_steps_max: 12,
    };
}

/// Where and how the search ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// Sum of squared residuals.
    pub cost: f64,
    /// How much a further undamped step would lower it, by the linearised model.
    pub expected_fall: f64,
    /// Evaluations of the residuals.
    pub evaluations: usize,
}

/// Why there is no minimum to report.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Failure {
    /// The model has no finite value at the start.
    #[error("the model has no finite value at the starting point")]
    StartNotFinite,
    /// The evaluations ran out; the best point reached is in place.
    #[error("no convergence after {evaluations} evaluations, sum of squares {cost:e}")]
    OutOfEvaluations {
        /// Evaluations made.
        evaluations: usize,
        /// Sum of squares at the best point.
        cost: f64,
    },
    /// No step lowers the sum, yet the point isn't a minimum: the model is flat or broken here.
    #[error("stuck after {evaluations} evaluations at a sum of squares of {cost:e} that is no minimum")]
    Stuck {
        /// Evaluations made.
        evaluations: usize,
        /// Sum of squares at the best point.
        cost: f64,
    },
    /// Two or more parameters cannot be told apart at the point reached.
    #[error("parameters cannot be told apart at a sum of squares of {cost:e}")]
    Singular {
        /// Sum of squares there.
        cost: f64,
    },
}

/// Largest damping: beyond it a step is lost in rounding.
const DAMPING_MAX: f64 = 1e16;
/// Least share of the promised fall that makes a step acceptable.
const ACCEPT_SHARE: f64 = 1e-4;

/// Lowers the sum of squares from `x`, which ends at the best point found, also on failure.
///
/// # Errors
/// [`Failure`] tells why no minimum was reached.
pub fn minimise<P: Problem + ?Sized>(
    problem: &mut P,
    x: &mut [f64],
    options: &Options,
) -> Result<Outcome, Failure> {
    let mut search = Search::begin(problem, x, options)?;
    let converged = search.descend();
    let (cost, evaluations) = (search.cost, search.evaluations);
    match converged {
        Descent::Converged => Ok(search.polish()),
        Descent::OutOfEvaluations => Err(Failure::OutOfEvaluations { evaluations, cost }),
        Descent::Stuck => Err(Failure::Stuck { evaluations, cost }),
        Descent::Singular => Err(Failure::Singular { cost }),
    }
}

enum Descent {
    Converged,
    OutOfEvaluations,
    Stuck,
    Singular,
}

struct Search<'a, P: Problem + ?Sized> {
    problem: &'a mut P,
    x: &'a mut [f64],
    options: &'a Options,
    dx: Vec<f64>,
    trial: Vec<f64>,
    cost: f64,
    evaluations: usize,
}

impl<'a, P: Problem + ?Sized> Search<'a, P> {
    fn begin(problem: &'a mut P, x: &'a mut [f64], options: &'a Options) -> Result<Self, Failure> {
        assert_eq!(x.len(), problem.n_params(), "length of the starting point");
        let cost = finite(problem.evaluate(x)).ok_or(Failure::StartNotFinite)?;
        problem.accept();
        let (dx, trial) = (vec![0.0; x.len()], x.to_vec());
        Ok(Self { problem, x, options, dx, trial, cost, evaluations: 1 })
    }

    fn descend(&mut self) -> Descent {
        let mut damping = self.options.damping_start;
        let mut raise = 2.0;
        loop {
            if self.undamped_is_done() {
                return Descent::Converged;
            }
            let Some(promised) = self.problem.step(damping, &mut self.dx) else { return Descent::Singular };
            let trial_cost = self.try_step();
            let fall = self.cost - trial_cost;
            if fall > ACCEPT_SHARE * promised {
                self.take_trial(trial_cost);
                // Nielsen's rule: a fall as promised lowers the damping threefold, a poor one raises it.
                let surprise = 2.0 * (fall / promised) - 1.0;
                damping *= (1.0 - surprise.powi(3)).clamp(1.0 / 3.0, 2.0);
                raise = 2.0;
            } else {
                damping *= raise;
                raise *= 2.0;
                if damping > DAMPING_MAX || !promised.is_finite() {
                    return self.stuck_or_done();
                }
            }
            if self.evaluations >= self.options.evaluations_max {
                return Descent::OutOfEvaluations;
            }
        }
    }

    /// Whether the Gauss–Newton step promises nothing worth having: a test that damping cannot deceive.
    fn undamped_is_done(&mut self) -> bool {
        let Some(fall) = self.problem.step(0.0, &mut self.dx) else { return false };
        let worth_having = self.options.cost_fall_min.max(self.options.cost_share_min * self.cost);
        fall <= worth_having || self.step_is_below(self.options.step_share_min)
    }

    fn step_is_below(&self, share: f64) -> bool {
        self.x.iter().zip(&self.dx).all(|(x, dx)| dx.abs() <= share * (x.abs() + f64::MIN_POSITIVE))
    }

    /// Rounding can forbid any further fall just short of the asked precision; that is convergence.
    fn stuck_or_done(&mut self) -> Descent {
        match self.problem.step(0.0, &mut self.dx) {
            None => Descent::Singular,
            Some(_) if self.step_is_below(1e-6) => Descent::Converged,
            Some(_) => Descent::Stuck,
        }
    }

    /// The sum at `x + dx`; infinite where the model has no finite value.
    fn try_step(&mut self) -> f64 {
        for ((trial, x), dx) in self.trial.iter_mut().zip(&*self.x).zip(&self.dx) {
            *trial = x + dx;
        }
        self.evaluations += 1;
        finite(self.problem.evaluate(&self.trial)).unwrap_or(f64::INFINITY)
    }

    fn take_trial(&mut self, cost: f64) {
        self.problem.accept();
        self.x.copy_from_slice(&self.trial);
        self.cost = cost;
    }

    /// Gauss–Newton steps from the minimum, judged by the promised fall: the sum itself is flat here to its
    /// last digit, the promise is not.
    fn polish(mut self) -> Outcome {
        let mut promised = self.problem.step(0.0, &mut self.dx).unwrap_or(0.0);
        for _ in 0..self.options.polish_steps_max {
            let before = self.x.to_vec();
            let cost = self.try_step();
            if cost.is_infinite() {
                break;
            }
            self.take_trial(cost);
            let next = self.problem.step(0.0, &mut self.dx);
            if next.is_none_or(|next| next >= promised) {
                self.go_back(&before);
                break;
            }
            promised = next.unwrap_or(0.0);
        }
        Outcome { cost: self.cost, expected_fall: promised, evaluations: self.evaluations }
    }

    fn go_back(&mut self, to: &[f64]) {
        self.trial.copy_from_slice(to);
        self.evaluations += 1;
        if let Some(cost) = finite(self.problem.evaluate(&self.trial)) {
            self.take_trial(cost);
        }
    }
}

fn finite(cost: Option<f64>) -> Option<f64> {
    cost.filter(|c| c.is_finite())
}
