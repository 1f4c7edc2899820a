-- The ledger holds more than records: every leaf says its kind. docs/ledger.md has the bytes of each.
CREATE TABLE ledger_leaf_of_any_kind (
    leaf_idx   INTEGER PRIMARY KEY,               -- from 0, without gaps
    kind       TEXT    NOT NULL,
    digest     BLOB    NOT NULL,                  -- of the record, of the imported run, or SHA-256 of the event's body
    at_ms      INTEGER NOT NULL,                  -- when it was received or done
    leaf_hash  BLOB    NOT NULL
) STRICT;
INSERT INTO ledger_leaf_of_any_kind (leaf_idx, kind, digest, at_ms, leaf_hash)
    SELECT leaf_idx, 'record', record_digest, received_at_ms, leaf_hash FROM ledger_leaf ORDER BY leaf_idx;
DROP TABLE ledger_leaf;
ALTER TABLE ledger_leaf_of_any_kind RENAME TO ledger_leaf;
CREATE UNIQUE INDEX ledger_leaf_of_run ON ledger_leaf (digest) WHERE kind IN ('record', 'imported_run');

-- What an event says: canonical JSON, with commitments in place of free text.
CREATE TABLE ledger_event (
    leaf_idx  INTEGER PRIMARY KEY REFERENCES ledger_leaf (leaf_idx),
    body      BLOB    NOT NULL
) STRICT;

-- Hashes of complete subtrees from 256 leaves on, so that a root or a proof reads some dozens of rows, not all.
CREATE TABLE ledger_subtree (
    level  INTEGER NOT NULL,                      -- of 2^level leaves
    idx    INTEGER NOT NULL,                      -- leaves idx * 2^level and on
    hash   BLOB    NOT NULL,
    PRIMARY KEY (level, idx)
) STRICT, WITHOUT ROWID;

-- One signed head a size: the same ledger is never told in two ways.
CREATE TABLE ledger_head (
    tree_size   INTEGER PRIMARY KEY,
    root_hash   BLOB    NOT NULL,
    at_ms       INTEGER NOT NULL,
    public_key  BLOB    NOT NULL,
    signature   BLOB    NOT NULL
) STRICT;

-- The ledger only grows. This guards against our own mistakes; against others there are heads kept elsewhere.
CREATE TRIGGER ledger_leaf_stays BEFORE UPDATE ON ledger_leaf BEGIN SELECT RAISE(ABORT, 'the ledger only grows'); END;
CREATE TRIGGER ledger_leaf_is_kept BEFORE DELETE ON ledger_leaf BEGIN SELECT RAISE(ABORT, 'the ledger only grows'); END;

-- The salt of a placing's commitment stands beside its texts; erased with them, the ledger still proves.
ALTER TABLE placing ADD COLUMN salt BLOB;
