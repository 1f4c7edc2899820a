-- An erasure names the leaves whose texts are gone; they are found by what the row says before it is wiped.
CREATE INDEX ledger_leaf_of_event ON ledger_leaf (digest) WHERE kind NOT IN ('record', 'imported_run');
