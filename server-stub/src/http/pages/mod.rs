//! The pages' routes: what a request asks for, filled into a view, and the view as a page.

mod act;
mod assets;
mod audit;
#[cfg(test)]
pub(super) mod audit_tests;
mod errors;
mod laptop;
mod models;
mod places;
mod roles;
mod round_costs;
mod round_laptop;
mod rounds;
#[cfg(test)]
mod rounds_tests;
mod service_list;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use axum::Router;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use maud::Markup;

use super::{Authority, Hub, Problem, ROUTES, upload};
use crate::access::{Role, Viewer};
use crate::pages::fill::Shown;
use crate::pages::layout::{self, Content, Reader, Room};
use crate::store::Store;

pub(super) use errors::errors_as_pages;

pub(super) fn routes<S: Store>() -> Router<Hub<S>> {
    Router::new()
        .route("/assets/windrow.css", get(assets::style))
        .route("/assets/mark.svg", get(assets::mark))
        .route("/", get(service_list::page::<S>))
        .route("/laptops/act", post(act::act::<S>))
        .route("/laptops/{device_id}", get(laptop::page::<S>))
        .route("/laptops/{device_id}/visits", post(act::visit::<S>))
        .route("/laptops/{device_id}/records/{digest}", get(laptop::record::<S>))
        .route("/places", get(places::list::<S>))
        .route("/places/tag", get(places::tag::<S>))
        .route("/places/act", post(places::act::<S>))
        .route("/roles", get(roles::page::<S>).post(roles::make::<S>))
        .route("/roles/revoke", post(roles::revoke::<S>))
        .route("/rounds", get(rounds::page::<S>))
        .route("/rounds/plan", post(rounds::plan::<S>))
        .route("/rounds/hours", post(rounds::hours::<S>))
        .route("/rounds/stock", post(rounds::stock::<S>))
        .route("/rounds/costs", get(round_costs::page::<S>).post(round_costs::set::<S>))
        .route("/rounds/book", post(rounds::book::<S>))
        .route("/rounds/sheet", get(rounds::sheet::<S>))
        .route("/rounds/calendar.ics", get(rounds::calendar::<S>))
        .route("/rounds/find", get(round_laptop::find::<S>))
        .route("/rounds/laptops/{device_id}", get(round_laptop::page::<S>))
        .route("/audit", get(audit::page::<S>))
        .route("/audit/verify", post(audit::verify::<S>).layer(upload::limit()))
        .route("/models", get(models::list::<S>))
        .route("/models/{slug}", get(models::page::<S>))
}

/// The reader as the frame shows them.
pub(super) fn reader(viewer: &Viewer) -> Reader {
    let rooms = Room::ALL.into_iter().filter(|room| may_enter(viewer.role, *room)).collect();
    Reader {
        name: viewer.label.clone(),
        role: role_words(viewer.role),
        rooms,
        may_change: viewer.csrf.is_some() && may_post(viewer.role, "/laptops/act"),
        form_token: viewer.csrf_field().to_owned(),
    }
}

fn may_enter(role: Role, room: Room) -> bool {
    let address = room.address();
    ROUTES.iter().any(|(method, path, authority)| {
        *method == "GET"
            && *path == address
            && matches!(authority, Authority::Page(roles) if roles.contains(role))
    })
}

/// Whether a form that goes there may be shown.
fn may_post(role: Role, path: &str) -> bool {
    ROUTES.iter().any(|(method, route, authority)| {
        *method == "POST"
            && *route == path
            && matches!(authority, Authority::Page(roles) if roles.contains(role))
    })
}

const fn role_words(role: Role) -> &'static str {
    match role {
        Role::Admin => "administrator",
        Role::Technician => "technician",
        Role::Auditor => "auditor",
    }
}

/// A page in its frame as a response.
fn respond(content: &Content<'_>, viewer: &Viewer) -> Response {
    as_response(StatusCode::OK, layout::page(content, Some(&reader(viewer))))
}

/// A whole page as a response. The policy is stricter than the one for everything else: our pages have no script.
pub(super) fn as_response(status: StatusCode, page: Markup) -> Response {
    let policy = HeaderValue::from_static(layout::POLICY);
    (status, [(header::CONTENT_SECURITY_POLICY, policy)], page).into_response()
}

/// The fleet as it is shown; a problem until it is judged for the first time.
pub(super) fn shown<S: Store>(hub: &Hub<S>) -> Result<Arc<Shown>, Problem> {
    super::judged(hub)
}

fn no_such(what: &str) -> Problem {
    Problem::new(
        StatusCode::NOT_FOUND,
        "not_found",
        "no such page",
        format!("there is no such {what}, or it is not yours to see"),
    )
}
