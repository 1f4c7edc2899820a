//! The agent: sensors, load, safety, the check, and what becomes of its record.
//!
//! `check` knows only the traits of `machine`; Linux, the captured tree and the emulated laptop stand behind them.
//! `commands` knows everything and decides; `spool` knows no network and `post` no sensor.

pub mod check;
pub mod emulated;
pub mod exit;
pub mod failure;
pub mod files;
pub mod hub;
pub mod identity;
pub mod machine;
pub mod output;
pub mod post;
pub mod record;
pub mod spool;
pub mod state;
