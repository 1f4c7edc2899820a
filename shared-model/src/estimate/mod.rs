//! The thermal estimator: one solver, one network, two uses (a single run; all runs of a model jointly).

pub mod input;
pub mod lanes;
pub mod lsq;
#[cfg(test)]
mod published;
pub mod single;
#[cfg(test)]
mod work_rate;

pub(crate) use single::is_from_the_cold;
pub use single::{Knowledge, RunFit, fit_run};

pub mod joint;
pub mod joint_model;
pub mod joint_speed;
pub mod network;
pub mod network_drive;
pub mod stumbles;
pub mod workers;
