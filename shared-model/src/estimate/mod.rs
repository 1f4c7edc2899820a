//! The thermal estimator: one solver, one network, two uses (a single run; all runs of a model jointly).

pub mod input;
pub mod lsq;
pub mod single;

pub use single::{Knowledge, RunFit, fit_run};
