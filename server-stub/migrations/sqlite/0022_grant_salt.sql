-- A grant's label and site are free text: the ledger holds a commitment to them, its salt stands here.
ALTER TABLE access_grant ADD COLUMN salt BLOB;
