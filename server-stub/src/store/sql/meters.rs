use super::SqlStore;
use super::db::query_scalar;
use crate::store::StoreError;
use crate::store::meters::{MeterStore, WritesWaiting};

impl MeterStore for SqlStore {
    fn writes_waiting(&self) -> WritesWaiting {
        let limit = self.writer.max_capacity();
        WritesWaiting { n: limit - self.writer.capacity(), limit }
    }

    async fn run_count_unmeasured(&self, method_version: &'static str) -> Result<u64, StoreError> {
        let n: i64 = query_scalar(
            "SELECT count(*) FROM run WHERE outcome <> 'not_started' AND run_id > coalesce( \
               (SELECT run_id FROM run_metrics WHERE method_version = $1 ORDER BY run_id DESC LIMIT 1), 0)",
        )
        .bind(method_version)
        .fetch_one(&self.readers)
        .await?;
        Ok(n.cast_unsigned())
    }
}
