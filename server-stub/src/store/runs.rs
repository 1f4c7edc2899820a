//! Runs of one laptop, to be shown.

use std::future::Future;

use serde::Deserialize;
use windrow_model::record::Digest;

use super::{EpochMs, RunPlace, Service, StoreError};

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

/// Metrics that a list of runs tells.
pub const N_TOLD: usize = 8;

/// The metrics that a list of runs tells, in the order of [`Told::NAMES`]; those without a value are `None`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Told(pub [Option<f64>; N_TOLD]);

/// The same in the metrics' JSON. Of the others, and of standard errors, nothing is read.
#[derive(Default, Deserialize)]
#[serde(default)]
struct InMetrics {
    peak_c: Value,
    rise_k: Value,
    rise_rate_early_k_per_s: Value,
    recovery_half_s: Value,
    fan_delay_s: Value,
    fan_max_rpm: Value,
    throttled_load_share: Value,
    power_sustained_w: Value,
}

#[derive(Default, Deserialize)]
struct Value {
    value: Option<f64>,
}

impl Told {
    /// Their names in tables.
    pub const NAMES: [&str; N_TOLD] = [
        "peak_c",
        "rise_k",
        "rise_rate_k_s",
        "recovery_half_s",
        "fan_delay_s",
        "fan_max_rpm",
        "throttled_load_share",
        "power_sustained_w",
    ];

    /// Of a run's metrics; of some that cannot be read, nothing.
    pub fn of_metrics(json: &[u8]) -> Self {
        let m: InMetrics = serde_json::from_slice(json).unwrap_or_default();
        let values = [
            m.peak_c,
            m.rise_k,
            m.rise_rate_early_k_per_s,
            m.recovery_half_s,
            m.fan_delay_s,
            m.fan_max_rpm,
            m.throttled_load_share,
            m.power_sustained_w,
        ];
        Self(values.map(|told| told.value.filter(|v| v.is_finite())))
    }
}

/// A run as a list of all runs tells it: no header, no trace, and only some of its metrics.
#[derive(Debug, Clone)]
pub struct ListedRun {
    /// Its row.
    pub run_id: i64,
    /// The laptop.
    pub device_id: String,
    /// Asset tag, where the hub knows one.
    pub asset_tag: String,
    /// Site by now.
    pub site: String,
    /// Digest.
    pub digest: Digest,
    /// `measured`, `emulated` or `imported`.
    pub provenance: String,
    /// What a person calls the model.
    pub model_name: String,
    /// Load program.
    pub load_mix: String,
    /// Protocol.
    pub protocol: String,
    /// How it ended.
    pub outcome: String,
    /// Columns in which something was read, with a space between them.
    pub channels: String,
    /// Room temperature.
    pub ambient_c: Option<f64>,
    /// Its standard deviation.
    pub ambient_sd_k: Option<f64>,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// When it was received.
    pub received_at_ms: EpochMs,
    /// The hub's metrics, as far as a list tells them.
    pub told: Told,
    /// Its place in the ledger, read in the same moment as the run; none of a run that was imported before imports had leaves.
    pub leaf_idx: Option<u64>,
}

impl ListedRun {
    /// Its place.
    pub fn place(&self) -> RunPlace {
        RunPlace { device_id: self.device_id.clone(), tested_at_ms: self.tested_at_ms, run_id: self.run_id }
    }
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
    /// The next runs after `after` by laptop and time, at most `limit`, with metrics under `method_version` and their leaves;
    /// from the first one where it is `None`.
    fn run_list(
        &self,
        method_version: &'static str,
        after: Option<RunPlace>,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<ListedRun>, StoreError>> + Send;
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
