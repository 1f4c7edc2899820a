//! The store: whole units of work, no exposed transaction. Only this room knows SQL.
//!
//! One trait, one file a database. A method does all of its work or none of it, and returns once that is durable.

pub mod access;
pub mod check;
#[cfg(test)]
mod conformance;
pub mod facts;
pub mod judgements;
mod ledger;
pub mod meters;
pub mod notices;
pub mod rounds;
pub mod runs;
pub mod server;
pub mod sql;

use std::future::Future;

use chrono::NaiveDate;
use windrow_model::record::{Digest, PublicKey};
use windrow_model::trace::fleet::ServiceAction;

pub use ledger::{Event, Leaf, LedgerStore, StoredHead};

/// Milliseconds since the Unix epoch, UTC.
pub type EpochMs = i64;

/// Why the store could not do it.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database cannot be opened or was made by something else.
    #[error("cannot open the database `{path}`: {why}")]
    Open {
        /// Its path.
        path: String,
        /// What the database said.
        why: String,
    },
    /// The database's server cannot be reached, or does not let the hub in.
    #[error("cannot use the database `{database}`: {why}")]
    Reach {
        /// Its address, without a password.
        database: String,
        /// What went wrong.
        why: String,
    },
    /// Nothing of a hub stands in the database.
    #[error("there is no hub in the database `{database}`")]
    Empty {
        /// Its address, without a password.
        database: String,
    },
    /// A setting of the server that durability rests on is another.
    #[error("the database server does not keep `{setting} = {wanted}`: it says `{found}`")]
    Setting {
        /// Which.
        setting: &'static str,
        /// What it must be.
        wanted: &'static str,
        /// What it is.
        found: String,
    },
    /// A setting that durability rests on did not take.
    #[error("the database does not keep `{pragma} = {wanted}`: it says `{found}`")]
    Pragma {
        /// Which.
        pragma: &'static str,
        /// What it must be.
        wanted: &'static str,
        /// What it is.
        found: String,
    },
    /// More is waiting to be written than may wait.
    #[error("too much is waiting to be written")]
    Busy,
    /// Another process reads an older state, so the log could not be emptied.
    #[error("another process still reads an older state of the database")]
    LogInUse,
    /// The writer has ended; the hub is stopping.
    #[error("the store is closing")]
    Closing,
    /// Another process of the hub learned the fleet anew while it was being judged.
    #[error("what the fleet's runs taught was learned anew meanwhile by another process")]
    Overtaken,
    /// The database refused or failed.
    #[error("the database failed")]
    Database(#[from] sqlx::Error),
    /// The system gave no random bytes.
    #[error("the system gives no random bytes: {0}")]
    NoRandomness(String),
    /// A stored value that this version cannot read.
    #[error("a stored value of `{column}` cannot be read: {why}")]
    Corrupt {
        /// Where.
        column: &'static str,
        /// Why not.
        why: String,
    },
}

/// An invite to be stored: its token only as a hash.
#[derive(Debug, Clone)]
pub struct NewInvite {
    /// SHA-256 of the token.
    pub token_hash: Digest,
    /// Site of the laptops that join with it.
    pub site: String,
    /// Place within the site; may be empty.
    pub place: String,
    /// Asset tag, for an invite of one laptop; may be empty.
    pub asset_tag: String,
    /// How many laptops may join.
    pub uses: u32,
    /// When it was made.
    pub created_at_ms: EpochMs,
    /// Until when it is good.
    pub expires_at_ms: EpochMs,
}

/// A laptop that asks to join, its possession of the key proven.
#[derive(Debug, Clone)]
pub struct NewDevice {
    /// Its id.
    pub device_id: String,
    /// Its key.
    pub public_key: PublicKey,
    /// SHA-256 of the invite's token.
    pub token_hash: Digest,
    /// Now.
    pub now_ms: EpochMs,
}

/// What became of an enrolment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Enrolled {
    /// The laptop is a new one.
    New,
    /// It had joined before with the same key; the invite was not used up.
    Known,
    /// The device id belongs to another key.
    OtherKey,
    /// No such invite, or it is used up.
    NoInvite,
    /// The invite has expired.
    InviteExpired,
    /// The laptop was revoked.
    Revoked,
}

