//! The HTTP side: the list of routes with who may call each, and the layers around them.

#[cfg(test)]
mod access_tests;
mod api;
mod asked;
pub mod body;
mod device_request;
mod devices;
mod exports;
mod filled;
mod gate;
mod ledger;
#[cfg(test)]
mod ledger_tests;
mod metrics;
mod openapi;
mod pages;
mod problem;
mod records;
mod references;
mod serve;
mod sign_in;
mod state;
mod streaming;
#[cfg(test)]
mod tests;
mod upload;

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::error_handling::HandleErrorLayer;
use axum::extract::State;
use axum::http::{HeaderValue, Method, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use tower::ServiceBuilder;
use tower::limit::GlobalConcurrencyLimitLayer;
use tower::load_shed::LoadShedLayer;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::set_header::SetResponseHeaderLayer;

pub use gate::{CSRF_FIELD, SESSION_COOKIE};
pub use problem::Problem;
pub use serve::{Listening, serve};
pub use state::Hub;

use crate::access::Roles;
use crate::meters::Meters;
use crate::pages::fill::Shown;
use crate::store::Store;

/// How long and how much a caller may. docs/http.md lists them.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Requests worked on at once; beyond it they are turned away at once. 32 bodies at their largest are 640 MB.
    pub max_concurrent: usize,
    /// Connections at once; more wait in the kernel's queue.
    pub max_connections: usize,
    /// Longest time for a request's header, and between requests.
    pub header: Duration,
    /// Longest time for a TLS handshake.
    pub handshake: Duration,
    /// Longest wait for the next piece of a body.
    pub body_idle: Duration,
    /// Longest time for a whole body: 4 MiB in 60 s is 70 kB/s.
    pub body_whole: Duration,
    /// How long requests under way may take once the hub stops.
    pub drain: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            max_concurrent: 32,
            max_connections: 512,
            header: Duration::from_secs(10),
            handshake: Duration::from_secs(10),
            body_idle: Duration::from_secs(10),
            body_whole: Duration::from_mins(1),
            drain: Duration::from_secs(10),
        }
    }
}

/// When a turned-away caller should come again.
const RETRY_AFTER_S: u32 = 5;

/// Who may call a route. A route without an entry here doesn't exist.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Authority {
    /// Anybody who reaches the socket: says nothing of the fleet.
    Anybody,
    /// Whoever holds an invite, by the body's own proof.
    Invite,
    /// An enrolled device, by each record's own signature.
    DeviceSignature,
    /// An enrolled device by its signed request, or whoever has a grant of one of these roles.
    DeviceOrPeople(Roles),
    /// Whoever holds a grant's token, by the form's own field.
    Token,
    /// A program or person with a grant of one of these roles; anybody else gets a problem document.
    People(Roles),
    /// The same for a page: whoever isn't signed in is sent to the sign-in page.
    Page(Roles),
    /// The same for a form with files, which `upload::Form` takes with its token.
    Upload(Roles),
}

