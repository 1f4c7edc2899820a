//! The export as a whole: tables, what they rest on, the ledger's part, sums and seal.
//!
//! The same ledger head, method version and as-of time give the same bytes: nothing here reads a clock, and all is
//! written in a fixed order.

use std::collections::HashMap;
use std::io::{self, Write};

use chrono::{DateTime, SecondsFormat, Utc};
use serde_json::json;
use windrow_model::METHOD_VERSION;
use windrow_model::condition::constants::{CLOGGED_BELOW, CONSTANTS_VERSION, CONTACT_ABOVE, FAN_BELOW};
use windrow_model::record::Digest;

use super::gather::{Judged, Ledger};
use super::sink::{Lines, Sink};
use super::table::{Table, json_schema};
use super::tables::{FleetTable, RunsTable, VisitsTable, Which};
use super::{sheet, text};
use crate::ledger::head::KeyLink;
use crate::store::{Event, Leaf};

/// Name of the description's form.
pub const EXPORT_SCHEMA: &str = "windrow-export/1";
/// Name of the seal's form.
pub const SEAL_SCHEMA: &str = "windrow-seal/1";
/// First bytes of the message that a seal covers.
pub const SEAL_PREFIX: &[u8] = b"windrow-export/1\n";
/// The sums' file, as `sha256sum -c` reads it.
pub const SUMS: &str = "SHA256SUMS";
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

/// Writes everything but sums and seal.
///
/// # Errors
/// Where it cannot be written.
pub fn write(
    sink: &mut Sink,
    judged: &Judged,
    ledger: &Ledger,
    which: &[Which],
    as_of: DateTime<Utc>,
) -> io::Result<()> {
    let leaves: HashMap<Digest, u64> =
        ledger.runs.iter().map(|(digest, leaf)| (*digest, leaf.leaf_idx)).collect();
    let mut tables: Vec<Box<dyn Table + '_>> = Vec::new();
    for which in which {
        tables.push(match which {
            Which::Fleet => Box::new(FleetTable::new(&judged.rows)),
            Which::Runs => Box::new(RunsTable::new(&judged.runs, &leaves, METHOD_VERSION)),
            Which::Visits => Box::new(VisitsTable::new(&judged.services)),
        });
    }
    for table in &tables {
        write_table(sink, table.as_ref(), as_of)?;
    }
    let about = about(&tables, ledger, as_of);
    sink.file(ABOUT, Lines::Told, |out| writeln!(out, "{about:#}"))?;
    write_ledger(sink, judged, ledger)
}

fn write_table(sink: &mut Sink, table: &dyn Table, as_of: DateTime<Utc>) -> io::Result<()> {
    let name = table.name();
    sink.file(&format!("{name}.csv"), Lines::Told, |out| text::csv(table, out))?;
    sink.file(&format!("{name}.json"), Lines::Told, |out| text::json(table, out))?;
    sink.file(&format!("{name}.ndjson"), Lines::Told, |out| text::ndjson(table, out))?;
    sink.file(&format!("{name}.xlsx"), Lines::Untold, |out| sheet::xlsx(table, as_of, out))?;
    let schema = json_schema(table);
    sink.file(&format!("{name}.schema.json"), Lines::Told, |out| writeln!(out, "{schema:#}"))
}

fn about(tables: &[Box<dyn Table + '_>], ledger: &Ledger, as_of: DateTime<Utc>) -> serde_json::Value {
    let described = |table: &dyn Table| {
        let columns: Vec<_> =
            table.columns().iter().map(|c| json!({"name": c.name, "kind": c.kind.name()})).collect();
        json!({"name": table.name(), "rows": table.rows().count(), "columns": columns})
    };
    json!({
        "schema": EXPORT_SCHEMA,
        "as_of": as_of.to_rfc3339_opts(SecondsFormat::AutoSi, true),
        "method_version": METHOD_VERSION,
        "thresholds": {
            "version": CONSTANTS_VERSION,
            "airflow_fraction_below": CLOGGED_BELOW,
            "fan_factor_below": FAN_BELOW,
            "contact_factor_above": CONTACT_ABOVE,
        },
        "log_id": ledger.head.log_id,
        "tree_size": ledger.head.tree_size,
        "tables": tables.iter().map(|t| described(t.as_ref())).collect::<Vec<_>>(),
    })
}

fn write_ledger(sink: &mut Sink, judged: &Judged, ledger: &Ledger) -> io::Result<()> {
    let head = serde_json::to_string_pretty(&ledger.head)?;
    sink.file(HEAD, Lines::Told, |out| writeln!(out, "{head}"))?;
    sink.file(LEAVES, Lines::Told, |out| {
        for leaf_idx in 0..ledger.tree.size() {
            writeln!(out, "{}", ledger.tree.leaf(leaf_idx).map(Digest::to_hex).unwrap_or_default())?;
        }
        Ok(())
    })?;
    sink.file(EVENTS, Lines::Told, |out| ledger.events.iter().try_for_each(|event| write_event(event, out)))?;
    sink.file(PROOFS, Lines::Told, |out| {
        let mut leaves: Vec<&Leaf> =
            judged.rows.iter().filter_map(|row| ledger.runs.get(&row.record_digest()?)).collect();
        leaves.sort_by_key(|leaf| leaf.leaf_idx);
        leaves.into_iter().try_for_each(|leaf| write_proof(leaf, ledger, out))
    })
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

fn write_proof(leaf: &Leaf, ledger: &Ledger, out: &mut dyn Write) -> io::Result<()> {
    let path: Vec<String> =
        ledger.tree.inclusion(leaf.leaf_idx).unwrap_or_default().iter().map(|d| d.to_hex()).collect();
    let line = json!({
        "leaf_idx": leaf.leaf_idx,
        "kind": leaf.kind,
        "digest": leaf.digest.to_hex(),
        "timestamp_ms": leaf.at_ms,
        "path": path,
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
