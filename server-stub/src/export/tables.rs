//! The tables of an export: fleet, runs, visits.

use std::collections::HashMap;

use serde_json::Value;
use windrow_model::measured::Measured;
use windrow_model::record::Digest;
use windrow_model::record::wire::Metrics;

use super::table::{Cell, Column, Kind, Table};
use crate::fleet_table::{COLUMNS, Explained};
use crate::scoring::Run;
use crate::store::Service;

/// Which tables there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, clap::ValueEnum)]
pub enum Which {
    /// One row a laptop, most urgent first.
    Fleet,
    /// One row a run.
    Runs,
    /// One row a visit's action.
    Visits,
}

impl Which {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Fleet, Self::Runs, Self::Visits];

    /// Its name, and its files'.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fleet => "fleet",
            Self::Runs => "runs",
            Self::Visits => "visits",
        }
    }

    /// The table of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|which| which.name() == name)
    }
}

/// One row a laptop.
#[derive(Debug)]
pub struct FleetTable<'a> {
    columns: Vec<Column>,
    rows: &'a [Explained],
}

impl<'a> FleetTable<'a> {
    /// Of a judged fleet.
    pub fn new(rows: &'a [Explained]) -> Self {
        let columns = COLUMNS.iter().map(|name| Column { name, kind: Kind::of_column(name) }).collect();
        Self { columns, rows }
    }
}

impl Table for FleetTable<'_> {
    fn name(&self) -> &'static str {
        Which::Fleet.name()
    }

    fn columns(&self) -> &[Column] {
        &self.columns
    }

    fn rows(&self) -> Box<dyn Iterator<Item = Vec<Cell>> + '_> {
        Box::new(self.rows.iter().map(|explained| {
            let row = serde_json::to_value(explained.row()).unwrap_or(Value::Null);
            self.columns.iter().map(|c| Cell::of_json(&row[c.name], c.kind)).collect()
        }))
    }
}

/// One row a run, with its place in the ledger.
#[derive(Debug)]
pub struct RunsTable<'a> {
    columns: Vec<Column>,
    runs: &'a [Run],
    leaves: &'a HashMap<Digest, u64>,
    method_version: &'static str,
}

/// A metric of a run.
type Metric = (&'static str, fn(&Metrics) -> &Measured);

const METRICS: [Metric; 8] = [
    ("peak_c", |m| &m.peak_c),
    ("rise_k", |m| &m.rise_k),
    ("rise_rate_k_s", |m| &m.rise_rate_early_k_per_s),
    ("recovery_half_s", |m| &m.recovery_half_s),
    ("fan_delay_s", |m| &m.fan_delay_s),
    ("fan_max_rpm", |m| &m.fan_max_rpm),
    ("throttled_load_share", |m| &m.throttled_load_share),
    ("power_sustained_w", |m| &m.power_sustained_w),
];

const RUN_COLUMNS: [&str; 14] = [
    "device_id",
    "asset_tag",
    "model",
    "site",
    "tested_at",
    "received_at",
    "provenance",
    "protocol",
    "outcome",
    "load_mix",
    "channels",
    "ambient_c",
    "ambient_sd_k",
    "method_version",
];

impl<'a> RunsTable<'a> {
    /// Of all runs.
    pub fn new(runs: &'a [Run], leaves: &'a HashMap<Digest, u64>, method_version: &'static str) -> Self {
        let names = RUN_COLUMNS.into_iter().chain(METRICS.iter().map(|(name, _)| *name));
        let names = names.chain(["leaf_idx", "record_digest"]);
        let columns = names.map(|name| Column { name, kind: Kind::of_column(name) }).collect();
        Self { columns, runs, leaves, method_version }
    }

    fn row(&self, run: &Run) -> Vec<Cell> {
        let stored = &run.stored;
        let mut row = vec![
            Cell::text(&stored.device_id),
            Cell::text(&stored.asset_tag),
            Cell::text(&stored.model_name),
            Cell::text(&stored.site),
            Cell::time_ms(stored.tested_at_ms),
            Cell::time_ms(stored.received_at_ms),
            Cell::text(&stored.provenance),
            Cell::text(&stored.protocol),
            Cell::text(&stored.outcome),
            Cell::text(&stored.load_mix),
            Cell::text(&stored.channels),
            Cell::number(stored.ambient_c),
            Cell::number(stored.ambient_sd_k),
            Cell::text(self.method_version),
        ];
        let value = |of: fn(&Metrics) -> &Measured| run.metrics.as_ref().and_then(|m| of(m).value());
        row.extend(METRICS.iter().map(|(_, of)| Cell::number(value(*of))));
        let leaf_idx = self.leaves.get(&stored.digest).map(|idx| idx.cast_signed());
        row.push(leaf_idx.map_or(Cell::Empty, Cell::Integer));
        row.push(Cell::text(stored.digest.to_hex()));
        row
    }
}

impl Table for RunsTable<'_> {
    fn name(&self) -> &'static str {
        Which::Runs.name()
    }

    fn columns(&self) -> &[Column] {
        &self.columns
    }

    fn rows(&self) -> Box<dyn Iterator<Item = Vec<Cell>> + '_> {
        Box::new(self.runs.iter().map(|run| self.row(run)))
    }
}

/// One row an action.
#[derive(Debug)]
pub struct VisitsTable<'a> {
    columns: Vec<Column>,
    services: &'a [Service],
}

impl<'a> VisitsTable<'a> {
    /// Of all services.
    pub fn new(services: &'a [Service]) -> Self {
        let columns = ["device_id", "serviced_on", "action"];
        let columns = columns.into_iter().map(|name| Column { name, kind: Kind::of_column(name) }).collect();
        Self { columns, services }
    }
}

impl Table for VisitsTable<'_> {
    fn name(&self) -> &'static str {
        Which::Visits.name()
    }

    fn columns(&self) -> &[Column] {
        &self.columns
    }

    fn rows(&self) -> Box<dyn Iterator<Item = Vec<Cell>> + '_> {
        Box::new(
            self.services.iter().map(|s| {
                vec![Cell::text(&s.device_id), Cell::Date(s.serviced_on), Cell::text(s.action.name())]
            }),
        )
    }
}
