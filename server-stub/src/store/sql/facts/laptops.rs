//! Laptops: finding one, listing all, and one that goes on as another after a board swap.

use serde::Serialize;

use super::body_of;
use super::scope::{Stand, place_in_tx, placing_in_tx};
use crate::ledger::leaf::LeafKind;
use crate::store::check::{Claim, ClaimedTime, Said};
use crate::store::facts::{Actor, Laptop, Merged, Succession};
use crate::store::sql::db::{Connection, On, Pool, Row, query, query_scalar};
use crate::store::sql::ledger::append_json_event;
use crate::store::{EpochMs, StoreError};

/// Shortest beginning of an id that is looked up.
const MIN_PREFIX_CHARS: usize = 8;
/// Most laptops that go on as one another in a row: more board swaps than a laptop lives through.
const MAX_SUCCESSIONS: usize = 64;

/// The body of the event.
#[derive(Serialize)]
struct MergeEvent<'a> {
    change: &'static str,
    old_device_id: &'a str,
    new_device_id: &'a str,
    by_role: &'a str,
}

/// What a row of successions claims.
pub(in crate::store::sql) fn succession_claim(row: &Row) -> Result<Vec<Claim>, StoreError> {
    let new_device_id = row.try_get("new_device_id")?;
    let event = MergeEvent {
        change: "merged",
        old_device_id: row.try_get("old_device_id")?,
        new_device_id,
        by_role: row.try_get("by_role")?,
    };
    Ok(vec![Claim {
        row: new_device_id.to_owned(),
        kind: LeafKind::Scope,
        at: ClaimedTime::At(row.try_get("at_ms")?),
        said: Said::whole(body_of(&event)?),
        is_optional: false,
    }])
}

/// Whether a laptop of that id has joined or was imported.
pub(super) async fn is_known(c: impl Into<On<'_>>, device_id: &str) -> Result<bool, StoreError> {
    Ok(query_scalar(
        "SELECT EXISTS (SELECT 1 FROM device WHERE device_id = $1) OR EXISTS (SELECT 1 FROM run WHERE device_id = $1)",
    )
    .bind(device_id)
    .fetch_one(c)
    .await?)
}

pub(super) async fn find(pool: &Pool, key: &str) -> Result<Vec<String>, StoreError> {
    if is_known(pool, key).await? {
        return Ok(vec![key.to_owned()]);
    }
    let tagged: Vec<String> = query_scalar(
        "SELECT DISTINCT p.device_id FROM \"placing\" p WHERE p.asset_tag = $1 AND p.asset_tag <> '' \
           AND p.placing_id = (SELECT q.placing_id FROM \"placing\" q WHERE q.device_id = p.device_id \
             ORDER BY q.from_ms DESC, q.placing_id DESC LIMIT 1) \
           AND NOT EXISTS (SELECT 1 FROM succession s WHERE s.old_device_id = p.device_id) \
         ORDER BY p.device_id LIMIT 3",
    )
    .bind(key)
    .fetch_all(pool)
    .await?;
    if !tagged.is_empty() || key.chars().count() < MIN_PREFIX_CHARS {
        return Ok(tagged);
    }
    let end = format!("{key}{}", char::MAX);
    Ok(query_scalar(
        "SELECT device_id FROM (SELECT device_id FROM device WHERE device_id >= $1 AND device_id < $2 \
         UNION SELECT device_id FROM run WHERE device_id >= $1 AND device_id < $2) AS k ORDER BY device_id LIMIT 3",
    )
    .bind(key)
    .bind(end)
    .fetch_all(pool)
    .await?)
}

/// All laptops by id, or the one of that id.
pub(super) async fn list(pool: &Pool, device_id: Option<&str>) -> Result<Vec<Laptop>, StoreError> {
    query(
        "SELECT k.device_id, COALESCE(p.asset_tag, '') AS asset_tag, COALESCE(p.site, r.site, '') AS site, \
           COALESCE(p.place, '') AS place, COALESCE(r.model_name, '') AS model_name, \
           d.device_id IS NOT NULL AS has_joined, d.revoked_at_ms, r.tested_at_ms, s.new_device_id \
         FROM (SELECT device_id FROM device WHERE $1 IS NULL OR device_id = $1 \
           UNION SELECT device_id FROM run WHERE $1 IS NULL OR device_id = $1) k \
         LEFT JOIN device d ON d.device_id = k.device_id \
         LEFT JOIN succession s ON s.old_device_id = k.device_id \
         LEFT JOIN \"placing\" p ON p.placing_id = (SELECT q.placing_id FROM \"placing\" q WHERE q.device_id = k.device_id \
           ORDER BY q.from_ms DESC, q.placing_id DESC LIMIT 1) \
         LEFT JOIN run r ON r.run_id = (SELECT t.run_id FROM run t WHERE t.device_id = k.device_id \
           AND t.outcome <> 'not_started' ORDER BY t.tested_at_ms DESC, t.run_id DESC LIMIT 1) \
         ORDER BY k.device_id",
    )
    .bind(device_id)
    .fetch_each(pool, laptop_of)
    .await
}

