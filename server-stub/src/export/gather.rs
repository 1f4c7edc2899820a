//! What an export is made of, read from the store under one head.

use std::collections::HashMap;
use std::io;

use chrono::{DateTime, Utc};
use tokio::runtime::Handle;
use tokio::sync::mpsc;
use windrow_model::METHOD_VERSION;
use windrow_model::record::Digest;

use super::records::StoredRecord;
use super::tables::{VisitLine, visit_lines};
use crate::coverage::Coverage;
use crate::facts;
use crate::failure::Failure;
use crate::ledger::head::{HeadKey, SignedHead};
use crate::ledger::signing::{self, HeadError};
use crate::ledger::tree::Whole;
use crate::scoring::Standing;
use crate::store::runs::ListedRun;
use crate::store::{EpochMs, Event, RunPlace, Store, StoreError};

/// Leaves or events read in one go.
const BATCH: u32 = 10_000;
/// Runs read in one go: some megabytes. Three such pages are held at a time.
const RUN_BATCH: u32 = 4_000;

/// The judged fleet: the export's tables are made from it row by row.
#[derive(Debug, Clone, Copy)]
pub struct Judged<'a> {
    /// The laptops, most urgent first.
    pub standings: &'a [Standing],
    /// How far they were checked.
    pub coverage: &'a Coverage,
    /// As of when.
    pub as_of: DateTime<Utc>,
}

/// A leaf of a record or an imported run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RunLeaf {
    /// Its place.
    pub leaf_idx: u64,
    /// When the run was received.
    pub at_ms: EpochMs,
    /// Whether it is an imported run's.
    pub is_imported: bool,
}

impl RunLeaf {
    /// Name of its kind.
    pub const fn kind(self) -> &'static str {
        if self.is_imported { "imported_run" } else { "record" }
    }
}

/// The leaves of all runs, by their digest.
#[derive(Debug, Default)]
pub struct Leaves(HashMap<Digest, RunLeaf>);

impl Leaves {
    /// A run's leaf; none of a run that was imported before imports had leaves.
    pub fn of_run(&self, digest: Digest) -> Option<RunLeaf> {
        self.0.get(&digest).copied()
    }

    /// All of them, in the ledger's order.
    pub fn in_order(&self) -> Vec<(Digest, RunLeaf)> {
        let mut all: Vec<_> = self.0.iter().map(|(digest, leaf)| (*digest, *leaf)).collect();
        all.sort_unstable_by_key(|(_, leaf)| leaf.leaf_idx);
        all
    }
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
    /// Leaves of records and imported runs.
    pub runs: Leaves,
}

/// Why the ledger can't be read for an export.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// No head can be signed.
    #[error(transparent)]
    Head(#[from] HeadError),
}

impl From<LedgerError> for Failure {
    fn from(error: LedgerError) -> Self {
        match error {
            LedgerError::Store(e) => e.into(),
            LedgerError::Head(e) => e.into(),
        }
    }
}

/// Reads the ledger and signs its head.
///
/// # Errors
/// If the store or the head key fails.
pub async fn ledger<S: Store>(store: &S, now_ms: EpochMs) -> Result<Ledger, LedgerError> {
    let head = signing::head_now(store, now_ms).await?;
    let (key, _) = signing::key_now(store, now_ms).await?;
    let mut hashes = Vec::with_capacity(head.tree_size as usize);
    let mut runs = HashMap::new();
    while (hashes.len() as u64) < head.tree_size {
        let left = head.tree_size - hashes.len() as u64;
        let leaves = store.ledger_list(hashes.len() as u64, BATCH.min(left as u32)).await?;
        if leaves.is_empty() {
            let why = "leaves are missing".into();
            return Err(StoreError::Corrupt { column: "ledger_leaf.leaf_idx", why }.into());
        }
        for leaf in leaves {
            hashes.push(leaf.leaf_hash);
            let is_imported = leaf.kind == "imported_run";
            if leaf.kind == "record" || is_imported {
                let of_run = RunLeaf { leaf_idx: leaf.leaf_idx, at_ms: leaf.at_ms, is_imported };
                runs.insert(leaf.digest, of_run);
            }
        }
    }
    Ok(Ledger { head, key, tree: Whole::new(hashes), runs: Leaves(runs) })
}

/// The visits' entries and imported services by a time.
///
/// # Errors
/// If the store fails.
pub async fn visits<S: Store>(store: &S, as_of_ms: EpochMs) -> Result<Vec<VisitLine>, StoreError> {
    Ok(visit_lines(facts::visits(store, None).await?, store.service_list().await?, as_of_ms))
}

/// Runs as they are read.
pub type RunPages<'a> = Box<dyn Iterator<Item = io::Result<Vec<ListedRun>>> + 'a>;

/// What is read from the store while an export is written, so that none of it is held whole.
pub trait Source {
    /// All runs by laptop and time, page by page. After an error there are no more.
    fn runs(&self) -> RunPages<'_>;
    /// The next events from a leaf on; none: there are no more.
    ///
    /// # Errors
    /// If the store fails; so with all the others.
    fn events(&self, from_idx: u64) -> io::Result<Vec<Event>>;
    /// Whether a run has a leaf by now.
    fn has_leaf(&self, digest: Digest) -> io::Result<bool>;
    /// A record as it was received; `None` for an imported run.
    fn record(&self, digest: Digest) -> io::Result<Option<StoredRecord>>;
}

/// The store, read from a thread that may wait.
#[derive(Debug)]
pub struct Reading<S> {
    store: S,
    handle: Handle,
}

impl<S: Store> Reading<S> {
    /// Reads a store. The runtime is the present one; its methods must be called from another thread than its own.
    pub fn new(store: S) -> Self {
        Self { store, handle: Handle::current() }
    }
}

impl<S: Store> Source for Reading<S> {
    fn runs(&self) -> RunPages<'_> {
        // The next page is read while this one is written. Whoever stops reading ends it.
        let (pages, mut ready) = mpsc::channel(1);
        self.handle.spawn(read_runs(self.store.clone(), pages));
        Box::new(std::iter::from_fn(move || ready.blocking_recv()))
    }

    fn events(&self, from_idx: u64) -> io::Result<Vec<Event>> {
        self.handle.block_on(self.store.ledger_event_list(from_idx, BATCH)).map_err(io::Error::other)
    }

    fn has_leaf(&self, digest: Digest) -> io::Result<bool> {
        let leaf = self.handle.block_on(self.store.ledger_leaf_of_run(digest)).map_err(io::Error::other)?;
        Ok(leaf.is_some())
    }

    fn record(&self, digest: Digest) -> io::Result<Option<StoredRecord>> {
        let run = self.handle.block_on(self.store.run_get(digest)).map_err(io::Error::other)?;
        Ok(run.as_ref().and_then(StoredRecord::of))
    }
}

async fn read_runs<S: Store>(store: S, pages: mpsc::Sender<io::Result<Vec<ListedRun>>>) {
    let mut after: Option<RunPlace> = None;
    loop {
        let page = store.run_list(METHOD_VERSION, after.take(), RUN_BATCH).await;
        match &page {
            Ok(runs) if runs.is_empty() => return,
            Ok(runs) => after = runs.last().map(ListedRun::place),
            Err(_) => {}
        }
        let is_broken = page.is_err();
        if pages.send(page.map_err(io::Error::other)).await.is_err() || is_broken {
            return;
        }
    }
}
