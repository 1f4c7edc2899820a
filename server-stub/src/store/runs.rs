//! Runs of one laptop, to be shown.

use std::future::Future;

use windrow_model::record::Digest;

use super::{EpochMs, Service, StoreError};

/// A run in a laptop's list.
#[derive(Debug, Clone)]
pub struct RunLine {
    /// Digest.
    pub digest: Digest,
    /// `measured`, `emulated` or `imported`.
    pub provenance: String,
    /// How it stands in the device's chain; `None` for an imported one.
    pub link: Option<String>,
    /// What it may be compared with.
    pub model_key: String,
    /// Protocol.
    pub protocol: String,
    /// How it ended.
    pub outcome: String,
    /// Room temperature.
    pub ambient_c: Option<f64>,
    /// Its standard deviation.
    pub ambient_sd_k: Option<f64>,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// When it was received.
    pub received_at_ms: EpochMs,
    /// The hub's metrics as JSON; absent while they are due.
    pub metrics_json: Option<Vec<u8>>,
    /// Whether the agent's metrics under the same version agree with them; `None`: nothing to compare.
    pub agrees: Option<bool>,
}

/// A whole run.
#[derive(Debug, Clone)]
pub struct WholeRun {
    /// The laptop.
    pub device_id: String,
    /// The signed header as received; `None` for an imported run.
    pub header_json: Option<Vec<u8>>,
    /// Its packed trace.
    pub trace_zstd: Vec<u8>,
    /// Room temperature.
    pub ambient_c: Option<f64>,
    /// Its standard deviation.
    pub ambient_sd_k: Option<f64>,
    /// On mains power.
    pub on_ac: Option<bool>,
}

/// A run of a model, for its trends.
#[derive(Debug, Clone)]
pub struct RunOfModel {
    /// The laptop.
    pub device_id: String,
    /// Firmware version; empty where none was told.
    pub firmware: String,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// The hub's metrics as JSON.
    pub metrics_json: Vec<u8>,
}

/// What the store does to show runs.
pub trait RunStore {
    /// The last runs of a laptop with their metrics under `method_version`, latest first, at most `limit`; with `before`,
    /// those that were tested before the run of this digest.
    fn run_list_of_device(
        &self,
        device_id: String,
        method_version: &'static str,
        before: Option<Digest>,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<RunLine>, StoreError>> + Send;
    /// One run of a laptop with its metrics under `method_version`.
    fn run_get_line(
        &self,
        device_id: String,
        method_version: &'static str,
        digest: Digest,
    ) -> impl Future<Output = Result<Option<RunLine>, StoreError>> + Send;
    /// A whole run by its digest.
    fn run_get(&self, digest: Digest) -> impl Future<Output = Result<Option<WholeRun>, StoreError>> + Send;
    /// The last runs of a model with their metrics under `method_version`, latest first, at most `limit`.
    fn run_list_of_model(
        &self,
        model_name: String,
        method_version: &'static str,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<RunOfModel>, StoreError>> + Send;
    /// A laptop's services, ordered by day.
    fn service_list_of_device(
        &self,
        device_id: String,
    ) -> impl Future<Output = Result<Vec<Service>, StoreError>> + Send;
    /// The last run's row; 0 where there is none.
    fn run_last(&self) -> impl Future<Output = Result<i64, StoreError>> + Send;
}
