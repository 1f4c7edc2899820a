//! The page's few routes, on a thread of their own: the check itself never waits for a browser.

use std::io;
use std::net::TcpListener;
use std::sync::Arc;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Form, Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use maud::Markup;
use serde::Deserialize;
use windrow_model::chart;

use super::door::{Door, Refusal};
use super::pages;
use super::session::{Answer, Session, Stage, Start};

/// Largest form: two answers or one secret.
const BODY_BYTES_MAX: usize = 2048;
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

#[derive(Debug, Clone)]
struct Page {
    door: Arc<Door>,
    session: Session,
}

/// Serves until the process ends.
pub(super) fn start(listener: TcpListener, door: Door, session: Session) -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build()?;
    let router = router(Page { door: Arc::new(door), session });
    std::thread::Builder::new().name("page".into()).spawn(move || {
        runtime.block_on(async move {
            let listener = tokio::net::TcpListener::from_std(listener)?;
            axum::serve(listener, router).await
        })
    })?;
    Ok(())
}

fn router(page: Page) -> Router {
    let behind_the_cookie = Router::new()
        .route("/", get(show))
        .route("/live", get(live))
        .route("/keep", get(keep))
        .route("/start", post(start_check))
        .route("/not-now", post(not_now))
        .route("/stop", post(stop))
        .route("/close", post(close))
        .route("/page.css", get(async || css([chart::STYLE, crate::report::STYLE].concat())))
        .route("/window.css", get(async || css(include_str!("window.css"))))
        .route("/live.js", get(async || typed("text/javascript; charset=utf-8", include_str!("live.js"))))
        .route_layer(middleware::from_fn_with_state(page.clone(), only_the_user));
    let inside = behind_the_cookie.route("/enter", post(enter));
    Router::new()
        .nest(&format!("/{}", page.door.path), inside)
        // The nest's own root has the slash at its end only here.
        .route(
            &format!("/{}/", page.door.path),
            get(show).route_layer(middleware::from_fn_with_state(page.clone(), only_the_user)),
        )
        .fallback(async || StatusCode::NOT_FOUND)
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(middleware::from_fn_with_state(page.clone(), only_by_its_name))
        .with_state(page)
}

/// Before anything else: the name under which the request came. After it: what every answer says of itself.
async fn only_by_its_name(State(page): State<Page>, request: Request, next: Next) -> Response {
    if page.door.check_host(request.headers()).is_err() {
        return StatusCode::MISDIRECTED_REQUEST.into_response();
    }
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    let said = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::CACHE_CONTROL, "no-store"),
        // Not `no-referrer`: with it a browser calls the origin of our own forms `null`.
        (header::REFERRER_POLICY, "same-origin"),
    ];
    for (name, value) in said {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    response
}

async fn only_the_user(State(page): State<Page>, request: Request, next: Next) -> Response {
    match page.door.check(request.method(), request.headers()) {
        Ok(()) => next.run(request).await,
        Err(why) => turned_away(why),
    }
}

fn turned_away(why: Refusal) -> Response {
    let words = match why {
        Refusal::Host | Refusal::Origin => "It was asked for by another page.",
        Refusal::Cookie => "It belongs to the browser in which the check was opened.",
        Refusal::Once => "It was opened before. Start the check again to get a new page.",
    };
    (StatusCode::FORBIDDEN, html_of(&pages::turned_away(words))).into_response()
}

#[derive(Deserialize)]
struct Secret {
    secret: String,
}

/// The one request that another page may send: the user's own file, whose origin a browser calls `null`.
async fn enter(State(page): State<Page>, Form(form): Form<Secret>) -> Response {
    match page.door.enter(&form.secret) {
        Ok(cookie) => {
            ([(header::SET_COOKIE, cookie)], html_of(&pages::step_in(&page.door.path))).into_response()
        }
        Err(why) => turned_away(why),
    }
}

async fn show(State(page): State<Page>) -> Response {
    html_of(&pages::page(&page.session.lock(), page.session.is_stopping()))
}

/// The part that is drawn anew; empty once there is another page to show.
async fn live(State(page): State<Page>) -> Response {
    let state = page.session.lock();
    if !matches!(state.stage, Stage::Running) {
        return StatusCode::NO_CONTENT.into_response();
    }
    let words = pages::phase_words(state.seen.phase);
    ([("windrow-phase", words)], html_of(&pages::live(&state.seen))).into_response()
}

#[derive(Deserialize)]
struct Answers {
    surface: Option<String>,
    bulging: Option<String>,
}

fn yes(answer: Option<&str>) -> Option<bool> {
    match answer {
        Some("yes") => Some(true),
        Some("no") => Some(false),
        _ => None,
    }
}

async fn start_check(State(page): State<Page>, Form(form): Form<Answers>) -> Redirect {
    let start = Start { hard_surface: yes(form.surface.as_deref()), bulging: yes(form.bulging.as_deref()) };
    page.session.answer(Answer::Start(start));
    back(&page)
}

async fn not_now(State(page): State<Page>) -> Redirect {
    page.session.answer(Answer::NotNow);
    back(&page)
}

async fn stop(State(page): State<Page>) -> Redirect {
    page.session.stop();
    back(&page)
}

async fn close(State(page): State<Page>) -> Response {
    page.session.close();
    // The program ends now: a redirect would find nobody.
    show(State(page)).await
}

fn back(page: &Page) -> Redirect {
    Redirect::to(&format!("/{}/", page.door.path))
}

/// The page to keep, as the file that `--report` writes.
async fn keep(State(page): State<Page>) -> Response {
    let state = page.session.lock();
    let Stage::Done { kept, .. } = &state.stage else { return StatusCode::NOT_FOUND.into_response() };
    let headers = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8"),
        (header::CONTENT_DISPOSITION, "attachment; filename=\"cooling-check.html\""),
    ];
    (headers, kept.clone()).into_response()
}

fn html_of(markup: &Markup) -> Response {
    typed("text/html; charset=utf-8", markup.0.clone())
}

fn css(text: impl IntoResponse) -> Response {
    typed("text/css; charset=utf-8", text)
}

fn typed(kind: &'static str, text: impl IntoResponse) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}
