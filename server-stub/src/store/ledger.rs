//! What the store keeps of the ledger. Other units of work append their leaves in their own transactions.

use std::future::Future;
use std::path::PathBuf;

use windrow_model::record::Digest;

use super::{EpochMs, StoreError};
use crate::ledger::leaf::LeafKind;
use crate::ledger::tree::Subtree;

/// A leaf of the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Leaf {
    /// Its place, from 0 without gaps.
    pub leaf_idx: u64,
    /// Name of its kind; a later version may have written one that this doesn't know.
    pub kind: String,
    /// Of the record or imported run that it stands for, else SHA-256 of the event's body.
    pub digest: Digest,
    /// When that was received or done.
    pub at_ms: EpochMs,
    /// Its hash, RFC 9162.
    pub leaf_hash: Digest,
}

/// A change of the store's facts, as the ledger holds it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// Its leaf.
    pub leaf: Leaf,
    /// Canonical JSON.
    pub body: Vec<u8>,
}

/// A signed head as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredHead {
    /// Number of leaves.
    pub tree_size: u64,
    /// Root over them.
    pub root_hash: Digest,
    /// When it was signed.
    pub at_ms: EpochMs,
    /// The key that signed.
    pub public_key: [u8; 32],
    /// Its signature.
    pub signature: [u8; 64],
}

/// The ledger's part of the store.
pub trait LedgerStore: Clone + Send + Sync + 'static {
    /// The file with the secret of the key that signs this ledger's heads.
    fn head_key_path(&self) -> PathBuf;
    /// Leaves from `from_idx` on, at most `limit`.
    fn ledger_list(
        &self,
        from_idx: u64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<Leaf>, StoreError>> + Send;
    /// Number of leaves.
    fn ledger_size(&self) -> impl Future<Output = Result<u64, StoreError>> + Send;
    /// Events from the leaf `from_idx` on, at most `limit`.
    fn ledger_event_list(
        &self,
        from_idx: u64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<Event>, StoreError>> + Send;
    /// All events that name a key which signs heads, the first one first.
    fn ledger_key_events(&self) -> impl Future<Output = Result<Vec<Event>, StoreError>> + Send;
    /// The leaf of a record or an imported run.
    fn ledger_leaf_of_run(
        &self,
        digest: Digest,
    ) -> impl Future<Output = Result<Option<Leaf>, StoreError>> + Send;
    /// Hashes of complete subtrees, in the order asked for. All their leaves must be there.
    fn ledger_subtree_hashes(
        &self,
        subtrees: Vec<Subtree>,
    ) -> impl Future<Output = Result<Vec<Digest>, StoreError>> + Send;
    /// Appends an event that no other unit of work stands for; says its place.
    fn ledger_append_event(
        &self,
        kind: LeafKind,
        canonical_body: Vec<u8>,
        at_ms: EpochMs,
    ) -> impl Future<Output = Result<u64, StoreError>> + Send;
    /// The head of this size, if one was signed.
    fn ledger_head_get(
        &self,
        tree_size: u64,
    ) -> impl Future<Output = Result<Option<StoredHead>, StoreError>> + Send;
    /// Keeps a head, unless there is one of its size; gives the one that is kept.
    fn ledger_head_put(
        &self,
        head: StoredHead,
    ) -> impl Future<Output = Result<StoredHead, StoreError>> + Send;
}
