//! The tables of an export: fleet, coverage, runs, visits.

use std::collections::BTreeMap;
use std::io;

use chrono::NaiveDate;
use serde_json::Value;
use windrow_model::METHOD_VERSION;
use windrow_model::trace::fleet::ServiceAction;

use super::gather::Source;
use super::leaves::LeafSet;
use super::table::{Cell, Column, Kind, RowWriter, Rows, Table};
use crate::coverage::Coverage;
use crate::fleet_table::{self, COLUMNS};
use crate::scoring::Standing;
use crate::store::Service;
use crate::store::facts::Visit;
use crate::store::runs::{ListedRun, Told};

/// Which tables there are.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    clap::ValueEnum,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Which {
    /// One row a laptop, most urgent first.
    Fleet,
    /// One row a laptop that should be checked, and one that nobody listed.
    Coverage,
    /// One row a run.
    Runs,
    /// One row a visit's entry.
    Visits,
}

impl Which {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Fleet, Self::Coverage, Self::Runs, Self::Visits];

    /// Its name, and its files'.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fleet => "fleet",
            Self::Coverage => "coverage",
            Self::Runs => "runs",
            Self::Visits => "visits",
        }
    }

    /// Whether it tells of a judgement, and not only of what is stored.
    pub const fn is_judged(self) -> bool {
        matches!(self, Self::Fleet | Self::Coverage)
    }

    /// The table of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|which| which.name() == name)
    }
}

fn columns(names: impl IntoIterator<Item = &'static str>) -> Vec<Column> {
    names.into_iter().map(|name| Column { name, kind: Kind::of_column(name) }).collect()
}

/// One row a laptop.
#[derive(Debug)]
pub struct FleetTable<'a> {
    columns: Vec<Column>,
    standings: &'a [Standing],
    coverage: &'a Coverage,
}

impl<'a> FleetTable<'a> {
    /// Of a judged fleet.
    pub fn new(standings: &'a [Standing], coverage: &'a Coverage) -> Self {
        Self { columns: columns(COLUMNS), standings, coverage }
    }
}

impl Table for FleetTable<'_> {
    fn name(&self) -> &'static str {
        Which::Fleet.name()
    }

    fn columns(&self) -> &[Column] {
        &self.columns
    }

    fn rows(&self) -> Rows<'_> {
        Box::new(self.standings.iter().enumerate().map(|(idx, standing)| {
            let row = serde_json::to_value(fleet_table::row(idx + 1, standing, self.coverage))?;
            let cell = |c: &Column| row.get(c.name).map_or(Cell::Empty, |v: &Value| Cell::of_json(v, c.kind));
            Ok(self.columns.iter().map(cell).collect())
        }))
    }
}

/// One row a laptop that should be checked, in the list's order, then those that nobody listed.
#[derive(Debug)]
pub struct CoverageTable<'a> {
    columns: Vec<Column>,
    coverage: &'a Coverage,
}

impl<'a> CoverageTable<'a> {
    /// Of a fleet's coverage.
    pub fn new(coverage: &'a Coverage) -> Self {
        let names = [
            "asset_tag",
            "device_id",
            "model",
            "site",
            "place",
            "coverage_state",
            "not_checked_why",
            "why",
            "last_checked_at",
            "from_on",
            "until_on",
        ];
        Self { columns: columns(names), coverage }
    }
}

impl Table for CoverageTable<'_> {
    fn name(&self) -> &'static str {
        Which::Coverage.name()
    }

    fn columns(&self) -> &[Column] {
        &self.columns
    }

    fn rows(&self) -> Rows<'_> {
        Box::new(self.coverage.lines.iter().map(|line| {
            Ok(vec![
                Cell::text(&line.tag),
                Cell::text(line.device_id.as_deref().unwrap_or_default()),
                Cell::text(&line.model),
                Cell::text(&line.site),
                Cell::text(&line.place),
                Cell::text(line.state.name()),
                Cell::text(line.not_checked_why.map_or("", |why| why.name())),
                Cell::text(&line.why),
                line.last_checked_at_ms.map_or(Cell::Empty, Cell::time_ms),
                Cell::date(line.from_on),
                Cell::date(line.until_on),
            ])
        }))
    }
}

