//! What the pages show and do, for programs: the fleet and what changed in it, laptops with their runs, models, visits, the
//! scope list, coverage, sites, rounds, grants, verification.
//!
//! A grant for one site sees that site alone, as on the pages. Lists are paged by key: `next` names where to go on.

mod changes;
mod coverage;
mod device;
mod fleet;
mod grants;
mod input;
mod marks;
mod models;
mod rounds;
mod runs;
mod scope;
mod sites;
#[cfg(test)]
mod tests;
mod verifications;
mod visits;

use axum::Router;
use axum::http::StatusCode;
use axum::routing::{get, post};
use chrono::{DateTime, SecondsFormat};

use super::asked::{BAD_QUERY, bad_query};
use super::filled::marks::NO_SUCH_LAPTOP;
use super::filled::rounds::laptops_meant;
use super::openapi::Operation;
use super::{Hub, Problem, upload};
use crate::access::Viewer;
use crate::store::facts::Laptop;
use crate::store::{EpochMs, Store};

/// Most entries of one page of a list.
const MAX_LIMIT: u32 = 1000;
/// Entries of a page where the caller doesn't say.
const DEFAULT_LIMIT: u32 = 100;

pub(super) fn routes<S: Store>() -> Router<Hub<S>> {
    Router::new()
        .route("/v1/fleet", get(fleet::list::<S>))
        .route("/v1/devices/{device_id}", get(device::get::<S>))
        .route("/v1/devices/{device_id}/runs", get(runs::list::<S>))
        .route("/v1/devices/{device_id}/runs/{digest}", get(runs::get::<S>))
        .route("/v1/devices/{device_id}/records/{digest}", get(runs::record::<S>))
        .route("/v1/devices/{device_id}/marks", post(marks::set::<S>))
        .route("/v1/visits", get(visits::list::<S>).post(visits::log::<S>))
        .route("/v1/scope", get(scope::list::<S>).post(scope::change::<S>))
        .route("/v1/scope/{tag}", get(scope::history::<S>))
        .route("/v1/models", get(models::list::<S>))
        .route("/v1/models/{id}", get(models::get::<S>))
        .route("/v1/sites", get(sites::list::<S>))
        .route("/v1/coverage", get(coverage::list::<S>))
        .route("/v1/changes", get(changes::list::<S>))
        .route("/v1/grants", get(grants::list::<S>).post(grants::make::<S>))
        .route("/v1/grants/{grant_id}/revoke", post(grants::revoke::<S>))
        .route("/v1/verifications", post(verifications::make::<S>).layer(upload::limit()))
        .merge(rounds::routes())
}

/// What the document says of these routes.
pub(super) fn operations() -> Vec<Operation> {
    [
        fleet::operations(),
        device::operations(),
        runs::operations(),
        marks::operations(),
        visits::operations(),
        scope::operations(),
        models::operations(),
        sites::operations(),
        coverage::operations(),
        changes::operations(),
        rounds::operations(),
        grants::operations(),
        verifications::operations(),
    ]
    .concat()
}

const NOT_JUDGED_YET: &str = "not_judged_yet";

fn no_such_laptop(key: &str) -> Problem {
    let shown: String = key.chars().filter(|c| !c.is_control()).take(80).collect();
    let detail = format!("no laptop `{shown}` has joined or was imported, or it is not yours to see");
    Problem::new(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP, "no such laptop", detail)
}

/// How many entries a page may have.
fn limit(asked: Option<u32>) -> Result<u32, Problem> {
    match asked.unwrap_or(DEFAULT_LIMIT) {
        n @ 1..=MAX_LIMIT => Ok(n),
        n => Err(bad_query(format!("`limit` {n}: give 1 to {MAX_LIMIT}")).about("limit")),
    }
}

/// The one laptop that is meant by an asset tag, a sheet's code, a device id, or its beginning, if the viewer may see it.
async fn one_laptop<S: Store>(hub: &Hub<S>, viewer: &Viewer, key: &str) -> Result<Laptop, Problem> {
    let mut found = laptops_meant(hub, key).await.map_err(|e| Problem::of_store(&e))?;
    let (Some(device_id), true) = (found.pop(), found.is_empty()) else { return Err(no_such_laptop(key)) };
    let laptop = hub.store.laptop_get(device_id).await.map_err(|e| Problem::of_store(&e))?;
    laptop.filter(|l| viewer.sees(&l.site)).ok_or_else(|| no_such_laptop(key))
}

fn time(ms: EpochMs) -> String {
    let time = DateTime::from_timestamp_millis(ms);
    time.map(|t| t.to_rfc3339_opts(SecondsFormat::Secs, true)).unwrap_or_default()
}
