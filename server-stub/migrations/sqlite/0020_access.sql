-- Who may read and change what. Tokens and session secrets only as SHA-256.

CREATE TABLE access_grant (
    grant_id       INTEGER PRIMARY KEY,
    token_hash     BLOB    NOT NULL UNIQUE,
    role           TEXT    NOT NULL CHECK (role IN ('admin', 'technician', 'auditor')),
    label          TEXT    NOT NULL,              -- the administrator's own word for whoever holds it
    site           TEXT,                          -- only this site; absent: all
    created_at_ms  INTEGER NOT NULL,
    expires_at_ms  INTEGER,
    revoked_at_ms  INTEGER
) STRICT;

CREATE TABLE access_session (
    secret_hash    BLOB    PRIMARY KEY,
    grant_id       INTEGER NOT NULL REFERENCES access_grant (grant_id),
    began_at_ms    INTEGER NOT NULL,
    seen_at_ms     INTEGER NOT NULL,
    ends_at_ms     INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX access_session_by_grant ON access_session (grant_id, began_at_ms);
