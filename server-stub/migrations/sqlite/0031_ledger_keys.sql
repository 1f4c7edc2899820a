-- The history of keys that sign heads is read for every head.
CREATE INDEX ledger_leaf_of_key ON ledger_leaf (leaf_idx) WHERE kind = 'head_key';
