//! What the check of a whole store reads, from the database.

use super::SqlStore;
use super::access::grant_claims;
use super::db::{Row, query};
use super::dialect;
use super::facts::{body_of, committed, is_erased, mark_claims, scope_claim, succession_claim, visit_claim};
use super::ledger::{STORED_LEVEL, stored_head};
use super::ledger_events::{DeviceEvent, EnrolmentEvent, Placing, PlacingEvent, ServiceEvent};
use super::read::{digest_of, key_of};
use crate::ledger::leaf::LeafKind;
use crate::ledger::tree::Subtree;
use crate::store::check::{CheckStore, Claim, ClaimedTime, Row as Found, Said, StoredRun, Told};
use crate::store::{EpochMs, RunFacts, StoreError, StoredHead};

impl CheckStore for SqlStore {
    async fn check_file(&self) -> Result<Vec<String>, StoreError> {
        Ok(dialect::complaints(&self.readers).await?)
    }

    async fn check_events(&self, from_idx: u64, limit: u32) -> Result<Vec<(u64, Vec<u8>)>, StoreError> {
        let rows =
            query("SELECT leaf_idx, body FROM ledger_event WHERE leaf_idx >= $1 ORDER BY leaf_idx LIMIT $2")
                .bind(i64::try_from(from_idx).unwrap_or(i64::MAX))
                .bind(limit)
                .fetch_all(&self.readers)
                .await?;
        let event = |row: &Row| Ok((row.try_get::<i64>("leaf_idx")?.unsigned_abs(), row.try_get("body")?));
        rows.iter().map(event).collect()
    }

    async fn check_heads(&self) -> Result<Vec<Found<StoredHead>>, StoreError> {
        let rows = query(
            "SELECT tree_size, root_hash, at_ms, public_key, signature FROM ledger_head ORDER BY tree_size",
        )
        .fetch_all(&self.readers)
        .await?;
        rows.iter().map(|row| Ok((name(row, "tree_size")?, told(stored_head(row))))).collect()
    }

    async fn check_subtrees(&self) -> Result<Vec<(Subtree, Vec<u8>)>, StoreError> {
        let rows = query("SELECT level, idx, hash FROM ledger_subtree ORDER BY level, idx")
            .fetch_all(&self.readers)
            .await?;
        let kept = |row: &Row| {
            let idx = row.try_get::<i64>("idx")?.cast_unsigned();
            let level = u32::try_from(row.try_get::<i64>("level")?).unwrap_or(u32::MAX);
            Ok((Subtree { level, idx }, row.try_get("hash")?))
        };
        rows.iter().map(kept).collect()
    }

    fn kept_level(&self) -> u32 {
        STORED_LEVEL
    }

    async fn check_runs(
        &self,
        after_run_id: i64,
        limit: u32,
    ) -> Result<(Vec<Found<StoredRun>>, i64), StoreError> {
        let rows = query("SELECT * FROM run WHERE run_id > $1 ORDER BY run_id LIMIT $2")
            .bind(after_run_id)
            .bind(limit)
            .fetch_all(&self.readers)
            .await?;
        let last = rows.last().map(|row| row.try_get("run_id")).transpose()?.unwrap_or(after_run_id);
        let runs = rows.iter().map(|row| Ok((name(row, "run_id")?, told(stored_run(row)))));
        Ok((runs.collect::<Result<_, StoreError>>()?, last))
    }

    async fn check_claims(
        &self,
        of: Told,
        from: u32,
        limit: u32,
    ) -> Result<Option<Vec<Found<Claim>>>, StoreError> {
        let (text, key, claims) = claims_of(of);
        let rows = query(text).bind(limit).bind(from).fetch_all(&self.readers).await?;
        if rows.is_empty() {
            return Ok(None);
        }
        let mut all = Vec::with_capacity(rows.len());
        for row in &rows {
            let name = name(row, key)?;
            match claims(row) {
                Ok(claims) => all.extend(claims.into_iter().map(|claim| (name.clone(), Ok(claim)))),
                Err(e) => all.push((name, Err(e.to_string()))),
            }
        }
        Ok(Some(all))
    }
}

