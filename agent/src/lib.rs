//! The agent: sensors, load, safety, the check, and what becomes of its record.
//!
//! `check` knows only the traits of `machine`; Linux, the captured tree and the emulated laptop stand behind them.

pub mod check;
pub mod machine;
