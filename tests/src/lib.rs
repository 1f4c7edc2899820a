//! The one place that links agent and hub: the demo, and what the whole-system tests share.

pub mod demo;
pub mod fleets;
pub mod heated_laptop;
pub mod large_fleet;
pub mod serving;
pub mod workers;
pub mod written_tree;
