//! The sign-in page, and the beginning and end of a session.

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;

use super::gate::{self, SESSION_COOKIE};
use super::{Hub, Problem, body, pages};
use crate::access::{SESSION_IDLE_MS, SESSION_WHOLE_MS, Secret};
use crate::http::asked::Query;
use crate::pages::sign_in;
use crate::store::Store;
use crate::store::access::NewSession;

/// Where one goes after signing in, unless another page was asked for.
const START_PAGE: &str = "/";

/// To somebody whose form was not taken.
const UNSENT: &str = "The session had ended, so what you sent was not taken. Sign in, then go back with your browser and send it again.";

/// To somebody whose session is over.
const ENDED: &str = "The session has ended. Sign in again.";

/// What the address of the sign-in page may carry.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    to: String,
    /// A form was sent without a session, or after its end.
    #[serde(default)]
    unsent: String,
    /// There was a session.
    #[serde(default)]
    ended: String,
}

pub(super) async fn page(Query(asked): Query<Asked>) -> Response {
    let is = |said: &str| said == "yes";
    let why = is(&asked.unsent).then_some(UNSENT).or_else(|| is(&asked.ended).then_some(ENDED));
    pages::as_response(StatusCode::OK, sign_in::page(own_path(&asked.to), why))
}

pub(super) async fn begin<S: Store>(State(hub): State<Hub<S>>, request: Request) -> Response {
    let address = gate::peer_of(request.extensions());
    let (parts, form) = request.into_parts();
    let form = match form_of(&hub, &parts.headers, form).await {
        Ok(form) => form,
        Err(problem) => return problem.into_response(),
    };
    let field =
        |name: &str| form_urlencoded::parse(&form).find(|(n, _)| n == name).map(|(_, v)| v.into_owned());
    let to = field("to").unwrap_or_default();
    let to = own_path(&to);
    let Some(token) = field("token").as_deref().and_then(Secret::given) else {
        return refused(StatusCode::BAD_REQUEST, to, "Please give a token.");
    };
    let grant = match gate::grant_of(&hub, &token, address).await {
        Ok(grant) => grant,
        Err(problem) => return refused_for(problem, to),
    };
    match new_session(&hub, grant.grant_id).await {
        Ok(secret) => {
            with_cookie(Redirect::to(to).into_response(), &cookie(secret.reveal(), SESSION_WHOLE_MS / 1000))
        }
        Err(problem) => problem.into_response(),
    }
}

pub(super) async fn end<S: Store>(
    State(hub): State<Hub<S>>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    if let Some(secret) = gate::session_cookie(&headers) {
        hub.store.session_end(secret.hash()).await.map_err(|e| Problem::of_store(&e))?;
    }
    Ok(with_cookie(Redirect::to("/sign-in").into_response(), &cookie("", 0)))
}

/// The form's bytes. Another site must not be able to sign somebody in under its own grant.
async fn form_of<S>(hub: &Hub<S>, headers: &HeaderMap, form: Body) -> Result<Vec<u8>, Problem> {
    gate::comes_from_us(headers)?;
    body::read_form(form, &hub.limits).await
}

async fn new_session<S: Store>(hub: &Hub<S>, grant_id: i64) -> Result<Secret, Problem> {
    let secret = Secret::new_session().map_err(|e| {
        tracing::error!(error = %e, "the system gives no random numbers");
        Problem::internal()
    })?;
    let now_ms = hub.clock.now_ms();
    let session = NewSession {
        secret_hash: secret.hash(),
        grant_id,
        now_ms,
        ends_at_ms: now_ms + SESSION_WHOLE_MS,
        idle_since_ms: now_ms - SESSION_IDLE_MS,
    };
    hub.store.session_begin(session).await.map_err(|e| Problem::of_store(&e))?;
    Ok(secret)
}

fn cookie(secret: &str, seconds: i64) -> String {
    format!("{SESSION_COOKIE}={secret}; Path=/; Max-Age={seconds}; Secure; HttpOnly; SameSite=Strict")
}

fn with_cookie(mut response: Response, cookie: &str) -> Response {
    if let Ok(value) = HeaderValue::from_str(cookie) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    response
}

/// A path of this hub, or the start page: what the address says must not lead to another site.
pub(super) fn own_path(asked: &str) -> &str {
    let is_path = asked.starts_with('/') && !asked.starts_with("//");
    let is_plain = asked.bytes().all(|b| b.is_ascii_graphic() && b != b'\\');
    if is_path && is_plain && !asked.starts_with("/sign-") { asked } else { START_PAGE }
}

fn refused_for(problem: Problem, to: &str) -> Response {
    match problem.status() {
        status @ StatusCode::UNAUTHORIZED => refused(
            status,
            to,
            "This token is unknown, expired or revoked. Ask an administrator for another.",
        ),
        status @ StatusCode::TOO_MANY_REQUESTS => {
            refused(status, to, "Too many tries from this address. Please wait a minute.")
        }
        _ => problem.into_response(),
    }
}

fn refused(status: StatusCode, to: &str, why: &str) -> Response {
    pages::as_response(status, sign_in::page(to, Some(why)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn after_signing_in_nobody_is_sent_elsewhere() {
        for (asked, path) in [
            ("/rounds?site=north", "/rounds?site=north"),
            ("", "/"),
            ("//evil.example/", "/"),
            ("/\\evil.example/", "/"),
            ("https://evil.example/", "/"),
            ("/a\r\nSet-Cookie: x", "/"),
            ("/sign-out", "/"),
        ] {
            assert_eq!(own_path(asked), path, "{asked:?}");
        }
    }
}
