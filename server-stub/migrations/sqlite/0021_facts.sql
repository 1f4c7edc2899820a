-- What people say of laptops. Rows are added, never edited; free text has its commitment's salt beside it.

-- The list of laptops that should be checked: the last row of a tag is how it stands.
CREATE TABLE scope_entry (
    scope_id       INTEGER PRIMARY KEY,
    tag            TEXT    NOT NULL,
    model          TEXT    NOT NULL,
    site           TEXT    NOT NULL,
    place          TEXT    NOT NULL,
    from_on        TEXT,                          -- first day on which it should be checked
    until_on       TEXT,                          -- last such day
    is_excluded    INTEGER NOT NULL CHECK (is_excluded IN (0, 1)),
    why            TEXT    NOT NULL,
    change         TEXT    NOT NULL CHECK (change IN ('listed', 'changed', 'moved', 'retired')),
    changed_at_ms  INTEGER NOT NULL,
    by_role        TEXT    NOT NULL,
    grant_id       INTEGER,
    salt           BLOB    NOT NULL
) STRICT;
CREATE INDEX scope_entry_by_tag ON scope_entry (tag, scope_id);
CREATE INDEX placing_by_tag ON placing (asset_tag, placing_id);

-- After a board swap the laptop goes on under a new identity.
CREATE TABLE succession (
    new_device_id  TEXT    PRIMARY KEY,
    old_device_id  TEXT    NOT NULL UNIQUE,
    at_ms          INTEGER NOT NULL,
    by_role        TEXT    NOT NULL,
    grant_id       INTEGER,
    CHECK (new_device_id <> old_device_id)
) STRICT, WITHOUT ROWID;

-- A visit, or the correction of one. A correction stands in place of what it corrects.
CREATE TABLE visit (
    visit_id      INTEGER PRIMARY KEY,
    device_id     TEXT    NOT NULL,
    visited_on    TEXT    NOT NULL,
    actions       TEXT    NOT NULL,               -- names with a space between, in alphabetical order
    minutes       INTEGER,
    found         TEXT    NOT NULL,
    parts         TEXT    NOT NULL,
    note          TEXT    NOT NULL,
    by_role       TEXT    NOT NULL,
    grant_id      INTEGER,
    logged_at_ms  INTEGER NOT NULL,
    corrects      INTEGER UNIQUE REFERENCES visit (visit_id),
    is_withdrawn  INTEGER NOT NULL CHECK (is_withdrawn IN (0, 1)),
    salt          BLOB
) STRICT;
CREATE INDEX visit_by_device ON visit (device_id, visited_on);

-- Held, put off, or wanted for a check: one open mark of a kind at a time.
CREATE TABLE mark (
    mark_id       INTEGER PRIMARY KEY,
    device_id     TEXT    NOT NULL,
    kind          TEXT    NOT NULL CHECK (kind IN ('hold', 'snooze', 'check')),
    why           TEXT    NOT NULL,
    until_ms      INTEGER,
    began_at_ms   INTEGER NOT NULL,
    ended_at_ms   INTEGER,
    by_role       TEXT    NOT NULL,
    grant_id      INTEGER,
    salt          BLOB    NOT NULL
) STRICT;
CREATE UNIQUE INDEX mark_open ON mark (device_id, kind) WHERE ended_at_ms IS NULL;
