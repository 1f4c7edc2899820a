-- What runs taught, so that a new run is judged without fitting all others again. Made anew from the traces at any time.

-- A model's standing fit and reference, kept per version of method, standing and constants.
CREATE TABLE model_standing (
    version      TEXT NOT NULL,
    provenance   TEXT NOT NULL,
    model_key    TEXT NOT NULL,
    digest       BLOB NOT NULL,               -- SHA-256 of the standing
    standing     BLOB NOT NULL,               -- JSON
    PRIMARY KEY (version, provenance, model_key)
) STRICT, WITHOUT ROWID;

-- A run's evidence against the standing with that digest; without a standing: the run says nothing.
CREATE TABLE run_evidence (
    run_id    INTEGER NOT NULL REFERENCES run (run_id),
    version   TEXT    NOT NULL,
    standing  BLOB,
    evidence  BLOB,                           -- JSON
    PRIMARY KEY (run_id, version)
) STRICT, WITHOUT ROWID;
