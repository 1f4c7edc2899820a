//! The ledger in SQL. A leaf is appended in the transaction of what it stands for.

use std::path::PathBuf;

use serde::Serialize;
use windrow_model::record::{Digest, canonical};

use super::SqlStore;
use super::db::{Connection, Pool, Row, query, query_scalar};
use super::read::digest_of;
use super::write::{HeldAnswer, Reply, Write, hold, in_savepoint};
use crate::ledger::leaf::{LeafKind, leaf_hash};
use crate::ledger::tree::{self, Growing, Subtree};
use crate::store::{EpochMs, Event, Leaf, LedgerStore, StoreError, StoredHead};

/// Hashes of subtrees are stored from this level on; below it, at most 2^8 leaves are hashed at the time.
pub(super) const STORED_LEVEL: u32 = 8;

/// A unit of work of the ledger's own that waits for the writer.
pub(super) enum LedgerWrite {
    Event { kind: LeafKind, body: Vec<u8>, at_ms: EpochMs, reply: Reply<u64> },
    Head(StoredHead, Reply<StoredHead>),
}

impl LedgerWrite {
    pub(super) async fn run(self, c: &mut Connection) -> HeldAnswer {
        match self {
            Self::Event { kind, body, at_ms, reply } => {
                hold(reply, in_savepoint!(c, append_event(c, kind, &body, at_ms)))
            }
            Self::Head(head, reply) => hold(reply, in_savepoint!(c, head_put_in_tx(c, &head))),
        }
    }

    pub(super) fn refuse(self, why: StoreError) -> HeldAnswer {
        match self {
            Self::Event { reply, .. } => hold(reply, Err(why)),
            Self::Head(_, reply) => hold(reply, Err(why)),
        }
    }
}

/// Appends an event in the caller's transaction, its body as canonical JSON; says the leaf's place. Free and personal
/// text must not stand in the body: name a [`crate::ledger::leaf::Commitment`] to it.
pub(super) async fn append_json_event(
    c: &mut Connection,
    kind: LeafKind,
    body: &(impl Serialize + Sync),
    at_ms: EpochMs,
) -> Result<u64, StoreError> {
    let body = canonical::to_bytes(body)
        .map_err(|e| StoreError::Corrupt { column: "ledger_event.body", why: e.to_string() })?;
    append_event(c, kind, &body, at_ms).await
}

/// As [`append_json_event`], of a body that is canonical JSON already.
pub(super) async fn append_event(
    c: &mut Connection,
    kind: LeafKind,
    canonical_body: &[u8],
    at_ms: EpochMs,
) -> Result<u64, StoreError> {
    let leaf_idx = append_leaf(c, kind, Digest::of(canonical_body), at_ms).await?;
    query("INSERT INTO ledger_event (leaf_idx, body) VALUES ($1, $2)")
        .bind(leaf_idx.cast_signed())
        .bind(canonical_body)
        .execute(c)
        .await?;
    Ok(leaf_idx)
}

/// Appends a leaf and what subtrees it completes.
pub(super) async fn append_leaf(
    c: &mut Connection,
    kind: LeafKind,
    digest: Digest,
    at_ms: EpochMs,
) -> Result<u64, StoreError> {
    let hash = leaf_hash(kind.name(), digest, at_ms.unsigned_abs());
    let leaf_idx: i64 = query_scalar(
        "INSERT INTO ledger_leaf (leaf_idx, kind, digest, at_ms, leaf_hash) \
         SELECT COALESCE(MAX(leaf_idx) + 1, 0), $1, $2, $3, $4 FROM ledger_leaf RETURNING leaf_idx",
    )
    .bind(kind.name())
    .bind(digest.0.to_vec())
    .bind(at_ms)
    .bind(hash.0.to_vec())
    .fetch_one(&mut *c)
    .await?;
    let tree_size = leaf_idx.unsigned_abs() + 1;
    if tree_size.trailing_zeros() >= STORED_LEVEL {
        store_subtrees_that_end_at(c, tree_size).await?;
    }
    Ok(tree_size - 1)
}

/// Stores the hashes of all subtrees whose last leaf is the `tree_size`-th.
async fn store_subtrees_that_end_at(c: &mut Connection, tree_size: u64) -> Result<(), StoreError> {
    let lowest = Subtree { level: STORED_LEVEL, idx: (tree_size >> STORED_LEVEL) - 1 };
    let mut hash = hash_of_leaves(c, lowest).await?;
    subtree_put(c, lowest, hash).await?;
    for level in STORED_LEVEL + 1..=tree_size.trailing_zeros() {
        let left = Subtree { level: level - 1, idx: (tree_size >> (level - 1)) - 2 };
        hash = tree::node_hash(stored_hash(c, left).await?, hash);
        subtree_put(c, Subtree { level, idx: (tree_size >> level) - 1 }, hash).await?;
    }
    Ok(())
}

