-- Notices of band changes: which band each receiver was told of each laptop, and what waits to be posted to it.

CREATE TABLE notice_receiver (
    receiver         TEXT    PRIMARY KEY,            -- its name in the notify file
    begun_at_ms      INTEGER NOT NULL,               -- it is told of changes since then
    n_sent           INTEGER NOT NULL DEFAULT 0,
    n_given_up       INTEGER NOT NULL DEFAULT 0,
    last_sent_at_ms  INTEGER
) STRICT, WITHOUT ROWID;

-- Written together with the notice that tells of it, so that a change is neither lost nor told twice.
CREATE TABLE notice_told (
    receiver    TEXT NOT NULL,
    device_id   TEXT NOT NULL,
    provenance  TEXT NOT NULL,
    band        TEXT NOT NULL,
    PRIMARY KEY (receiver, device_id, provenance)
) STRICT, WITHOUT ROWID;

CREATE TABLE notice (
    notice_row    INTEGER PRIMARY KEY AUTOINCREMENT, -- the order in which they go out
    receiver      TEXT    NOT NULL,
    notice_id     TEXT    NOT NULL,
    body          TEXT    NOT NULL,                  -- JSON, docs/notices.md; the same at every try
    n_changes     INTEGER NOT NULL,
    made_at_ms    INTEGER NOT NULL,
    n_tries       INTEGER NOT NULL DEFAULT 0,
    tried_at_ms   INTEGER,
    failure       TEXT    NOT NULL DEFAULT ''        -- of the last try
) STRICT;

CREATE INDEX notice_by_receiver ON notice (receiver, notice_row);