/// What names a row, whatever type its key has.
fn name(row: &Row, key: &str) -> Result<String, StoreError> {
    match row.try_get::<i64>(key) {
        Ok(number) => Ok(number.to_string()),
        Err(_) => Ok(String::from_utf8_lossy(row.bytes_unchecked(key)?).into_owned()),
    }
}

fn told<T>(read: Result<T, StoreError>) -> Result<T, String> {
    read.map_err(|e| e.to_string())
}

type ClaimsOf = fn(&Row) -> Result<Vec<Claim>, StoreError>;

/// Query, key and reading of a table. Each query takes how many rows and from which.
fn claims_of(of: Told) -> (&'static str, &'static str, ClaimsOf) {
    match of {
        Told::Devices => (
            "SELECT d.device_id, d.public_key, d.enrolled_at_ms, d.revoked_at_ms, p.asset_tag, p.place, p.site, p.salt, \
               p.placing_id IS NOT NULL AS is_placed \
             FROM device d LEFT JOIN \"placing\" p ON p.placing_id = (SELECT MIN(q.placing_id) FROM \"placing\" q \
               WHERE q.device_id = d.device_id AND q.from_ms = d.enrolled_at_ms) \
             ORDER BY d.device_id LIMIT $1 OFFSET $2",
            "device_id",
            device_claims,
        ),
        Told::Placings => (
            "SELECT p.placing_id, p.device_id, p.from_ms, p.asset_tag, p.place, p.site, p.salt, \
               (SELECT MAX(q.from_ms) FROM \"placing\" q WHERE q.device_id = p.device_id AND q.placing_id < p.placing_id) \
                 AS least_ms, \
               p.placing_id = (SELECT MIN(q.placing_id) FROM \"placing\" q JOIN device d ON d.device_id = q.device_id \
                 AND d.enrolled_at_ms = q.from_ms WHERE q.device_id = p.device_id) AS is_enrolment \
             FROM \"placing\" p ORDER BY p.placing_id LIMIT $1 OFFSET $2",
            "placing_id",
            placing_claim,
        ),
        Told::Scope => {
            ("SELECT * FROM scope_entry ORDER BY scope_id LIMIT $1 OFFSET $2", "scope_id", scope_claim)
        }
        Told::Successions => (
            "SELECT * FROM succession ORDER BY new_device_id LIMIT $1 OFFSET $2",
            "new_device_id",
            succession_claim,
        ),
        Told::Visits => ("SELECT * FROM visit ORDER BY visit_id LIMIT $1 OFFSET $2", "visit_id", visit_claim),
        Told::Marks => (
            "SELECT m.*, EXISTS (SELECT 1 FROM mark n WHERE n.device_id = m.device_id AND n.kind = m.kind \
               AND n.mark_id > m.mark_id AND n.began_at_ms = m.ended_at_ms) OR (m.kind = 'check' AND EXISTS \
               (SELECT 1 FROM run r WHERE r.device_id = m.device_id AND r.received_at_ms = m.ended_at_ms)) \
               AS ended_otherwise \
             FROM mark m ORDER BY m.mark_id LIMIT $1 OFFSET $2",
            "mark_id",
            mark_claims,
        ),
        Told::Services => (
            "SELECT device_id, serviced_on, action FROM service ORDER BY device_id, serviced_on, action LIMIT $1 OFFSET $2",
            "device_id",
            service_claim,
        ),
        Told::Grants => {
            ("SELECT * FROM access_grant ORDER BY grant_id LIMIT $1 OFFSET $2", "grant_id", grant_claims)
        }
    }
}

/// The texts of a placing and their commitment.
fn placing_commitment(row: &Row) -> Result<(String, Said), StoreError> {
    let texts = Placing {
        asset_tag: row.try_get("asset_tag")?,
        place: row.try_get("place")?,
        site: row.try_get("site")?,
    };
    let salt: Option<&[u8]> = row.try_get("salt")?;
    let has_text = ![texts.asset_tag.as_str(), &texts.place, &texts.site].concat().is_empty();
    let said = Said::Body { body: Vec::new(), is_erased: is_erased(salt), has_text };
    Ok((committed(salt, &texts)?, said))
}

fn with_body(said: Said, body: Vec<u8>) -> Said {
    match said {
        Said::Body { is_erased, has_text, .. } => Said::Body { body, is_erased, has_text },
        Said::Ended { .. } => said,
    }
}

