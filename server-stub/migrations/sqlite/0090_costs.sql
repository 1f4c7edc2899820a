-- What things cost, as it was set last: the file itself, so that it is read with the defaults of whoever reads it.

CREATE TABLE round_costs (
    costs_id   INTEGER PRIMARY KEY CHECK (costs_id = 1),
    revision   INTEGER NOT NULL,           -- rises with every change
    toml       TEXT    NOT NULL,            -- docs/operations.md
    set_at_ms  INTEGER NOT NULL,
    by_role    TEXT    NOT NULL,
    grant_id   INTEGER
) STRICT;
