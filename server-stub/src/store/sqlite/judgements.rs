//! What judging reads and keeps, in SQLite.

use sqlx::Row;

use super::SqliteStore;
use crate::store::StoreError;
use crate::store::judgements::{JudgementStore, StoredTrace};

impl JudgementStore for SqliteStore {
    async fn trace_list(&self, after_run_id: i64, limit: u32) -> Result<Vec<StoredTrace>, StoreError> {
        let rows = sqlx::query(
            "SELECT run_id, trace FROM run WHERE run_id > ? AND outcome <> 'not_started' ORDER BY run_id LIMIT ?",
        )
        .bind(after_run_id)
        .bind(limit)
        .fetch_all(&self.readers)
        .await?;
        rows.iter()
            .map(|row| Ok(StoredTrace { run_id: row.try_get("run_id")?, trace_zstd: row.try_get("trace")? }))
            .collect()
    }
}