fn laptop_of(row: &Row) -> Result<Laptop, StoreError> {
    Ok(Laptop {
        device_id: row.try_get("device_id")?,
        asset_tag: row.try_get("asset_tag")?,
        site: row.try_get("site")?,
        place: row.try_get("place")?,
        model_name: row.try_get("model_name")?,
        has_joined: row.try_get("has_joined")?,
        revoked_at_ms: row.try_get("revoked_at_ms")?,
        last_tested_at_ms: row.try_get("tested_at_ms")?,
        goes_on_as: row.try_get("new_device_id")?,
    })
}

/// As which laptops one was known before, the latest first.
pub(super) async fn past(pool: &Pool, device_id: String) -> Result<Vec<Succession>, StoreError> {
    let mut past: Vec<Succession> = Vec::new();
    while past.len() < MAX_SUCCESSIONS {
        let of = past.last().map_or(&device_id, |s| &s.old_device_id);
        let row = query(
            "SELECT old_device_id, new_device_id, at_ms, by_role FROM succession WHERE new_device_id = $1",
        );
        let Some(row) = row.bind(of).fetch_optional(pool).await? else { break };
        past.push(Succession {
            old_device_id: row.try_get("old_device_id")?,
            new_device_id: row.try_get("new_device_id")?,
            at_ms: row.try_get("at_ms")?,
            by_role: row.try_get("by_role")?,
        });
    }
    Ok(past)
}

pub(super) async fn merge_in_tx(
    c: &mut Connection,
    old: &str,
    new: &str,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<Merged, StoreError> {
    if !is_known(&mut *c, old).await? || !is_known(&mut *c, new).await? {
        return Ok(Merged::NoSuchLaptop);
    }
    match successor(c, old).await? {
        Some(as_id) if as_id == new => return Ok(Merged::Known),
        Some(_) => return Ok(Merged::Taken),
        None => {}
    }
    if old == new || is_successor(c, new).await? || leads_to(c, new, old).await? {
        return Ok(Merged::Taken);
    }
    query(
        "INSERT INTO succession (new_device_id, old_device_id, at_ms, by_role, grant_id) VALUES ($1, $2, $3, $4, $5)",
    )
    .bind(new)
    .bind(old)
    .bind(now_ms)
    .bind(actor.role.name())
    .bind(actor.grant_id)
    .execute(&mut *c)
    .await?;
    let event =
        MergeEvent { change: "merged", old_device_id: old, new_device_id: new, by_role: actor.role.name() };
    append_json_event(c, LeafKind::Scope, &event, now_ms).await?;
    // The board is another one, the laptop on the shelf is the same.
    if let Some(Stand { asset_tag, site, place }) = placing_in_tx(c, old).await? {
        place_in_tx(c, new, Stand { asset_tag, site, place }, now_ms).await?;
    }
    Ok(Merged::Done)
}

async fn successor(c: &mut Connection, device_id: &str) -> Result<Option<String>, StoreError> {
    Ok(query_scalar("SELECT new_device_id FROM succession WHERE old_device_id = $1")
        .bind(device_id)
        .fetch_optional(c)
        .await?)
}

async fn is_successor(c: &mut Connection, device_id: &str) -> Result<bool, StoreError> {
    let row = query("SELECT 1 FROM succession WHERE new_device_id = $1").bind(device_id);
    Ok(row.fetch_optional(c).await?.is_some())
}

/// Whether going on from one laptop ends at the other.
async fn leads_to(c: &mut Connection, from: &str, to: &str) -> Result<bool, StoreError> {
    let mut at = from.to_owned();
    for _ in 0..MAX_SUCCESSIONS {
        match successor(c, &at).await? {
            Some(next) if next == to => return Ok(true),
            Some(next) => at = next,
            None => return Ok(false),
        }
    }
    Ok(true)
}
