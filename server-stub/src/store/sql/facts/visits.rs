//! Visits and their corrections.

use chrono::NaiveDate;
use serde::Serialize;
use windrow_model::trace::fleet::ServiceAction;

use super::{body_of, commit, committed, is_erased, laptops, parsed};
use crate::ledger::leaf::LeafKind;
use crate::store::check::{Claim, ClaimedTime, Said};
use crate::store::facts::{NewVisit, Visit, VisitLogged};
use crate::store::sql::db::{Connection, Pool, Row, query, query_scalar};
use crate::store::sql::ledger::append_json_event;
use crate::store::{EpochMs, StoreError};

/// Free text of a visit.
#[derive(Serialize)]
struct Texts<'a> {
    found: &'a str,
    note: &'a str,
    parts: &'a str,
}

/// The body of the event.
#[derive(Serialize)]
struct VisitEvent<'a> {
    visit_id: i64,
    device_id: &'a str,
    visited_on: String,
    actions: &'a [&'a str],
    minutes: Option<u32>,
    by_role: &'a str,
    corrects: Option<i64>,
    is_withdrawn: bool,
    /// Over the canonical form of [`Texts`].
    text_commitment: String,
}

pub(super) async fn log_in_tx(c: &mut Connection, visit: &NewVisit) -> Result<VisitLogged, StoreError> {
    if !laptops::is_known(&mut *c, &visit.device_id).await? {
        return Ok(VisitLogged::NoSuchLaptop);
    }
    if let Some(corrects) = visit.corrects {
        let of: Option<String> = query_scalar("SELECT device_id FROM visit WHERE visit_id = $1")
            .bind(corrects)
            .fetch_optional(&mut *c)
            .await?;
        if of.as_ref() != Some(&visit.device_id) {
            return Ok(VisitLogged::NoSuchVisit);
        }
        if let Some(visit_id) = corrected_by(c, corrects).await? {
            return Ok(VisitLogged::CorrectedBefore { visit_id });
        }
    }
    let actions = names(&visit.actions);
    if !visit.is_withdrawn
        && let Some(visit_id) = duplicate_of(c, visit, &actions.join(" ")).await?
    {
        return Ok(VisitLogged::Duplicate { visit_id });
    }
    let visit_id = insert(c, visit, &actions).await?;
    Ok(VisitLogged::Logged { visit_id })
}

/// Names in alphabetical order, each once.
fn names(actions: &[ServiceAction]) -> Vec<&'static str> {
    let mut names: Vec<_> = actions.iter().map(|a| a.name()).collect();
    names.sort_unstable();
    names.dedup();
    names
}

async fn corrected_by(c: &mut Connection, visit_id: i64) -> Result<Option<i64>, StoreError> {
    Ok(query_scalar("SELECT visit_id FROM visit WHERE corrects = $1")
        .bind(visit_id)
        .fetch_optional(c)
        .await?)
}

/// An entry that counts, of the same laptop, day and actions, and isn't the one to be corrected.
async fn duplicate_of(
    c: &mut Connection,
    visit: &NewVisit,
    actions: &str,
) -> Result<Option<i64>, StoreError> {
    Ok(query_scalar(
        "SELECT visit_id FROM visit v WHERE device_id = $1 AND visited_on = $2 AND actions = $3 AND NOT is_withdrawn \
           AND visit_id IS DISTINCT FROM $4 AND NOT EXISTS (SELECT 1 FROM visit k WHERE k.corrects = v.visit_id) LIMIT 1",
    )
    .bind(&visit.device_id)
    .bind(visit.visited_on.to_string())
    .bind(actions)
    .bind(visit.corrects)
    .fetch_optional(c)
    .await?)
}

