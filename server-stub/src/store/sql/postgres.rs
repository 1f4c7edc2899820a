//! A database on a server: PostgreSQL.

use std::fmt::Display;
use std::time::Duration;

use sqlx::migrate::Migrator;
use sqlx::postgres::{PgConnection, PgPoolOptions};
use sqlx::{ConnectOptions as _, Connection as _, Executor as _, query_scalar};

use super::Opened;
use super::db::Pool;
use crate::store::StoreError;
use crate::store::server::{IfEmpty, Server};

static MIGRATIONS: Migrator = sqlx::migrate!("migrations/postgres");

/// Readers beside the one writer, as many as a file has.
const N_READERS: u32 = 4;
/// How long is waited for a connection: a server that starts again is back by then, and nobody waits for one that is gone.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(10);
/// Statements that a connection keeps prepared: more than there are in this room.
const N_PREPARED: usize = 256;
/// Settings of the writer's session. It waits for another process's lock as long as it would for a file's.
const OF_WRITER: &str = "SET lock_timeout = '30s'; SET jit = off; \
    SELECT set_config('synchronous_commit', 'on', false) WHERE current_setting('synchronous_commit') = 'off'";
/// Settings of a reader's session. Compiling a statement takes longer than most of them run.
const OF_READER: &str = "SET default_transaction_read_only = on; SET jit = off";

pub(super) async fn open(server: &Server, if_empty: IfEmpty) -> Result<Opened, StoreError> {
    let failed = |why: &dyn Display| StoreError::Reach { database: server.to_string(), why: why.to_string() };
    let options = server.options().clone().statement_cache_capacity(N_PREPARED).disable_statement_logging();
    // Connected to once before there is a pool, which would try a wrong password or name until its time is over.
    let mut connection = options.connect().await.map_err(|e| failed(&e))?;
    (&mut connection).execute(sqlx::raw_sql(OF_WRITER)).await?;
    check_settings(&mut connection).await?;
    if if_empty == IfEmpty::Refuse && !has_schema(&mut connection).await? {
        return Err(StoreError::Empty { database: server.to_string() });
    }
    MIGRATIONS.run(&mut connection).await.map_err(|e| failed(&e))?;
    connection.close().await?;
    // The writer's for as long as the store is open, and made anew where the server went away from it.
    let writer = pool(OF_WRITER, 1).max_lifetime(None).idle_timeout(None);
    let writer = writer.connect_with(options.clone()).await.map_err(|e| failed(&e))?;
    let readers = pool(OF_READER, N_READERS);
    let readers = readers.connect_with(options).await.map_err(|e| failed(&e))?;
    Ok(Opened { writer: Pool::Postgres(writer), readers: Pool::Postgres(readers) })
}

fn pool(session: &'static str, n_connections: u32) -> PgPoolOptions {
    PgPoolOptions::new().max_connections(n_connections).acquire_timeout(CONNECT_TIMEOUT).after_connect(
        move |connection, _| {
            Box::pin(async move { connection.execute(sqlx::raw_sql(session)).await.map(drop) })
        },
    )
}

async fn has_schema(connection: &mut PgConnection) -> Result<bool, StoreError> {
    let known = query_scalar("SELECT to_regclass('_sqlx_migrations') IS NOT NULL").fetch_one(connection);
    Ok(known.await?)
}

/// Reads back what durability and order rest on: with one of them amiss, a power cut could lose what was acknowledged.
async fn check_settings(connection: &mut PgConnection) -> Result<(), StoreError> {
    for (setting, wanted) in [
        ("server_encoding", "UTF8"),
        ("transaction_read_only", "off"),
        ("fsync", "on"),
        ("full_page_writes", "on"),
        // More than this one allows may be asked for: that standbys have it too.
        ("synchronous_commit", "on"),
    ] {
        let found: String =
            query_scalar("SELECT current_setting($1)").bind(setting).fetch_one(&mut *connection).await?;
        let is_kept = found == wanted || (setting == "synchronous_commit" && found != "off");
        if !is_kept {
            return Err(StoreError::Setting { setting, wanted, found });
        }
    }
    Ok(())
}
