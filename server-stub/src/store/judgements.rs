//! What judging reads and keeps.

use std::future::Future;

use super::StoreError;

/// A run's packed trace.
#[derive(Debug, Clone)]
pub struct StoredTrace {
    /// Its run's row.
    pub run_id: i64,
    /// The wire trace as JSON, packed.
    pub trace_zstd: Vec<u8>,
}

/// The store's part for judging.
pub trait JudgementStore {
    /// Traces of the runs that loaded, after the row `after_run_id`, at most `limit`.
    fn trace_list(
        &self,
        after_run_id: i64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<StoredTrace>, StoreError>> + Send;
}
