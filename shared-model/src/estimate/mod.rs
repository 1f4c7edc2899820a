//! The thermal estimator: one solver, one network, two uses (a single run; all runs of a model jointly).

pub mod lsq;
