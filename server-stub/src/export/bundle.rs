//! The export as a whole: tables, what they rest on, the ledger's part, sums and seal.
//!
//! The same ledger head, method version and as-of time give the same bytes: nothing here reads a clock, and all is
//! written in a fixed order.

use std::io::{self, Write};

use chrono::{DateTime, SecondsFormat, Utc};
use serde_json::{Value, json};
use windrow_model::METHOD_VERSION;
use windrow_model::condition::constants::{CLOGGED_BELOW, CONSTANTS_VERSION, CONTACT_ABOVE, FAN_BELOW};
use windrow_model::record::Digest;

use super::format::{Drafts, Format};
use super::gather::{Judged, Ledger, Source};
use super::leaves::{LeafSet, RunLeaf};
use super::records;
use super::sink::{Lines, Sink};
use super::table::{Table, json_schema};
use super::tables::{CoverageTable, FleetTable, RunsTable, ToldLeaves, VisitLine, VisitsTable, Which};
use crate::ledger::head::KeyLink;
use crate::store::Event;

/// Name of the description's form.
pub const EXPORT_SCHEMA: &str = "windrow-export/1";
/// Name of the seal's form.
pub const SEAL_SCHEMA: &str = "windrow-seal/1";
/// First bytes of the message that a seal covers.
pub const SEAL_PREFIX: &[u8] = b"windrow-export/1\n";
/// The sums' file, as `sha256sum -c` reads it.
pub const SUMS: &str = "SHA256SUMS";
/// Why a run is absent: it was received after the time as of which the fleet was judged.
pub const LATER: &str = "later";
/// Why a run is absent: the store no longer has it.
pub const MISSING: &str = "missing";
/// The seal's file.
pub const SEAL: &str = "seal.json";
/// The description's file.
pub const ABOUT: &str = "export.json";
/// The ledger's files.
pub const HEAD: &str = "ledger/head.json";
/// All leaves' hashes, one a line.
pub const LEAVES: &str = "ledger/leaves.txt";
/// All events.
pub const EVENTS: &str = "ledger/events.ndjson";
/// Inclusion proofs.
pub const PROOFS: &str = "ledger/proofs.ndjson";
/// Runs under the head of which the runs table tells nothing, and why.
pub const ABSENT: &str = "ledger/absent.ndjson";
/// The records, where they were asked for.
pub const RECORDS: &str = "records.ndjson";

/// What an export is made of.
#[derive(Clone, Copy)]
pub struct Parts<'a> {
    /// The judged fleet.
    pub judged: Judged<'a>,
    /// The visits' entries.
    pub visits: &'a [VisitLine],
    /// The ledger. Read after the fleet was judged: then its head covers all that was judged.
    pub ledger: &'a Ledger,
    /// What is read on the way.
    pub source: &'a dyn Source,
}

impl std::fmt::Debug for Parts<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Parts").field("as_of", &self.judged.as_of).finish_non_exhaustive()
    }
}

impl Parts<'_> {
    /// Does something with one of the tables.
    pub fn with_table<T>(&self, which: Which, work: impl FnOnce(&dyn Table) -> T) -> T {
        let Judged { standings, coverage, as_of } = self.judged;
        match which {
            Which::Fleet => work(&FleetTable::new(standings, coverage)),
            Which::Coverage => work(&CoverageTable::new(coverage)),
            Which::Runs => {
                work(&RunsTable::new(self.source, self.ledger.head.tree_size, as_of.timestamp_millis()))
            }
            Which::Visits => work(&VisitsTable::new(self.visits)),
        }
    }
}

