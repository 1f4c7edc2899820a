//! The records themselves, byte for byte as they were received, each with the proof that it is in the ledger.

use std::io::{self, Write};

use serde::Serialize;

use super::gather::{Ledger, Source};
use super::leaves::RunLeaf;
use crate::measure;
use crate::store::runs::{ListedRun, WholeRun};

/// A record as it was received.
#[derive(Debug)]
pub struct StoredRecord {
    /// The document; empty where it can no longer be read.
    document: String,
}

impl StoredRecord {
    /// Of a stored run; `None` of an imported one. Nothing of it is parsed and written again. What was damaged in the
    /// database is given out all the same, as damaged as it is: whoever verifies shall learn of it.
    pub fn of(run: &WholeRun) -> Option<Self> {
        let document = measure::record_as_received(run)?.unwrap_or_default();
        Some(Self { document: String::from_utf8_lossy(&document).into_owned() })
    }
}

/// A line of `records.ndjson`. The document is a text in it, so that its bytes stay what they were.
#[derive(Serialize)]
struct Line<'a> {
    leaf_idx: u64,
    kind: &'static str,
    digest: String,
    timestamp_ms: i64,
    path: Vec<String>,
    record: &'a str,
}

/// Writes one line a record, in the order of the runs table.
///
/// # Errors
/// If it cannot be written or the source fails.
pub fn write(source: &dyn Source, ledger: &Ledger, as_of_ms: i64, out: &mut dyn Write) -> io::Result<()> {
    for page in source.runs() {
        for run in page?.iter().filter(|r| r.provenance != "imported" && r.received_at_ms <= as_of_ms) {
            write_one(run, source, ledger, out)?;
        }
    }
    Ok(())
}

fn write_one(run: &ListedRun, source: &dyn Source, ledger: &Ledger, out: &mut dyn Write) -> io::Result<()> {
    let is_under_head = run.leaf_idx.is_some_and(|leaf_idx| leaf_idx < ledger.head.tree_size);
    if !is_under_head {
        return Ok(());
    }
    let (Some(leaf), Some(record)) = (source.leaf(run.digest)?, source.record(run.digest)?) else {
        return Ok(());
    };
    let line = Line {
        leaf_idx: leaf.leaf_idx,
        kind: leaf.kind(),
        digest: run.digest.to_hex(),
        timestamp_ms: leaf.at_ms,
        path: path_of(leaf, ledger),
        record: &record.document,
    };
    serde_json::to_writer(&mut *out, &line)?;
    out.write_all(b"\n")
}

/// A leaf's inclusion path, hex.
pub(super) fn path_of(leaf: RunLeaf, ledger: &Ledger) -> Vec<String> {
    ledger.tree.inclusion(leaf.leaf_idx).unwrap_or_default().iter().map(|d| d.to_hex()).collect()
}
