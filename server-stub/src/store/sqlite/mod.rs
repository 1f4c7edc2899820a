//! SQLite: WAL, synchronous FULL, one writer that commits in groups, and a small pool of readers.

mod access;
mod check;
mod facts;
mod judgements;
mod ledger;
mod ledger_events;
mod meters;
mod notices;
mod read;
mod rounds;
mod runs;
mod told;
mod write;

use std::path::{Path, PathBuf};
use std::time::Duration;

use sqlx::ConnectOptions;
use sqlx::migrate::Migrator;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePool, SqlitePoolOptions,
    SqliteSynchronous,
};
use tokio::sync::{mpsc, oneshot};
use windrow_model::record::Digest;

use self::read::WithMetrics;
use self::write::Write;
use super::{
    Appended, Device, Enrolled, EpochMs, ImportCount, MeasuredRun, NewDevice, NewInvite, NewMetrics,
    NewRecord, RunFacts, RunToMeasure, Service, Store, StoreError,
};
use crate::ledger::key_file;

static MIGRATIONS: Migrator = sqlx::migrate!("migrations/sqlite");

/// Readers beside the one writer; a read is short, and more would only wait for the two cores of a small server.
const N_READERS: u32 = 4;
/// Writes that may wait. At the limit a caller is told to come again.
const MAX_WAITING: usize = 1024;
/// How long a connection waits for another process's lock. SQLite waits by looking again and again, so a writer without
/// a pause can keep a command waiting for many of its transactions, and a slow disk makes each of them long.
const BUSY_TIMEOUT: Duration = Duration::from_secs(30);

/// A store in one SQLite file.
#[derive(Debug, Clone)]
pub struct SqliteStore {
    readers: SqlitePool,
    writer: mpsc::Sender<Write>,
    head_key_path: PathBuf,
}

impl SqliteStore {
    /// Opens the file, makes it where it is missing, and brings its schema up to date.
    ///
    /// # Errors
    /// If the file cannot be opened, isn't such a database, or doesn't keep the settings that durability rests on.
    pub async fn open(path: &Path) -> Result<Self, StoreError> {
        let open_error = |why: String| StoreError::Open { path: path.display().to_string(), why };
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .busy_timeout(BUSY_TIMEOUT)
            .disable_statement_logging();
        let mut connection = options.connect().await.map_err(|e| open_error(e.to_string()))?;
        check_pragmas(&mut connection).await?;
        MIGRATIONS.run(&mut connection).await.map_err(|e| open_error(e.to_string()))?;
        ledger::catch_up(&mut connection).await?;
        told::catch_up(&mut connection).await?;
        let readers = SqlitePoolOptions::new()
            .max_connections(N_READERS)
            .connect_with(options.read_only(true))
            .await
            .map_err(|e| open_error(e.to_string()))?;
        let (writer, jobs) = mpsc::channel(MAX_WAITING);
        tokio::spawn(write::run(connection, jobs));
        Ok(Self { readers, writer, head_key_path: key_file::beside(path) })
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

/// Reads back what durability rests on: a setting that silently didn't take would lose records at a power cut.
async fn check_pragmas(connection: &mut SqliteConnection) -> Result<(), StoreError> {
    let journal: String = sqlx::query_scalar("PRAGMA journal_mode").fetch_one(&mut *connection).await?;
    let synchronous: i64 = sqlx::query_scalar("PRAGMA synchronous").fetch_one(&mut *connection).await?;
    let foreign_keys: i64 = sqlx::query_scalar("PRAGMA foreign_keys").fetch_one(&mut *connection).await?;
    let kept = [
        ("journal_mode", "wal", journal),
        ("synchronous", "2", synchronous.to_string()),
        ("foreign_keys", "1", foreign_keys.to_string()),
    ];
    for (pragma, wanted, found) in kept {
        if found != wanted {
            return Err(StoreError::Pragma { pragma, wanted, found });
        }
    }
    Ok(())
}

impl Store for SqliteStore {
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
        read::run_read_all(&self.readers, method_version, WithMetrics::All, |page| runs.extend(page)).await?;
        Ok(runs)
    }

    async fn run_read_to_judge(
        &self,
        method_version: &'static str,
        as_of_ms: EpochMs,
        take: impl FnMut(Vec<MeasuredRun>) + Send,
    ) -> Result<(), StoreError> {
        let with = WithMetrics::Last { until_ms: as_of_ms };
        read::run_read_all(&self.readers, method_version, with, take).await
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
    let mut connection = SqliteConnectOptions::new().filename(path).connect().await.unwrap();
    let (read, write) = match part {
        Part::Header => {
            ("SELECT header FROM run WHERE digest = ?", "UPDATE run SET header = ? WHERE digest = ?")
        }
        Part::Trace => {
            ("SELECT trace FROM run WHERE digest = ?", "UPDATE run SET trace = ? WHERE digest = ?")
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
