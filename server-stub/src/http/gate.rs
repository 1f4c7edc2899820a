//! The gate in front of every route: who is it, may they, and does a change really come from our own page.
//!
//! Goals: a route that isn't in [`super::ROUTES`] is closed whatever handler stands behind it; a handler can take a
//! [`Viewer`] and need not check anything; a page can post a plain form and be safe from other sites.
//!
//! Programs send `Authorization: Bearer TOKEN`. Browsers have a session: a cookie that scripts cannot read, that is sent
//! over TLS or to the own machine alone, and never along with another site's request. A change in a session must come
//! from our own origin (`Sec-Fetch-Site`, else `Origin`) **and** carry the session's token, as the form's field `csrf` or as the
//! header `X-CSRF-Token`: two fences, each enough where the other has a hole.

use std::net::{IpAddr, Ipv4Addr};

use axum::body::Body;
use axum::extract::{FromRequestParts, MatchedPath, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use windrow_model::record::request::RequestProof;

use super::device_request::{ProvenDevice, proof_of, prove};
use super::{Authority, Hub, Problem, ROUTES, body};
use crate::access::{Roles, SESSION_IDLE_MS, SESSION_TOUCH_MS, Secret, Viewer};
use crate::store::Store;
use crate::store::access::Grant;

/// The session's cookie. The prefix makes a browser insist on `Secure`, `Path=/` and no `Domain`.
pub const SESSION_COOKIE: &str = "__Host-windrow-session";
/// The field of a form that carries the session's token.
pub const CSRF_FIELD: &str = "csrf";
/// The header that does the same for a script's request.
const CSRF_HEADER: &str = "x-csrf-token";

/// The other end of the connection.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peer(pub(super) IpAddr);

/// The address that a request came from; behind a proxy that is the proxy's.
pub(super) fn peer_of(extensions: &axum::http::Extensions) -> IpAddr {
    extensions.get::<Peer>().map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), |peer| peer.0)
}

/// Lets a request through to its handler, or answers in its place.
pub(super) async fn gate<S: Store>(State(hub): State<Hub<S>>, request: Request, next: Next) -> Response {
    match admit(&hub, request).await {
        Ok(request) => next.run(request).await,
        Err(answer) => answer,
    }
}

/// Who may call what was matched.
fn authority_of(method: &Method, path: Option<&MatchedPath>) -> Option<Authority> {
    let method = if method == Method::HEAD { "GET" } else { method.as_str() };
    let path = path?.as_str();
    ROUTES.iter().find(|(m, p, _)| *m == method && *p == path).map(|(_, _, authority)| *authority)
}

async fn admit<S: Store>(hub: &Hub<S>, request: Request) -> Result<Request, Response> {
    let authority = authority_of(request.method(), request.extensions().get());
    let (roles, is_page) = match authority {
        None => return Err(super::not_found(request.uri().clone()).await.into_response()),
        Some(Authority::Anybody | Authority::Invite | Authority::DeviceSignature | Authority::Token) => {
            return Ok(request);
        }
        Some(Authority::People(roles)) => (roles, false),
        Some(Authority::DeviceOrPeople(roles)) => {
            let proof = proof_of(request.headers()).map_err(IntoResponse::into_response)?;
            match proof {
                Some(proof) => return admit_device(hub, &proof, request).await,
                None => (roles, false),
            }
        }
        Some(Authority::Page(roles) | Authority::Upload(roles)) => (roles, true),
    };
    let address = peer_of(request.extensions());
    let known = identify(hub, request.headers(), address).await.map_err(IntoResponse::into_response)?;
    let Some(known) = known else {
        return Err(if is_page { to_sign_in(&request) } else { sign_in_needed() });
    };
    let has_files = matches!(authority, Some(Authority::Upload(_)));
    admit_known(hub, known, roles, has_files, request).await.map_err(IntoResponse::into_response)
}

/// Lets a device's signed request through.
async fn admit_device<S: Store>(
    hub: &Hub<S>,
    proof: &RequestProof,
    mut request: Request,
) -> Result<Request, Response> {
    let proven = prove(hub, proof, request.method(), request.uri().path()).await;
    request.extensions_mut().insert(proven.map_err(IntoResponse::into_response)?);
    Ok(request)
}

