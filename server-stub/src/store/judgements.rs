//! What judging reads and keeps.

use std::future::Future;

use windrow_model::record::Digest;

use super::StoreError;

/// A run's packed trace.
#[derive(Debug, Clone)]
pub struct StoredTrace {
    /// Its run's row.
    pub run_id: i64,
    /// The wire trace as JSON, packed.
    pub trace_zstd: Vec<u8>,
}

/// A model's standing fit and reference.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredStanding {
    /// `measured`, `emulated` or `imported`.
    pub provenance: String,
    /// What its runs are compared within.
    pub model_key: String,
    /// SHA-256 of the JSON.
    pub digest: Digest,
    /// The standing.
    pub standing_json: Vec<u8>,
}

/// What a run taught.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredEvidence {
    /// Its row.
    pub run_id: i64,
    /// The standing that it was made against and the evidence as JSON; `None`: the run says nothing.
    pub made: Option<(Digest, Vec<u8>)>,
}

/// The store's part for judging.
pub trait JudgementStore {
    /// Traces of these runs, of those that loaded.
    fn trace_list(
        &self,
        run_ids: Vec<i64>,
    ) -> impl Future<Output = Result<Vec<StoredTrace>, StoreError>> + Send;
    /// All standings under `version`.
    fn standing_list(
        &self,
        version: String,
    ) -> impl Future<Output = Result<Vec<StoredStanding>, StoreError>> + Send;
    /// Evidence of the next runs after the row `after_run_id` under `version`, at most `limit`.
    fn evidence_list(
        &self,
        version: String,
        after_run_id: i64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<StoredEvidence>, StoreError>> + Send;
    /// Of the next runs after the row `after_run_id` under `version`, at most `limit`: the standing that their evidence was
    /// made against, `None` for a run that says nothing.
    fn evidence_list_made(
        &self,
        version: String,
        after_run_id: i64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<(i64, Option<Digest>)>, StoreError>> + Send;
    /// Evidence of these runs under `version`, in any order.
    fn evidence_get(
        &self,
        version: String,
        run_ids: Vec<i64>,
    ) -> impl Future<Output = Result<Vec<StoredEvidence>, StoreError>> + Send;
    /// Evidence of one laptop's runs of one provenance and model under `version`.
    fn evidence_list_of_laptop(
        &self,
        version: String,
        device_id: String,
        provenance: String,
        model_key: String,
    ) -> impl Future<Output = Result<Vec<StoredEvidence>, StoreError>> + Send;
    /// Keeps standings and evidence under `version` in place of what was there, all or nothing.
    fn judgement_put(
        &self,
        version: String,
        standings: Vec<StoredStanding>,
        evidence: Vec<StoredEvidence>,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Forgets all standings and evidence, so that they are made again.
    fn judgement_forget(&self) -> impl Future<Output = Result<(), StoreError>> + Send;
}