/// One row a run, with its place in the ledger.
pub struct RunsTable<'a> {
    columns: Vec<Column>,
    source: &'a dyn Source,
    tree_size: u64,
    as_of_ms: i64,
}

impl std::fmt::Debug for RunsTable<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("RunsTable").field("as_of_ms", &self.as_of_ms).finish_non_exhaustive()
    }
}

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
    /// Of all runs that had come in by a time, under the head of so many leaves.
    pub fn new(source: &'a dyn Source, tree_size: u64, as_of_ms: i64) -> Self {
        let names = RUN_COLUMNS.into_iter().chain(Told::NAMES);
        Self { columns: columns(names.chain(["leaf_idx", "record_digest"])), source, tree_size, as_of_ms }
    }

    /// Whether a run has a row. One with a leaf that isn't under the head came while this was written; one that never had a
    /// leaf was there before imports had any.
    fn has_row(&self, run: &ListedRun) -> bool {
        had_come_in(run, self.as_of_ms) && run.leaf_idx.is_none_or(|leaf_idx| leaf_idx < self.tree_size)
    }

    fn row(&self, run: ListedRun) -> Vec<Cell> {
        let mut row = Vec::with_capacity(self.columns.len());
        row.extend([
            Cell::text(run.device_id),
            Cell::text(run.asset_tag),
            Cell::text(run.model_name),
            Cell::text(run.site),
            Cell::time_ms(run.tested_at_ms),
            Cell::time_ms(run.received_at_ms),
            Cell::text(run.provenance),
            Cell::text(run.protocol),
            Cell::text(run.outcome),
            Cell::text(run.load_mix),
            Cell::text(run.channels),
            Cell::number(run.ambient_c),
            Cell::number(run.ambient_sd_k),
            Cell::text(METHOD_VERSION),
        ]);
        row.extend(run.told.0.map(Cell::number));
        row.push(Cell::integer(run.leaf_idx.map(u64::cast_signed)));
        row.push(Cell::text(run.digest.to_hex()));
        row
    }
}

/// Which leaves the rows of the runs table told.
#[derive(Debug, Default)]
pub struct ToldLeaves(pub LeafSet);

impl RowWriter for ToldLeaves {
    fn row(&mut self, row: &[Cell]) -> io::Result<()> {
        // The last but one column of the runs table; other tables have no leaves.
        if let [.., Cell::Integer(leaf_idx), _] = row {
            self.0.insert(leaf_idx.cast_unsigned());
        }
        Ok(())
    }

    fn end(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// An imported run was received when it was imported, whenever it was made.
fn had_come_in(run: &ListedRun, as_of_ms: i64) -> bool {
    run.provenance == "imported" || run.received_at_ms <= as_of_ms
}

impl Table for RunsTable<'_> {
    fn name(&self) -> &'static str {
        Which::Runs.name()
    }

    fn columns(&self) -> &[Column] {
        &self.columns
    }

    fn rows(&self) -> Rows<'_> {
        Box::new(self.source.runs().flat_map(move |page| {
            let (page, error) = match page {
                Ok(page) => (page, None),
                Err(e) => (Vec::new(), Some(Err(e))),
            };
            let runs = page.into_iter().filter(|run| self.has_row(run));
            runs.map(|run| Ok(self.row(run))).chain(error)
        }))
    }
}

/// A row of the visits table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum VisitLine {
    /// An entry that somebody logged.
    Logged(Visit),
    /// What a file of services says of a day.
    Imported {
        /// The laptop.
        device_id: String,
        /// The day.
        on: NaiveDate,
        /// What was done.
        actions: Vec<ServiceAction>,
    },
}

