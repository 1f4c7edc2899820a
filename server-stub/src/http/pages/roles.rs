//! `GET /roles`: grants, and what the page's forms do. A new token is in the answer to its form and nowhere else.

use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::act::{Fields, conflict, refused};
use super::{respond, shown};
use crate::access::{Role, Secret, Viewer};
use crate::http::{Hub, Problem};
use crate::pages::layout::{Content, Room};
use crate::pages::roles::{self, Made};
use crate::store::Store;
use crate::store::access::{Granted, NewGrant};

/// Longest life that a form may give, days.
const MAX_DAYS: i64 = 3660;
/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;
/// Longest label, bytes.
const MAX_LABEL_BYTES: usize = 200;

pub(super) async fn page<S: Store>(State(hub): State<Hub<S>>, viewer: Viewer) -> Result<Response, Problem> {
    shown_with(&hub, &viewer, None).await
}

async fn shown_with<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    made: Option<&Made>,
) -> Result<Response, Problem> {
    let grants = hub.store.grant_list().await.map_err(|e| Problem::of_store(&e))?;
    // A hub that has just started has no fleet yet, and grants are needed all the same.
    let sites: Vec<String> = shown(hub).map_or_else(
        |_| Vec::new(),
        |s| s.places.sites.iter().map(|s| s.name.clone()).filter(|n| !n.is_empty()).collect(),
    );
    let view = roles::View {
        grants: &grants,
        own_grant_id: viewer.grant_id,
        sites: &sites,
        made,
        now_ms: hub.clock.now_ms(),
    };
    let body = roles::body(&view, &super::reader(viewer));
    Ok(respond(&Content { title: "Roles", room: Room::Roles, class: "", notice: None, body }, viewer))
}

pub(super) async fn make<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Response, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let role = Role::from_name(fields.one("role")).ok_or_else(|| refused("choose a role"))?;
    let label = fields.text("name")?;
    if label.is_empty() || label.len() > MAX_LABEL_BYTES {
        return Err(refused(format!(
            "a grant needs a word for its holder, of at most {MAX_LABEL_BYTES} bytes"
        )));
    }
    let site = Some(fields.text("site")?).filter(|s| !s.is_empty());
    if role == Role::Admin && site.is_some() {
        return Err(refused("an administrator's grant cannot be for one site: some changes concern all"));
    }
    let now_ms = hub.clock.now_ms();
    let token = Secret::new_token().map_err(|e| {
        tracing::error!(error = %e, "the system gives no random bytes");
        Problem::internal()
    })?;
    let grant = NewGrant {
        token_hash: token.hash(),
        role,
        label: label.clone(),
        site,
        created_at_ms: now_ms,
        expires_at_ms: days(&fields)?.map(|days| now_ms + days * DAY_MS),
        only_as_first_admin: false,
    };
    match hub.store.grant_create(grant).await.map_err(|e| Problem::of_store(&e))? {
        Granted::Made { grant_id } => {
            tracing::info!(grant_id, role = role.name(), by = viewer.grant_id, "a grant was made");
            let made = Made { grant_id, label, role, token };
            let page = shown_with(&hub, &viewer, Some(&made)).await?;
            Ok((StatusCode::CREATED, page).into_response())
        }
        Granted::AdminExists | Granted::TooMany => {
            Err(conflict("there are as many good grants as there may be; revoke what is no longer used"))
        }
    }
}

fn days(fields: &Fields) -> Result<Option<i64>, Problem> {
    match fields.one("days") {
        "" => Ok(None),
        given => match given.parse() {
            Ok(days) if (1..=MAX_DAYS).contains(&days) => Ok(Some(days)),
            _ => Err(refused(format!("`{given}` days: give a whole number up to {MAX_DAYS}"))),
        },
    }
}

pub(super) async fn revoke<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let grant_id: i64 = fields.one("grant").parse().map_err(|_| refused("choose a grant"))?;
    if grant_id == viewer.grant_id {
        return Err(conflict(
            "this is the grant by which you are signed in; revoke it with another, or on the hub's machine with `windrow-hub grant --revoke`",
        ));
    }
    let revoked = hub.store.grant_revoke(grant_id, hub.clock.now_ms()).await;
    revoked.map_err(|e| Problem::of_store(&e))?.ok_or_else(|| super::no_such("grant"))?;
    tracing::info!(grant_id, by = viewer.grant_id, "a grant was revoked");
    Ok(Redirect::to("/roles"))
}