async fn insert(c: &mut Connection, visit: &NewVisit, actions: &[&'static str]) -> Result<i64, StoreError> {
    let commitment = commit(&Texts { found: &visit.found, note: &visit.note, parts: &visit.parts })?;
    let visit_id: i64 = query_scalar(
        "INSERT INTO visit (device_id, visited_on, actions, minutes, found, parts, note, by_role, grant_id, \
           logged_at_ms, corrects, is_withdrawn, salt) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13) RETURNING visit_id",
    )
    .bind(&visit.device_id)
    .bind(visit.visited_on.to_string())
    .bind(actions.join(" "))
    .bind(visit.minutes)
    .bind(&visit.found)
    .bind(&visit.parts)
    .bind(&visit.note)
    .bind(visit.actor.role.name())
    .bind(visit.actor.grant_id)
    .bind(visit.now_ms)
    .bind(visit.corrects)
    .bind(visit.is_withdrawn)
    .bind(&commitment.salt[..])
    .fetch_one(&mut *c)
    .await?;
    let event = VisitEvent {
        visit_id,
        device_id: &visit.device_id,
        visited_on: visit.visited_on.to_string(),
        actions,
        minutes: visit.minutes,
        by_role: visit.actor.role.name(),
        corrects: visit.corrects,
        is_withdrawn: visit.is_withdrawn,
        text_commitment: commitment.digest.to_hex(),
    };
    append_json_event(c, LeafKind::Visit, &event, visit.now_ms).await?;
    Ok(visit_id)
}

pub(super) async fn list(
    pool: &Pool,
    device_id: Option<&str>,
    after_visit_id: i64,
    limit: u32,
) -> Result<Vec<Visit>, StoreError> {
    let rows = query(
        "SELECT v.visit_id, v.device_id, v.visited_on, v.actions, v.minutes, v.found, v.parts, v.note, v.by_role, \
           v.logged_at_ms, v.corrects, v.is_withdrawn, v.salt IS NULL AS is_erased, k.visit_id AS corrected_by \
         FROM visit v LEFT JOIN visit k ON k.corrects = v.visit_id \
         WHERE v.visit_id > $1 AND ($2 IS NULL OR v.device_id = $2) ORDER BY v.visit_id LIMIT $3",
    )
    .bind(after_visit_id)
    .bind(device_id)
    .bind(limit)
    .fetch_all(pool)
    .await?;
    rows.iter().map(visit_of).collect()
}

pub(super) async fn serviced_since(pool: &Pool, since_ms: EpochMs) -> Result<Vec<String>, StoreError> {
    // An entry counts by its last correction, and is as old as what it corrects.
    Ok(query_scalar(
        "WITH RECURSIVE entry (device_id, visit_id, is_withdrawn) AS ( \
           SELECT device_id, visit_id, is_withdrawn FROM visit WHERE corrects IS NULL AND logged_at_ms >= $1 \
           UNION ALL \
           SELECT v.device_id, v.visit_id, v.is_withdrawn FROM visit v JOIN entry e ON v.corrects = e.visit_id) \
         SELECT DISTINCT e.device_id FROM entry e WHERE NOT e.is_withdrawn \
           AND NOT EXISTS (SELECT 1 FROM visit k WHERE k.corrects = e.visit_id) ORDER BY e.device_id",
    )
    .bind(since_ms)
    .fetch_all(pool)
    .await?)
}

fn visit_of(row: &Row) -> Result<Visit, StoreError> {
    let minutes: Option<i64> = row.try_get("minutes")?;
    Ok(Visit {
        visit_id: row.try_get("visit_id")?,
        device_id: row.try_get("device_id")?,
        visited_on: parsed(row, "visited_on", |text| text.parse::<NaiveDate>().ok())?,
        actions: parsed(row, "actions", |text| text.split(' ').map(ServiceAction::from_name).collect())?,
        minutes: minutes.and_then(|m| u32::try_from(m).ok()),
        found: row.try_get("found")?,
        parts: row.try_get("parts")?,
        note: row.try_get("note")?,
        by_role: row.try_get("by_role")?,
        logged_at_ms: row.try_get("logged_at_ms")?,
        corrects: row.try_get("corrects")?,
        corrected_by: row.try_get("corrected_by")?,
        is_withdrawn: row.try_get("is_withdrawn")?,
        is_erased: row.try_get("is_erased")?,
    })
}

/// What a visit's entry claims.
pub(in crate::store::sql) fn visit_claim(row: &Row) -> Result<Vec<Claim>, StoreError> {
    let (found, note): (&str, &str) = (row.try_get("found")?, row.try_get("note")?);
    let parts = row.try_get("parts")?;
    let salt: Option<&[u8]> = row.try_get("salt")?;
    let actions: Vec<&str> = row.try_get::<&str>("actions")?.split(' ').collect();
    let visit_id: i64 = row.try_get("visit_id")?;
    let event = VisitEvent {
        visit_id,
        device_id: row.try_get("device_id")?,
        visited_on: row.try_get("visited_on")?,
        actions: &actions,
        minutes: row.try_get("minutes")?,
        by_role: row.try_get("by_role")?,
        corrects: row.try_get("corrects")?,
        is_withdrawn: row.try_get("is_withdrawn")?,
        text_commitment: committed(salt, &Texts { found, note, parts })?,
    };
    Ok(vec![Claim {
        row: visit_id.to_string(),
        kind: LeafKind::Visit,
        at: ClaimedTime::At(row.try_get("logged_at_ms")?),
        said: Said::Body {
            body: body_of(&event)?,
            is_erased: is_erased(salt),
            has_text: ![found, note, parts].concat().is_empty(),
        },
        is_optional: false,
    }])
}
