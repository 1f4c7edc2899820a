//! What Windrow's agent and hub share: the record and its proof, the trace, units, run analysis, the
//! thermal estimator, the cooling condition, the words of a verdict and the emulated laptop.
//!
//! Deliberately absent: files, sockets, clocks, threads, environment and randomness that isn't a seed in the
//! arguments. Data in, data out; the agent and the hub touch the world.
#![warn(missing_docs)]

pub mod analysis;
pub mod cautions;
pub mod channel;
pub mod chart;
pub mod condition;
pub mod emulate;
pub mod estimate;
pub mod history;
pub mod measured;
pub mod protocol;
pub mod record;
pub mod reference;
pub mod trace;
pub mod units;
pub mod verdict;

/// Version of everything that decides a number or a verdict: metrics, estimator, thresholds.
///
/// It is stored with each result. References never mix versions.
pub const METHOD_VERSION: &str = "2";
