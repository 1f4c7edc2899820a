//! Free text that goes for good: the text and its commitment's salt, not the commitment, which the ledger keeps.

use serde::Serialize;
use sqlx::AssertSqlSafe;
use windrow_model::record::Digest;

use super::{body_of, committed, mark_claims, scope_claim, visit_claim};
use crate::ledger::leaf::LeafKind;
use crate::store::check::{Claim, Said};
use crate::store::facts::{Actor, Erased, Erasing};
use crate::store::sql::access::grant_claims;
use crate::store::sql::db::{Connection, Row, query, query_scalar};
use crate::store::sql::dialect;
use crate::store::sql::ledger::append_json_event;
use crate::store::sql::ledger_events::{EnrolmentEvent, Placing, PlacingEvent};
use crate::store::sql::notices::{self, OfChanges};
use crate::store::sql::read::key_of;
use crate::store::{EpochMs, StoreError};

/// What stands in a column that must hold a salt once the salt is gone.
const NO_SALT: &[u8] = &[];

/// The body of the event that texts are gone.
#[derive(Serialize)]
struct ErasureEvent<'a> {
    erased: &'static str,
    /// The events whose texts they were.
    leaves: Vec<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    visit_id: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    device_id: Option<&'a str>,
    by_role: &'static str,
}

