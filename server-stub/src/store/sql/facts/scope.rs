//! The scope list, and where laptops stand.

use chrono::NaiveDate;
use serde::Serialize;

use super::{body_of, commit, committed, is_erased, laptops, parsed, parsed_optional};
use crate::ledger::leaf::LeafKind;
use crate::store::check::{Claim, ClaimedTime, Said};
use crate::store::facts::{Actor, ScopeChange, ScopeCount, ScopeDeed, ScopeDone, ScopeEntry, ScopeVersion};
use crate::store::sql::db::{Connection, Pool, Row, query, query_scalar};
use crate::store::sql::ledger::append_json_event;
use crate::store::sql::ledger_events::{Placing, PlacingEvent};
use crate::store::{EpochMs, StoreError};

/// Free text of an entry.
#[derive(Serialize)]
struct Texts<'a> {
    model: &'a str,
    place: &'a str,
    site: &'a str,
    tag: &'a str,
    why: &'a str,
}

/// The body of the event.
#[derive(Serialize)]
struct ScopeEvent<'a> {
    change: &'a str,
    from_on: Option<String>,
    until_on: Option<String>,
    is_excluded: bool,
    by_role: &'a str,
    /// Over the canonical form of [`Texts`].
    text_commitment: String,
}

/// Where a laptop stands and under which tag.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Stand {
    pub(super) asset_tag: String,
    pub(super) site: String,
    pub(super) place: String,
}

const COLUMNS: &str = "e.tag, e.model, e.site, e.place, e.from_on, e.until_on, e.is_excluded, e.why, e.change, \
    e.changed_at_ms, e.by_role";

pub(super) async fn import_in_tx(
    c: &mut Connection,
    entries: &[ScopeEntry],
    actor: Actor,
    now_ms: EpochMs,
) -> Result<ScopeCount, StoreError> {
    let mut count = ScopeCount::default();
    for entry in entries {
        let change = match current(c, &entry.tag).await? {
            None => ScopeChange::Listed,
            Some(known) if known == *entry => {
                count.n_same += 1;
                // A laptop that is known by its id may have come in before laptops were found by it.
                place_by_list_in_tx(c, &entry.tag, now_ms).await?;
                continue;
            }
            Some(_) => ScopeChange::Changed,
        };
        put(c, entry, change, actor, now_ms).await?;
        if change == ScopeChange::Listed {
            count.n_new += 1;
        } else {
            count.n_changed += 1;
        }
    }
    Ok(count)
}

