//! Grants and sessions in SQL.

use serde::Serialize;
use windrow_model::record::Digest;

use super::SqlStore;
use super::db::{Connection, Row, query, query_scalar};
use super::facts::{body_of, commit, committed, is_erased};
use super::ledger::append_json_event;
use super::write::{HeldAnswer, Reply, Write, hold, in_savepoint};
use crate::access::Role;
use crate::ledger::leaf::LeafKind;
use crate::store::access::{
    AccessStore, Grant, Granted, MAX_GRANTS, MAX_SESSIONS, NewGrant, NewSession, Session,
};
use crate::store::check::{Claim, ClaimedTime, Said};
use crate::store::{EpochMs, StoreError};

/// A unit of work on grants or sessions.
pub(super) enum AccessWrite {
    Grant(NewGrant, Reply<Granted>),
    Revoke { grant_id: i64, now_ms: EpochMs, reply: Reply<Option<Grant>> },
    Begin(NewSession, Reply<()>),
    Touch { secret_hash: Digest, now_ms: EpochMs, reply: Reply<()> },
    End { secret_hash: Digest, reply: Reply<()> },
}

impl AccessWrite {
    pub(super) fn refuse(self, why: StoreError) -> HeldAnswer {
        match self {
            Self::Grant(_, reply) => hold(reply, Err(why)),
            Self::Revoke { reply, .. } => hold(reply, Err(why)),
            Self::Begin(_, reply) | Self::Touch { reply, .. } | Self::End { reply, .. } => {
                hold(reply, Err(why))
            }
        }
    }

    pub(super) async fn run(self, c: &mut Connection) -> HeldAnswer {
        match self {
            Self::Grant(grant, reply) => hold(reply, in_savepoint!(c, grant_create_in_tx(c, &grant))),
            Self::Revoke { grant_id, now_ms, reply } => {
                hold(reply, in_savepoint!(c, grant_revoke_in_tx(c, grant_id, now_ms)))
            }
            Self::Begin(session, reply) => hold(reply, in_savepoint!(c, session_begin_in_tx(c, &session))),
            Self::Touch { secret_hash, now_ms, reply } => {
                hold(reply, in_savepoint!(c, session_touch_in_tx(c, secret_hash, now_ms)))
            }
            Self::End { secret_hash, reply } => {
                hold(reply, in_savepoint!(c, session_end_in_tx(c, secret_hash)))
            }
        }
    }
}

/// Free text of a grant.
#[derive(Serialize)]
struct Texts<'a> {
    label: &'a str,
    site: Option<&'a str>,
}

/// The body of the event. Its token's hash is no part of it: nobody could do anything with it.
#[derive(Serialize)]
struct GrantEvent<'a> {
    grant_id: i64,
    role: Option<&'a str>,
    is_given: bool,
    expires_at_ms: Option<EpochMs>,
    /// Over the canonical form of [`Texts`].
    text_commitment: Option<String>,
}

const GRANT_COLUMNS: &str =
    "g.grant_id, g.role, g.label, g.site, g.created_at_ms, g.expires_at_ms, g.revoked_at_ms";

impl AccessStore for SqlStore {
    async fn grant_create(&self, grant: NewGrant) -> Result<Granted, StoreError> {
        self.write(|reply| Write::Access(AccessWrite::Grant(grant, reply))).await
    }

    async fn grant_revoke(&self, grant_id: i64, now_ms: EpochMs) -> Result<Option<Grant>, StoreError> {
        self.write(|reply| Write::Access(AccessWrite::Revoke { grant_id, now_ms, reply })).await
    }

    async fn grant_list(&self) -> Result<Vec<Grant>, StoreError> {
        let text = format!("SELECT {GRANT_COLUMNS} FROM access_grant g ORDER BY g.grant_id");
        let rows = query(sqlx::AssertSqlSafe(text)).fetch_all(&self.readers).await?;
        rows.iter().map(grant_of).collect()
    }

    async fn grant_of_token(&self, token_hash: Digest) -> Result<Option<Grant>, StoreError> {
        let text = format!("SELECT {GRANT_COLUMNS} FROM access_grant g WHERE g.token_hash = $1");
        let row = query(sqlx::AssertSqlSafe(text))
            .bind(token_hash.0.to_vec())
            .fetch_optional(&self.readers)
            .await?;
        row.as_ref().map(grant_of).transpose()
    }

