//! What is read from the database.

use windrow_model::record::{Digest, PublicKey};
use windrow_model::trace::fleet::ServiceAction;

use super::db::{Connection, Pool, Row, query};
use crate::store::facts::ERASED_REASON;
use crate::store::{Device, Logged, MeasuredRun, RunPlace, RunToMeasure, Service, StoreError, StoredMetrics};

pub(super) fn digest_of(bytes: &[u8], column: &'static str) -> Result<Digest, StoreError> {
    let fixed = <[u8; 32]>::try_from(bytes);
    fixed.map(Digest).map_err(|_| StoreError::Corrupt { column, why: format!("{} bytes", bytes.len()) })
}

pub(super) fn key_of(bytes: &[u8]) -> Result<PublicKey, StoreError> {
    let column = "device.public_key";
    let digest = digest_of(bytes, column)?;
    PublicKey::from_bytes(&digest.0, column).map_err(|e| StoreError::Corrupt { column, why: e.to_string() })
}

pub(super) async fn device_get(pool: &Pool, device_id: &str) -> Result<Option<Device>, StoreError> {
    let row = query(
        "SELECT device_id, public_key, revoked_at_ms, check_wanted_by_ms, \
           (SELECT CASE WHEN length(m.salt) = 0 THEN $2 ELSE m.why END FROM mark m \
           WHERE m.device_id = device.device_id AND m.kind = 'hold' AND m.ended_at_ms IS NULL LIMIT 1) AS held_why \
         FROM device WHERE device_id = $1",
    )
    .bind(device_id)
    .bind(ERASED_REASON)
    .fetch_optional(pool)
    .await?;
    row.map(|row| {
        Ok(Device {
            device_id: row.try_get("device_id")?,
            public_key: key_of(row.try_get("public_key")?)?,
            revoked_at_ms: row.try_get("revoked_at_ms")?,
            check_wanted_by_ms: row.try_get("check_wanted_by_ms")?,
            held_why: row.try_get("held_why")?,
        })
    })
    .transpose()
}

pub(super) async fn run_list_unmeasured(
    pool: &Pool,
    method_version: &str,
    after_run_id: i64,
    limit: u32,
) -> Result<Vec<RunToMeasure>, StoreError> {
    let rows = query(
        "SELECT run_id, header, trace, ambient_c, ambient_sd_k, on_ac FROM run \
         WHERE run_id > $1 AND outcome <> 'not_started' AND NOT EXISTS \
           (SELECT 1 FROM run_metrics m WHERE m.run_id = run.run_id AND m.method_version = $2) \
         ORDER BY run_id LIMIT $3",
    )
    .bind(after_run_id)
    .bind(method_version)
    .bind(limit)
    .fetch_all(pool)
    .await?;
    rows.iter()
        .map(|row| {
            Ok(RunToMeasure {
                run_id: row.try_get("run_id")?,
                header_json: row.try_get("header")?,
                trace_zstd: row.try_get("trace")?,
                ambient_c: row.try_get("ambient_c")?,
                ambient_sd_k: row.try_get("ambient_sd_k")?,
                on_ac: row.try_get("on_ac")?,
            })
        })
        .collect()
}

/// Runs read in one go where all are read: a few megabytes.
const RUN_PAGE: u32 = 2_000;

