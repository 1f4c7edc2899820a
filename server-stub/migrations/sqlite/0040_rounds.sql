-- Rounds: what they are planned from, the plan as it stands, bookings, and the days as a calendar knows them.

CREATE TABLE round_hours (
    site     TEXT    NOT NULL,
    day      TEXT    NOT NULL,              -- 2026-01-31
    minutes  INTEGER NOT NULL CHECK (minutes >= 0),
    PRIMARY KEY (site, day)
) STRICT, WITHOUT ROWID;

CREATE TABLE round_stock (
    part       TEXT    NOT NULL CHECK (part IN ('clean', 'fan', 'paste')),
    model      TEXT    NOT NULL,            -- '*': all models without a row of their own
    in_stock   INTEGER NOT NULL CHECK (in_stock >= 0),
    lead_days  INTEGER NOT NULL CHECK (lead_days >= 0),
    PRIMARY KEY (part, model)
) STRICT, WITHOUT ROWID;

CREATE TABLE round_plan (
    plan_id     INTEGER PRIMARY KEY CHECK (plan_id = 1),
    version     INTEGER NOT NULL,           -- rises with every change of the plan
    made_at_ms  INTEGER NOT NULL,
    plan        TEXT    NOT NULL            -- JSON, docs/rounds.md
) STRICT;

CREATE TABLE round_booking (
    device_id     TEXT    PRIMARY KEY,
    day           TEXT    NOT NULL,
    actions       TEXT    NOT NULL,         -- clean,fan,paste; empty: it is looked at
    booked_at_ms  INTEGER NOT NULL,
    by_role       TEXT    NOT NULL,
    grant_id      INTEGER
) STRICT, WITHOUT ROWID;

-- A day at a site keeps its uid for ever; its sequence rises with every change, so that a calendar takes the newer.
CREATE TABLE round_event (
    site           TEXT    NOT NULL,
    day            TEXT    NOT NULL,
    uid            TEXT    NOT NULL UNIQUE,
    sequence       INTEGER NOT NULL,
    digest         BLOB    NOT NULL,        -- of what is done that day
    is_cancelled   INTEGER NOT NULL,
    changed_at_ms  INTEGER NOT NULL,
    PRIMARY KEY (site, day)
) STRICT, WITHOUT ROWID;