/// Stores what subtrees are missing: leaves that an older version wrote have none.
pub(super) async fn catch_up(c: &mut Connection) -> Result<(), StoreError> {
    let tree_size: i64 =
        query_scalar("SELECT COALESCE(MAX(leaf_idx) + 1, 0) FROM ledger_leaf").fetch_one(&mut *c).await?;
    let n_stored: i64 = query_scalar("SELECT COALESCE(MAX(idx) + 1, 0) FROM ledger_subtree WHERE level = $1")
        .bind(STORED_LEVEL)
        .fetch_one(&mut *c)
        .await?;
    for idx in n_stored.unsigned_abs()..tree_size.unsigned_abs() >> STORED_LEVEL {
        store_subtrees_that_end_at(c, (idx + 1) << STORED_LEVEL).await?;
    }
    Ok(())
}

async fn subtree_put(c: &mut Connection, subtree: Subtree, hash: Digest) -> Result<(), StoreError> {
    // The same leaves give the same hash: another process that caught up first has written this very row.
    query("INSERT INTO ledger_subtree (level, idx, hash) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING")
        .bind(subtree.level)
        .bind(subtree.idx.cast_signed())
        .bind(hash.0.to_vec())
        .execute(c)
        .await?;
    Ok(())
}

async fn subtree_hash(c: &mut Connection, subtree: Subtree) -> Result<Digest, StoreError> {
    if subtree.level < STORED_LEVEL {
        hash_of_leaves(c, subtree).await
    } else {
        stored_hash(c, subtree).await
    }
}

async fn stored_hash(c: &mut Connection, subtree: Subtree) -> Result<Digest, StoreError> {
    let bytes: Option<Vec<u8>> =
        query_scalar("SELECT hash FROM ledger_subtree WHERE level = $1 AND idx = $2")
            .bind(subtree.level)
            .bind(subtree.idx.cast_signed())
            .fetch_optional(c)
            .await?;
    let missing = || StoreError::Corrupt {
        column: "ledger_subtree.hash",
        why: format!("none of level {} at {}", subtree.level, subtree.idx),
    };
    digest_of(&bytes.ok_or_else(missing)?, "ledger_subtree.hash")
}

async fn hash_of_leaves(c: &mut Connection, subtree: Subtree) -> Result<Digest, StoreError> {
    let leaves = subtree.leaves();
    let hashes: Vec<Vec<u8>> = query_scalar(
        "SELECT leaf_hash FROM ledger_leaf WHERE leaf_idx >= $1 AND leaf_idx < $2 ORDER BY leaf_idx",
    )
    .bind(leaves.start.cast_signed())
    .bind(leaves.end.cast_signed())
    .fetch_all(c)
    .await?;
    let mut growing = Growing::default();
    for bytes in &hashes {
        growing.push(digest_of(bytes, "ledger_leaf.leaf_hash")?);
    }
    if growing.size() != leaves.end - leaves.start {
        let why =
            format!("{} leaves from {} on, not {}", growing.size(), leaves.start, leaves.end - leaves.start);
        return Err(StoreError::Corrupt { column: "ledger_leaf.leaf_idx", why });
    }
    Ok(growing.root())
}

async fn head_put_in_tx(c: &mut Connection, head: &StoredHead) -> Result<StoredHead, StoreError> {
    query(
        "INSERT INTO ledger_head (tree_size, root_hash, at_ms, public_key, signature) VALUES ($1, $2, $3, $4, $5) \
         ON CONFLICT DO NOTHING",
    )
    .bind(head.tree_size.cast_signed())
    .bind(&head.root_hash.0[..])
    .bind(head.at_ms)
    .bind(&head.public_key[..])
    .bind(&head.signature[..])
    .execute(&mut *c)
    .await?;
    let kept = head_get(c, head.tree_size).await?;
    kept.ok_or(StoreError::Corrupt {
        column: "ledger_head.tree_size",
        why: "what was written is gone".into(),
    })
}

async fn head_get(c: &mut Connection, tree_size: u64) -> Result<Option<StoredHead>, StoreError> {
    let row = query(
        "SELECT tree_size, root_hash, at_ms, public_key, signature FROM ledger_head WHERE tree_size = $1",
    )
    .bind(tree_size.cast_signed())
    .fetch_optional(c)
    .await?;
    row.as_ref().map(stored_head).transpose()
}

pub(super) fn stored_head(row: &Row) -> Result<StoredHead, StoreError> {
    let signature: &[u8] = row.try_get("signature")?;
    Ok(StoredHead {
        tree_size: row.try_get::<i64>("tree_size")?.unsigned_abs(),
        root_hash: digest_of(row.try_get("root_hash")?, "ledger_head.root_hash")?,
        at_ms: row.try_get("at_ms")?,
        public_key: digest_of(row.try_get("public_key")?, "ledger_head.public_key")?.0,
        signature: signature.try_into().map_err(|_| StoreError::Corrupt {
            column: "ledger_head.signature",
            why: format!("{} bytes", signature.len()),
        })?,
    })
}

