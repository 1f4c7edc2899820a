//! What the check of a whole store reads: rows as they stand, each with the event of the ledger that it must agree with.

use std::future::Future;

use super::{EpochMs, RunFacts, StoreError, StoredHead};
use crate::ledger::leaf::LeafKind;
use crate::ledger::tree::Subtree;

/// A table whose rows events of the ledger stand for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Told {
    /// Laptops that joined.
    Devices,
    /// Where laptops stand.
    Placings,
    /// The list of what should be checked.
    Scope,
    /// Laptops that go on as others.
    Successions,
    /// Visits.
    Visits,
    /// Holds, snoozes, checks that are wanted.
    Marks,
    /// Services taken from files.
    Services,
    /// Who may what.
    Grants,
}

impl Told {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Devices,
        Self::Placings,
        Self::Scope,
        Self::Successions,
        Self::Visits,
        Self::Marks,
        Self::Services,
        Self::Grants,
    ];

    /// The table's name in the database.
    pub const fn table(self) -> &'static str {
        match self {
            Self::Devices => "device",
            Self::Placings => "placing",
            Self::Scope => "scope_entry",
            Self::Successions => "succession",
            Self::Visits => "visit",
            Self::Marks => "mark",
            Self::Services => "service",
            Self::Grants => "access_grant",
        }
    }
}

/// What a row says that an event of the ledger must say too.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Claim {
    /// What names the row in its table.
    pub row: String,
    /// Kind of the event.
    pub kind: LeafKind,
    /// When the event happened, as far as the row tells.
    pub at: ClaimedTime,
    /// What the event says.
    pub said: Said,
    /// The row may also stand without such an event.
    pub is_optional: bool,
}

/// What an event says, as far as a row tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    /// All of it.
    Body {
        /// Canonical JSON; with an empty commitment where the salt is gone.
        body: Vec<u8>,
        /// Its salt is gone: an erasure must say so.
        is_erased: bool,
        /// Some of its text is there.
        has_text: bool,
    },
    /// That a mark of this laptop ended; who ended it, the row doesn't tell.
    Ended {
        /// The laptop.
        device_id: String,
    },
}

impl Said {
    /// A body without free text.
    pub const fn whole(body: Vec<u8>) -> Self {
        Self::Body { body, is_erased: false, has_text: false }
    }
}

/// What a row tells of its event's time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ClaimedTime {
    /// Nothing.
    Untold,
    /// The very time.
    At(EpochMs),
    /// The later one of the event's time and another.
    AtOrAfter {
        /// What the row says.
        row_ms: EpochMs,
        /// The other.
        least_ms: EpochMs,
    },
}

impl ClaimedTime {
    /// Whether an event of that time is meant.
    pub fn agrees(self, at_ms: EpochMs) -> bool {
        match self {
            Self::Untold => true,
            Self::At(told) => told == at_ms,
            Self::AtOrAfter { row_ms, least_ms } => row_ms == at_ms.max(least_ms),
        }
    }
}

/// A run as it stands.
#[derive(Debug, Clone)]
pub struct StoredRun {
    /// Its columns.
    pub facts: RunFacts,
    /// The signed header as received; `None` of an imported run.
    pub header_json: Option<Vec<u8>>,
    /// Its place in the device's chain.
    pub sequence: Option<i64>,
    /// What it names as the one before it.
    pub previous: Option<Vec<u8>>,
}

/// A row by what names it, or why it cannot be read.
pub type Row<T> = (String, Result<T, String>);

/// The store's part for its own check.
pub trait CheckStore {
    /// What the database itself finds wrong with its file; empty: nothing.
    fn check_file(&self) -> impl Future<Output = Result<Vec<String>, StoreError>> + Send;
    /// Bodies of events from a leaf on, whether they have a leaf or not.
    fn check_events(
        &self,
        from_idx: u64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<(u64, Vec<u8>)>, StoreError>> + Send;
    /// All heads that were signed, the smallest first.
    fn check_heads(&self) -> impl Future<Output = Result<Vec<Row<StoredHead>>, StoreError>> + Send;
    /// All kept hashes of complete subtrees.
    fn check_subtrees(&self) -> impl Future<Output = Result<Vec<(Subtree, Vec<u8>)>, StoreError>> + Send;
    /// From which level on the hashes of complete subtrees are kept.
    fn kept_level(&self) -> u32;
    /// Runs after the row `after_run_id`, with the last row.
    fn check_runs(
        &self,
        after_run_id: i64,
        limit: u32,
    ) -> impl Future<Output = Result<(Vec<Row<StoredRun>>, i64), StoreError>> + Send;
    /// What the rows of a table claim, `limit` rows from the `from`-th on; `None`: there are no more. A row may claim more
    /// than one event, or none.
    fn check_claims(
        &self,
        of: Told,
        from: u32,
        limit: u32,
    ) -> impl Future<Output = Result<Option<Vec<Row<Claim>>>, StoreError>> + Send;
}
