//! What the rounds are planned with: costs, minutes, trips, spare units and days off, as the one file that the command takes too.

use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Redirect, Response};

use super::act::Fields;
use super::{may_post, reader, respond};
use crate::access::Viewer;
use crate::costs;
use crate::http::filled::Denied;
use crate::http::filled::rounds as filled;
use crate::http::{Hub, Problem};
use crate::pages::layout::{Content, Notice, Room};
use crate::pages::round_costs::{View, body};
use crate::store::{Store, StoreError};

/// `GET /rounds/costs`.
pub(super) async fn page<S: Store>(State(hub): State<Hub<S>>, viewer: Viewer) -> Result<Response, Problem> {
    hub.costs.refresh(&hub.store).await.map_err(|e| Problem::of_store(&e))?;
    let toml = in_force(&hub).await.map_err(|e| Problem::of_store(&e))?;
    Ok(filled_with(&hub, &viewer, &toml, None))
}

/// `POST /rounds/costs`.
pub(super) async fn set<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Response, Problem> {
    let fields = Fields::read(&hub, form).await?;
    // A form's lines end as RFC 2045 has them; the file's do not.
    let toml = format!("{}\n", fields.one("costs").replace("\r\n", "\n"));
    match filled::set_costs(&hub, &viewer, toml.clone()).await {
        Ok(()) => Ok(Redirect::to("/rounds/costs").into_response()),
        // What was typed is kept: a file is long.
        Err(Denied::Bad { what, .. }) => {
            let notice = Notice::Refused(format!("Nothing was set. {what}"));
            let page = filled_with(&hub, &viewer, &toml, Some(&notice));
            Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
        }
        Err(other) => Err(other.on_page()),
    }
}

/// What was set last, or the defaults to begin with.
async fn in_force<S: Store>(hub: &Hub<S>) -> Result<String, StoreError> {
    Ok(hub.store.costs_get().await?.map_or_else(costs::example, |stored| stored.toml))
}

fn filled_with<S: Store>(hub: &Hub<S>, viewer: &Viewer, toml: &str, notice: Option<&Notice>) -> Response {
    let may_set = viewer.csrf.is_some() && may_post(viewer.role, "/rounds/costs");
    let source = hub.costs.now().1;
    let body = body(&View { toml, source, may_set }, &reader(viewer));
    respond(&Content { title: "What things cost", room: Room::Rounds, class: "", notice, body }, viewer)
}
