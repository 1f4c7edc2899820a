-- The few metrics that a list of runs tells, apart from all others: they lie close together, where a run's whole metrics fill
-- half a page each. 8 doubles, least significant byte first, NaN where there is no value. Made from run_metrics at any time.
CREATE TABLE run_told (
    run_id          INTEGER NOT NULL,
    method_version  TEXT    NOT NULL,
    told            BLOB    NOT NULL,
    PRIMARY KEY (run_id, method_version)
) STRICT, WITHOUT ROWID;
