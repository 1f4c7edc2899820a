//! Problems as pages, for whoever reads with a browser.

use axum::extract::{Request, State};
use axum::http::uri::PathAndQuery;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;
use maud::{Markup, html};

use super::{as_response, reader};
use crate::access::Viewer;
use crate::http::gate::{peer_of, reader_of_problem};
use crate::http::{BAD_FORM, Hub, NOT_NOW, Problem};
use crate::pages::layout::{self, Content, Room};
use crate::pages::words;
use crate::store::Store;

/// Turns a problem document into a page where a page was asked for, with the ways that its reader has from there.
/// Programs keep the document.
pub(in crate::http) async fn errors_as_pages<S: Store>(
    State(hub): State<Hub<S>>,
    request: Request,
    next: Next,
) -> Response {
    if !prefers_page(request.headers()) || request.uri().path().starts_with("/v1/") {
        return next.run(request).await;
    }
    let (headers, address) = (request.headers().clone(), peer_of(request.extensions()));
    let asked = (request.method() == Method::GET).then(|| request.uri().clone());
    let response = next.run(request).await;
    let Some(problem) = response.extensions().get::<Problem>().cloned() else { return response };
    let viewer = reader_of_problem(&hub, &problem, &headers, address).await;
    let asked = asked.as_ref().and_then(|uri| uri.path_and_query()).map(PathAndQuery::as_str);
    page(&problem, &response, viewer.as_ref(), asked)
}

/// A browser names HTML itself; a program that takes anything gets the document.
fn prefers_page(headers: &HeaderMap) -> bool {
    headers
        .get(header::ACCEPT)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|accept| accept.contains("text/html"))
}

fn page(problem: &Problem, response: &Response, viewer: Option<&Viewer>, asked: Option<&str>) -> Response {
    let title = words::capital(problem.title());
    let is_of_a_form = matches!(problem.code(), BAD_FORM | NOT_NOW);
    let body = html! {
        p.lead { (words::marked(&words::sentence(problem.detail()))) }
        @if is_of_a_form { p { "Go back with your browser to correct it: what you typed is still there." } }
        p { (way_on(problem, viewer, asked)) }
        p.soft { "Status " (problem.status().as_u16()) ", " code { (problem.code()) } }
    };
    let content = Content { title: &title, room: Room::Elsewhere, class: "error", notice: None, body };
    let reader = viewer.map(reader);
    let mut page = as_response(problem.status(), layout::page(&content, reader.as_ref()));
    // What the answer carried beside its document stays: when to come again, and what the layers put on every answer.
    let is_of_document = |name: &header::HeaderName| {
        [header::CONTENT_TYPE, header::CONTENT_LENGTH, header::CONTENT_SECURITY_POLICY].contains(name)
    };
    for (name, value) in response.headers().iter().filter(|(name, _)| !is_of_document(name)) {
        page.headers_mut().append(name, value.clone());
    }
    page
}

/// Where the reader may go: the list, or first the sign-in page.
fn way_on(problem: &Problem, viewer: Option<&Viewer>, asked: Option<&str>) -> Markup {
    html! {
        @if viewer.is_some() || problem.status() == StatusCode::SERVICE_UNAVAILABLE {
            a href="/" { "To the service list" }
        } @else {
            a href=(sign_in_address(asked)) { "Sign in" } " to see the hub's pages."
        }
    }
}

/// The sign-in page, and from there back to what was asked for.
fn sign_in_address(asked: Option<&str>) -> String {
    let Some(asked) = asked else { return "/sign-in".to_owned() };
    let query = form_urlencoded::Serializer::new(String::new()).append_pair("to", asked).finish();
    format!("/sign-in?{query}")
}
