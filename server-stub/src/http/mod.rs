//! The HTTP side: the list of routes with who may call each, and the layers around them.

pub mod body;
mod devices;
mod problem;
mod records;
mod serve;
mod state;
#[cfg(test)]
mod tests;

use std::convert::Infallible;
use std::time::Duration;

use axum::Router;
use axum::error_handling::HandleErrorLayer;
use axum::extract::State;
use axum::http::{Method, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use tower::ServiceBuilder;
use tower::limit::GlobalConcurrencyLimitLayer;
use tower::load_shed::LoadShedLayer;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::set_header::SetResponseHeaderLayer;

pub use problem::Problem;
pub use serve::{Listening, serve};
pub use state::Hub;

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
}

/// Every route there is.
pub const ROUTES: &[(&str, &str, Authority)] = &[
    ("GET", "/healthz", Authority::Anybody),
    ("GET", "/readyz", Authority::Anybody),
    ("GET", "/v1/record-schema", Authority::Anybody),
    ("POST", "/v1/devices", Authority::Invite),
    ("POST", "/v1/records", Authority::DeviceSignature),
];

/// The hub's routes and their layers.
pub fn router<S: Store>(hub: Hub<S>) -> Router {
    let max_concurrent = hub.limits.max_concurrent;
    let working = Router::new()
        .route("/v1/devices", post(devices::enrol::<S>))
        .route("/v1/records", post(records::append::<S>))
        .route("/v1/record-schema", get(record_schema))
        .route("/readyz", get(readyz::<S>))
        // Outermost first: what cannot be worked on at once is turned away before its body is read.
        .layer(
            ServiceBuilder::new()
                .layer(HandleErrorLayer::new(shed))
                .layer(LoadShedLayer::new())
                .layer(GlobalConcurrencyLimitLayer::new(max_concurrent)),
        );
    Router::new()
        .merge(working)
        // Alive is alive, however busy.
        .route("/healthz", get(async || "ok\n"))
        .method_not_allowed_fallback(method_not_allowed)
        .fallback(not_found)
        .layer(SetResponseHeaderLayer::if_not_present(
            header::X_CONTENT_TYPE_OPTIONS,
            header::HeaderValue::from_static("nosniff"),
        ))
        .layer(SetResponseHeaderLayer::if_not_present(
            header::CACHE_CONTROL,
            header::HeaderValue::from_static("no-store"),
        ))
        .layer(CatchPanicLayer::custom(|_| Problem::internal().into_response()))
        .with_state(hub)
}

async fn shed(_: tower::BoxError) -> Result<Response, Infallible> {
    Ok(Problem::overloaded(RETRY_AFTER_S).into_response())
}

async fn not_found(uri: Uri) -> Problem {
    Problem::new(
        StatusCode::NOT_FOUND,
        "not_found",
        "no such route",
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