pub(super) async fn change_in_tx(
    c: &mut Connection,
    tag: &str,
    deed: &ScopeDeed,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<ScopeDone, StoreError> {
    let Some(known) = current(c, tag).await? else { return Ok(ScopeDone::NoSuchTag) };
    let (entry, change) = match deed {
        ScopeDeed::Move { site, place } => {
            (ScopeEntry { site: site.clone(), place: place.clone(), ..known.clone() }, ScopeChange::Moved)
        }
        ScopeDeed::Retire { last_on, why } => {
            (ScopeEntry { until_on: Some(*last_on), why: why.clone(), ..known.clone() }, ScopeChange::Retired)
        }
        ScopeDeed::Assign { device_id } => return assign_in_tx(c, known, device_id, now_ms).await,
    };
    if entry == known {
        return Ok(ScopeDone::Same);
    }
    put(c, &entry, change, actor, now_ms).await?;
    Ok(ScopeDone::Done)
}

async fn assign_in_tx(
    c: &mut Connection,
    entry: ScopeEntry,
    device_id: &str,
    now_ms: EpochMs,
) -> Result<ScopeDone, StoreError> {
    if !laptops::is_known(&mut *c, device_id).await? {
        return Ok(ScopeDone::NoSuchLaptop);
    }
    // One tag is one laptop's: whoever carried it before stands there without it.
    if let Some(before) = device_of_tag(c, &entry.tag).await?.filter(|before| before != device_id)
        && let Some(place) = placing_in_tx(c, &before).await?
    {
        place_in_tx(c, &before, Stand { asset_tag: String::new(), ..place }, now_ms).await?;
    }
    let place = Stand { asset_tag: entry.tag, site: entry.site, place: entry.place };
    let is_moved = place_in_tx(c, device_id, place, now_ms).await?;
    Ok(if is_moved { ScopeDone::Done } else { ScopeDone::Same })
}

/// The row of a tag that counts.
async fn current(c: &mut Connection, tag: &str) -> Result<Option<ScopeEntry>, StoreError> {
    let text =
        format!("SELECT {COLUMNS} FROM scope_entry e WHERE e.tag = $1 ORDER BY e.scope_id DESC LIMIT 1");
    let row = query(sqlx::AssertSqlSafe(text)).bind(tag).fetch_optional(c).await?;
    row.as_ref().map(entry_of).transpose()
}

async fn put(
    c: &mut Connection,
    entry: &ScopeEntry,
    change: ScopeChange,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<(), StoreError> {
    let ScopeEntry { tag, model, site, place, why, .. } = entry;
    let commitment = commit(&Texts { model, place, site, tag, why })?;
    let (from_on, until_on) = (entry.from_on.map(|d| d.to_string()), entry.until_on.map(|d| d.to_string()));
    query(
        "INSERT INTO scope_entry (tag, model, site, place, from_on, until_on, is_excluded, why, change, \
           changed_at_ms, by_role, grant_id, salt) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
    )
    .bind(tag)
    .bind(model)
    .bind(site)
    .bind(place)
    .bind(&from_on)
    .bind(&until_on)
    .bind(entry.is_excluded)
    .bind(why)
    .bind(change.name())
    .bind(now_ms)
    .bind(actor.role.name())
    .bind(actor.grant_id)
    .bind(&commitment.salt[..])
    .execute(&mut *c)
    .await?;
    let event = ScopeEvent {
        change: change.name(),
        from_on,
        until_on,
        is_excluded: entry.is_excluded,
        by_role: actor.role.name(),
        text_commitment: commitment.digest.to_hex(),
    };
    append_json_event(c, LeafKind::Scope, &event, now_ms).await?;
    place_by_list_in_tx(c, tag, now_ms).await
}

/// What a row of the list claims.
pub(in crate::store::sql) fn scope_claim(row: &Row) -> Result<Vec<Claim>, StoreError> {
    let (tag, model): (&str, &str) = (row.try_get("tag")?, row.try_get("model")?);
    let (site, place): (&str, &str) = (row.try_get("site")?, row.try_get("place")?);
    let why = row.try_get("why")?;
    let salt: Option<&[u8]> = row.try_get("salt")?;
    let event = ScopeEvent {
        change: row.try_get("change")?,
        from_on: row.try_get("from_on")?,
        until_on: row.try_get("until_on")?,
        is_excluded: row.try_get("is_excluded")?,
        by_role: row.try_get("by_role")?,
        text_commitment: committed(salt, &Texts { model, place, site, tag, why })?,
    };
    Ok(vec![Claim {
        row: row.try_get::<i64>("scope_id")?.to_string(),
        kind: LeafKind::Scope,
        at: ClaimedTime::At(row.try_get("changed_at_ms")?),
        said: Said::Body {
            body: body_of(&event)?,
            is_erased: is_erased(salt),
            has_text: ![model, place, site, tag, why].concat().is_empty(),
        },
        is_optional: false,
    }])
}

/// Places the laptop that carries a tag where the list says, if the list knows the tag.
///
/// One that was imported has no invite that could tell its tag. Where no laptop carries the tag, the imported one of that
/// very id does from now on.
pub(in crate::store::sql) async fn place_by_list_in_tx(
    c: &mut Connection,
    tag: &str,
    now_ms: EpochMs,
) -> Result<(), StoreError> {
    let Some(entry) = current(c, tag).await? else { return Ok(()) };
    let device_id = match device_of_tag(c, tag).await? {
        Some(device_id) => device_id,
        None if imported_without_tag(c, tag).await? => tag.to_owned(),
        None => return Ok(()),
    };
    let place = Stand { asset_tag: entry.tag, site: entry.site, place: entry.place };
    place_in_tx(c, &device_id, place, now_ms).await?;
    Ok(())
}

/// The laptop that carries a tag now.
async fn device_of_tag(c: &mut Connection, tag: &str) -> Result<Option<String>, StoreError> {
    if tag.is_empty() {
        return Ok(None);
    }
    Ok(query_scalar(
        "SELECT p.device_id FROM \"placing\" p WHERE p.asset_tag = $1 \
           AND p.placing_id = (SELECT q.placing_id FROM \"placing\" q WHERE q.device_id = p.device_id \
             ORDER BY q.from_ms DESC, q.placing_id DESC LIMIT 1) \
           AND NOT EXISTS (SELECT 1 FROM succession s WHERE s.old_device_id = p.device_id) \
         ORDER BY p.placing_id DESC LIMIT 1",
    )
    .bind(tag)
    .fetch_optional(c)
    .await?)
}

/// Whether there is a laptop of that id that was imported, carries no tag and doesn't go on as another.
async fn imported_without_tag(c: &mut Connection, device_id: &str) -> Result<bool, StoreError> {
    Ok(query_scalar(
        "SELECT EXISTS (SELECT 1 FROM run WHERE device_id = $1) \
           AND NOT EXISTS (SELECT 1 FROM device WHERE device_id = $1) \
           AND NOT EXISTS (SELECT 1 FROM succession WHERE old_device_id = $1) \
           AND COALESCE((SELECT asset_tag FROM \"placing\" WHERE device_id = $1 \
             ORDER BY from_ms DESC, placing_id DESC LIMIT 1), '') = ''",
    )
    .bind(device_id)
    .fetch_one(c)
    .await?)
}

/// Where a laptop stands now.
pub(super) async fn placing_in_tx(c: &mut Connection, device_id: &str) -> Result<Option<Stand>, StoreError> {
    let row = query(
        "SELECT asset_tag, site, place FROM \"placing\" WHERE device_id = $1 ORDER BY from_ms DESC, placing_id DESC LIMIT 1",
    )
    .bind(device_id)
    .fetch_optional(c)
    .await?;
    row.map(|row| {
        Ok(Stand {
            asset_tag: row.try_get("asset_tag")?,
            site: row.try_get("site")?,
            place: row.try_get("place")?,
        })
    })
    .transpose()
}

/// Places a laptop; `false`: it stood there.
pub(super) async fn place_in_tx(
    c: &mut Connection,
    device_id: &str,
    place: Stand,
    now_ms: EpochMs,
) -> Result<bool, StoreError> {
    if placing_in_tx(c, device_id).await?.as_ref() == Some(&place) {
        return Ok(false);
    }
    let placing = Placing { asset_tag: place.asset_tag, place: place.place, site: place.site };
    let commitment = placing.commit()?;
    let event = PlacingEvent { device_id, placing_commitment: commitment.digest.to_hex() };
    append_json_event(c, LeafKind::Placing, &event, now_ms).await?;
    // A clock that was set back must not bury the new row under the old ones.
    query(
        "INSERT INTO \"placing\" (device_id, from_ms, asset_tag, site, place, salt) \
         SELECT $1, CASE WHEN MAX(from_ms) > $2 THEN MAX(from_ms) ELSE $2 END, $3, $4, $5, $6 FROM \"placing\" WHERE device_id = $1",
    )
    .bind(device_id)
    .bind(now_ms)
    .bind(placing.asset_tag)
    .bind(placing.site)
    .bind(placing.place)
    .bind(&commitment.salt[..])
    .execute(c)
    .await?;
    Ok(true)
}

pub(super) async fn list(pool: &Pool) -> Result<Vec<ScopeEntry>, StoreError> {
    let text = format!(
        "SELECT {COLUMNS} FROM scope_entry e \
         JOIN (SELECT MAX(scope_id) AS last_id FROM scope_entry WHERE tag <> '' GROUP BY tag) l ON l.last_id = e.scope_id ORDER BY e.tag"
    );
    query(sqlx::AssertSqlSafe(text)).fetch_each(pool, entry_of).await
}

pub(super) async fn history(pool: &Pool, tag: &str) -> Result<Vec<ScopeVersion>, StoreError> {
    let text = format!(
        "SELECT {COLUMNS}, length(e.salt) = 0 AS is_erased FROM scope_entry e WHERE e.tag = $1 AND e.tag <> '' ORDER BY e.scope_id"
    );
    let rows = query(sqlx::AssertSqlSafe(text)).bind(tag).fetch_all(pool).await?;
    rows.iter()
        .map(|row| {
            Ok(ScopeVersion {
                entry: entry_of(row)?,
                change: parsed(row, "change", ScopeChange::from_name)?,
                changed_at_ms: row.try_get("changed_at_ms")?,
                by_role: row.try_get("by_role")?,
                is_erased: row.try_get("is_erased")?,
            })
        })
        .collect()
}

fn entry_of(row: &Row) -> Result<ScopeEntry, StoreError> {
    let day = |text: &str| text.parse::<NaiveDate>().ok();
    Ok(ScopeEntry {
        tag: row.try_get("tag")?,
        model: row.try_get("model")?,
        site: row.try_get("site")?,
        place: row.try_get("place")?,
        from_on: parsed_optional(row, "from_on", day)?,
        until_on: parsed_optional(row, "until_on", day)?,
        is_excluded: row.try_get("is_excluded")?,
        why: row.try_get("why")?,
    })
}
