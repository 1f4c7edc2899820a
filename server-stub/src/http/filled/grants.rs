//! Grants: make one, revoke one. A new token is in the answer to whoever made it and nowhere else.

use super::denied::Denied;
use crate::access::{Role, Secret, Viewer};
use crate::http::{Hub, Problem};
use crate::pages::roles::Made;
use crate::sites;
use crate::store::Store;
use crate::store::access::{Grant, Granted, NewGrant};
use crate::visits;

/// Longest life that may be given, days.
pub(in crate::http) const MAX_DAYS: u32 = 3660;
/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;
/// Longest label and site, bytes.
const MAX_LABEL_BYTES: usize = 200;

pub(in crate::http) const TOO_MANY_GRANTS: &str = "too_many_grants";
pub(in crate::http) const OWN_GRANT: &str = "own_grant";
pub(in crate::http) const NO_SUCH_GRANT: &str = "no_such_grant";

/// A grant to be made.
#[derive(Debug, Clone, Copy)]
pub(in crate::http) struct GrantAsked<'a> {
    pub(in crate::http) role: Role,
    /// The administrator's word for its holder.
    pub(in crate::http) label: &'a str,
    /// The one site that it is for; blank: all.
    pub(in crate::http) site: &'a str,
    /// Days until it ends; `None`: until revoked.
    pub(in crate::http) days: Option<u32>,
}

/// Makes a grant.
///
/// # Errors
/// Why it cannot be made.
pub(in crate::http) async fn make<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    asked: GrantAsked<'_>,
) -> Result<Made, Denied> {
    let label = text("name", asked.label)?;
    if label.is_empty() {
        let what = format!("a grant needs a word for its holder, of at most {MAX_LABEL_BYTES} bytes");
        return Err(Denied::bad("name", what));
    }
    let site = Some(text("site", asked.site)?).filter(|site| !site.is_empty());
    if asked.role == Role::Admin && site.is_some() {
        let what = "an administrator's grant cannot be for one site: some changes concern all";
        return Err(Denied::bad("site", what));
    }
    if asked.days.is_some_and(|days| !(1..=MAX_DAYS).contains(&days)) {
        return Err(bad_days(&asked.days.unwrap_or_default().to_string()));
    }
    if let Some(what) = sites::unknown(&hub.store, site.as_deref().into_iter()).await? {
        return Err(Denied::bad("site", what));
    }
    let now_ms = hub.clock.now_ms();
    let token = Secret::new_token().map_err(|e| {
        tracing::error!(error = %e, "the system gives no random bytes");
        Problem::internal()
    })?;
    let expires_at_ms = asked.days.map(|days| now_ms + i64::from(days) * DAY_MS);
    let grant = NewGrant {
        token_hash: token.hash(),
        role: asked.role,
        label: label.clone(),
        site: site.clone(),
        created_at_ms: now_ms,
        expires_at_ms,
        only_as_first_admin: false,
    };
    match hub.store.grant_create(grant).await? {
        Granted::Made { grant_id } => {
            tracing::info!(grant_id, role = asked.role.name(), by = viewer.grant_id, "a grant was made");
            Ok(Made { grant_id, label, role: asked.role, site, expires_at_ms, token })
        }
        Granted::AdminExists | Granted::TooMany => {
            let what = "there are as many good grants as there may be; revoke what is no longer used";
            Err(Denied::not_now(TOO_MANY_GRANTS, what))
        }
    }
}

fn text(field: &'static str, given: &str) -> Result<String, Denied> {
    let text =
        visits::text(given).map_err(|why| Denied::bad(field, format!("the field `{field}`: {why}")))?;
    if text.len() > MAX_LABEL_BYTES {
        return Err(Denied::bad(field, format!("the field `{field}`: at most {MAX_LABEL_BYTES} bytes")));
    }
    Ok(text)
}

/// Days of a grant's life that cannot be.
pub(in crate::http) fn bad_days(given: &str) -> Denied {
    Denied::bad("days", format!("`{given}` days: give a whole number from 1 to {MAX_DAYS}"))
}

/// Revokes a grant and ends its sessions. Twice is harmless.
///
/// # Errors
/// If there is none, or it is the caller's own.
pub(in crate::http) async fn revoke<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    grant_id: i64,
) -> Result<Grant, Denied> {
    if grant_id == viewer.grant_id {
        let what = "this is the grant by which you are signed in; revoke it with another, or on the hub's machine with `windrow-hub grant --revoke`";
        return Err(Denied::not_now(OWN_GRANT, what));
    }
    let revoked = hub.store.grant_revoke(grant_id, hub.clock.now_ms()).await?;
    let grant = revoked.ok_or(Denied::NoSuch { code: NO_SUCH_GRANT, what: "grant" })?;
    tracing::info!(grant_id, by = viewer.grant_id, "a grant was revoked");
    Ok(grant)
}