/// All runs by laptop and time, as they were at one moment, page by page; with their metrics where a version is given.
pub(super) async fn run_read_all(
    pool: &Pool,
    method_version: Option<&str>,
    mut take: impl FnMut(Vec<MeasuredRun>) + Send,
) -> Result<(), StoreError> {
    let mut reading = pool.begin_reading().await?;
    let mut after = None;
    loop {
        let page = run_list_measured(&mut reading, method_version, after, RUN_PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after = Some(last.place());
        take(page);
    }
}

pub(super) async fn run_list_measured(
    c: &mut Connection,
    method_version: Option<&str>,
    after: Option<RunPlace>,
    limit: u32,
) -> Result<Vec<MeasuredRun>, StoreError> {
    // Before every laptop's id.
    let first = || RunPlace { device_id: String::new(), tested_at_ms: 0, run_id: 0 };
    let after = after.unwrap_or_else(first);
    // All of the run that is read here stands in the index `run_listed`: no row with its trace is touched.
    query(
        "SELECT r.run_id, r.device_id, r.digest, r.provenance, r.model_key, r.model_name, r.load_mix, r.protocol, r.outcome, r.channels, \
           r.ambient_c, r.ambient_sd_k, r.on_ac, r.tested_at_ms, r.received_at_ms, m.metrics, m.agrees, r.firmware, \
           COALESCE(p.asset_tag, '') AS asset_tag, COALESCE(p.site, r.site) AS site \
         FROM run r \
         LEFT JOIN run_metrics m ON m.run_id = r.run_id AND m.method_version = $1 \
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
    .fetch_each(c, measured_run)
    .await
}

pub(super) async fn metrics_get(
    pool: &Pool,
    method_version: &str,
    run_ids: &[i64],
) -> Result<Vec<StoredMetrics>, StoreError> {
    query(
        "SELECT run_id, metrics, agrees FROM run_metrics \
         WHERE run_id IN (SELECT CAST(value AS BIGINT) FROM json_each($1)) AND method_version = $2",
    )
    .on_postgres(
        "SELECT run_id, metrics, agrees FROM run_metrics \
         WHERE run_id IN (SELECT value::BIGINT FROM json_array_elements_text($1::JSON)) AND method_version = $2",
    )
    .bind(json_of(run_ids)?)
    .bind(method_version)
    .fetch_each(pool, stored_metrics)
    .await
}

fn stored_metrics(row: &Row) -> Result<StoredMetrics, StoreError> {
    Ok(StoredMetrics {
        run_id: row.try_get("run_id")?,
        metrics_json: row.try_get("metrics")?,
        agrees: row.try_get("agrees")?,
    })
}

/// Rows to be looked for, as a JSON array.
pub(super) fn json_of(run_ids: &[i64]) -> Result<String, StoreError> {
    serde_json::to_string(run_ids)
        .map_err(|e| StoreError::Corrupt { column: "run.run_id", why: e.to_string() })
}

fn measured_run(row: &Row) -> Result<MeasuredRun, StoreError> {
    Ok(MeasuredRun {
        run_id: row.try_get("run_id")?,
        device_id: row.try_get("device_id")?,
        asset_tag: row.try_get("asset_tag")?,
        site: row.try_get("site")?,
        digest: digest_of(row.try_get("digest")?, "run.digest")?,
        provenance: row.try_get("provenance")?,
        model_key: row.try_get("model_key")?,
        model_name: row.try_get("model_name")?,
        load_mix: row.try_get("load_mix")?,
        protocol: row.try_get("protocol")?,
        outcome: row.try_get("outcome")?,
        channels: row.try_get("channels")?,
        ambient_c: row.try_get("ambient_c")?,
        ambient_sd_k: row.try_get("ambient_sd_k")?,
        on_ac: row.try_get("on_ac")?,
        firmware: row.try_get("firmware")?,
        tested_at_ms: row.try_get("tested_at_ms")?,
        received_at_ms: row.try_get("received_at_ms")?,
        metrics_json: row.try_get("metrics")?,
        agrees: row.try_get("agrees")?,
    })
}

/// Services of all laptops, or of one.
pub(super) async fn service_list(pool: &Pool, device_id: Option<&str>) -> Result<Vec<Service>, StoreError> {
    let rows: Vec<Service> = query(
        // Imported services and logged visits; and after a board swap, those of the laptop that it goes on as.
        "WITH RECURSIVE goes_on (device_id, as_id) AS ( \
             SELECT old_device_id, new_device_id FROM succession \
             UNION SELECT g.device_id, s.new_device_id FROM goes_on g JOIN succession s ON s.old_device_id = g.as_id), \
           said (device_id, serviced_on, action, by_role, logged_at_ms) AS ( \
             SELECT device_id, serviced_on, action, NULL, NULL FROM service \
             UNION SELECT v.device_id, v.visited_on, a.column1, v.by_role, v.logged_at_ms FROM visit v \
               JOIN (VALUES ('clean'), ('fan'), ('paste'), ('none')) AS a \
                 ON ' ' || v.actions || ' ' LIKE '% ' || a.column1 || ' %' \
               WHERE NOT v.is_withdrawn AND NOT EXISTS (SELECT 1 FROM visit k WHERE k.corrects = v.visit_id)) \
         SELECT device_id, serviced_on, action, by_role, logged_at_ms FROM ( \
           SELECT * FROM said \
           UNION SELECT g.as_id, s.serviced_on, s.action, s.by_role, s.logged_at_ms \
             FROM said s JOIN goes_on g ON g.device_id = s.device_id) AS all_said \
         WHERE $1 IS NULL OR device_id = $1 \
         ORDER BY device_id, serviced_on, action, logged_at_ms IS NOT NULL, logged_at_ms, by_role",
    )
    .bind(device_id)
    .fetch_each(pool, service)
    .await?;
    let mut services: Vec<Service> = Vec::with_capacity(rows.len());
    for said in rows {
        // One action of a day once, as its latest entry has it.
        if services.last().is_some_and(|s| s.is_of_same(&said)) {
            services.pop();
        }
        services.push(said);
    }
    Ok(services)
}

fn service(row: &Row) -> Result<Service, StoreError> {
    let (on, action): (String, String) = (row.try_get("serviced_on")?, row.try_get("action")?);
    let (by_role, at_ms): (Option<String>, Option<i64>) =
        (row.try_get("by_role")?, row.try_get("logged_at_ms")?);
    Ok(Service {
        device_id: row.try_get("device_id")?,
        serviced_on: on
            .parse()
            .map_err(|_| StoreError::Corrupt { column: "service.serviced_on", why: format!("`{on}`") })?,
        action: ServiceAction::from_name(&action)
            .ok_or(StoreError::Corrupt { column: "service.action", why: format!("`{action}`") })?,
        logged: by_role.zip(at_ms).map(|(by_role, at_ms)| Logged { by_role, at_ms }),
    })
}

pub(super) async fn run_list_links(
    pool: &Pool,
    device_id: &str,
) -> Result<Vec<(Digest, String)>, StoreError> {
    let rows = query(
        "SELECT digest, link FROM run WHERE device_id = $1 AND link IS NOT NULL ORDER BY sequence, run_id",
    )
    .bind(device_id)
    .fetch_all(pool)
    .await?;
    rows.iter()
        .map(|row| Ok((digest_of(row.try_get("digest")?, "run.digest")?, row.try_get("link")?)))
        .collect()
}

pub(super) async fn refusal_list(pool: &Pool) -> Result<Vec<(String, u64)>, StoreError> {
    let rows = query("SELECT reason, n FROM refusal_count ORDER BY reason").fetch_all(pool).await?;
    rows.iter().map(|row| Ok((row.try_get("reason")?, row.try_get::<i64>("n")?.unsigned_abs()))).collect()
}
