//! Free text that goes for good: the text and its commitment's salt, not the commitment, which the ledger keeps.

use serde::Serialize;
use sqlx::sqlite::SqliteConnection;

use crate::ledger::leaf::LeafKind;
use crate::store::facts::{Actor, Erasing};
use crate::store::sqlite::ledger::append_json_event;
use crate::store::{EpochMs, StoreError};

/// The body of the event that texts are gone.
#[derive(Serialize)]
struct ErasureEvent<'a> {
    erased: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    visit_id: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    device_id: Option<&'a str>,
    by_role: &'static str,
}

pub(super) async fn erase_in_tx(
    c: &mut SqliteConnection,
    what: &Erasing,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<usize, StoreError> {
    // The freed bytes are overwritten, so that the text isn't left in the file (SQLite, "PRAGMA secure_delete").
    sqlx::query("PRAGMA secure_delete = ON").execute(&mut *c).await?;
    match what {
        Erasing::Visit(visit_id) => visit(c, *visit_id, actor, now_ms).await,
        Erasing::Reasons(device_id) => reasons(c, device_id, actor, now_ms).await,
    }
}

async fn visit(
    c: &mut SqliteConnection,
    visit_id: i64,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<usize, StoreError> {
    // What it corrects too, and what that corrects: the text that is to go may stand in the older ones.
    let erased: Vec<i64> = sqlx::query_scalar(
        "WITH RECURSIVE line (visit_id, corrects) AS (SELECT visit_id, corrects FROM visit WHERE visit_id = ? \
           UNION SELECT v.visit_id, v.corrects FROM line JOIN visit v ON v.visit_id = line.corrects) \
         UPDATE visit SET found = '', parts = '', note = '', salt = NULL \
         WHERE visit_id IN (SELECT visit_id FROM line) RETURNING visit_id",
    )
    .bind(visit_id)
    .fetch_all(&mut *c)
    .await?;
    for visit_id in &erased {
        let event = ErasureEvent {
            erased: "visit",
            visit_id: Some(*visit_id),
            device_id: None,
            by_role: actor.role.name(),
        };
        append_json_event(c, LeafKind::Erasure, &event, now_ms).await?;
    }
    Ok(erased.len())
}

async fn reasons(
    c: &mut SqliteConnection,
    device_id: &str,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<usize, StoreError> {
    let erased = sqlx::query(
        "UPDATE mark SET why = '', salt = x'' WHERE device_id = ? AND (why <> '' OR salt <> x'')",
    )
    .bind(device_id)
    .execute(&mut *c)
    .await?
    .rows_affected();
    if erased > 0 {
        let event = ErasureEvent {
            erased: "reasons",
            visit_id: None,
            device_id: Some(device_id),
            by_role: actor.role.name(),
        };
        append_json_event(c, LeafKind::Erasure, &event, now_ms).await?;
    }
    Ok(erased as usize)
}
