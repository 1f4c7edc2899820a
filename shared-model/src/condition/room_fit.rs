//! The least squares behind the rooms: a few columns that every run has, one of its model and one of its site.
//!
//! A run has one model and one site, so that among sites (or among models) the normal equations couple nothing: their
//! block is diagonal, and whichever of the two there are more of is eliminated one by one (Schur complement). What is
//! solved densely has the few columns and the fewer of the two, at most [`FEWER_MAX`]: thousands of sites cost as much as
//! their runs.

use std::cmp::Reverse;

use nalgebra::{DMatrix, DVector};

use super::ambient::FIXED;

/// Most of the fewer of models and sites that have a column of their own; of more, those with the fewest reports are left
/// at the effect that nobody knows, 0. Our choice: a thousand are solved in a second or two.
const FEWER_MAX: usize = 1000;
/// Precision of a model's effect and of a site's, 1/K²: their spread of a kelvin or two.
const EFFECT_PRECISION: [f64; 2] = [0.5, 0.7];
/// Iterations of reweighting.
const PASSES: usize = 6;

/// A report with its columns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Report {
    /// The columns that every run has.
    pub(super) fixed: [f64; FIXED],
    /// Its model and its site, numbered from 0.
    pub(super) effect: [usize; 2],
    /// What was told, °C.
    pub(super) told_c: f64,
}

/// Prior of the columns that every run has: precisions and centres.
pub(super) type FixedPrior = [(f64, f64); FIXED];

/// What was fitted.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fitted {
    /// Coefficients of the columns that every run has.
    pub(super) fixed: [f64; FIXED],
    /// Effects of the models and of the sites, K.
    pub(super) effects: [Vec<f64>; 2],
    /// Sizes of the residuals before the last pass, K.
    pub(super) residuals: Vec<f64>,
}

/// Which of the two effects is eliminated, and which column each of the other has in the dense part.
struct Layout {
    fewer: usize,
    more: usize,
    n_of: [usize; 2],
    column_of_fewer: Vec<Option<usize>>,
    n_dense: usize,
}

impl Layout {
    fn new(reports: &[Report], n_of: [usize; 2]) -> Self {
        let fewer = usize::from(n_of[1] < n_of[0]);
        let mut count = vec![0_usize; n_of[fewer]];
        for r in reports {
            count[r.effect[fewer]] += 1;
        }
        let mut by_count: Vec<usize> = (0..n_of[fewer]).collect();
        by_count.sort_by_key(|&at| (Reverse(count[at]), at));
        let mut column_of_fewer = vec![None; n_of[fewer]];
        for (column, &at) in by_count.iter().take(FEWER_MAX).enumerate() {
            column_of_fewer[at] = Some(FIXED + column);
        }
        let n_dense = FIXED + n_of[fewer].min(FEWER_MAX);
        Self { fewer, more: 1 - fewer, n_of, column_of_fewer, n_dense }
    }

    /// A report's entries in the dense part.
    fn dense(&self, r: &Report) -> impl Iterator<Item = (usize, f64)> + Clone {
        let own = self.column_of_fewer[r.effect[self.fewer]].map(|column| (column, 1.0));
        r.fixed.into_iter().enumerate().chain(own)
    }
}

/// One of those that are eliminated: its precision, its right side, and what couples it to the dense part.
#[derive(Clone, Default)]
struct Eliminated {
    precision: f64,
    right: f64,
    coupling: Vec<(usize, f64)>,
}

impl Eliminated {
    fn couple(&mut self, column: usize, by: f64) {
        match self.coupling.iter_mut().find(|(at, _)| *at == column) {
            Some((_, sum)) => *sum += by,
            None => self.coupling.push((column, by)),
        }
    }
}

/// Ridge regression of what was told, reweighted by Huber's loss that is linear from `huber_k` on; `sd_k` is a residual's
/// usual size.
pub(super) fn fit(
    reports: &[Report],
    n_of: [usize; 2],
    prior: &FixedPrior,
    (huber_k, sd_k): (f64, f64),
) -> Fitted {
    let layout = Layout::new(reports, n_of);
    let mut out = Fitted {
        fixed: prior.map(|(_, centre)| centre),
        effects: n_of.map(|n| vec![0.0; n]),
        residuals: Vec::new(),
    };
    for _ in 0..PASSES {
        out.residuals = reports.iter().map(|r| (r.told_c - out.predict(r)).abs()).collect();
        let weight = |size: f64| (huber_k / size.max(1e-9)).min(1.0) / (sd_k * sd_k);
        let weights: Vec<f64> = out.residuals.iter().map(|size| weight(*size)).collect();
        if !out.solve(&layout, reports, &weights, prior) {
            break;
        }
    }
    out
}

impl Fitted {
    fn predict(&self, r: &Report) -> f64 {
        let fixed: f64 = r.fixed.iter().zip(&self.fixed).map(|(v, b)| v * b).sum();
        fixed + self.effects[0][r.effect[0]] + self.effects[1][r.effect[1]]
    }

