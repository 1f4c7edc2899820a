//! The metrics that a list of runs tells, apart from the others.

use super::db::{Connection, Pool, Row, query, query_scalar};
use super::dialect;
use super::read::digest_of;
use crate::store::runs::{ListedRun, N_TOLD, Told};
use crate::store::{RunPlace, StoreError};

/// Rows made in one go where all are made.
const BATCH: u32 = 5_000;
const COLUMN: &str = "run_told.told";

pub(super) async fn put_in_tx(
    c: &mut Connection,
    run_id: i64,
    method_version: &str,
    metrics_json: &[u8],
) -> Result<(), StoreError> {
    let packed: Vec<u8> =
        Told::of_metrics(metrics_json).0.iter().flat_map(|v| v.unwrap_or(f64::NAN).to_le_bytes()).collect();
    query(
        "INSERT INTO run_told (run_id, method_version, told) VALUES ($1, $2, $3) \
         ON CONFLICT (run_id, method_version) DO UPDATE SET told = excluded.told",
    )
    .bind(run_id)
    .bind(method_version)
    .bind(packed)
    .execute(c)
    .await?;
    Ok(())
}

fn unpacked(bytes: Option<&[u8]>) -> Result<Told, StoreError> {
    let Some(bytes) = bytes else { return Ok(Told::default()) };
    let (values, rest) = bytes.as_chunks::<8>();
    let values: Vec<Option<f64>> =
        values.iter().map(|bytes| Some(f64::from_le_bytes(*bytes)).filter(|v| !v.is_nan())).collect();
    let told = <[Option<f64>; N_TOLD]>::try_from(values).ok().filter(|_| rest.is_empty());
    let why = || StoreError::Corrupt { column: COLUMN, why: format!("{} bytes", bytes.len()) };
    told.map(Told).ok_or_else(why)
}

/// Makes all of them, where a database has metrics and none of these: a version before this one wrote it.
pub(super) async fn catch_up(c: &mut Connection) -> Result<(), StoreError> {
    let is_due: bool =
        query_scalar("SELECT EXISTS (SELECT 1 FROM run_metrics) AND NOT EXISTS (SELECT 1 FROM run_told)")
            .fetch_one(&mut *c)
            .await?;
    if !is_due {
        return Ok(());
    }
    // All or nothing: a start that is broken off begins again.
    dialect::begin_writing(c).await?;
    let made = make_all(c).await;
    match made {
        Ok(()) => Ok(dialect::commit(c).await?),
        Err(e) => {
            query("ROLLBACK").execute(c).await?;
            Err(e)
        }
    }
}

async fn make_all(c: &mut Connection) -> Result<(), StoreError> {
    let mut after = (i64::MIN, String::new());
    loop {
        let rows = query(
            "SELECT run_id, method_version, metrics FROM run_metrics WHERE (run_id, method_version) > ($1, $2) \
             ORDER BY run_id, method_version LIMIT $3",
        )
        .bind(after.0)
        .bind(&after.1)
        .bind(BATCH)
        .fetch_all(&mut *c)
        .await?;
        if rows.is_empty() {
            return Ok(());
        }
        for row in &rows {
            after = (row.try_get("run_id")?, row.try_get("method_version")?);
            put_in_tx(c, after.0, &after.1, row.try_get("metrics")?).await?;
        }
    }
}

