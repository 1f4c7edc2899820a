//! The emulated laptop: a thermal model with faults that turns a load into sensor readings.
//!
//! It stands in for machines without sensors, and for whole fleets in tests and in the demo. Its truth can be
//! asked for, so that an estimate can be compared with what was planted. Time is an argument: the caller steps it
//! as fast as it likes, or along a real clock. Equal arguments give equal readings to the last bit on one machine.
//!
//! One step: power management decides clock and power from the load ([`power`]); blowers turn as their controller
//! says and move what air fan curve and system curve leave ([`fan`]); a network of nodes warms and cools
//! ([`network`]); sensors read it with lag, noise, steps and their own intervals ([`sensors`]).
//! What is a law of physics has its source beside it; the catalogue's numbers are invented within the ranges of
//! docs/method.md.

pub mod catalogue;
pub mod fan;
pub mod faults;
mod laptop;
pub mod network;
pub mod power;
pub mod random;
mod recording;
pub mod sensors;
pub mod spec;

#[cfg(test)]
mod tests;

pub use catalogue::{catalogue, model_of};
pub use faults::{FaultError, Faults};
pub use laptop::{Laptop, Reading, Start, Truth};
pub use recording::{RunPlan, asleep, hold_sensor, record_run};
pub use spec::{LaptopSpec, Room};