/// Every route there is.
pub const ROUTES: &[(&str, &str, Authority)] = &[
    ("GET", "/healthz", Authority::Anybody),
    ("GET", "/readyz", Authority::Anybody),
    ("GET", "/metrics", Authority::People(Roles::ALL)),
    ("GET", "/openapi.json", Authority::Anybody),
    ("GET", "/v1/record-schema", Authority::Anybody),
    ("POST", "/v1/devices", Authority::Invite),
    ("POST", "/v1/records", Authority::DeviceSignature),
    ("GET", "/v1/models", Authority::People(Roles::ALL)),
    ("GET", "/v1/models/{id}", Authority::People(Roles::ALL)),
    ("GET", "/v1/models/{id}/reference", Authority::DeviceOrPeople(Roles::ALL)),
    ("GET", "/v1/ledger/head", Authority::People(Roles::ALL)),
    ("GET", "/v1/ledger/proof", Authority::People(Roles::ALL)),
    ("GET", "/v1/exports/{kind}", Authority::People(Roles::AUDIT)),
    ("GET", "/v1/fleet", Authority::People(Roles::ALL)),
    ("GET", "/v1/devices/{device_id}", Authority::People(Roles::ALL)),
    ("GET", "/v1/devices/{device_id}/runs", Authority::People(Roles::ALL)),
    ("GET", "/v1/devices/{device_id}/runs/{digest}", Authority::People(Roles::ALL)),
    ("GET", "/v1/devices/{device_id}/records/{digest}", Authority::People(Roles::ALL)),
    ("POST", "/v1/devices/{device_id}/marks", Authority::People(Roles::WORK)),
    ("GET", "/v1/visits", Authority::People(Roles::ALL)),
    ("POST", "/v1/visits", Authority::People(Roles::WORK)),
    ("GET", "/v1/scope", Authority::People(Roles::ALL)),
    ("POST", "/v1/scope", Authority::People(Roles::ADMIN)),
    ("GET", "/v1/scope/{tag}", Authority::People(Roles::ALL)),
    ("GET", "/v1/sites", Authority::People(Roles::ALL)),
    ("GET", "/v1/coverage", Authority::People(Roles::ALL)),
    ("GET", "/v1/changes", Authority::People(Roles::ALL)),
    ("GET", "/v1/grants", Authority::People(Roles::ADMIN)),
    ("POST", "/v1/grants", Authority::People(Roles::ADMIN)),
    ("POST", "/v1/grants/{grant_id}/revoke", Authority::People(Roles::ADMIN)),
    ("POST", "/v1/verifications", Authority::People(Roles::AUDIT)),
    ("GET", "/sign-in", Authority::Anybody),
    ("POST", "/sign-in", Authority::Token),
    ("POST", "/sign-out", Authority::Page(Roles::ALL)),
    ("GET", "/assets/windrow.css", Authority::Anybody),
    ("GET", "/assets/mark.svg", Authority::Anybody),
    ("GET", "/", Authority::Page(Roles::ALL)),
    ("POST", "/laptops/act", Authority::Page(Roles::WORK)),
    ("GET", "/laptops/{device_id}", Authority::Page(Roles::ALL)),
    ("POST", "/laptops/{device_id}/visits", Authority::Page(Roles::WORK)),
    ("GET", "/laptops/{device_id}/records/{digest}", Authority::Page(Roles::ALL)),
    ("GET", "/places", Authority::Page(Roles::ALL)),
    ("GET", "/places/tag", Authority::Page(Roles::ALL)),
    ("POST", "/places/act", Authority::Page(Roles::ADMIN)),
    ("GET", "/roles", Authority::Page(Roles::ADMIN)),
    ("POST", "/roles", Authority::Page(Roles::ADMIN)),
    ("POST", "/roles/revoke", Authority::Page(Roles::ADMIN)),
    ("GET", "/v1/rounds", Authority::People(Roles::ALL)),
    ("POST", "/v1/rounds/plan", Authority::People(Roles::ADMIN)),
    ("GET", "/v1/rounds/sheet", Authority::People(Roles::ALL)),
    ("GET", "/v1/rounds/calendar", Authority::People(Roles::ALL)),
    ("GET", "/v1/rounds/hours", Authority::People(Roles::ALL)),
    ("POST", "/v1/rounds/hours", Authority::People(Roles::ADMIN)),
    ("GET", "/v1/rounds/stock", Authority::People(Roles::ALL)),
    ("POST", "/v1/rounds/stock", Authority::People(Roles::ADMIN)),
    ("GET", "/v1/rounds/costs", Authority::People(Roles::ALL)),
    ("POST", "/v1/rounds/costs", Authority::People(Roles::ADMIN)),
    ("POST", "/v1/rounds/bookings", Authority::People(Roles::WORK)),
    ("GET", "/rounds", Authority::Page(Roles::ALL)),
    ("POST", "/rounds/plan", Authority::Page(Roles::ADMIN)),
    ("POST", "/rounds/hours", Authority::Page(Roles::ADMIN)),
    ("POST", "/rounds/stock", Authority::Page(Roles::ADMIN)),
    ("GET", "/rounds/costs", Authority::Page(Roles::ALL)),
    ("POST", "/rounds/costs", Authority::Page(Roles::ADMIN)),
    ("POST", "/rounds/book", Authority::Page(Roles::WORK)),
    ("GET", "/rounds/sheet", Authority::Page(Roles::ALL)),
    ("GET", "/rounds/calendar.ics", Authority::Page(Roles::ALL)),
    ("GET", "/rounds/find", Authority::Page(Roles::ALL)),
    ("GET", "/rounds/laptops/{device_id}", Authority::Page(Roles::ALL)),
    ("GET", "/audit", Authority::Page(Roles::AUDIT)),
    ("POST", "/audit/verify", Authority::Upload(Roles::AUDIT)),
    ("GET", "/models", Authority::Page(Roles::ALL)),
    ("GET", "/models/{slug}", Authority::Page(Roles::ALL)),
];

/// The hub's routes and their layers.
pub fn router<S: Store>(hub: Hub<S>) -> Router {
    let max_concurrent = hub.limits.max_concurrent;
    let meters = hub.meters.clone();
    let gate = axum::middleware::from_fn_with_state(hub.clone(), gate::gate::<S>);
    let working = working_routes()
        .route_layer(gate.clone())
        // Outermost first: what cannot be worked on at once is turned away before its body is read.
        .layer(
            ServiceBuilder::new()
                .layer(HandleErrorLayer::new(move |_: tower::BoxError| {
                    std::future::ready(Ok::<_, Infallible>(shed(&meters)))
                }))
                .layer(LoadShedLayer::new())
                .layer(GlobalConcurrencyLimitLayer::new(max_concurrent)),
        );
    Router::new()
        // Alive is alive, however busy.
        .route("/healthz", get(async || "ok\n"))
        .route_layer(gate)
        .merge(working)
        .method_not_allowed_fallback(method_not_allowed)
        .fallback(not_found)
        .layer(unless_set(header::X_CONTENT_TYPE_OPTIONS, "nosniff"))
        .layer(unless_set(header::CACHE_CONTROL, "no-store"))
        .layer(unless_set(header::CONTENT_SECURITY_POLICY, CONTENT_SECURITY_POLICY))
        .layer(unless_set(header::REFERRER_POLICY, "same-origin"))
        .layer(unless_set(header::HeaderName::from_static("cross-origin-opener-policy"), "same-origin"))
        .layer(CatchPanicLayer::custom(|_| Problem::internal().into_response()))
        .layer(axum::middleware::from_fn_with_state(hub.clone(), pages::errors_as_pages::<S>))
        .with_state(hub)
}

