//! Records and imported runs: each as it was received, its columns as the document says, its leaf in the ledger.

use std::collections::HashMap;

use rayon::prelude::*;
use windrow_model::record::{Digest, PublicKey, ReceivedRecord};

use super::Report;
use super::book::Book;
use crate::judgement::off_the_reactor;
use crate::ledger::leaf::LeafKind;
use crate::store::check::{Row, StoredRun};
use crate::store::{EpochMs, RunFacts, Store, StoreError};
use crate::{import, ingest, measure};

/// Runs read in one go: with their traces some ten megabytes.
const BATCH: u32 = 500;
const TABLE: &str = "run";

/// The leaf that a run must have.
pub(super) struct Claimed {
    pub(super) row: String,
    pub(super) kind: LeafKind,
    pub(super) digest: Digest,
    pub(super) received_at_ms: EpochMs,
}

/// Checks all runs; gives back those whose leaf was not found.
pub(super) async fn check<S: Store>(
    store: &S,
    book: &mut Book,
    keys: &HashMap<String, PublicKey>,
    report: &mut Report,
) -> Result<Vec<Claimed>, StoreError> {
    let (mut late, mut after) = (Vec::new(), 0);
    let keys = std::sync::Arc::new(keys.clone());
    loop {
        let (runs, last) = store.check_runs(after, BATCH).await?;
        if runs.is_empty() {
            return Ok(late);
        }
        after = last;
        let keys = std::sync::Arc::clone(&keys);
        let held = move || runs.into_par_iter().map(|run| hold(run, &keys)).collect::<Vec<_>>();
        for held in off_the_reactor(held).await? {
            if let Some(why) = held.why {
                report.find(TABLE, Some(&held.row), why);
            }
            let Some(claimed) = held.claimed else { continue };
            report.n_runs += 1;
            if !book.take_run(claimed.kind, claimed.digest, claimed.received_at_ms) {
                late.push(claimed);
            }
        }
    }
}

/// A run held against itself.
struct Held {
    row: String,
    why: Option<String>,
    claimed: Option<Claimed>,
}

fn hold((row, run): Row<StoredRun>, keys: &HashMap<String, PublicKey>) -> Held {
    let run = match run {
        Ok(run) => run,
        Err(why) => return Held { row, why: Some(format!("cannot be read: {why}")), claimed: None },
    };
    let why = match &run.header_json {
        Some(header) => is_as_signed(&run, header, keys),
        None => is_as_imported(&run.facts),
    };
    let kind = if run.header_json.is_some() { LeafKind::Record } else { LeafKind::ImportedRun };
    let claimed = Claimed {
        row: row.clone(),
        kind,
        digest: run.facts.digest,
        received_at_ms: run.facts.received_at_ms,
    };
    Held { row, why: why.err().map(|why| format!("run {}: {why}", run.facts.digest)), claimed: Some(claimed) }
}

fn is_as_signed(run: &StoredRun, header: &[u8], keys: &HashMap<String, PublicKey>) -> Result<(), String> {
    let trace = measure::unpack_json(&run.facts.trace_zstd).map_err(|e| format!("its trace: {e}"))?;
    let document = [b"{\"header\":", header, b",\"trace\":", trace.as_slice(), b"}"].concat();
    let received = ReceivedRecord::parse(&document).map_err(|e| e.to_string())?;
    let key = keys.get(&received.record().header.device_id).ok_or("its laptop never enrolled")?;
    let verified = received.verify(key).map_err(|e| e.to_string())?;
    let header = &verified.record.header;
    if run.sequence.map(i64::cast_unsigned) != Some(header.sequence) {
        return Err(of_column("sequence"));
    }
    if run.previous.as_ref().map(hex::encode).as_ref() != Some(&header.previous_digest) {
        return Err(of_column("previous_digest"));
    }
    let told = ingest::facts(&verified, &trace, run.facts.received_at_ms).map_err(|e| e.to_string())?;
    same(&run.facts, &told)
}

fn is_as_imported(run: &RunFacts) -> Result<(), String> {
    let trace = measure::unpack_json(&run.trace_zstd).map_err(|e| format!("its trace: {e}"))?;
    if import::digest_of(&run.device_id, run.tested_at_ms, &trace) != run.digest {
        return Err(
            "its digest is not that of its laptop, time and trace: one of them was altered".to_owned()
        );
    }
    let told = import::told_by(&trace)?;
    let told = RunFacts {
        model_key: run.model_name.clone(),
        load_mix: told.load_mix,
        protocol: told.protocol,
        outcome: told.outcome,
        channels: told.channels,
        firmware: String::new(),
        ..run.clone()
    };
    same(run, &told)
}

fn of_column(column: &str) -> String {
    format!("its column `{column}` is not what the document says: it was altered")
}

/// Whether a row's columns are what the document says.
fn same(row: &RunFacts, told: &RunFacts) -> Result<(), String> {
    let columns = [
        ("device_id", row.device_id == told.device_id),
        ("digest", row.digest == told.digest),
        ("provenance", row.provenance == told.provenance),
        ("model_key", row.model_key == told.model_key),
        ("model_name", row.model_name == told.model_name),
        ("firmware", row.firmware == told.firmware),
        ("site", row.site == told.site),
        ("load_mix", row.load_mix == told.load_mix),
        ("protocol", row.protocol == told.protocol),
        ("outcome", row.outcome == told.outcome),
        ("channels", row.channels == told.channels),
        ("ambient_c", row.ambient_c.map(f64::to_bits) == told.ambient_c.map(f64::to_bits)),
        ("ambient_sd_k", row.ambient_sd_k.map(f64::to_bits) == told.ambient_sd_k.map(f64::to_bits)),
        ("on_ac", row.on_ac == told.on_ac),
        ("tested_at_ms", row.tested_at_ms == told.tested_at_ms),
    ];
    columns.iter().find(|(_, is_same)| !is_same).map_or(Ok(()), |(column, _)| Err(of_column(column)))
}
