//! Tables for other programs, and the export that anybody can verify offline. docs/exports.md is its description.
//!
//! A table is a list of columns and a source of rows. It is read once, row by row, for one form or for all of them, so
//! that nothing of a large fleet is held in memory twice.

pub mod bundle;
pub mod format;
pub mod gather;
pub mod leaves;
pub mod records;
pub mod sheet;
pub mod sink;
pub mod table;
pub mod tables;
pub mod text;