async fn admit_known<S: Store>(
    hub: &Hub<S>,
    viewer: Viewer,
    roles: Roles,
    has_files: bool,
    mut request: Request,
) -> Result<Request, Problem> {
    if !roles.contains(viewer.role) {
        let detail = format!("the role `{}` may not do this", viewer.role);
        return Err(Problem::new(StatusCode::FORBIDDEN, "role_forbids", "not allowed", detail));
    }
    let is_change = !matches!(*request.method(), Method::GET | Method::HEAD);
    let mut request = match &viewer.csrf {
        Some(csrf) if is_change => {
            comes_from_us(request.headers())?;
            if has_files {
                // Its token stands in the form: whoever opens that, `upload::Form`, looks at it first.
                request.extensions_mut().insert(viewer);
                return Ok(request);
            }
            let (request, given) = csrf_given(request, hub).await?;
            if !given.is_some_and(|given| csrf.is(&given)) {
                return Err(forged("the form's token is missing or another session's; load the page again"));
            }
            request
        }
        _ => request,
    };
    request.extensions_mut().insert(viewer);
    Ok(request)
}

/// Whoever reads a page of a problem, as far as it can be told. Nobody, where to ask would only make things worse: the hub
/// is too busy, or the token was just found to be none.
pub(super) async fn reader_of_problem<S: Store>(
    hub: &Hub<S>,
    problem: &Problem,
    headers: &HeaderMap,
    address: IpAddr,
) -> Option<Viewer> {
    let is_in_vain = matches!(problem.status(), StatusCode::UNAUTHORIZED | StatusCode::TOO_MANY_REQUESTS);
    if is_in_vain || problem.is_overload() {
        return None;
    }
    identify(hub, headers, address).await.ok().flatten()
}

/// Whoever sent it. `None`: nobody says so. A token that isn't good is an error, a session that isn't is nobody.
async fn identify<S: Store>(
    hub: &Hub<S>,
    headers: &HeaderMap,
    address: IpAddr,
) -> Result<Option<Viewer>, Problem> {
    if let Some(authorization) = headers.get(header::AUTHORIZATION) {
        let token = bearer(authorization).ok_or_else(bad_token)?;
        return grant_of(hub, &token, address).await.map(|grant| Some(viewer(grant, None)));
    }
    let Some(secret) = session_cookie(headers) else { return Ok(None) };
    let now_ms = hub.clock.now_ms();
    let session = hub.store.session_get(secret.hash()).await.map_err(|e| Problem::of_store(&e))?;
    let is_good = |s: &crate::store::access::Session| {
        s.grant.is_good(now_ms) && now_ms < s.ends_at_ms && now_ms < s.seen_at_ms + SESSION_IDLE_MS
    };
    let Some(session) = session.filter(is_good) else { return Ok(None) };
    if now_ms >= session.seen_at_ms + SESSION_TOUCH_MS {
        // A note that cannot be made now shortens the session; it is no reason to turn the reader away.
        let _ = hub.store.session_touch(secret.hash(), now_ms).await;
    }
    Ok(Some(viewer(session.grant, Some(&secret))))
}

/// The good grant of a token; tries are bounded by address.
pub(super) async fn grant_of<S: Store>(
    hub: &Hub<S>,
    token: &Secret,
    address: IpAddr,
) -> Result<Grant, Problem> {
    let now_ms = hub.clock.now_ms();
    if let Some(wait_s) = hub.tries.wait_s(address, now_ms) {
        return Err(Problem::too_many_tries(wait_s));
    }
    let grant = hub.store.grant_of_token(token.hash()).await.map_err(|e| Problem::of_store(&e))?;
    grant.filter(|g| g.is_good(now_ms)).ok_or_else(|| {
        hub.tries.failed(address, now_ms);
        bad_token()
    })
}

fn viewer(grant: Grant, session: Option<&Secret>) -> Viewer {
    Viewer {
        role: grant.role,
        grant_id: grant.grant_id,
        label: grant.label,
        site: grant.site,
        csrf: session.map(Secret::csrf),
    }
}

/// The token of `Authorization: Bearer TOKEN` (RFC 6750).
fn bearer(value: &HeaderValue) -> Option<Secret> {
    let (scheme, token) = value.to_str().ok()?.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| Secret::given(token))?
}

