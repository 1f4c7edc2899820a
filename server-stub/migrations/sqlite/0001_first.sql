-- Times are milliseconds since the Unix epoch, UTC. Digests and keys are raw bytes.

CREATE TABLE invite (
    invite_id      INTEGER PRIMARY KEY,
    token_hash     BLOB    NOT NULL UNIQUE,      -- SHA-256; the token itself is never stored
    site           TEXT    NOT NULL,
    place          TEXT    NOT NULL,
    asset_tag      TEXT    NOT NULL,
    uses_left      INTEGER NOT NULL CHECK (uses_left >= 0),
    created_at_ms  INTEGER NOT NULL,
    expires_at_ms  INTEGER NOT NULL
) STRICT;

CREATE TABLE device (
    device_id       TEXT    PRIMARY KEY,
    public_key      BLOB    NOT NULL,
    enrolled_at_ms  INTEGER NOT NULL,
    revoked_at_ms   INTEGER,
    check_wanted_by_ms INTEGER
) STRICT;

-- Where a laptop stands is the hub's fact, and has a history.
CREATE TABLE placing (
    placing_id  INTEGER PRIMARY KEY,
    device_id   TEXT    NOT NULL,
    from_ms     INTEGER NOT NULL,
    asset_tag   TEXT    NOT NULL,
    site        TEXT    NOT NULL,
    place       TEXT    NOT NULL
) STRICT;
CREATE INDEX placing_by_device ON placing (device_id, from_ms);

-- A posted record or an imported run. An imported one has no header, no sequence and no signature.
CREATE TABLE run (
    run_id           INTEGER PRIMARY KEY,
    device_id        TEXT    NOT NULL,
    digest           BLOB    NOT NULL UNIQUE,
    provenance       TEXT    NOT NULL CHECK (provenance IN ('measured', 'emulated', 'imported')),
    sequence         INTEGER,
    previous_digest  BLOB,
    link             TEXT,
    header           BLOB,                        -- the signed header as received, JSON
    trace            BLOB    NOT NULL,            -- zstd of the wire trace, JSON
    model_key        TEXT    NOT NULL,
    model_name       TEXT    NOT NULL,
    site             TEXT    NOT NULL,            -- imported runs only; else the placing tells
    load_mix         TEXT    NOT NULL,
    protocol         TEXT    NOT NULL,
    outcome          TEXT    NOT NULL,
    channels         TEXT    NOT NULL,            -- columns in which something was read
    ambient_c        REAL,
    ambient_sd_k     REAL,
    on_ac            INTEGER,
    tested_at_ms     INTEGER NOT NULL,
    received_at_ms   INTEGER NOT NULL,
    CHECK ((provenance = 'imported') = (header IS NULL)),
    CHECK ((provenance = 'imported') = (sequence IS NULL))
) STRICT;
CREATE INDEX run_by_device ON run (device_id, tested_at_ms);
CREATE INDEX run_by_sequence ON run (device_id, sequence);

-- RFC 6962 leaves in order; written in the transaction of the record they stand for.
CREATE TABLE ledger_leaf (
    leaf_idx        INTEGER PRIMARY KEY,          -- from 0, without gaps
    record_digest   BLOB    NOT NULL UNIQUE,
    received_at_ms  INTEGER NOT NULL,
    leaf_hash       BLOB    NOT NULL
) STRICT;

-- The hub's own metrics, kept per method version.
CREATE TABLE run_metrics (
    run_id          INTEGER NOT NULL REFERENCES run (run_id),
    method_version  TEXT    NOT NULL,
    metrics         BLOB    NOT NULL,             -- JSON
    agrees          INTEGER,                      -- with the agent's, where it used the same version
    computed_at_ms  INTEGER NOT NULL,
    PRIMARY KEY (run_id, method_version)
) STRICT, WITHOUT ROWID;

CREATE TABLE service (
    device_id   TEXT NOT NULL,
    serviced_on TEXT NOT NULL,                    -- date
    action      TEXT NOT NULL CHECK (action IN ('clean', 'fan', 'paste', 'none')),
    PRIMARY KEY (device_id, serviced_on, action)
) STRICT, WITHOUT ROWID;

-- Refusals are counted by reason, never stored.
CREATE TABLE refusal_count (
    reason  TEXT    PRIMARY KEY,
    n       INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
