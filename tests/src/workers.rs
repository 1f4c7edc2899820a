//! The estimator's workers on a thread pool.

use rayon::prelude::*;
use windrow_model::estimate::workers::Workers;

/// Spreads independent pieces over all cores.
#[derive(Debug, Clone, Copy)]
pub struct Rayon;

impl Workers for Rayon {
    fn map<T: Send>(&self, n: usize, f: impl Fn(usize) -> T + Sync + Send) -> Vec<T> {
        (0..n).into_par_iter().map(f).collect()
    }
}
