//! The store in SQL: one writer that commits in groups, and a small pool of readers.
//!
//! Statements and what is read of them stand once. `sqlite` and `postgres` open a database, `db` speaks to it, `dialect` has what is not the
//! same everywhere.

mod access;
mod check;
mod db;
mod dialect;
mod facts;
mod judgements;
mod ledger;
mod ledger_events;
mod meters;
mod notices;
mod postgres;
mod read;
mod rounds;
mod runs;
mod sqlite;
mod told;
mod write;

use std::path::{Path, PathBuf};

use tokio::sync::{mpsc, oneshot};
use windrow_model::record::Digest;

use self::db::Pool;
use self::write::Write;
use super::server::{IfEmpty, Server};
use super::{
    Appended, Device, Enrolled, EpochMs, ImportCount, MeasuredRun, NewDevice, NewInvite, NewMetrics,
    NewRecord, RunFacts, RunToMeasure, Service, Store, StoreError, StoredMetrics,
};
use crate::ledger::key_file;

/// Writes that may wait. At the limit a caller is told to come again.
const MAX_WAITING: usize = 1024;

/// A store in one database.
#[derive(Debug, Clone)]
pub struct SqlStore {
    readers: Pool,
    writer: mpsc::Sender<Write>,
    head_key_path: PathBuf,
}

/// Connections to a database whose schema is up to date.
struct Opened {
    /// One, of the writer.
    writer: Pool,
    readers: Pool,
}

impl SqlStore {
    /// Opens a file of SQLite's, makes it where it is missing, and brings its schema up to date.
    ///
    /// # Errors
    /// If the file cannot be opened, isn't such a database, or doesn't keep the settings that durability rests on.
    pub async fn open_file(path: &Path) -> Result<Self, StoreError> {
        Self::start(sqlite::open(path).await?, key_file::beside(path)).await
    }

    /// Connects to a database on a server and brings its schema up to date. `head_key_path`: where the file of the head key
    /// stands, which no server keeps.
    ///
    /// # Errors
    /// If the server cannot be reached, refuses, or doesn't keep the settings that durability rests on; and as `if_empty` says.
    pub async fn open_server(
        server: &Server,
        head_key_path: PathBuf,
        if_empty: IfEmpty,
    ) -> Result<Self, StoreError> {
        Self::start(postgres::open(server, if_empty).await?, head_key_path).await
    }

    async fn start(opened: Opened, head_key_path: PathBuf) -> Result<Self, StoreError> {
        let mut connection = opened.writer.acquire().await?;
        ledger::catch_up(&mut connection).await?;
        told::catch_up(&mut connection).await?;
        drop(connection);
        let (writer, jobs) = mpsc::channel(MAX_WAITING);
        tokio::spawn(write::run(opened.writer, jobs));
        Ok(Self { readers: opened.readers, writer, head_key_path })
    }

    /// Hands a write to the writer and waits until it is durable.
    async fn write<T>(
        &self,
        job: impl FnOnce(oneshot::Sender<Result<T, StoreError>>) -> Write,
    ) -> Result<T, StoreError> {
        let (reply, answer) = oneshot::channel();
        self.writer.try_send(job(reply)).map_err(|e| match e {
            mpsc::error::TrySendError::Full(_) => StoreError::Busy,
            mpsc::error::TrySendError::Closed(_) => StoreError::Closing,
        })?;
        answer.await.map_err(|_| StoreError::Closing)?
    }
}

impl Store for SqlStore {
    async fn invite_create(&self, invite: NewInvite) -> Result<(), StoreError> {
        self.write(|reply| Write::Invite(invite, reply)).await
    }

    async fn device_enrol(&self, device: NewDevice) -> Result<Enrolled, StoreError> {
        self.write(|reply| Write::Enrol(device, reply)).await
    }

    async fn device_get(&self, device_id: String) -> Result<Option<Device>, StoreError> {
        read::device_get(&self.readers, &device_id).await
    }

    async fn device_revoke(&self, device_id: String, now_ms: EpochMs) -> Result<bool, StoreError> {
        self.write(|reply| Write::Revoke { device_id, now_ms, reply }).await
    }

    async fn record_append_batch(&self, records: Vec<NewRecord>) -> Result<Vec<Appended>, StoreError> {
        self.write(|reply| Write::Append(records, reply)).await
    }

