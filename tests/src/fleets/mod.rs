//! Simulated fleets whose truth is known: made with the emulated laptop, judged, and measured.

pub mod laptops;
pub mod measures;
pub mod runs;
pub mod small;
pub mod table;
pub mod truth;