/// What a page may load: our own style, script and pictures, and nothing from anywhere else. Forms go to us alone, and
/// nobody may put a page of ours into a frame. (`no-referrer` would make browsers hide our own origin from us.)
const CONTENT_SECURITY_POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; \
    connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

fn unless_set(name: header::HeaderName, value: &'static str) -> SetResponseHeaderLayer<HeaderValue> {
    SetResponseHeaderLayer::if_not_present(name, HeaderValue::from_static(value))
}

/// What is worked on behind the gate and within the limit on requests at once.
fn working_routes<S: Store>() -> Router<Hub<S>> {
    Router::new()
        .route("/v1/devices", post(devices::enrol::<S>))
        .route("/v1/records", post(records::append::<S>))
        .route("/v1/record-schema", get(record_schema))
        .route("/openapi.json", get(openapi::serve))
        .route("/v1/models/{id}/reference", get(references::reference::<S>))
        .route("/v1/ledger/head", get(ledger::head::<S>))
        .route("/v1/ledger/proof", get(ledger::proof::<S>))
        .route("/v1/exports/{kind}", get(exports::serve::<S>))
        .route("/metrics", get(metrics::serve::<S>))
        .route("/readyz", get(readyz::<S>))
        .merge(api::routes())
        .merge(pages::routes())
        .route("/sign-in", get(sign_in::page).post(sign_in::begin::<S>))
        .route("/sign-out", post(sign_in::end::<S>))
}

/// The fleet as it was last judged; a problem until it is judged for the first time.
fn judged<S>(hub: &Hub<S>) -> Result<Arc<Shown>, Problem> {
    hub.showroom.now().ok_or_else(|| not_judged_yet(hub))
}

/// Code of a form that cannot be taken.
const BAD_FORM: &str = "bad_form";
/// Code of a program's body that cannot be taken.
const BAD_BODY: &str = "bad_body";
/// Code of a form's deed that isn't possible as things stand.
const NOT_NOW: &str = "not_now";

/// Why there is no judgement to show, in short and with what becomes of it.
fn why_not_judged<S>(hub: &Hub<S>) -> (&'static str, &'static str) {
    if hub.showroom.has_failed() {
        (
            "the fleet could not be judged",
            "the hub's log says why; the hub tries again by itself every few seconds",
        )
    } else {
        (
            "the fleet is being judged",
            "the hub has just started and is judging the fleet; ask again in a minute",
        )
    }
}

fn not_judged_yet<S>(hub: &Hub<S>) -> Problem {
    let (title, detail) = why_not_judged(hub);
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, "not_judged_yet", title, detail).retry_after(RETRY_AFTER_S)
}

/// A file to be kept under a name.
fn download(name: &str, media_type: &'static str, body: Body) -> Response {
    let disposition = HeaderValue::from_str(&format!("attachment; filename=\"{name}\""));
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(media_type)),
        (header::CONTENT_DISPOSITION, disposition.unwrap_or(HeaderValue::from_static("attachment"))),
    ];
    (headers, body).into_response()
}

fn shed(meters: &Meters) -> Response {
    meters.turned_away();
    Problem::overloaded(RETRY_AFTER_S).into_response()
}

async fn not_found(uri: Uri) -> Problem {
    Problem::new(
        StatusCode::NOT_FOUND,
        "not_found",
        "nothing at this address",
        format!("there is nothing at `{}`", uri.path()),
    )
}

async fn method_not_allowed(method: Method, uri: Uri) -> Problem {
    let detail = format!("`{}` does not take `{method}`", uri.path());
    Problem::new(StatusCode::METHOD_NOT_ALLOWED, "method_not_allowed", "method not allowed", detail)
}

async fn record_schema() -> impl IntoResponse {
    let json = windrow_model::record::json_schema().to_string();
    ([(header::CONTENT_TYPE, "application/schema+json")], json)
}

async fn readyz<S: Store>(State(hub): State<Hub<S>>) -> Result<&'static str, Problem> {
    hub.store.ready().await.map_err(|e| Problem::of_store(&e))?;
    Ok("ready\n")
}