/// Writes everything but sums and seal.
///
/// # Errors
/// Where it cannot be written.
pub fn write(sink: &mut Sink, parts: &Parts<'_>, which: &[Which], with_records: bool) -> io::Result<()> {
    let as_of = parts.judged.as_of;
    let mut tables = Vec::new();
    let mut told = ToldLeaves::default();
    for which in which {
        tables.push(parts.with_table(*which, |table| write_table(sink, table, as_of, &mut told))?);
    }
    let about = about(&tables, parts);
    sink.file(ABOUT, Lines::Told, |out| writeln!(out, "{about:#}"))?;
    write_ledger(sink, parts)?;
    if which.contains(&Which::Runs) {
        sink.file(ABSENT, Lines::Told, |out| write_absent(parts, &told.0, out))?;
    }
    if with_records {
        let as_of_ms = as_of.timestamp_millis();
        sink.file(RECORDS, Lines::Told, |out| records::write(parts.source, parts.ledger, as_of_ms, out))?;
    }
    Ok(())
}

/// Writes a table's files, and says what the description says of it.
fn write_table(
    sink: &mut Sink,
    table: &dyn Table,
    as_of: DateTime<Utc>,
    told: &mut ToldLeaves,
) -> io::Result<Value> {
    let name = table.name();
    let drafts = Drafts::of(table, as_of, told)?;
    let n_rows = drafts.n_rows;
    drafts.give(|format, draft| {
        let lines = if format == Format::Xlsx { Lines::Untold } else { Lines::Told };
        sink.file(&format!("{name}.{}", format.name()), lines, draft)
    })?;
    let schema = json_schema(table);
    sink.file(&format!("{name}.schema.json"), Lines::Told, |out| writeln!(out, "{schema:#}"))?;
    let columns: Vec<_> =
        table.columns().iter().map(|c| json!({"name": c.name, "kind": c.kind.name()})).collect();
    Ok(json!({"name": name, "rows": n_rows, "columns": columns}))
}

fn about(tables: &[Value], parts: &Parts<'_>) -> Value {
    let head = &parts.ledger.head;
    json!({
        "schema": EXPORT_SCHEMA,
        "as_of": parts.judged.as_of.to_rfc3339_opts(SecondsFormat::AutoSi, true),
        "method_version": METHOD_VERSION,
        "thresholds": {
            "version": CONSTANTS_VERSION,
            "airflow_fraction_below": CLOGGED_BELOW,
            "fan_factor_below": FAN_BELOW,
            "contact_factor_above": CONTACT_ABOVE,
        },
        "log_id": head.log_id,
        "tree_size": head.tree_size,
        "tables": tables,
    })
}

fn write_ledger(sink: &mut Sink, parts: &Parts<'_>) -> io::Result<()> {
    let ledger = parts.ledger;
    let head = serde_json::to_string_pretty(&ledger.head)?;
    sink.file(HEAD, Lines::Told, |out| writeln!(out, "{head}"))?;
    sink.file(LEAVES, Lines::Told, |out| {
        for leaf_idx in 0..ledger.tree.size() {
            writeln!(out, "{}", ledger.tree.leaf(leaf_idx).map(Digest::to_hex).unwrap_or_default())?;
        }
        Ok(())
    })?;
    sink.file(EVENTS, Lines::Told, |out| write_events(parts, out))?;
    sink.file(PROOFS, Lines::Told, |out| {
        ledger.proved.iter().try_for_each(|(leaf, digest)| write_proof(*leaf, *digest, ledger, out))
    })
}

/// All events under the head.
fn write_events(parts: &Parts<'_>, out: &mut dyn Write) -> io::Result<()> {
    let tree_size = parts.ledger.head.tree_size;
    let mut from_idx = 0;
    while from_idx < tree_size {
        let batch = parts.source.events(from_idx)?;
        let Some(last) = batch.last() else { break };
        from_idx = last.leaf.leaf_idx + 1;
        let covered = batch.iter().filter(|event| event.leaf.leaf_idx < tree_size);
        for event in covered {
            write_event(event, out)?;
        }
    }
    Ok(())
}