    async fn session_begin(&self, session: NewSession) -> Result<(), StoreError> {
        self.write(|reply| Write::Access(AccessWrite::Begin(session, reply))).await
    }

    async fn session_get(&self, secret_hash: Digest) -> Result<Option<Session>, StoreError> {
        let text = format!(
            "SELECT {GRANT_COLUMNS}, s.seen_at_ms, s.ends_at_ms FROM access_session s \
             JOIN access_grant g ON g.grant_id = s.grant_id WHERE s.secret_hash = $1"
        );
        let row = query(sqlx::AssertSqlSafe(text))
            .bind(secret_hash.0.to_vec())
            .fetch_optional(&self.readers)
            .await?;
        row.map(|row| {
            Ok(Session {
                grant: grant_of(&row)?,
                seen_at_ms: row.try_get("seen_at_ms")?,
                ends_at_ms: row.try_get("ends_at_ms")?,
            })
        })
        .transpose()
    }

    async fn session_touch(&self, secret_hash: Digest, now_ms: EpochMs) -> Result<(), StoreError> {
        self.write(|reply| Write::Access(AccessWrite::Touch { secret_hash, now_ms, reply })).await
    }

    async fn session_end(&self, secret_hash: Digest) -> Result<(), StoreError> {
        self.write(|reply| Write::Access(AccessWrite::End { secret_hash, reply })).await
    }
}

fn grant_of(row: &Row) -> Result<Grant, StoreError> {
    let role: String = row.try_get("role")?;
    Ok(Grant {
        grant_id: row.try_get("grant_id")?,
        role: Role::from_name(&role)
            .ok_or(StoreError::Corrupt { column: "access_grant.role", why: format!("`{role}`") })?,
        label: row.try_get("label")?,
        site: row.try_get("site")?,
        created_at_ms: row.try_get("created_at_ms")?,
        expires_at_ms: row.try_get("expires_at_ms")?,
        revoked_at_ms: row.try_get("revoked_at_ms")?,
    })
}

/// What a grant claims: that it was given, and, where it is no longer good, that it was taken back.
pub(super) fn grant_claims(row: &Row) -> Result<Vec<Claim>, StoreError> {
    let (grant_id, label): (i64, &str) = (row.try_get("grant_id")?, row.try_get("label")?);
    let salt: Option<&[u8]> = row.try_get("salt")?;
    let given = GrantEvent {
        grant_id,
        role: row.try_get("role")?,
        is_given: true,
        expires_at_ms: row.try_get("expires_at_ms")?,
        text_commitment: Some(committed(salt, &Texts { label, site: row.try_get("site")? })?),
    };
    let given = Claim {
        row: grant_id.to_string(),
        kind: LeafKind::Grant,
        at: ClaimedTime::At(row.try_get("created_at_ms")?),
        said: Said::Body { body: body_of(&given)?, is_erased: is_erased(salt), has_text: !label.is_empty() },
        is_optional: false,
    };
    let Some(revoked_at_ms) = row.try_get("revoked_at_ms")? else { return Ok(vec![given]) };
    let taken = taken_back(grant_id);
    let taken =
        Claim { at: ClaimedTime::At(revoked_at_ms), said: Said::whole(body_of(&taken)?), ..given.clone() };
    Ok(vec![given, taken])
}

const fn taken_back(grant_id: i64) -> GrantEvent<'static> {
    GrantEvent { grant_id, role: None, is_given: false, expires_at_ms: None, text_commitment: None }
}