fn device_claims(row: &Row) -> Result<Vec<Claim>, StoreError> {
    let device_id: &str = row.try_get("device_id")?;
    let (commitment, said) = if row.try_get("is_placed")? {
        placing_commitment(row)?
    } else {
        (String::new(), Said::whole(Vec::new()))
    };
    let event = EnrolmentEvent {
        device_id,
        public_key: key_of(row.try_get("public_key")?)?.to_hex(),
        placing_commitment: commitment,
    };
    let enrolled = Claim {
        row: device_id.to_owned(),
        kind: LeafKind::Enrolment,
        at: ClaimedTime::At(row.try_get("enrolled_at_ms")?),
        said: with_body(said, body_of(&event)?),
        is_optional: false,
    };
    let Some(revoked_at_ms) = row.try_get::<Option<EpochMs>>("revoked_at_ms")? else {
        return Ok(vec![enrolled]);
    };
    let revoked = Claim {
        kind: LeafKind::Revocation,
        at: ClaimedTime::At(revoked_at_ms),
        said: Said::whole(body_of(&DeviceEvent { device_id })?),
        ..enrolled.clone()
    };
    Ok(vec![enrolled, revoked])
}

/// The first placing of a laptop that joined is in its enrolment's event.
fn placing_claim(row: &Row) -> Result<Vec<Claim>, StoreError> {
    if row.try_get::<Option<bool>>("is_enrolment")?.unwrap_or(false) {
        return Ok(Vec::new());
    }
    let (placing_commitment, said) = placing_commitment(row)?;
    let event = PlacingEvent { device_id: row.try_get("device_id")?, placing_commitment };
    let (row_ms, least_ms): (EpochMs, Option<EpochMs>) = (row.try_get("from_ms")?, row.try_get("least_ms")?);
    Ok(vec![Claim {
        row: row.try_get::<i64>("placing_id")?.to_string(),
        kind: LeafKind::Placing,
        at: ClaimedTime::AtOrAfter { row_ms, least_ms: least_ms.unwrap_or(EpochMs::MIN) },
        said: with_body(said, body_of(&event)?),
        is_optional: false,
    }])
}

fn service_claim(row: &Row) -> Result<Vec<Claim>, StoreError> {
    let device_id: &str = row.try_get("device_id")?;
    let (serviced_on, action): (String, &str) = (row.try_get("serviced_on")?, row.try_get("action")?);
    let name = format!("{device_id} {serviced_on} {action}");
    let event = ServiceEvent { device_id, serviced_on, action };
    Ok(vec![Claim {
        row: name,
        kind: LeafKind::Service,
        at: ClaimedTime::Untold,
        said: Said::whole(body_of(&event)?),
        is_optional: false,
    }])
}

fn stored_run(row: &Row) -> Result<StoredRun, StoreError> {
    let provenance: &str = row.try_get("provenance")?;
    let provenance = ["measured", "emulated", "imported"].into_iter().find(|known| *known == provenance);
    Ok(StoredRun {
        facts: RunFacts {
            device_id: row.try_get("device_id")?,
            digest: digest_of(row.try_get("digest")?, "run.digest")?,
            provenance: provenance.ok_or(StoreError::Corrupt {
                column: "run.provenance",
                why: "it is of no kind".to_owned(),
            })?,
            model_key: row.try_get("model_key")?,
            model_name: row.try_get("model_name")?,
            firmware: row.try_get("firmware")?,
            site: row.try_get("site")?,
            load_mix: row.try_get("load_mix")?,
            protocol: row.try_get("protocol")?,
            outcome: row.try_get("outcome")?,
            channels: row.try_get("channels")?,
            ambient_c: row.try_get("ambient_c")?,
            ambient_sd_k: row.try_get("ambient_sd_k")?,
            on_ac: row.try_get("on_ac")?,
            tested_at_ms: row.try_get("tested_at_ms")?,
            received_at_ms: row.try_get("received_at_ms")?,
            trace_zstd: row.try_get("trace")?,
        },
        header_json: row.try_get("header")?,
        sequence: row.try_get("sequence")?,
        previous: row.try_get("previous_digest")?,
    })
}
