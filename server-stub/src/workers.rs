//! The estimator's workers on the hub's thread pool.

use rayon::prelude::*;
use windrow_model::estimate::workers::Workers;

/// Spreads independent pieces over all cores.
#[derive(Debug, Clone, Copy)]
pub struct Pool;

impl Workers for Pool {
    fn map<T: Send>(&self, n: usize, f: impl Fn(usize) -> T + Sync + Send) -> Vec<T> {
        (0..n).into_par_iter().map(f).collect()
    }
}