pub(super) async fn run_list(
    pool: &Pool,
    method_version: &str,
    after: Option<RunPlace>,
    limit: u32,
) -> Result<Vec<ListedRun>, StoreError> {
    // Before every laptop's id.
    let first = || RunPlace { device_id: String::new(), tested_at_ms: 0, run_id: 0 };
    let after = after.unwrap_or_else(first);
    // As in `run_list_measured`: no row of a run is touched, nor one of its metrics.
    query(
        "SELECT r.run_id, r.device_id, r.digest, r.provenance, r.model_name, r.load_mix, r.protocol, r.outcome, r.channels, \
           r.ambient_c, r.ambient_sd_k, r.tested_at_ms, r.received_at_ms, t.told, \
           COALESCE(p.asset_tag, '') AS asset_tag, COALESCE(p.site, r.site) AS site, l.leaf_idx \
         FROM run r \
         LEFT JOIN run_told t ON t.run_id = r.run_id AND t.method_version = $1 \
         LEFT JOIN ledger_leaf l ON l.digest = r.digest AND l.kind IN ('record', 'imported_run') \
         LEFT JOIN \"placing\" p ON p.placing_id = \
           (SELECT q.placing_id FROM \"placing\" q WHERE q.device_id = r.device_id \
            ORDER BY q.from_ms DESC, q.placing_id DESC LIMIT 1) \
         WHERE (r.device_id, r.tested_at_ms, r.run_id) > ($2, $3, $4) \
         ORDER BY r.device_id, r.tested_at_ms, r.run_id LIMIT $5",
    )
    .bind(method_version)
    .bind(after.device_id)
    .bind(after.tested_at_ms)
    .bind(after.run_id)
    .bind(limit)
    .fetch_each(pool, listed_run)
    .await
}

fn listed_run(row: &Row) -> Result<ListedRun, StoreError> {
    Ok(ListedRun {
        run_id: row.try_get("run_id")?,
        device_id: row.try_get("device_id")?,
        asset_tag: row.try_get("asset_tag")?,
        site: row.try_get("site")?,
        digest: digest_of(row.try_get("digest")?, "run.digest")?,
        provenance: row.try_get("provenance")?,
        model_name: row.try_get("model_name")?,
        load_mix: row.try_get("load_mix")?,
        protocol: row.try_get("protocol")?,
        outcome: row.try_get("outcome")?,
        channels: row.try_get("channels")?,
        ambient_c: row.try_get("ambient_c")?,
        ambient_sd_k: row.try_get("ambient_sd_k")?,
        tested_at_ms: row.try_get("tested_at_ms")?,
        received_at_ms: row.try_get("received_at_ms")?,
        told: unpacked(row.try_get("told")?)?,
        leaf_idx: row.try_get::<Option<i64>>("leaf_idx")?.map(i64::unsigned_abs),
    })
}

#[cfg(test)]
mod tests {
    use crate::store::runs::{RunStore as _, Told};
    use crate::store::sql::SqlStore;
    use crate::store::{NewMetrics, Store as _};
    use crate::testing::{START_MS, TestHub};

    #[tokio::test]
    async fn a_database_from_before_is_filled_when_it_is_opened() {
        let hub = TestHub::start(crate::http::Limits::default()).await;
        let mut laptop = hub.joined(1).await;
        hub.post_record(&laptop.check().bytes).await;
        let path = hub.database();
        let _kept = hub.stop_keeping().await;
        let store = SqlStore::open_file(&path).await.unwrap();
        let metrics = NewMetrics {
            run_id: 1,
            metrics_json: br#"{"peak_c":{"value":0.1,"se":0.1}}"#.to_vec(),
            agrees: None,
            computed_at_ms: START_MS,
        };
        store.metrics_put_batch("x", vec![metrics]).await.unwrap();
        let told = async |store: &SqlStore| store.run_list("x", None, 1).await.unwrap()[0].told;
        let put = told(&store).await;
        assert_eq!(put.0[0], Some(0.1));
        store.store_close().await;
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path);
        let mut c = sqlx::ConnectOptions::connect(&options).await.unwrap();
        sqlx::query("DELETE FROM run_told").execute(&mut c).await.unwrap();
        sqlx::Connection::close(c).await.unwrap();
        let store = SqlStore::open_file(&path).await.unwrap();
        assert_eq!(told(&store).await, put);
        assert_ne!(put, Told::default());
        store.store_close().await;
    }
}