/// The secret in the session's cookie.
pub(super) fn session_cookie(headers: &HeaderMap) -> Option<Secret> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok());
    let mut pairs = cookies.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == SESSION_COOKIE).and_then(|(_, secret)| Secret::given(secret))
}

/// Whether a browser says that the request comes from our own pages.
///
/// # Errors
/// Where it says otherwise, or nothing at all.
pub(super) fn comes_from_us(headers: &HeaderMap) -> Result<(), Problem> {
    let text = |name: header::HeaderName| headers.get(name).and_then(|v| v.to_str().ok());
    let is_ours = match text(header::HeaderName::from_static("sec-fetch-site")) {
        Some(site) => site == "same-origin",
        // Host and port are compared; the scheme a proxy may have changed.
        None => text(header::ORIGIN)
            .and_then(|origin| origin.split_once("://"))
            .is_some_and(|(_, authority)| Some(authority) == text(header::HOST)),
    };
    is_ours.then_some(()).ok_or_else(|| forged("a change must come from the hub's own page"))
}

/// The session's token as the request carries it, and the request whole again.
async fn csrf_given<S>(request: Request, hub: &Hub<S>) -> Result<(Request, Option<String>), Problem> {
    if let Some(given) = request.headers().get(CSRF_HEADER) {
        let given = given.to_str().ok().map(str::to_owned);
        return Ok((request, given));
    }
    if !is_form(request.headers()) {
        return Ok((request, None));
    }
    let (parts, form) = request.into_parts();
    let bytes = body::read_form(form, &hub.limits).await?;
    let given = form_urlencoded::parse(&bytes).find(|(name, _)| name == CSRF_FIELD);
    let given = given.map(|(_, value)| value.into_owned());
    Ok((Request::from_parts(parts, Body::from(bytes)), given))
}

fn is_form(headers: &HeaderMap) -> bool {
    let given = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    given
        .split(';')
        .next()
        .unwrap_or_default()
        .trim()
        .eq_ignore_ascii_case("application/x-www-form-urlencoded")
}

fn bad_token() -> Problem {
    let detail = "the token is unknown, expired or revoked; ask an administrator for another";
    Problem::new(StatusCode::UNAUTHORIZED, "bad_token", "not signed in", detail)
}

pub(super) fn forged(detail: &str) -> Problem {
    Problem::new(StatusCode::FORBIDDEN, "forged_change", "change refused", detail)
}

fn sign_in_needed() -> Response {
    let detail = "send `Authorization: Bearer TOKEN`, with a token from `windrow-hub grant`";
    let problem = Problem::new(StatusCode::UNAUTHORIZED, "sign_in_needed", "not signed in", detail);
    let mut response = problem.into_response();
    response.headers_mut().insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
    response
}

/// To the sign-in page, and from there back to what was asked for; whoever sent a form is told that it was not taken, and
/// whoever had a session that it ended.
fn to_sign_in(request: &Request) -> Response {
    let asked = (request.method() == Method::GET).then(|| request.uri().path_and_query()).flatten();
    let mut query = form_urlencoded::Serializer::new(String::new());
    match asked {
        Some(path) => query.append_pair("to", path.as_str()),
        None => query.append_pair("unsent", "yes"),
    };
    if session_cookie(request.headers()).is_some() {
        query.append_pair("ended", "yes");
    }
    Redirect::to(&format!("/sign-in?{}", query.finish())).into_response()
}

impl<S: Send + Sync> FromRequestParts<S> for Viewer {
    type Rejection = Problem;

    /// The viewer that the gate let through. A route that anybody may call has none.
    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        parts.extensions.get::<Self>().cloned().ok_or_else(|| {
            tracing::error!(
                path = parts.uri.path(),
                "a handler wants a viewer where the route asks for none"
            );
            Problem::internal()
        })
    }
}

/// Whoever a route for both asks for it.
#[derive(Debug, Clone)]
pub(super) enum Asker {
    /// With a grant.
    Person,
    /// A laptop: its device id.
    Device(String),
}

impl<S: Send + Sync> FromRequestParts<S> for Asker {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        match parts.extensions.get::<ProvenDevice>() {
            Some(ProvenDevice(device_id)) => Ok(Self::Device(device_id.clone())),
            None => Viewer::from_request_parts(parts, state).await.map(|_| Self::Person),
        }
    }
}
