//! Holds, snoozes, and checks that are asked for.

use serde::Serialize;

use super::{body_of, commit, committed, is_erased, laptops, parsed};
use crate::ledger::leaf::LeafKind;
use crate::store::check::{Claim, ClaimedTime, Said};
use crate::store::facts::{Actor, ERASED_REASON, Mark, MarkKind, Marked, NewMark};
use crate::store::sql::db::{Connection, Pool, Row, query};
use crate::store::sql::ledger::append_json_event;
use crate::store::{EpochMs, NewRecord, StoreError};

/// Free text of a mark.
#[derive(Serialize)]
struct Texts<'a> {
    why: &'a str,
}

/// The body of the event.
#[derive(Serialize)]
struct MarkEvent<'a> {
    device_id: &'a str,
    is_set: bool,
    until_ms: Option<EpochMs>,
    by_role: &'a str,
    /// Over the canonical form of [`Texts`]; absent where a mark ends.
    text_commitment: Option<String>,
}

const fn leaf_kind(kind: MarkKind) -> LeafKind {
    match kind {
        MarkKind::Hold => LeafKind::Hold,
        MarkKind::Snooze => LeafKind::Snooze,
        MarkKind::Check => LeafKind::CheckWanted,
    }
}

pub(super) async fn set_in_tx(c: &mut Connection, mark: &NewMark) -> Result<Marked, StoreError> {
    if !laptops::is_known(&mut *c, &mark.device_id).await? {
        return Ok(Marked::NoSuchLaptop);
    }
    if mark.kind == MarkKind::Check && !set_check_wanted(c, &mark.device_id, mark.until_ms).await? {
        return Ok(Marked::CannotBeAsked);
    }
    end_row(c, &mark.device_id, mark.kind, mark.now_ms).await?;
    let commitment = commit(&Texts { why: &mark.why })?;
    query(
        "INSERT INTO mark (device_id, kind, why, until_ms, began_at_ms, by_role, grant_id, salt) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(&mark.device_id)
    .bind(mark.kind.name())
    .bind(&mark.why)
    .bind(mark.until_ms)
    .bind(mark.now_ms)
    .bind(mark.actor.role.name())
    .bind(mark.actor.grant_id)
    .bind(&commitment.salt[..])
    .execute(&mut *c)
    .await?;
    let event = MarkEvent {
        device_id: &mark.device_id,
        is_set: true,
        until_ms: mark.until_ms,
        by_role: mark.actor.role.name(),
        text_commitment: Some(commitment.digest.to_hex()),
    };
    append_json_event(c, leaf_kind(mark.kind), &event, mark.now_ms).await?;
    Ok(Marked::Set)
}

pub(super) async fn end_in_tx(
    c: &mut Connection,
    device_id: &str,
    kind: MarkKind,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<bool, StoreError> {
    if !end_row(c, device_id, kind, now_ms).await? {
        return Ok(false);
    }
    if kind == MarkKind::Check {
        set_check_wanted(c, device_id, None).await?;
    }
    let event = MarkEvent {
        device_id,
        is_set: false,
        until_ms: None,
        by_role: actor.role.name(),
        text_commitment: None,
    };
    append_json_event(c, leaf_kind(kind), &event, now_ms).await?;
    Ok(true)
}

/// A record came: a check that was asked for before it was made is there. Its own leaf tells that.
pub(in crate::store::sql) async fn check_came_in_tx(
    c: &mut Connection,
    record: &NewRecord,
) -> Result<(), StoreError> {
    let facts = &record.facts;
    if facts.outcome == "not_started" {
        return Ok(());
    }
    let ended = query(
        "UPDATE mark SET ended_at_ms = $1 WHERE device_id = $2 AND kind = 'check' AND ended_at_ms IS NULL \
         AND began_at_ms <= $3",
    )
    .bind(facts.received_at_ms)
    .bind(&facts.device_id)
    .bind(facts.tested_at_ms)
    .execute(&mut *c)
    .await?;
    if ended > 0 {
        set_check_wanted(c, &facts.device_id, None).await?;
    }
    Ok(())
}

async fn end_row(
    c: &mut Connection,
    device_id: &str,
    kind: MarkKind,
    now_ms: EpochMs,
) -> Result<bool, StoreError> {
    let ended =
        query("UPDATE mark SET ended_at_ms = $1 WHERE device_id = $2 AND kind = $3 AND ended_at_ms IS NULL")
            .bind(now_ms)
            .bind(device_id)
            .bind(kind.name())
            .execute(c)
            .await?;
    Ok(ended > 0)
}

/// What the laptop is told with its next acknowledgement. `false`: it has not joined, or is revoked.
async fn set_check_wanted(
    c: &mut Connection,
    device_id: &str,
    by_ms: Option<EpochMs>,
) -> Result<bool, StoreError> {
    let done = query(
        "UPDATE device SET check_wanted_by_ms = $1 WHERE device_id = $2 AND ($1 IS NULL OR revoked_at_ms IS NULL)",
    )
    .bind(by_ms)
    .bind(device_id)
    .execute(c)
    .await?;
    Ok(done > 0)
}

pub(super) async fn list(
    pool: &Pool,
    device_id: Option<&str>,
    now_ms: EpochMs,
) -> Result<Vec<Mark>, StoreError> {
    // A check that is wanted stays wanted when its time has passed; a hold or a snooze with an end ends.
    let rows = query(
        "SELECT device_id, kind, why, length(salt) = 0 AS is_erased, until_ms, began_at_ms, by_role FROM mark \
         WHERE ended_at_ms IS NULL AND (kind = 'check' OR until_ms IS NULL OR until_ms > $1) \
           AND ($2 IS NULL OR device_id = $2) ORDER BY device_id, kind",
    )
    .bind(now_ms)
    .bind(device_id)
    .fetch_all(pool)
    .await?;
    rows.iter().map(mark_of).collect()
}

fn mark_of(row: &Row) -> Result<Mark, StoreError> {
    Ok(Mark {
        device_id: row.try_get("device_id")?,
        kind: parsed(row, "kind", MarkKind::from_name)?,
        why: if row.try_get("is_erased")? { ERASED_REASON.to_owned() } else { row.try_get("why")? },
        until_ms: row.try_get("until_ms")?,
        began_at_ms: row.try_get("began_at_ms")?,
        by_role: row.try_get("by_role")?,
    })
}

/// What a mark claims: that it was set, and, where it has ended, that somebody ended it, unless something else did.
pub(in crate::store::sql) fn mark_claims(row: &Row) -> Result<Vec<Claim>, StoreError> {
    let kind = leaf_kind(parsed(row, "kind", MarkKind::from_name)?);
    let (mark_id, why): (i64, &str) = (row.try_get("mark_id")?, row.try_get("why")?);
    let salt: Option<&[u8]> = row.try_get("salt")?;
    let device_id: &str = row.try_get("device_id")?;
    let event = MarkEvent {
        device_id,
        is_set: true,
        until_ms: row.try_get("until_ms")?,
        by_role: row.try_get("by_role")?,
        text_commitment: Some(committed(salt, &Texts { why })?),
    };
    let set = Claim {
        row: mark_id.to_string(),
        kind,
        at: ClaimedTime::At(row.try_get("began_at_ms")?),
        said: Said::Body { body: body_of(&event)?, is_erased: is_erased(salt), has_text: !why.is_empty() },
        is_optional: false,
    };
    let Some(ended_at_ms) = row.try_get("ended_at_ms")? else { return Ok(vec![set]) };
    let ended = Claim {
        at: ClaimedTime::At(ended_at_ms),
        said: Said::Ended { device_id: device_id.to_owned() },
        is_optional: row.try_get("ended_otherwise")?,
        ..set.clone()
    };
    Ok(vec![set, ended])
}