async fn grant_create_in_tx(c: &mut Connection, grant: &NewGrant) -> Result<Granted, StoreError> {
    let good = query(
        "SELECT COUNT(*) AS n_good, COUNT(*) FILTER (WHERE role = 'admin') AS n_admins FROM access_grant \
         WHERE revoked_at_ms IS NULL AND (expires_at_ms IS NULL OR expires_at_ms > $1)",
    )
    .bind(grant.created_at_ms)
    .fetch_one(&mut *c)
    .await?;
    let (n_good, n_admins): (i64, i64) = (good.try_get("n_good")?, good.try_get("n_admins")?);
    if grant.only_as_first_admin && n_admins > 0 {
        return Ok(Granted::AdminExists);
    }
    if n_good >= i64::from(MAX_GRANTS) {
        return Ok(Granted::TooMany);
    }
    let commitment = commit(&Texts { label: &grant.label, site: grant.site.as_deref() })?;
    let grant_id = query_scalar(
        "INSERT INTO access_grant (token_hash, role, label, site, created_at_ms, expires_at_ms, salt) \
         VALUES ($1, $2, $3, $4, $5, $6, $7) RETURNING grant_id",
    )
    .bind(&grant.token_hash.0[..])
    .bind(grant.role.name())
    .bind(&grant.label)
    .bind(&grant.site)
    .bind(grant.created_at_ms)
    .bind(grant.expires_at_ms)
    .bind(&commitment.salt[..])
    .fetch_one(&mut *c)
    .await?;
    let event = GrantEvent {
        grant_id,
        role: Some(grant.role.name()),
        is_given: true,
        expires_at_ms: grant.expires_at_ms,
        text_commitment: Some(commitment.digest.to_hex()),
    };
    append_json_event(c, LeafKind::Grant, &event, grant.created_at_ms).await?;
    Ok(Granted::Made { grant_id })
}

async fn grant_revoke_in_tx(
    c: &mut Connection,
    grant_id: i64,
    now_ms: EpochMs,
) -> Result<Option<Grant>, StoreError> {
    let revoked =
        query("UPDATE access_grant SET revoked_at_ms = $1 WHERE grant_id = $2 AND revoked_at_ms IS NULL")
            .bind(now_ms)
            .bind(grant_id)
            .execute(&mut *c)
            .await?;
    if revoked > 0 {
        append_json_event(c, LeafKind::Grant, &taken_back(grant_id), now_ms).await?;
    }
    query("DELETE FROM access_session WHERE grant_id = $1").bind(grant_id).execute(&mut *c).await?;
    let text = format!("SELECT {GRANT_COLUMNS} FROM access_grant g WHERE g.grant_id = $1");
    let row = query(sqlx::AssertSqlSafe(text)).bind(grant_id).fetch_optional(c).await?;
    row.as_ref().map(grant_of).transpose()
}

async fn session_begin_in_tx(c: &mut Connection, session: &NewSession) -> Result<(), StoreError> {
    query("DELETE FROM access_session WHERE ends_at_ms <= $1 OR seen_at_ms <= $2")
        .bind(session.now_ms)
        .bind(session.idle_since_ms)
        .execute(&mut *c)
        .await?;
    // The oldest go, so that one more fits.
    query(
        "DELETE FROM access_session WHERE grant_id = $1 AND secret_hash NOT IN (SELECT secret_hash FROM access_session \
         WHERE grant_id = $1 ORDER BY began_at_ms DESC, secret_hash LIMIT $2)",
    )
    .bind(session.grant_id)
    .bind(MAX_SESSIONS - 1)
    .execute(&mut *c)
    .await?;
    query(
        "INSERT INTO access_session (secret_hash, grant_id, began_at_ms, seen_at_ms, ends_at_ms) \
         VALUES ($1, $2, $3, $4, $5)",
    )
    .bind(&session.secret_hash.0[..])
    .bind(session.grant_id)
    .bind(session.now_ms)
    .bind(session.now_ms)
    .bind(session.ends_at_ms)
    .execute(c)
    .await?;
    Ok(())
}

async fn session_touch_in_tx(
    c: &mut Connection,
    secret_hash: Digest,
    now_ms: EpochMs,
) -> Result<(), StoreError> {
    query("UPDATE access_session SET seen_at_ms = $1 WHERE secret_hash = $2 AND seen_at_ms < $1")
        .bind(now_ms)
        .bind(secret_hash.0.to_vec())
        .execute(c)
        .await?;
    Ok(())
}

async fn session_end_in_tx(c: &mut Connection, secret_hash: Digest) -> Result<(), StoreError> {
    query("DELETE FROM access_session WHERE secret_hash = $1")
        .bind(secret_hash.0.to_vec())
        .execute(c)
        .await?;
    Ok(())
}
