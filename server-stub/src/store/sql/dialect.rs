//! What the two databases do in ways of their own.

use sqlx::sqlite::SqliteError;
use sqlx::{Error, Executor as _};

use super::db::{Connection, Pool, query, query_scalar};
use crate::store::StoreError;

/// Whoever writes holds this lock of PostgreSQL's until it commits, as SQLite has one writer at a time by itself: leaves
/// of the ledger stand without gaps, in the order in which they were committed. The number is "windrow" in ASCII.
const WRITERS: &str = "BEGIN; SELECT pg_advisory_xact_lock(33611445081108343)";

/// Begins a transaction that is going to write, once no other does.
pub(super) async fn begin_writing(c: &mut Connection) -> Result<(), Error> {
    match c {
        // Not only at the first write: what was read before it must still be so.
        Connection::Sqlite(c) => (**c).execute(sqlx::raw_sql("BEGIN IMMEDIATE")).await.map(drop),
        Connection::Postgres(c) => (**c).execute(sqlx::raw_sql(WRITERS)).await.map(drop),
    }
}

/// Commits what was begun.
pub(super) async fn commit(c: &mut Connection) -> Result<(), Error> {
    match c {
        Connection::Sqlite(c) => (**c).execute(sqlx::raw_sql("COMMIT")).await.map(drop),
        // PostgreSQL takes the end of a transaction that has failed without an error, and undoes it. Another statement
        // before it is refused then, and the end with it.
        Connection::Postgres(c) => (**c).execute(sqlx::raw_sql("SELECT 1; COMMIT")).await.map(drop),
    }
}

/// Whether another process kept the database's lock for longer than one waits for it.
pub(super) fn is_busy(error: &Error) -> bool {
    /// SQLITE_BUSY, in the low byte of the code. (SQLite, "Result and Error Codes")
    const SQLITE_BUSY: u32 = 5;
    /// lock_not_available. (PostgreSQL, appendix A, "PostgreSQL Error Codes")
    const LOCK_NOT_AVAILABLE: &str = "55P03";
    let Some(error) = error.as_database_error() else { return false };
    let code = error.code().unwrap_or_default();
    match error.try_downcast_ref::<SqliteError>() {
        Some(_) => code.parse::<u32>().is_ok_and(|code| code & 0xff == SQLITE_BUSY),
        None => code == LOCK_NOT_AVAILABLE,
    }
}

/// Readies a transaction for the erasure of texts.
pub(super) async fn before_erasing(c: &mut Connection) -> Result<(), Error> {
    if let Connection::Sqlite(_) = c {
        // The freed bytes are overwritten, so that the text isn't left in the file (SQLite, "PRAGMA secure_delete").
        query("PRAGMA secure_delete = ON").execute(c).await?;
    }
    // PostgreSQL has nothing of the kind: old rows stay until the table is rewritten.
    Ok(())
}

/// Rewrites the database from its rows alone, so that nothing that was erased stands in its unused parts.
pub(super) async fn compact(c: &mut Connection) -> Result<(), StoreError> {
    /// Tables in which people's words stand, or stood.
    const TABLES: &str = "VACUUM FULL access_grant, invite, mark, notice, \"placing\", round_event, round_hours, round_plan, \
        run, scope_entry, visit";
    match c {
        Connection::Sqlite(_) => {
            query("VACUUM").execute(&mut *c).await?;
            // `secure_delete` doesn't reach the log, which has the old pages too. A reader that is still at the old state
            // keeps it from being cut: then it says so.
            let is_busy: i64 = query_scalar("PRAGMA wal_checkpoint(TRUNCATE)").fetch_one(c).await?;
            if is_busy == 0 { Ok(()) } else { Err(StoreError::LogInUse) }
        }
        Connection::Postgres(c) => {
            (**c).execute(sqlx::raw_sql(TABLES)).await?;
            Ok(())
        }
    }
}

/// What the database finds wrong with its own file. A server's files are looked after on the server.
pub(super) async fn complaints(pool: &Pool) -> Result<Vec<String>, Error> {
    match pool {
        Pool::Sqlite(_) => {
            // At most twenty are told.
            let told: Vec<String> = query_scalar("PRAGMA integrity_check(20)").fetch_all(pool).await?;
            Ok(told.into_iter().filter(|line| line != "ok").collect())
        }
        Pool::Postgres(_) => Ok(Vec::new()),
    }
}