/// An enrolled laptop.
#[derive(Debug, Clone)]
pub struct Device {
    /// Its id.
    pub device_id: String,
    /// Its key.
    pub public_key: PublicKey,
    /// When it was revoked, if it was.
    pub revoked_at_ms: Option<EpochMs>,
    /// A check that the hub asked for.
    pub check_wanted_by_ms: Option<EpochMs>,
    /// It is held back from load and visits, and why.
    pub held_why: Option<String>,
}

/// What of a run the store keeps in columns of their own.
#[derive(Debug, Clone)]
pub struct RunFacts {
    /// The laptop.
    pub device_id: String,
    /// Digest of the record; for an imported run, of laptop, time and trace.
    pub digest: Digest,
    /// `measured`, `emulated` or `imported`.
    pub provenance: &'static str,
    /// What a run may be compared with: product, sku, processor, firmware.
    pub model_key: String,
    /// What a person calls the model.
    pub model_name: String,
    /// Firmware of the machine; empty where unknown.
    pub firmware: String,
    /// Site, of imported runs.
    pub site: String,
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
    /// On mains power.
    pub on_ac: Option<bool>,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// When it was received.
    pub received_at_ms: EpochMs,
    /// The wire trace as JSON, packed.
    pub trace_zstd: Vec<u8>,
}

/// A verified record to be appended.
#[derive(Debug, Clone)]
pub struct NewRecord {
    /// Its facts.
    pub facts: RunFacts,
    /// Its place in the device's chain.
    pub sequence: u64,
    /// What it names as the one before it.
    pub previous: Digest,
    /// First link of the device's chain.
    pub root: Digest,
    /// The header as received.
    pub header_json: Vec<u8>,
}

/// What became of a record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Appended {
    /// Stored now, with its ledger leaf.
    Stored {
        /// How it stands in its chain.
        link: &'static str,
    },
    /// It was stored before.
    Known,
}

/// How many of an import were new.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ImportCount {
    /// New ones.
    pub n_new: usize,
    /// Those that were there before.
    pub n_known: usize,
}

/// A service of a laptop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Service {
    /// The laptop.
    pub device_id: String,
    /// The day.
    pub serviced_on: NaiveDate,
    /// What was done.
    pub action: ServiceAction,
    /// Who logged it and when; `None`: it was imported.
    pub logged: Option<Logged>,
}

impl Service {
    /// Whether the other is the same action of the same day at the same laptop.
    pub fn is_of_same(&self, other: &Self) -> bool {
        (&self.device_id, self.serviced_on, self.action)
            == (&other.device_id, other.serviced_on, other.action)
    }
}

/// The entry that a service comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logged {
    /// In which role.
    pub by_role: String,
    /// When.
    pub at_ms: EpochMs,
}

/// A run whose metrics are due.
#[derive(Debug, Clone)]
pub struct RunToMeasure {
    /// Its row.
    pub run_id: i64,
    /// Its header, where it came as a record.
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

/// The hub's own metrics of a run.
#[derive(Debug, Clone)]
pub struct NewMetrics {
    /// Its row.
    pub run_id: i64,
    /// The metrics as JSON.
    pub metrics_json: Vec<u8>,
    /// Whether they agree with the agent's, where it used the same version.
    pub agrees: Option<bool>,
    /// Now.
    pub computed_at_ms: EpochMs,
}

/// A run with the hub's metrics, for scoring.
#[derive(Debug, Clone)]
pub struct MeasuredRun {
    /// Its row.
    pub run_id: i64,
    /// The laptop.
    pub device_id: String,
    /// Asset tag, where the hub knows one.
    pub asset_tag: String,
    /// Site at the time of scoring.
    pub site: String,
    /// Digest.
    pub digest: Digest,
    /// `measured`, `emulated` or `imported`.
    pub provenance: String,
    /// What it may be compared with.
    pub model_key: String,
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
    /// On mains power, where known.
    pub on_ac: Option<bool>,
    /// Firmware of the machine; empty where unknown.
    pub firmware: String,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// When it was received.
    pub received_at_ms: EpochMs,
    /// The hub's metrics as JSON; absent while they are due.
    pub metrics_json: Option<Vec<u8>>,
    /// Whether the agent's metrics under the same version agree with them; `None`: nothing to compare.
    pub agrees: Option<bool>,
}

/// The hub's metrics of a run, as they are stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredMetrics {
    /// Its row.
    pub run_id: i64,
    /// The metrics as JSON.
    pub metrics_json: Vec<u8>,
    /// Whether they agree with the agent's, where it used the same version.
    pub agrees: Option<bool>,
}