impl VisitLine {
    fn key(&self) -> (&str, NaiveDate, i64) {
        match self {
            Self::Logged(visit) => (&visit.device_id, visit.visited_on, visit.visit_id),
            Self::Imported { device_id, on, .. } => (device_id, *on, 0),
        }
    }
}

/// All entries of visits and all imported services, by laptop and day. What was logged later than `as_of_ms` is left out.
pub fn visit_lines(visits: Vec<Visit>, services: Vec<Service>, as_of_ms: i64) -> Vec<VisitLine> {
    let day = chrono::DateTime::from_timestamp_millis(as_of_ms).map(|t| t.date_naive());
    let mut imported: BTreeMap<(String, NaiveDate), Vec<ServiceAction>> = BTreeMap::new();
    for service in services.into_iter().filter(|s| s.logged.is_none()) {
        imported.entry((service.device_id, service.serviced_on)).or_default().push(service.action);
    }
    let imported =
        imported.into_iter().map(|((device_id, on), actions)| VisitLine::Imported { device_id, on, actions });
    let mut known: Vec<Visit> = visits.into_iter().filter(|v| v.logged_at_ms <= as_of_ms).collect();
    let numbers: std::collections::HashSet<i64> = known.iter().map(|v| v.visit_id).collect();
    for visit in &mut known {
        visit.corrected_by = visit.corrected_by.filter(|by| numbers.contains(by));
    }
    let lines = known.into_iter().map(VisitLine::Logged).chain(imported);
    let mut lines: Vec<VisitLine> = lines.filter(|l| day.is_none_or(|day| l.key().1 <= day)).collect();
    lines.sort_by(|a, b| a.key().cmp(&b.key()));
    lines
}

/// One row an entry.
#[derive(Debug)]
pub struct VisitsTable<'a> {
    columns: Vec<Column>,
    lines: &'a [VisitLine],
}

impl<'a> VisitsTable<'a> {
    /// Of these lines.
    pub fn new(lines: &'a [VisitLine]) -> Self {
        let names = [
            "device_id",
            "visited_on",
            "visit_id",
            "actions",
            "minutes",
            "found",
            "parts",
            "by_role",
            "logged_at",
            "corrects",
            "corrected_by",
            "is_withdrawn",
            "source",
            "is_erased",
        ];
        Self { columns: columns(names), lines }
    }
}

fn words(actions: &[ServiceAction]) -> Cell {
    let names: Vec<&str> = actions.iter().map(|a: &ServiceAction| a.name()).collect();
    Cell::text(names.join(" "))
}

fn visit_row(line: &VisitLine) -> Vec<Cell> {
    match line {
        VisitLine::Logged(v) => vec![
            Cell::text(&v.device_id),
            Cell::Date(v.visited_on),
            Cell::Integer(v.visit_id),
            words(&v.actions),
            Cell::integer(v.minutes.map(i64::from)),
            Cell::text(&v.found),
            Cell::text(&v.parts),
            Cell::text(&v.by_role),
            Cell::time_ms(v.logged_at_ms),
            Cell::integer(v.corrects),
            Cell::integer(v.corrected_by),
            Cell::text(if v.is_withdrawn { "yes" } else { "no" }),
            Cell::text("logged"),
            Cell::text(if v.is_erased { "yes" } else { "no" }),
        ],
        VisitLine::Imported { device_id, on, actions } => {
            let mut row = vec![Cell::text(device_id), Cell::Date(*on), Cell::Empty, words(actions)];
            row.resize(12, Cell::Empty);
            row.extend([Cell::text("imported"), Cell::Empty]);
            row
        }
    }
}

impl Table for VisitsTable<'_> {
    fn name(&self) -> &'static str {
        Which::Visits.name()
    }

    fn columns(&self) -> &[Column] {
        &self.columns
    }

    fn rows(&self) -> Rows<'_> {
        Box::new(self.lines.iter().map(|line| Ok(visit_row(line))))
    }
}

