-- A model's page reads its last runs. All that it reads of the run itself stands here: no row with its trace is
-- touched. (PostgreSQL keeps traces apart from the row by itself.)
DROP INDEX run_by_model;
CREATE INDEX run_of_model ON run (model_name, tested_at_ms, device_id, firmware);
