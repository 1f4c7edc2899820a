-- Who was serviced since the rounds were planned is asked with every page of them.

CREATE INDEX visit_by_logged ON visit (logged_at_ms);
