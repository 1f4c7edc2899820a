//! The cooling condition: from all runs and services of a laptop, against its peers, to probabilities and a reason.
pub mod ambient;
pub mod channel_sets;
pub mod constants;
pub mod disturbance;
pub mod doubt;
pub mod events;
pub mod evidence;
pub mod fan;
pub mod fan_map;
pub mod fan_scatter;
pub mod fleet;
pub mod forecast;
pub mod judge;
pub mod laptop;
pub mod level;
mod nan;
pub mod one_run;
pub mod peers;
pub mod probability;
pub mod quiet;
pub mod reference;
mod room_fit;
pub mod site;
pub mod standing;
pub mod tilt;
mod vector;
pub mod wear;

#[cfg(test)]
mod tests;
