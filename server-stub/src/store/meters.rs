//! What the store says of its own load.

use std::future::Future;

use super::StoreError;

/// Writes that wait for the disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WritesWaiting {
    /// How many.
    pub n: usize,
    /// How many may.
    pub limit: usize,
}

/// The store's own load.
pub trait MeterStore {
    /// How many writes wait.
    fn writes_waiting(&self) -> WritesWaiting;
    /// How many runs came in after the last one that has metrics under `method_version`; they are measured in order.
    fn run_count_unmeasured(
        &self,
        method_version: &'static str,
    ) -> impl Future<Output = Result<u64, StoreError>> + Send;
}
