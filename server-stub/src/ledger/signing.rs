//! Heads and proofs over the stored ledger.

use std::ops::Range;

use windrow_model::record::{Digest, canonical};

use super::head::{Head, HeadKey, KeyLink, SignedHead, log_id_of};
use super::key_file::{self, KeyFileError};
use super::leaf::LeafKind;
use super::tree::{self, subtrees};
use crate::store::{EpochMs, LedgerStore, StoreError, StoredHead};

/// Why there is no head.
#[derive(Debug, thiserror::Error)]
pub enum HeadError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is no key to sign with.
    #[error(transparent)]
    Key(#[from] KeyFileError),
}

/// The head of the ledger as it is now.
///
/// # Errors
/// If the store fails, or the key cannot be used.
pub async fn head_now<S: LedgerStore>(store: &S, now_ms: EpochMs) -> Result<SignedHead, HeadError> {
    let keys = keys_or_first(store, now_ms).await?;
    let tree_size = store.ledger_size().await?;
    head_of(store, &keys, tree_size, now_ms).await
}

/// The head of a size that the ledger has or had. Signed once: asked again, the same head comes.
async fn head_of<S: LedgerStore>(
    store: &S,
    keys: &[KeyLink],
    tree_size: u64,
    now_ms: EpochMs,
) -> Result<SignedHead, HeadError> {
    let log_id = log_id_in(keys)?;
    let kept = match store.ledger_head_get(tree_size).await? {
        Some(kept) => kept,
        None => store.ledger_head_put(sign(store, keys, log_id, tree_size, now_ms).await?).await?,
    };
    let head = Head { log_id, tree_size, root_hash: kept.root_hash, at_ms: kept.at_ms.unsigned_abs() };
    // The line of keys ends with the one that signed, which may since have been followed by another.
    let signer = hex::encode(kept.public_key);
    let n_keys = keys.iter().position(|link| link.public_key == signer).map_or(keys.len(), |idx| idx + 1);
    Ok(SignedHead::new(&head, kept.signature, keys[..n_keys].to_vec()))
}

async fn sign<S: LedgerStore>(
    store: &S,
    keys: &[KeyLink],
    log_id: Digest,
    tree_size: u64,
    now_ms: EpochMs,
) -> Result<StoredHead, HeadError> {
    let key = key_file::load(&store.head_key_path(), last_of(keys))?;
    let head = Head {
        log_id,
        tree_size,
        root_hash: span_hash(store, &(0..tree_size)).await?,
        at_ms: now_ms.unsigned_abs(),
    };
    Ok(StoredHead {
        tree_size,
        root_hash: head.root_hash,
        at_ms: now_ms,
        public_key: key.public_bytes(),
        signature: key.sign(&head.message()),
    })
}

/// The present key, to sign something beside a head.
///
/// # Errors
/// If the store fails, or the key cannot be used.
pub async fn key_now<S: LedgerStore>(
    store: &S,
    now_ms: EpochMs,
) -> Result<(HeadKey, Vec<KeyLink>), HeadError> {
    let keys = keys_or_first(store, now_ms).await?;
    Ok((key_file::load(&store.head_key_path(), last_of(&keys))?, keys))
}

/// Makes a new key, endorsed by the present one, and gives the whole line of keys.
///
/// # Errors
/// If the store fails, or a key cannot be used.
pub async fn rotate<S: LedgerStore>(store: &S, now_ms: EpochMs) -> Result<Vec<KeyLink>, HeadError> {
    let (present, mut keys) = key_now(store, now_ms).await?;
    let path = store.head_key_path();
    let next = key_file::make_next(&path)?;
    let link = present.endorse(log_id_in(&keys)?, &next);
    append_link(store, &link, now_ms).await?;
    key_file::promote(&path)?;
    keys.push(link);
    Ok(keys)
}

/// The log's keys, the first made where there is none yet.
async fn keys_or_first<S: LedgerStore>(store: &S, now_ms: EpochMs) -> Result<Vec<KeyLink>, HeadError> {
    let keys = keys(store).await?;
    if !keys.is_empty() {
        return Ok(keys);
    }
    let key = key_file::load_or_make(&store.head_key_path())?;
    append_link(store, &key.first_link(), now_ms).await?;
    Ok(self::keys(store).await?)
}

async fn append_link<S: LedgerStore>(store: &S, link: &KeyLink, now_ms: EpochMs) -> Result<(), StoreError> {
    let body = canonical::to_bytes(link).map_err(|e| corrupt(e.to_string()))?;
    store.ledger_append_event(LeafKind::HeadKey, body, now_ms).await.map(drop)
}