pub(super) async fn erase_in_tx(
    c: &mut Connection,
    what: &Erasing,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<Erased, StoreError> {
    dialect::before_erasing(c).await?;
    match what {
        Erasing::Visit(visit_id) => return visit(c, *visit_id, actor, now_ms).await,
        Erasing::Site(name) if is_bound(c, name, now_ms).await? => return Ok(Erased::SiteIsBound),
        _ => {}
    }
    let gone = match what {
        Erasing::Visit(_) => Gone::default(),
        Erasing::Reasons(device_id) => reasons(c, device_id).await?,
        Erasing::Tag(name) => tag(c, name).await?,
        Erasing::Places(device_id) => places(c, device_id).await?,
        Erasing::Site(name) => site(c, name).await?,
        Erasing::Grant(grant_id) => grant(c, *grant_id, now_ms).await?,
    };
    if gone.n_rows > 0 {
        let device_id = match what {
            Erasing::Reasons(device_id) | Erasing::Places(device_id) => Some(device_id.as_str()),
            _ => None,
        };
        let event = ErasureEvent {
            erased: what.name(),
            leaves: gone.leaves,
            visit_id: None,
            device_id,
            by_role: actor.role.name(),
        };
        append_json_event(c, LeafKind::Erasure, &event, now_ms).await?;
    }
    Ok(Erased::Done { n_entries: gone.n_rows })
}

/// What went.
#[derive(Default)]
struct Gone {
    leaves: Vec<u64>,
    n_rows: usize,
}

impl Gone {
    async fn add(&mut self, c: &mut Connection, kind: LeafKind, body: &[u8]) -> Result<(), StoreError> {
        self.leaves.extend(leaf_of(c, kind, body).await?);
        self.n_rows += 1;
        Ok(())
    }

    /// Rows of a query, by the events that they claim.
    async fn claimed(
        &mut self,
        c: &mut Connection,
        rows: &[Row],
        claims: fn(&Row) -> Result<Vec<Claim>, StoreError>,
    ) -> Result<(), StoreError> {
        for row in rows {
            if let Some(Claim { kind, said: Said::Body { body, .. }, .. }) = claims(row)?.first() {
                self.add(c, *kind, body).await?;
            }
        }
        Ok(())
    }
}

/// The leaf of an event with this body.
async fn leaf_of(c: &mut Connection, kind: LeafKind, body: &[u8]) -> Result<Option<u64>, StoreError> {
    let leaf_idx: Option<i64> = query_scalar(
        "SELECT leaf_idx FROM ledger_leaf WHERE digest = $1 AND kind = $2 AND kind NOT IN ('record', 'imported_run') \
         ORDER BY leaf_idx LIMIT 1",
    )
    .bind(Digest::of(body).0.to_vec())
    .bind(kind.name())
    .fetch_optional(c)
    .await?;
    Ok(leaf_idx.map(i64::unsigned_abs))
}

/// A visit's entry and what it corrects too, and what that corrects: the text that is to go may stand in the older ones.
async fn visit(
    c: &mut Connection,
    visit_id: i64,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<Erased, StoreError> {
    let rows = query(
        "WITH RECURSIVE line (visit_id, corrects) AS (SELECT visit_id, corrects FROM visit WHERE visit_id = $1 \
           UNION SELECT v.visit_id, v.corrects FROM line JOIN visit v ON v.visit_id = line.corrects) \
         SELECT * FROM visit WHERE visit_id IN (SELECT visit_id FROM line) ORDER BY visit_id",
    )
    .bind(visit_id)
    .fetch_all(&mut *c)
    .await?;
    for row in &rows {
        let visit_id: i64 = row.try_get("visit_id")?;
        let mut gone = Gone::default();
        gone.claimed(c, std::slice::from_ref(row), visit_claim).await?;
        query("UPDATE visit SET found = '', parts = '', note = '', salt = NULL WHERE visit_id = $1")
            .bind(visit_id)
            .execute(&mut *c)
            .await?;
        let event = ErasureEvent {
            erased: "visit",
            leaves: gone.leaves,
            visit_id: Some(visit_id),
            device_id: None,
            by_role: actor.role.name(),
        };
        append_json_event(c, LeafKind::Erasure, &event, now_ms).await?;
    }
    Ok(Erased::Done { n_entries: rows.len() })
}

async fn reasons(c: &mut Connection, device_id: &str) -> Result<Gone, StoreError> {
    let mut gone = Gone::default();
    let rows =
        query("SELECT *, FALSE AS ended_otherwise FROM mark WHERE device_id = $1 AND length(salt) > 0")
            .bind(device_id)
            .fetch_all(&mut *c)
            .await?;
    gone.claimed(c, &rows, mark_claims).await?;
    query("UPDATE mark SET why = '', salt = $2 WHERE device_id = $1")
        .bind(device_id)
        .bind(NO_SALT)
        .execute(c)
        .await?;
    Ok(gone)
}

/// A tag with all that was said under it: its entries of the list, and where the laptops stood that carried it.
async fn tag(c: &mut Connection, tag: &str) -> Result<Gone, StoreError> {
    let mut gone = Gone::default();
    if tag.is_empty() {
        return Ok(gone);
    }
    let rows = query("SELECT * FROM scope_entry WHERE tag = $1").bind(tag).fetch_all(&mut *c).await?;
    gone.claimed(c, &rows, scope_claim).await?;
    query(
        "UPDATE scope_entry SET tag = '', model = '', site = '', place = '', why = '', salt = $2 WHERE tag = $1",
    )
    .bind(tag)
    .bind(NO_SALT)
    .execute(&mut *c)
    .await?;
    placings(c, "p.asset_tag = $1", tag, "asset_tag = '', site = '', place = ''", &mut gone).await?;
    // An invite that nobody used yet must not bring it back.
    query("UPDATE invite SET asset_tag = '' WHERE asset_tag = $1").bind(tag).execute(&mut *c).await?;
    gone.n_rows += notices::erase_in_tx(c, OfChanges::Tagged(tag)).await?;
    Ok(gone)
}

/// Where a laptop stood before it stood where it stands.
async fn places(c: &mut Connection, device_id: &str) -> Result<Gone, StoreError> {
    let mut gone = Gone::default();
    let past = "p.device_id = $1 AND p.placing_id <> (SELECT q.placing_id FROM \"placing\" q \
         WHERE q.device_id = p.device_id ORDER BY q.from_ms DESC, q.placing_id DESC LIMIT 1)";
    placings(c, past, device_id, "asset_tag = '', site = '', place = ''", &mut gone).await?;
    // The site of an imported run is where it stood then, once it was placed elsewhere.
    let runs = query(
        "UPDATE run SET site = '' WHERE device_id = $1 AND site <> '' \
         AND EXISTS (SELECT 1 FROM \"placing\" WHERE device_id = $1)",
    )
    .bind(device_id)
    .execute(&mut *c)
    .await?;
    gone.n_rows += runs as usize;
    gone.n_rows += notices::erase_in_tx(c, OfChanges::Laptop(device_id)).await?;
    Ok(gone)
}

/// A site's name and the places in it, wherever they stand. Tags, models and reasons stay.
async fn site(c: &mut Connection, site: &str) -> Result<Gone, StoreError> {
    let mut gone = Gone::default();
    if site.is_empty() {
        return Ok(gone);
    }
    let rows = query("SELECT * FROM scope_entry WHERE site = $1").bind(site).fetch_all(&mut *c).await?;
    gone.claimed(c, &rows, scope_claim).await?;
    placings(c, "p.site = $1", site, "site = '', place = ''", &mut gone).await?;
    let rows = query("SELECT * FROM access_grant WHERE site = $1").bind(site).fetch_all(&mut *c).await?;
    gone.claimed(c, &rows, grant_claims).await?;
    let runs = query("UPDATE run SET site = '' WHERE site = $1").bind(site).execute(&mut *c).await?;
    gone.n_rows += runs as usize;
    query("UPDATE scope_entry SET site = '', place = '', salt = $2 WHERE site = $1")
        .bind(site)
        .bind(NO_SALT)
        .execute(&mut *c)
        .await?;
    for sql in [
        // Only of grants that are no longer good: a bound one that is keeps its bound.
        "UPDATE access_grant SET site = '', salt = NULL WHERE site = $1",
        "UPDATE invite SET site = '', place = '' WHERE site = $1",
        "DELETE FROM round_hours WHERE site = $1",
        "DELETE FROM round_event WHERE site = $1",
    ] {
        query(sql).bind(site).execute(&mut *c).await?;
    }
    // It names sites throughout, and the next one is planned without this.
    query("DELETE FROM round_plan WHERE replace(plan, $1, '') <> plan")
        .bind(notices::json(site)?)
        .execute(&mut *c)
        .await?;
    gone.n_rows += notices::erase_in_tx(c, OfChanges::Site(site)).await?;
    Ok(gone)
}

/// Whether a grant that is good is bound to the site: without the name it would be bound to nothing.
async fn is_bound(c: &mut Connection, site: &str, now_ms: EpochMs) -> Result<bool, StoreError> {
    Ok(query_scalar(
        "SELECT EXISTS (SELECT 1 FROM access_grant WHERE site = $1 AND revoked_at_ms IS NULL \
         AND (expires_at_ms IS NULL OR expires_at_ms > $2))",
    )
    .bind(site)
    .bind(now_ms)
    .fetch_one(c)
    .await?)
}

/// A holder's name, and the site unless the grant is good and bound to it.
async fn grant(c: &mut Connection, grant_id: i64, now_ms: EpochMs) -> Result<Gone, StoreError> {
    let mut gone = Gone::default();
    let rows = query("SELECT * FROM access_grant WHERE grant_id = $1 AND label <> ''")
        .bind(grant_id)
        .fetch_all(&mut *c)
        .await?;
    gone.claimed(c, &rows, grant_claims).await?;
    query(
        "UPDATE access_grant SET label = '', salt = NULL, site = CASE WHEN revoked_at_ms IS NULL \
           AND (expires_at_ms IS NULL OR expires_at_ms > $2) THEN site WHEN site IS NOT NULL THEN '' END \
         WHERE grant_id = $1",
    )
    .bind(grant_id)
    .bind(now_ms)
    .execute(c)
    .await?;
    Ok(gone)
}

/// Wipes placings that a condition picks, and gathers their leaves: the first one of a laptop that joined stands in its
/// enrolment.
async fn placings(
    c: &mut Connection,
    condition: &'static str,
    bound: &str,
    wiped: &'static str,
    gone: &mut Gone,
) -> Result<(), StoreError> {
    let text = format!(
        "SELECT p.placing_id, p.device_id, p.asset_tag, p.site, p.place, p.salt, d.public_key FROM \"placing\" p \
         LEFT JOIN device d ON d.device_id = p.device_id WHERE {condition} \
         AND (p.asset_tag <> '' OR p.site <> '' OR p.place <> '')"
    );
    let rows = query(AssertSqlSafe(text)).bind(bound).fetch_all(&mut *c).await?;
    for row in &rows {
        gone.leaves.extend(placing_leaf(c, row).await?);
        gone.n_rows += 1;
        let wipe = format!("UPDATE \"placing\" SET {wiped}, salt = NULL WHERE placing_id = $1");
        let placing_id: i64 = row.try_get("placing_id")?;
        query(AssertSqlSafe(wipe)).bind(placing_id).execute(&mut *c).await?;
    }
    Ok(())
}

async fn placing_leaf(c: &mut Connection, row: &Row) -> Result<Option<u64>, StoreError> {
    let device_id: &str = row.try_get("device_id")?;
    let texts = Placing {
        asset_tag: row.try_get("asset_tag")?,
        place: row.try_get("place")?,
        site: row.try_get("site")?,
    };
    let placing_commitment = committed(row.try_get("salt")?, &texts)?;
    let moved = PlacingEvent { device_id, placing_commitment: placing_commitment.clone() };
    if let Some(leaf_idx) = leaf_of(c, LeafKind::Placing, &body_of(&moved)?).await? {
        return Ok(Some(leaf_idx));
    }
    let Some(key) = row.try_get::<Option<&[u8]>>("public_key")? else { return Ok(None) };
    let joined = EnrolmentEvent { device_id, public_key: key_of(key)?.to_hex(), placing_commitment };
    leaf_of(c, LeafKind::Enrolment, &body_of(&joined)?).await
}
