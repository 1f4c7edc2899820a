//! A database in one file: SQLite with WAL and synchronous FULL.

use std::fmt::Display;
use std::path::Path;
use std::time::Duration;

use sqlx::migrate::Migrator;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous,
};
use sqlx::{ConnectOptions as _, query_scalar};

use super::Opened;
use super::db::Pool;
use crate::store::StoreError;

static MIGRATIONS: Migrator = sqlx::migrate!("migrations/sqlite");

/// Readers beside the one writer; a read is short, and more would only wait for the two cores of a small server.
const N_READERS: u32 = 4;
/// How long a connection waits for another process's lock. SQLite waits by looking again and again, so a writer without
/// a pause can keep a command waiting for many of its transactions, and a slow disk makes each of them long.
const BUSY_TIMEOUT: Duration = Duration::from_secs(30);

pub(super) async fn open(path: &Path) -> Result<Opened, StoreError> {
    let open_error =
        |why: &dyn Display| StoreError::Open { path: path.display().to_string(), why: why.to_string() };
    let options = SqliteConnectOptions::new()
        .filename(path)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
        .busy_timeout(BUSY_TIMEOUT)
        .disable_statement_logging();
    // It is the writer's for as long as the store is open.
    let writer = SqlitePoolOptions::new().max_connections(1).max_lifetime(None).idle_timeout(None);
    let writer = writer.connect_with(options.clone()).await.map_err(|e| open_error(&e))?;
    let mut connection = writer.acquire().await.map_err(|e| open_error(&e))?;
    check_pragmas(&mut connection).await?;
    MIGRATIONS.run(&mut *connection).await.map_err(|e| open_error(&e))?;
    drop(connection);
    let readers = SqlitePoolOptions::new().max_connections(N_READERS);
    let readers = readers.connect_with(options.read_only(true)).await.map_err(|e| open_error(&e))?;
    Ok(Opened { writer: Pool::Sqlite(writer), readers: Pool::Sqlite(readers) })
}

/// Reads back what durability rests on: a setting that silently didn't take would lose records at a power cut.
async fn check_pragmas(connection: &mut SqliteConnection) -> Result<(), StoreError> {
    let journal: String = query_scalar("PRAGMA journal_mode").fetch_one(&mut *connection).await?;
    let synchronous: i64 = query_scalar("PRAGMA synchronous").fetch_one(&mut *connection).await?;
    let foreign_keys: i64 = query_scalar("PRAGMA foreign_keys").fetch_one(&mut *connection).await?;
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