/// Where a run stands in the order by laptop and time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunPlace {
    /// The laptop.
    pub device_id: String,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// Its row.
    pub run_id: i64,
}

impl MeasuredRun {
    /// Its place.
    pub fn place(&self) -> RunPlace {
        RunPlace { device_id: self.device_id.clone(), tested_at_ms: self.tested_at_ms, run_id: self.run_id }
    }
}

/// The hub's memory.
pub trait Store:
    access::AccessStore
    + check::CheckStore
    + facts::FactStore
    + judgements::JudgementStore
    + LedgerStore
    + meters::MeterStore
    + notices::NoticeStore
    + rounds::RoundsStore
    + runs::RunStore
{
    /// Stores an invite.
    fn invite_create(&self, invite: NewInvite) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Enrols a laptop and places it where its invite says.
    fn device_enrol(&self, device: NewDevice) -> impl Future<Output = Result<Enrolled, StoreError>> + Send;
    /// An enrolled laptop.
    fn device_get(
        &self,
        device_id: String,
    ) -> impl Future<Output = Result<Option<Device>, StoreError>> + Send;
    /// Revokes a laptop's key; `false`: no such laptop.
    fn device_revoke(
        &self,
        device_id: String,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<bool, StoreError>> + Send;
    /// Appends records and their ledger leaves; the answers are in the order of the records.
    fn record_append_batch(
        &self,
        records: Vec<NewRecord>,
    ) -> impl Future<Output = Result<Vec<Appended>, StoreError>> + Send;
    /// Appends imported runs.
    fn run_import_batch(
        &self,
        runs: Vec<RunFacts>,
    ) -> impl Future<Output = Result<ImportCount, StoreError>> + Send;
    /// Appends services.
    fn service_import_batch(
        &self,
        services: Vec<Service>,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<ImportCount, StoreError>> + Send;
    /// Runs whose metrics under `method_version` are due, after the row `after_run_id`, at most `limit`.
    fn run_list_unmeasured(
        &self,
        method_version: &'static str,
        after_run_id: i64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<RunToMeasure>, StoreError>> + Send;
    /// Keeps metrics under `method_version`.
    fn metrics_put_batch(
        &self,
        method_version: &'static str,
        metrics: Vec<NewMetrics>,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Forgets the metrics under `method_version`, so that they are computed again; says how many.
    fn metrics_forget(
        &self,
        method_version: &'static str,
    ) -> impl Future<Output = Result<u64, StoreError>> + Send;
    /// All runs with their metrics under `method_version`, ordered by laptop and time.
    fn run_list_measured(
        &self,
        method_version: &'static str,
    ) -> impl Future<Output = Result<Vec<MeasuredRun>, StoreError>> + Send;
    /// The same without metrics, handed on page by page.
    fn run_read_all(
        &self,
        take: impl FnMut(Vec<MeasuredRun>) + Send,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// The metrics of these runs under `method_version`, of those that have some; in any order.
    fn metrics_get(
        &self,
        method_version: &'static str,
        run_ids: Vec<i64>,
    ) -> impl Future<Output = Result<Vec<StoredMetrics>, StoreError>> + Send;
    /// All services, ordered by laptop and day.
    fn service_list(&self) -> impl Future<Output = Result<Vec<Service>, StoreError>> + Send;
    /// How the device's records stand in its chain, by sequence.
    fn run_list_links(
        &self,
        device_id: String,
    ) -> impl Future<Output = Result<Vec<(Digest, String)>, StoreError>> + Send;
    /// Counts a refusal by its reason.
    fn refusal_count(&self, reason: &'static str) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// All refusals by reason.
    fn refusal_list(&self) -> impl Future<Output = Result<Vec<(String, u64)>, StoreError>> + Send;
    /// Rewrites the database without its unused parts, in which what was erased may still stand.
    fn store_compact(&self) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Does what waits, then refuses later writes and closes.
    fn store_close(&self) -> impl Future<Output = ()> + Send;
    /// Whether a write would succeed now.
    fn ready(&self) -> impl Future<Output = Result<(), StoreError>> + Send;
}
