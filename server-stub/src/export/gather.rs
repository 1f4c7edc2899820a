//! What an export is made of, read from the store under one head.

use std::collections::HashMap;

use windrow_model::METHOD_VERSION;
use windrow_model::record::Digest;

use crate::clock::WallClock;
use crate::costs::Costs;
use crate::failure::Failure;
use crate::fleet_table::{self, Explained, Filter};
use crate::judgement;
use crate::ledger::head::{HeadKey, SignedHead};
use crate::ledger::signing;
use crate::ledger::tree::Whole;
use crate::scoring::Run;
use crate::store::{EpochMs, Event, Leaf, Service, Store, StoreError};

/// Leaves read in one go.
const BATCH: u32 = 10_000;

/// The judged fleet and what it rests on.
#[derive(Debug)]
pub struct Judged {
    /// One a laptop, most urgent first.
    pub rows: Vec<Explained>,
    /// All runs that had come in by the as-of time.
    pub runs: Vec<Run>,
    /// All services up to then.
    pub services: Vec<Service>,
}

/// The ledger under one head.
#[derive(Debug)]
pub struct Ledger {
    /// The head.
    pub head: SignedHead,
    /// The key that seals the export.
    pub key: HeadKey,
    /// All leaves' hashes.
    pub tree: Whole,
    /// Leaves of records and imported runs, by digest.
    pub runs: HashMap<Digest, Leaf>,
    /// All events.
    pub events: Vec<Event>,
}

/// Reads the ledger and signs its head.
///
/// # Errors
/// If the store or the head key fails.
pub async fn ledger<S: Store>(store: &S, now_ms: EpochMs) -> Result<Ledger, Failure> {
    let head = signing::head_now(store, now_ms).await?;
    let (key, _) = signing::key_now(store, now_ms).await?;
    let mut hashes = Vec::with_capacity(head.tree_size as usize);
    let mut runs = HashMap::new();
    while (hashes.len() as u64) < head.tree_size {
        let left = head.tree_size - hashes.len() as u64;
        let leaves = store.ledger_list(hashes.len() as u64, BATCH.min(left as u32)).await?;
        if leaves.is_empty() {
            return Err(StoreError::Corrupt {
                column: "ledger_leaf.leaf_idx",
                why: "leaves are missing".into(),
            }
            .into());
        }
        for leaf in leaves {
            hashes.push(leaf.leaf_hash);
            if leaf.kind == "record" || leaf.kind == "imported_run" {
                runs.insert(leaf.digest, leaf);
            }
        }
    }
    Ok(Ledger { events: events(store, head.tree_size).await?, head, key, tree: Whole::new(hashes), runs })
}

async fn events<S: Store>(store: &S, tree_size: u64) -> Result<Vec<Event>, StoreError> {
    let mut all: Vec<Event> = Vec::new();
    loop {
        let from = all.last().map_or(0, |e| e.leaf.leaf_idx + 1);
        let batch = store.ledger_event_list(from, BATCH).await?;
        let is_last = batch.len() < BATCH as usize;
        all.extend(batch.into_iter().filter(|e| e.leaf.leaf_idx < tree_size));
        if is_last {
            return Ok(all);
        }
    }
}

/// Judges the fleet as of a time. To be read before the ledger: then its head covers all that was judged, however much
/// comes in meanwhile.
///
/// # Errors
/// If the store fails.
pub async fn judged<S: Store>(
    store: &S,
    clock: &WallClock,
    as_of_ms: EpochMs,
    costs: &Costs,
) -> Result<Judged, Failure> {
    let fleet = judgement::judged_fleet(store, clock, as_of_ms, costs).await?;
    let rows = fleet_table::rows(&fleet, &Filter::default());
    let mut runs = Vec::new();
    for stored in store.run_list_measured(METHOD_VERSION).await? {
        // An imported run was received when it was imported, whenever it was made.
        if stored.provenance != "imported" && stored.received_at_ms > as_of_ms {
            continue;
        }
        let metrics = stored.metrics_json.as_deref().map(serde_json::from_slice).transpose();
        let metrics =
            metrics.map_err(|e| StoreError::Corrupt { column: "run_metrics.metrics", why: e.to_string() })?;
        runs.push(Run { stored, metrics });
    }
    let as_of_day = chrono::DateTime::from_timestamp_millis(as_of_ms).map(|t| t.date_naive());
    let mut services = store.service_list().await?;
    services.retain(|s| as_of_day.is_none_or(|day| s.serviced_on <= day));
    Ok(Judged { rows, runs, services })
}