#[cfg(test)]
mod tests {
    use windrow_model::record::Digest;

    use super::*;
    use crate::export::gather::{self, Reading, RunPages};
    use crate::export::leaves::RunLeaf;
    use crate::export::records::StoredRecord;
    use crate::http::Limits;
    use crate::store::{Event, Leaf};
    use crate::testing::{START_MS, TestHub};

    /// Runs with known leaves, in pages of two.
    struct Known(Vec<ListedRun>);

    impl Source for Known {
        fn runs(&self) -> RunPages<'_> {
            Box::new(self.0.chunks(2).map(|page| Ok(page.to_vec())))
        }

        fn events(&self, _: u64) -> io::Result<Vec<Event>> {
            Ok(Vec::new())
        }

        fn leaves(&self, _: u64) -> io::Result<Vec<Leaf>> {
            Ok(Vec::new())
        }

        fn leaf(&self, _: Digest) -> io::Result<Option<RunLeaf>> {
            Ok(None)
        }

        fn record(&self, _: Digest) -> io::Result<Option<StoredRecord>> {
            Ok(None)
        }
    }

    fn run(n: u8, leaf_idx: Option<u64>, provenance: &str, received_at_ms: i64) -> ListedRun {
        ListedRun {
            run_id: i64::from(n),
            device_id: format!("d{n}"),
            asset_tag: String::new(),
            site: String::new(),
            digest: Digest([n; 32]),
            provenance: provenance.to_owned(),
            model_name: "Marlow 15".to_owned(),
            load_mix: String::new(),
            protocol: "standard".to_owned(),
            outcome: "complete".to_owned(),
            channels: "cpu_temp_c".to_owned(),
            ambient_c: None,
            ambient_sd_k: None,
            tested_at_ms: START_MS,
            received_at_ms,
            told: Told::default(),
            leaf_idx,
        }
    }

    /// Laptop and leaf of each row.
    fn told(source: &dyn Source, tree_size: u64) -> Vec<(Cell, Cell)> {
        let table = RunsTable::new(source, tree_size, START_MS);
        table.rows().map(|row| row.unwrap()).map(|row| (row[0].clone(), row[row.len() - 2].clone())).collect()
    }

    #[test]
    fn a_run_past_the_head_is_left_out_and_one_without_a_leaf_stays() {
        let known = Known(vec![
            run(1, Some(4), "measured", START_MS),
            run(2, Some(5), "measured", START_MS),
            run(3, None, "imported", START_MS),
            run(4, Some(0), "emulated", START_MS + 1),
            run(5, Some(6), "imported", START_MS),
            run(6, Some(3), "imported", START_MS + 1),
        ]);
        let row = |device_id: &str, leaf_idx| (Cell::text(device_id), Cell::integer(leaf_idx));
        let expected = vec![row("d1", Some(4)), row("d3", None), row("d6", Some(3))];
        assert_eq!(told(&known, 5), expected, "leaf 5 is the first one past a head of five leaves");
        assert_eq!(told(&known, 0), vec![row("d3", None)]);
    }

    #[tokio::test]
    async fn a_run_that_comes_after_the_head_was_signed_is_left_out() {
        let hub = TestHub::start(Limits::default()).await;
        let (mut one, mut other) = (hub.joined(1).await, hub.joined(2).await);
        hub.post_record(&one.check().bytes).await;
        let before = gather::tree_size(&hub.store, START_MS).await.unwrap();
        hub.post_record(&other.check().bytes).await;
        let after = gather::tree_size(&hub.store, START_MS).await.unwrap();
        let source = Reading::new(hub.store.clone());
        let n_rows = move || [0, before, after].map(|tree_size| told(&source, tree_size).len());
        assert_eq!(tokio::task::spawn_blocking(n_rows).await.unwrap(), [0, 1, 2]);
        hub.stop().await;
    }
}
