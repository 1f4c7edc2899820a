//! The machine's sensors, one folder for each operating system.

pub mod inventory;
#[cfg(target_os = "linux")]
pub mod linux;

pub use self::inventory::{Finding, Inventory, NoSensors, State};
