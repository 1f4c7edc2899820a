//! The cooling condition: from all runs and services of a laptop, against its peers, to probabilities and a reason.
pub mod ambient;
pub mod constants;
pub mod fan;
pub mod fan_map;
pub mod fleet;
pub mod judge;
pub mod level;
pub mod probability;
pub mod quiet;
pub mod wear;

#[cfg(test)]
mod tests;
