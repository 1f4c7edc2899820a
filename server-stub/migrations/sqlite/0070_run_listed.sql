-- Lists of runs are read from an index alone. In the run's own row the header and the trace stand before most of what a list
-- tells, and to get past them their pages have to be read. What a list tells has to stand in a column for that.
ALTER TABLE run ADD COLUMN firmware TEXT NOT NULL DEFAULT '';       -- of the machine, as the header says it
UPDATE run SET firmware = COALESCE(CAST(json_extract(CAST(header AS TEXT), '$.model.firmware') AS TEXT), '')
    WHERE header IS NOT NULL AND json_valid(CAST(header AS TEXT));
CREATE INDEX run_listed ON run (
    device_id, tested_at_ms, run_id, digest, provenance, model_key, model_name, site, load_mix, protocol, outcome, channels,
    ambient_c, ambient_sd_k, on_ac, received_at_ms, firmware
);
DROP INDEX run_by_device;
