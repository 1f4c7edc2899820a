-- A model's page reads its last runs.
CREATE INDEX run_by_model ON run (model_name, tested_at_ms);
