//! The cooling condition: from all runs and services of a laptop, against its peers, to probabilities and a reason.
pub mod ambient;