/// The log's keys, the first one first.
pub(crate) async fn keys<S: LedgerStore>(store: &S) -> Result<Vec<KeyLink>, StoreError> {
    let mut keys: Vec<KeyLink> = Vec::new();
    for event in store.ledger_key_events().await? {
        let link: KeyLink = serde_json::from_slice(&event.body).map_err(|e| corrupt(e.to_string()))?;
        // Two processes that made the first key at once have written it twice; it is one key.
        if !keys.contains(&link) {
            keys.push(link);
        }
    }
    Ok(keys)
}

fn last_of(keys: &[KeyLink]) -> &str {
    keys.last().map_or("", |link| link.public_key.as_str())
}

fn log_id_in(keys: &[KeyLink]) -> Result<Digest, StoreError> {
    let first = keys.first().ok_or_else(|| corrupt("there is no key".to_owned()))?;
    let key = Digest::from_hex(&first.public_key, "public_key").map_err(|e| corrupt(e.to_string()))?;
    Ok(log_id_of(key.0))
}

fn corrupt(why: String) -> StoreError {
    StoreError::Corrupt { column: "ledger_event.body", why }
}

/// An inclusion proof; `None`: the tree of this size has no such leaf.
///
/// # Errors
/// If the store fails.
pub async fn inclusion<S: LedgerStore>(
    store: &S,
    leaf_idx: u64,
    tree_size: u64,
) -> Result<Option<Vec<Digest>>, StoreError> {
    let Some(spans) = tree::inclusion_spans(leaf_idx, tree_size) else { return Ok(None) };
    span_hashes(store, &spans).await.map(Some)
}

/// A consistency proof; `None`: the old size is the larger one.
///
/// # Errors
/// If the store fails.
pub async fn consistency<S: LedgerStore>(
    store: &S,
    old_size: u64,
    new_size: u64,
) -> Result<Option<Vec<Digest>>, StoreError> {
    let Some(spans) = tree::consistency_spans(old_size, new_size) else { return Ok(None) };
    span_hashes(store, &spans).await.map(Some)
}

async fn span_hashes<S: LedgerStore>(store: &S, spans: &[Range<u64>]) -> Result<Vec<Digest>, StoreError> {
    let mut hashes = Vec::with_capacity(spans.len());
    for span in spans {
        hashes.push(span_hash(store, span).await?);
    }
    Ok(hashes)
}

async fn span_hash<S: LedgerStore>(store: &S, span: &Range<u64>) -> Result<Digest, StoreError> {
    Ok(tree::span_hash(&store.ledger_subtree_hashes(subtrees(span)).await?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::tree::{is_consistent, is_included};
    use crate::store::sql::SqlStore;
    use crate::testing::START_MS;

    async fn append(store: &SqlStore, n: u32) {
        for idx in 0..n {
            let body = format!("{{\"n\":{idx}}}").into_bytes();
            store.ledger_append_event(LeafKind::Hold, body, START_MS).await.unwrap();
        }
    }

    #[tokio::test]
    async fn heads_and_proofs_hold_together_while_the_ledger_grows_and_keys_change() {
        let folder = tempfile::TempDir::new().unwrap();
        let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
        append(&store, 3).await;
        let early = head_now(&store, START_MS).await.unwrap();
        assert_eq!((early.tree_size, early.timestamp_ms), (4, START_MS.unsigned_abs()), "three and the key");
        assert_eq!(head_now(&store, START_MS + 9).await.unwrap(), early, "one head a size");
        append(&store, 300).await;
        let late = head_now(&store, START_MS + 10).await.unwrap();
        assert_eq!(rotate(&store, START_MS + 11).await.unwrap().len(), 2);
        let after = head_now(&store, START_MS + 12).await.unwrap();
        assert_ne!(after.signer(), late.signer());
        let [early, late, after] = [early, late, after].map(|h| h.verify().unwrap());
        for (old, new) in [(early, late), (late, after), (early, after)] {
            let path = consistency(&store, old.tree_size, new.tree_size).await.unwrap().unwrap();
            assert!(is_consistent((old.tree_size, old.root_hash), (new.tree_size, new.root_hash), &path));
        }
        for leaf in store.ledger_list(0, 1000).await.unwrap() {
            let path = inclusion(&store, leaf.leaf_idx, after.tree_size).await.unwrap().unwrap();
            assert!(is_included(leaf.leaf_hash, leaf.leaf_idx, after.tree_size, &path, after.root_hash));
        }
        assert!(inclusion(&store, 305, 305).await.unwrap().is_none());
        assert!(consistency(&store, 306, 305).await.unwrap().is_none());
    }

    #[tokio::test]
    async fn a_lost_key_is_told_and_not_replaced_in_silence() {
        let folder = tempfile::TempDir::new().unwrap();
        let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
        head_now(&store, START_MS).await.unwrap();
        std::fs::remove_file(store.head_key_path()).unwrap();
        append(&store, 1).await;
        let refused = head_now(&store, START_MS).await.unwrap_err();
        assert!(matches!(refused, HeadError::Key(KeyFileError::Missing(_))), "{refused}");
    }
}
