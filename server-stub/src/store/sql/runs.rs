//! Runs of one laptop.

use windrow_model::record::Digest;

use super::db::{Pool, Row, query, query_scalar};
use super::read::{digest_of, service_list};
use super::{SqlStore, told};
use crate::store::runs::{ListedRun, RunLine, RunOfModel, RunStore, WholeRun};
use crate::store::{RunPlace, Service, StoreError};

impl RunStore for SqlStore {
    async fn run_list_of_device(
        &self,
        device_id: String,
        method_version: &'static str,
        before: Option<Digest>,
        limit: u32,
    ) -> Result<Vec<RunLine>, StoreError> {
        run_list_of_device(&self.readers, &device_id, method_version, before, limit).await
    }

    async fn run_get_line(
        &self,
        device_id: String,
        method_version: &'static str,
        digest: Digest,
    ) -> Result<Option<RunLine>, StoreError> {
        run_get_line(&self.readers, &device_id, method_version, digest).await
    }

    async fn run_list(
        &self,
        method_version: &'static str,
        after: Option<RunPlace>,
        limit: u32,
    ) -> Result<Vec<ListedRun>, StoreError> {
        told::run_list(&self.readers, method_version, after, limit).await
    }

    async fn run_get(&self, digest: Digest) -> Result<Option<WholeRun>, StoreError> {
        run_get(&self.readers, digest).await
    }

    async fn run_list_of_model(
        &self,
        model_name: String,
        method_version: &'static str,
        limit: u32,
    ) -> Result<Vec<RunOfModel>, StoreError> {
        run_list_of_model(&self.readers, &model_name, method_version, limit).await
    }

    async fn run_last(&self) -> Result<i64, StoreError> {
        let last = query_scalar("SELECT COALESCE(MAX(run_id), 0) FROM run").fetch_one(&self.readers);
        Ok(last.await?)
    }

    async fn service_list_of_device(&self, device_id: String) -> Result<Vec<Service>, StoreError> {
        service_list(&self.readers, Some(&device_id)).await
    }
}

async fn run_list_of_device(
    pool: &Pool,
    device_id: &str,
    method_version: &str,
    before: Option<Digest>,
    limit: u32,
) -> Result<Vec<RunLine>, StoreError> {
    let before = before.map(|digest| digest.0.to_vec());
    let rows = query(
        "SELECT r.digest, r.provenance, r.link, r.model_key, r.protocol, r.outcome, r.ambient_c, r.ambient_sd_k, \
           r.tested_at_ms, r.received_at_ms, m.metrics, m.agrees \
         FROM run r LEFT JOIN run_metrics m ON m.run_id = r.run_id AND m.method_version = $1 \
         WHERE r.device_id = $2 \
           AND ($3 IS NULL OR (r.tested_at_ms, r.run_id) < (SELECT b.tested_at_ms, b.run_id FROM run b WHERE b.digest = $4)) \
         ORDER BY r.tested_at_ms DESC, r.run_id DESC LIMIT $5",
    )
    .bind(method_version)
    .bind(device_id)
    .bind(before.clone())
    .bind(before)
    .bind(limit)
    .fetch_all(pool)
    .await?;
    rows.iter().map(run_line).collect()
}

async fn run_get_line(
    pool: &Pool,
    device_id: &str,
    method_version: &str,
    digest: Digest,
) -> Result<Option<RunLine>, StoreError> {
    let row = query(
        "SELECT r.digest, r.provenance, r.link, r.model_key, r.protocol, r.outcome, r.ambient_c, r.ambient_sd_k, \
           r.tested_at_ms, r.received_at_ms, m.metrics, m.agrees \
         FROM run r LEFT JOIN run_metrics m ON m.run_id = r.run_id AND m.method_version = $1 \
         WHERE r.device_id = $2 AND r.digest = $3",
    )
    .bind(method_version)
    .bind(device_id)
    .bind(digest.0.to_vec())
    .fetch_optional(pool)
    .await?;
    row.as_ref().map(run_line).transpose()
}

fn run_line(row: &Row) -> Result<RunLine, StoreError> {
    Ok(RunLine {
        digest: digest_of(row.try_get("digest")?, "run.digest")?,
        provenance: row.try_get("provenance")?,
        link: row.try_get("link")?,
        model_key: row.try_get("model_key")?,
        protocol: row.try_get("protocol")?,
        outcome: row.try_get("outcome")?,
        ambient_c: row.try_get("ambient_c")?,
        ambient_sd_k: row.try_get("ambient_sd_k")?,
        tested_at_ms: row.try_get("tested_at_ms")?,
        received_at_ms: row.try_get("received_at_ms")?,
        metrics_json: row.try_get("metrics")?,
        agrees: row.try_get("agrees")?,
    })
}

async fn run_get(pool: &Pool, digest: Digest) -> Result<Option<WholeRun>, StoreError> {
    let row =
        query("SELECT device_id, header, trace, ambient_c, ambient_sd_k, on_ac FROM run WHERE digest = $1")
            .bind(digest.0.to_vec())
            .fetch_optional(pool)
            .await?;
    row.map(|row| {
        Ok(WholeRun {
            device_id: row.try_get("device_id")?,
            header_json: row.try_get("header")?,
            trace_zstd: row.try_get("trace")?,
            ambient_c: row.try_get("ambient_c")?,
            ambient_sd_k: row.try_get("ambient_sd_k")?,
            on_ac: row.try_get("on_ac")?,
        })
    })
    .transpose()
}

async fn run_list_of_model(
    pool: &Pool,
    model_name: &str,
    method_version: &str,
    limit: u32,
) -> Result<Vec<RunOfModel>, StoreError> {
    let rows = query(
        "SELECT r.device_id, r.tested_at_ms, m.metrics, \
           r.firmware \
         FROM run r JOIN run_metrics m ON m.run_id = r.run_id AND m.method_version = $1 \
         WHERE r.model_name = $2 ORDER BY r.tested_at_ms DESC LIMIT $3",
    )
    .bind(method_version)
    .bind(model_name)
    .bind(limit)
    .fetch_all(pool)
    .await?;
    rows.iter()
        .map(|row| {
            Ok(RunOfModel {
                device_id: row.try_get("device_id")?,
                firmware: row.try_get("firmware")?,
                tested_at_ms: row.try_get("tested_at_ms")?,
                metrics_json: row.try_get("metrics")?,
            })
        })
        .collect()
}
