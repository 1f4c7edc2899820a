//! What an export is made of, read from the store under one head.

use std::collections::HashSet;
use std::io;

use chrono::{DateTime, Utc};
use tokio::runtime::Handle;
use tokio::sync::mpsc;
use windrow_model::METHOD_VERSION;
use windrow_model::record::Digest;

use super::leaves::{LeafSet, RunLeaf};
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
use crate::store::{EpochMs, Event, Leaf, RunPlace, Store, StoreError};

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

/// The ledger under one head.
#[derive(Debug)]
pub struct Ledger {
    /// The head.
    pub head: SignedHead,
    /// The key that seals the export.
    pub key: HeadKey,
    /// All leaves' hashes.
    pub tree: Whole,
    /// Which of them are of records and imported runs.
    pub runs: LeafSet,
    /// Those of the runs to be proved, in the ledger's order.
    pub proved: Vec<(RunLeaf, Digest)>,
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

/// Signs the ledger's head, and says of how many leaves it is: the runs under it are what a table of runs tells.
///
/// # Errors
/// If the store or the head key fails.
pub async fn tree_size<S: Store>(store: &S, now_ms: EpochMs) -> Result<u64, LedgerError> {
    Ok(head_and_key(store, now_ms).await?.0.tree_size)
}

async fn head_and_key<S: Store>(store: &S, now_ms: EpochMs) -> Result<(SignedHead, HeadKey), LedgerError> {
    let head = signing::head_now(store, now_ms).await?;
    let (key, _) = signing::key_now(store, now_ms).await?;
    Ok((head, key))
}

/// Reads the ledger and signs its head. `to_prove`: digests of the runs that are given out with a proof.
///
/// # Errors
/// If the store or the head key fails.
pub async fn ledger<S: Store>(
    store: &S,
    now_ms: EpochMs,
    to_prove: impl Iterator<Item = Digest> + Send,
) -> Result<Ledger, LedgerError> {
    let to_prove: HashSet<Digest> = to_prove.collect();
    let (head, key) = head_and_key(store, now_ms).await?;
    let mut hashes = Vec::with_capacity(head.tree_size as usize);
    let (mut runs, mut proved) = (LeafSet::default(), Vec::new());
    while (hashes.len() as u64) < head.tree_size {
        let left = head.tree_size - hashes.len() as u64;
        let leaves = store.ledger_list(hashes.len() as u64, BATCH.min(left as u32)).await?;
        if leaves.is_empty() {
            let why = "leaves are missing".into();
            return Err(StoreError::Corrupt { column: "ledger_leaf.leaf_idx", why }.into());
        }
        for leaf in leaves {
            hashes.push(leaf.leaf_hash);
            let Some(of_run) = RunLeaf::of(&leaf) else { continue };
            runs.insert(leaf.leaf_idx);
            if to_prove.contains(&leaf.digest) {
                proved.push((of_run, leaf.digest));
            }
        }
    }
    Ok(Ledger { head, key, tree: Whole::new(hashes), runs, proved })
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
    /// The next leaves from one on; none: there are no more.
    fn leaves(&self, from_idx: u64) -> io::Result<Vec<Leaf>>;
    /// A run's leaf, wherever it stands by now.
    fn leaf(&self, digest: Digest) -> io::Result<Option<RunLeaf>>;
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

    fn leaves(&self, from_idx: u64) -> io::Result<Vec<Leaf>> {
        self.handle.block_on(self.store.ledger_list(from_idx, BATCH)).map_err(io::Error::other)
    }

    fn leaf(&self, digest: Digest) -> io::Result<Option<RunLeaf>> {
        let leaf = self.handle.block_on(self.store.ledger_leaf_of_run(digest)).map_err(io::Error::other)?;
        Ok(leaf.as_ref().and_then(RunLeaf::of))
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