fn write_event(event: &Event, out: &mut dyn Write) -> io::Result<()> {
    let line = json!({
        "leaf_idx": event.leaf.leaf_idx,
        "kind": event.leaf.kind,
        "timestamp_ms": event.leaf.at_ms,
        "body": String::from_utf8_lossy(&event.body),
    });
    writeln!(out, "{line}")
}

fn write_proof(leaf: RunLeaf, digest: Digest, ledger: &Ledger, out: &mut dyn Write) -> io::Result<()> {
    let line = json!({
        "leaf_idx": leaf.leaf_idx,
        "kind": leaf.kind(),
        "digest": digest.to_hex(),
        "timestamp_ms": leaf.at_ms,
        "path": records::path_of(leaf, ledger),
    });
    writeln!(out, "{line}")
}

/// Every run whose leaf is under the head and whose row the runs table doesn't have, so that each leaf is accounted for.
fn write_absent(parts: &Parts<'_>, told: &LeafSet, out: &mut dyn Write) -> io::Result<()> {
    let (ledger, as_of_ms) = (parts.ledger, parts.judged.as_of.timestamp_millis());
    let mut next = ledger.runs.first_without(told);
    while let Some(from_idx) = next {
        let batch = parts.source.leaves(from_idx)?;
        let Some(last) = batch.last() else { break };
        next = Some(last.leaf_idx + 1).filter(|idx| *idx < ledger.head.tree_size);
        for leaf in batch.iter().filter(|l| ledger.runs.has(l.leaf_idx) && !told.has(l.leaf_idx)) {
            let Some(of_run) = RunLeaf::of(leaf) else { continue };
            write_absent_one(of_run, leaf.digest, as_of_ms, out)?;
        }
    }
    Ok(())
}

fn write_absent_one(leaf: RunLeaf, digest: Digest, as_of_ms: i64, out: &mut dyn Write) -> io::Result<()> {
    let came_later = !leaf.is_imported && leaf.at_ms > as_of_ms;
    let line = json!({
        "leaf_idx": leaf.leaf_idx,
        "kind": leaf.kind(),
        "digest": digest.to_hex(),
        "timestamp_ms": leaf.at_ms,
        "why": if came_later { LATER } else { MISSING },
    });
    writeln!(out, "{line}")
}

/// Writes the sums and seals them with the head key.
///
/// # Errors
/// Where they cannot be written.
pub fn seal(sink: &mut Sink, ledger: &Ledger) -> io::Result<()> {
    let lines: Vec<String> = sink.sums().iter().map(|(name, digest)| format!("{digest}  {name}\n")).collect();
    let sums = lines.concat();
    sink.uncovered(SUMS, sums.as_bytes())?;
    let sums_digest = Digest::of(sums.as_bytes());
    let log_id = Digest::from_hex(&ledger.head.log_id, "log_id").map_err(io::Error::other)?;
    let seal = Seal {
        schema: SEAL_SCHEMA.to_owned(),
        log_id: ledger.head.log_id.clone(),
        sums_digest: sums_digest.to_hex(),
        signature: hex::encode(ledger.key.sign(&seal_message(log_id, sums_digest))),
        keys: ledger.head.keys.clone(),
    };
    let text = serde_json::to_string_pretty(&seal)? + "\n";
    sink.uncovered(SEAL, text.as_bytes())
}

/// The message that a seal's signature covers.
pub fn seal_message(log_id: Digest, sums_digest: Digest) -> Vec<u8> {
    [SEAL_PREFIX, &log_id.0, &sums_digest.0].concat()
}

/// The hub's signature over the sums: a table is the hub's judgement, and no leaf of the ledger stands for it.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seal {
    /// [`SEAL_SCHEMA`].
    pub schema: String,
    /// The log that the key belongs to, hex.
    pub log_id: String,
    /// SHA-256 of the file `SHA256SUMS`, hex.
    pub sums_digest: String,
    /// By the last of `keys`, hex.
    pub signature: String,
    /// From the log's first key to the one that signed.
    pub keys: Vec<KeyLink>,
}
