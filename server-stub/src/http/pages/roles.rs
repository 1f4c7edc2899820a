//! `GET /roles`: grants, and what the page's forms do. A new token is in the answer to its form and nowhere else.

use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::act::{Fields, refused};
use super::{respond, shown};
use crate::access::{Role, Viewer};
use crate::http::filled::Denied;
use crate::http::filled::grants::{self as filled, GrantAsked};
use crate::http::{Hub, Problem};
use crate::pages::layout::{Content, Room};
use crate::pages::roles::{self, Made};
use crate::store::Store;

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
    let asked = GrantAsked {
        role: Role::from_name(fields.one("role")).ok_or_else(|| refused("choose a role"))?,
        label: fields.one("name"),
        site: fields.one("site"),
        days: match fields.one("days") {
            "" => None,
            given => Some(given.parse().map_err(|_| filled::bad_days(given).on_page())?),
        },
    };
    let made = filled::make(&hub, &viewer, asked).await.map_err(Denied::on_page)?;
    let page = shown_with(&hub, &viewer, Some(&made)).await?;
    Ok((StatusCode::CREATED, page).into_response())
}

pub(super) async fn revoke<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let grant_id: i64 = fields.one("grant").parse().map_err(|_| refused("choose a grant"))?;
    filled::revoke(&hub, &viewer, grant_id).await.map_err(Denied::on_page)?;
    Ok(Redirect::to("/roles"))
}