    async fn run_import_batch(&self, runs: Vec<RunFacts>) -> Result<ImportCount, StoreError> {
        self.write(|reply| Write::Import(runs, reply)).await
    }

    async fn service_import_batch(
        &self,
        services: Vec<Service>,
        now_ms: EpochMs,
    ) -> Result<ImportCount, StoreError> {
        self.write(|reply| Write::Services { services, now_ms, reply }).await
    }

    async fn run_list_unmeasured(
        &self,
        method_version: &'static str,
        after_run_id: i64,
        limit: u32,
    ) -> Result<Vec<RunToMeasure>, StoreError> {
        read::run_list_unmeasured(&self.readers, method_version, after_run_id, limit).await
    }

    async fn metrics_put_batch(
        &self,
        method_version: &'static str,
        metrics: Vec<NewMetrics>,
    ) -> Result<(), StoreError> {
        self.write(|reply| Write::Metrics { method_version, metrics, reply }).await
    }

    async fn metrics_forget(&self, method_version: &'static str) -> Result<u64, StoreError> {
        self.write(|reply| Write::ForgetMetrics { method_version, reply }).await
    }

    async fn run_list_measured(&self, method_version: &'static str) -> Result<Vec<MeasuredRun>, StoreError> {
        let mut runs = Vec::new();
        read::run_read_all(&self.readers, Some(method_version), |page| runs.extend(page)).await?;
        Ok(runs)
    }

    async fn run_read_all(&self, take: impl FnMut(Vec<MeasuredRun>) + Send) -> Result<(), StoreError> {
        read::run_read_all(&self.readers, None, take).await
    }

    async fn metrics_get(
        &self,
        method_version: &'static str,
        run_ids: Vec<i64>,
    ) -> Result<Vec<StoredMetrics>, StoreError> {
        read::metrics_get(&self.readers, method_version, &run_ids).await
    }

    async fn service_list(&self) -> Result<Vec<Service>, StoreError> {
        read::service_list(&self.readers, None).await
    }

    async fn refusal_count(&self, reason: &'static str) -> Result<(), StoreError> {
        self.write(|reply| Write::Refusal { reason, reply }).await
    }

    async fn refusal_list(&self) -> Result<Vec<(String, u64)>, StoreError> {
        read::refusal_list(&self.readers).await
    }

    async fn run_list_links(&self, device_id: String) -> Result<Vec<(Digest, String)>, StoreError> {
        read::run_list_links(&self.readers, &device_id).await
    }

    async fn store_compact(&self) -> Result<(), StoreError> {
        self.write(Write::Compact).await
    }

    async fn store_close(&self) {
        // The readers first: the last connection to go moves the log into the file.
        self.readers.close().await;
        let (reply, closed) = oneshot::channel();
        // Fails only where the writer has ended already.
        if self.writer.send(Write::Close(reply)).await.is_ok() {
            let _ = closed.await;
        }
    }

    async fn ready(&self) -> Result<(), StoreError> {
        self.write(Write::Probe).await
    }
}

/// Flips the lowest bit of one byte of a stored run, counted by the share `at` of its length, as a damaged disk or somebody
/// with the file would; a second time puts it right. For tests.
#[cfg(test)]
pub(crate) async fn flip_stored(path: &Path, digest: windrow_model::record::Digest, part: Part, at: f64) {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
    let mut connection = sqlx::ConnectOptions::connect(&options).await.unwrap();
    let (read, write) = match part {
        Part::Header => {
            ("SELECT header FROM run WHERE digest = $1", "UPDATE run SET header = $1 WHERE digest = $2")
        }
        Part::Trace => {
            ("SELECT trace FROM run WHERE digest = $1", "UPDATE run SET trace = $1 WHERE digest = $2")
        }
    };
    let mut bytes: Vec<u8> =
        sqlx::query_scalar(read).bind(&digest.0[..]).fetch_one(&mut connection).await.unwrap();
    let idx = ((bytes.len() - 1) as f64 * at) as usize;
    bytes[idx] ^= 1;
    sqlx::query(write).bind(bytes).bind(&digest.0[..]).execute(&mut connection).await.unwrap();
    sqlx::Connection::close(connection).await.unwrap();
}

/// Which part of a stored run.
#[cfg(test)]
#[derive(Debug, Clone, Copy)]
pub(crate) enum Part {
    /// The signed header.
    Header,
    /// The packed trace.
    Trace,
}
