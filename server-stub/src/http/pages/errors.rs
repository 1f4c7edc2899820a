//! Problems as pages, for whoever reads with a browser.

use axum::extract::Request;
use axum::http::{HeaderMap, header};
use axum::middleware::Next;
use axum::response::Response;
use maud::html;

use super::as_response;
use crate::http::{BAD_FORM, NOT_NOW, Problem};
use crate::pages::layout::{self, Content, Room};
use crate::pages::words;

/// Turns a problem document into a page where a page was asked for. Programs keep the document.
pub(in crate::http) async fn errors_as_pages(request: Request, next: Next) -> Response {
    let wants_page = prefers_page(request.headers()) && !request.uri().path().starts_with("/v1/");
    let response = next.run(request).await;
    match response.extensions().get::<Problem>() {
        Some(problem) if wants_page => page(problem, &response),
        _ => response,
    }
}

/// A browser names HTML itself; a program that takes anything gets the document.
fn prefers_page(headers: &HeaderMap) -> bool {
    headers
        .get(header::ACCEPT)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|accept| accept.contains("text/html"))
}

fn page(problem: &Problem, response: &Response) -> Response {
    let title = words::capital(problem.title());
    let is_of_a_form = matches!(problem.code(), BAD_FORM | NOT_NOW);
    let body = html! {
        p.lead { (words::marked(&words::sentence(problem.detail()))) }
        @if is_of_a_form { p { "Go back with your browser to correct it: what you typed is still there." } }
        p { a href="/" { "To the service list" } }
        p.soft { "Status " (problem.status().as_u16()) ", " code { (problem.code()) } }
    };
    let content = Content { title: &title, room: Room::Elsewhere, class: "error", notice: None, body };
    let mut page = as_response(problem.status(), layout::page(&content, None));
    if let Some(retry_after) = response.headers().get(header::RETRY_AFTER) {
        page.headers_mut().insert(header::RETRY_AFTER, retry_after.clone());
    }
    page
}