    /// One weighted solution; `false` leaves everything as it was.
    fn solve(&mut self, layout: &Layout, reports: &[Report], weights: &[f64], prior: &FixedPrior) -> bool {
        let n = layout.n_dense;
        let mut a = DMatrix::from_diagonal_element(n, n, EFFECT_PRECISION[layout.fewer]);
        let mut b = DVector::zeros(n);
        for (k, (precision, centre)) in prior.iter().enumerate() {
            a[(k, k)] = *precision;
            b[k] = precision * centre;
        }
        let blank = Eliminated { precision: EFFECT_PRECISION[layout.more], ..Eliminated::default() };
        let mut eliminated = vec![blank; layout.n_of[layout.more]];
        for (r, w) in reports.iter().zip(weights) {
            let own = &mut eliminated[r.effect[layout.more]];
            own.precision += w;
            own.right += w * r.told_c;
            for (i, vi) in layout.dense(r) {
                b[i] += w * vi * r.told_c;
                own.couple(i, w * vi);
                for (j, vj) in layout.dense(r) {
                    a[(i, j)] += w * vi * vj;
                }
            }
        }
        for e in &eliminated {
            for &(i, vi) in &e.coupling {
                b[i] -= vi * e.right / e.precision;
                for &(j, vj) in &e.coupling {
                    a[(i, j)] -= vi * vj / e.precision;
                }
            }
        }
        let Some(beta) = a.cholesky().map(|c| c.solve(&b)) else { return false };
        self.fixed.iter_mut().zip(beta.iter()).for_each(|(f, b)| *f = *b);
        for (effect, column) in self.effects[layout.fewer].iter_mut().zip(&layout.column_of_fewer) {
            *effect = column.map_or(0.0, |column| beta[column]);
        }
        for (effect, e) in self.effects[layout.more].iter_mut().zip(&eliminated) {
            let coupled: f64 = e.coupling.iter().map(|&(i, v)| v * beta[i]).sum();
            *effect = (e.right - coupled) / e.precision;
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PRIOR: FixedPrior = [
        (0.01, 22.8),
        (0.1, 0.0),
        (0.1, 0.0),
        (4.0, 0.6),
        (4.0, 0.0),
        (4.0, 0.0),
        (0.0025, 0.0),
        (4.0, 0.5),
        (4.0, 0.0),
    ];

    /// Reports that follow a truth with an effect of each model and site, and one in fifty far off.
    fn reports(n_of: [usize; 2], n: usize) -> Vec<Report> {
        let wave = |i: usize, by: f64| (i as f64 * by).sin();
        (0..n)
            .map(|i| {
                let effect = [(i * 7 + i / 5) % n_of[0], i % n_of[1]];
                let mut fixed = [0.0; FIXED];
                fixed[0] = 1.0;
                for (k, v) in fixed.iter_mut().enumerate().skip(1) {
                    *v = wave(i, 0.37 * k as f64);
                }
                let odd = if i % 50 == 0 { 15.0 } else { 0.0 };
                let told_c = 21.0
                    + 0.8 * fixed[3]
                    + wave(effect[0], 1.7)
                    + 1.5 * wave(effect[1], 2.3)
                    + 0.5 * wave(i, 5.1)
                    + odd;
                Report { fixed, effect, told_c }
            })
            .collect()
    }

    /// The same by the whole dense system, one pass after the other.
    fn densely(reports: &[Report], n_of: [usize; 2]) -> DVector<f64> {
        let n = FIXED + n_of[0] + n_of[1];
        let precision = |k: usize| match k {
            k if k < FIXED => PRIOR[k].0,
            k if k < FIXED + n_of[0] => EFFECT_PRECISION[0],
            _ => EFFECT_PRECISION[1],
        };
        let ridge = DVector::from_fn(n, |k, _| precision(k));
        let centre = DVector::from_fn(n, |k, _| PRIOR.get(k).map_or(0.0, |p| p.1));
        let mut beta = centre.clone();
        for _ in 0..PASSES {
            let (mut a, mut b) = (DMatrix::from_diagonal(&ridge), ridge.component_mul(&centre));
            for r in reports {
                let mut row = DVector::zeros(n);
                for (k, v) in r.fixed.iter().enumerate() {
                    row[k] = *v;
                }
                row[FIXED + r.effect[0]] = 1.0;
                row[FIXED + n_of[0] + r.effect[1]] = 1.0;
                let w = (2.0 / (r.told_c - row.dot(&beta)).abs().max(1e-9)).min(1.0) / (1.8 * 1.8);
                a += w * &row * row.transpose();
                b += w * r.told_c * row;
            }
            beta = a.cholesky().unwrap().solve(&b);
        }
        beta
    }

    #[test]
    fn what_is_eliminated_one_by_one_comes_out_as_from_the_whole_system() {
        for n_of in [[4, 9], [9, 4]] {
            let reports = reports(n_of, 240);
            let fitted = fit(&reports, n_of, &PRIOR, (2.0, 1.8));
            let whole = densely(&reports, n_of);
            let all = fitted.fixed.iter().chain(&fitted.effects[0]).chain(&fitted.effects[1]);
            for (k, (one, other)) in all.zip(whole.iter()).enumerate() {
                assert!((one - other).abs() < 1e-9, "{n_of:?}, column {k}: {one} {other}");
            }
        }
    }

    #[test]
    fn thousands_of_sites_are_no_dense_matrix_of_sites() {
        let n_of = [40, 3000];
        let reports = reports(n_of, 12_000);
        assert_eq!(Layout::new(&reports, n_of).n_dense, FIXED + 40);
        let fitted = fit(&reports, n_of, &PRIOR, (2.0, 1.8));
        assert!((fitted.fixed[3] - 0.8).abs() < 0.1, "{:?}", fitted.fixed);
        let truth = |site: usize| 1.5 * (site as f64 * 2.3).sin();
        let right = (0..3000).filter(|&s| fitted.effects[1][s].signum() == truth(s).signum()).count();
        assert!(right > 2400, "{right}");
        // More of both than have a column of their own: the rest have no effect, and nothing breaks.
        let many = [FEWER_MAX + 1, 3000];
        assert_eq!(Layout::new(&reports[..2], many).n_dense, FIXED + FEWER_MAX);
    }
}
