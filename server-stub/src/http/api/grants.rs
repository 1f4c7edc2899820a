//! `/v1/grants`: who has which grant; make one, revoke one.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{BAD_QUERY, input, limit, time};
use crate::access::{Role, Viewer};
use crate::http::asked::{Path, Query};
use crate::http::filled::Denied;
use crate::http::filled::grants::{self as filled, GrantAsked, NO_SUCH_GRANT, OWN_GRANT, TOO_MANY_GRANTS};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::store::access::Grant;
use crate::store::{EpochMs, Store};

/// Which grants.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Only those that are good, or expired, or revoked.
    state: Option<GrantState>,
    /// Begin after the grant of this number, as `next` has it.
    #[schemars(range(min = 0))]
    after: Option<u32>,
    /// How many, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// How a grant stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub(super) enum GrantState {
    /// It may be used.
    Good,
    /// Its days are over.
    Expired,
    /// An administrator revoked it.
    Revoked,
}

/// A page of the grants, the oldest first.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct GrantPage {
    grants: Vec<GrantLine>,
    /// What to give as `after` for the next page; `null` on the last.
    next: Option<i64>,
}

/// A grant, never with its token.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct GrantLine {
    /// Its number.
    grant: i64,
    /// The administrator's word for its holder.
    name: String,
    /// What its holder may.
    role: Role,
    /// The one site that it is for; `null`: all.
    site: Option<String>,
    /// When it was made.
    created_at: String,
    /// Until when it is good; `null`: until revoked.
    expires_at: Option<String>,
    /// When it was revoked.
    revoked_at: Option<String>,
    /// How it stands.
    state: GrantState,
    /// Whether it is the caller's own.
    is_own: bool,
}

impl GrantLine {
    fn of(grant: &Grant, viewer: &Viewer, now_ms: EpochMs) -> Self {
        Self {
            grant: grant.grant_id,
            name: grant.label.clone(),
            role: grant.role,
            site: grant.site.clone(),
            created_at: time(grant.created_at_ms),
            expires_at: grant.expires_at_ms.map(time),
            revoked_at: grant.revoked_at_ms.map(time),
            state: match grant.revoked_at_ms {
                Some(_) => GrantState::Revoked,
                None if grant.is_good(now_ms) => GrantState::Good,
                None => GrantState::Expired,
            },
            is_own: grant.grant_id == viewer.grant_id,
        }
    }
}

/// A grant to be made.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct GrantToMake {
    /// What its holder may.
    role: Role,
    /// A word for its holder.
    #[schemars(length(min = 1, max = 200))]
    name: String,
    /// The one site that it is for, not with `admin`; all where it isn't given.
    #[serde(default)]
    #[schemars(length(max = 200))]
    site: String,
    /// Days until it ends; until revoked where it isn't given.
    #[schemars(range(min = 1, max = 3660))]
    days: Option<u32>,
}

/// A grant that was made, with its token: this once.
#[derive(Serialize, JsonSchema)]
pub(super) struct GrantMade {
    /// Its number.
    grant: i64,
    /// The administrator's word for its holder.
    name: String,
    /// What its holder may.
    role: Role,
    /// The one site that it is for; `null`: all.
    site: Option<String>,
    /// Until when it is good; `null`: until revoked.
    expires_at: Option<String>,
    /// What its holder sends as `Authorization: Bearer TOKEN`. The hub keeps its digest alone and cannot tell it again.
    token: String,
}

pub(super) fn operations() -> Vec<Operation> {
    let make = Operation::new("POST", "/v1/grants", "Make a grant; its token is in the answer, this once");
    vec![
        Operation::new("GET", "/v1/grants", "Who has which grant, without tokens")
            .question::<Asked>()
            .answer::<GrantPage>(200, "a page of them")
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY),
        input::with_body(make.body::<GrantToMake>())
            .answer::<GrantMade>(201, "the grant with its token")
            .problem(StatusCode::CONFLICT, TOO_MANY_GRANTS),
        Operation::new("POST", "/v1/grants/{grant_id}/revoke", "Revoke a grant and end its sessions")
            .answer::<GrantLine>(200, "the grant as it stands now")
            .problem(StatusCode::NOT_FOUND, NO_SUCH_GRANT)
            .problem(StatusCode::CONFLICT, OWN_GRANT),
    ]
}

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Json<GrantPage>, Problem> {
    let n_most = limit(asked.limit)? as usize;
    let now_ms = hub.clock.now_ms();
    let after = asked.after.map_or(0, i64::from);
    let grants = hub.store.grant_list().await.map_err(|e| Problem::of_store(&e))?;
    let told = grants.iter().filter(|g| g.grant_id > after).map(|g| GrantLine::of(g, &viewer, now_ms));
    let mut fitting = told.filter(|line| asked.state.is_none_or(|state| state == line.state));
    let grants: Vec<GrantLine> = fitting.by_ref().take(n_most).collect();
    let is_last = fitting.next().is_none();
    let next = grants.last().filter(|_| !is_last).map(|line| line.grant);
    Ok(Json(GrantPage { grants, next }))
}

pub(super) async fn make<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    headers: HeaderMap,
    request: Body,
) -> Result<(StatusCode, Json<GrantMade>), Problem> {
    let (essence, bytes) = input::body(&hub, &headers, request).await?;
    let GrantToMake { role, name, site, days } = input::json(&essence, &bytes)?;
    let asked = GrantAsked { role, label: &name, site: &site, days };
    let made = filled::make(&hub, &viewer, asked).await.map_err(Denied::in_api)?;
    let told = GrantMade {
        grant: made.grant_id,
        token: made.token.reveal().to_owned(),
        name: made.label,
        role: made.role,
        site: made.site,
        expires_at: made.expires_at_ms.map(time),
    };
    Ok((StatusCode::CREATED, Json(told)))
}

pub(super) async fn revoke<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(grant_id): Path<String>,
) -> Result<Json<GrantLine>, Problem> {
    // What is no number names no grant; none has the number 0.
    let grant_id = grant_id.parse().unwrap_or(0);
    let grant = filled::revoke(&hub, &viewer, grant_id).await.map_err(Denied::in_api)?;
    Ok(Json(GrantLine::of(&grant, &viewer, hub.clock.now_ms())))
}