fn leaf(row: &Row) -> Result<Leaf, StoreError> {
    Ok(Leaf {
        leaf_idx: row.try_get::<i64>("leaf_idx")?.unsigned_abs(),
        // One that was damaged in the file is read as far as it goes: its hash then tells.
        kind: String::from_utf8_lossy(row.bytes_unchecked("kind")?).into_owned(),
        digest: digest_of(row.try_get("digest")?, "ledger_leaf.digest")?,
        at_ms: row.try_get("at_ms")?,
        leaf_hash: digest_of(row.try_get("leaf_hash")?, "ledger_leaf.leaf_hash")?,
    })
}

fn event(row: &Row) -> Result<Event, StoreError> {
    Ok(Event { leaf: leaf(row)?, body: row.try_get("body")? })
}

async fn list(pool: &Pool, from_idx: u64, limit: u32) -> Result<Vec<Leaf>, StoreError> {
    let rows = query(
        "SELECT leaf_idx, kind, digest, at_ms, leaf_hash FROM ledger_leaf WHERE leaf_idx >= $1 \
         ORDER BY leaf_idx LIMIT $2",
    )
    .bind(i64::try_from(from_idx).unwrap_or(i64::MAX))
    .bind(limit)
    .fetch_all(pool)
    .await?;
    rows.iter().map(leaf).collect()
}

async fn event_list(pool: &Pool, from_idx: u64, limit: u32) -> Result<Vec<Event>, StoreError> {
    let rows = query(
        "SELECT l.leaf_idx, l.kind, l.digest, l.at_ms, l.leaf_hash, e.body FROM ledger_event e \
         JOIN ledger_leaf l USING (leaf_idx) WHERE e.leaf_idx >= $1 ORDER BY e.leaf_idx LIMIT $2",
    )
    .bind(i64::try_from(from_idx).unwrap_or(i64::MAX))
    .bind(limit)
    .fetch_all(pool)
    .await?;
    rows.iter().map(event).collect()
}

impl LedgerStore for SqlStore {
    fn head_key_path(&self) -> PathBuf {
        self.head_key_path.clone()
    }

    async fn ledger_list(&self, from_idx: u64, limit: u32) -> Result<Vec<Leaf>, StoreError> {
        list(&self.readers, from_idx, limit).await
    }

    async fn ledger_size(&self) -> Result<u64, StoreError> {
        let n: i64 = query_scalar("SELECT COALESCE(MAX(leaf_idx) + 1, 0) FROM ledger_leaf")
            .fetch_one(&self.readers)
            .await?;
        Ok(n.unsigned_abs())
    }

    async fn ledger_event_list(&self, from_idx: u64, limit: u32) -> Result<Vec<Event>, StoreError> {
        event_list(&self.readers, from_idx, limit).await
    }

    async fn ledger_key_events(&self) -> Result<Vec<Event>, StoreError> {
        let rows = query(
            "SELECT l.leaf_idx, l.kind, l.digest, l.at_ms, l.leaf_hash, e.body FROM ledger_leaf l \
             JOIN ledger_event e USING (leaf_idx) WHERE l.kind = 'head_key' ORDER BY l.leaf_idx",
        )
        .fetch_all(&self.readers)
        .await?;
        rows.iter().map(event).collect()
    }

    async fn ledger_leaf_of_run(&self, digest: Digest) -> Result<Option<Leaf>, StoreError> {
        let row = query(
            "SELECT leaf_idx, kind, digest, at_ms, leaf_hash FROM ledger_leaf \
             WHERE digest = $1 AND kind IN ('record', 'imported_run')",
        )
        .bind(digest.0.to_vec())
        .fetch_optional(&self.readers)
        .await?;
        row.as_ref().map(leaf).transpose()
    }

    async fn ledger_subtree_hashes(&self, subtrees: Vec<Subtree>) -> Result<Vec<Digest>, StoreError> {
        let mut connection = self.readers.acquire().await?;
        let mut hashes = Vec::with_capacity(subtrees.len());
        for subtree in subtrees {
            hashes.push(subtree_hash(&mut connection, subtree).await?);
        }
        Ok(hashes)
    }

    async fn ledger_append_event(
        &self,
        kind: LeafKind,
        canonical_body: Vec<u8>,
        at_ms: EpochMs,
    ) -> Result<u64, StoreError> {
        let event = |reply| LedgerWrite::Event { kind, body: canonical_body, at_ms, reply };
        self.write(|reply| Write::Ledger(event(reply))).await
    }

    async fn ledger_head_get(&self, tree_size: u64) -> Result<Option<StoredHead>, StoreError> {
        let mut connection = self.readers.acquire().await?;
        head_get(&mut connection, tree_size).await
    }

    async fn ledger_head_put(&self, head: StoredHead) -> Result<StoredHead, StoreError> {
        self.write(|reply| Write::Ledger(LedgerWrite::Head(head, reply))).await
    }
}
