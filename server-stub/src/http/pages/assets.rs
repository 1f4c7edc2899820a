//! The style sheet and the mark.

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

use crate::http::Problem;
use crate::pages::layout::{MARK, STYLE, STYLE_ADDRESS};

/// The style sheet's address has its digest in it, so that a browser may keep it for ever.
const FOR_EVER: &str = "public, max-age=31536000, immutable";
const A_DAY: &str = "public, max-age=86400";

pub(super) async fn asset(Path(name): Path<String>) -> Result<Response, Problem> {
    let (kind, kept, body) = if STYLE_ADDRESS.strip_prefix("/assets/") == Some(&name) {
        ("text/css; charset=utf-8", FOR_EVER, STYLE)
    } else if name == "mark.svg" {
        ("image/svg+xml", A_DAY, MARK)
    } else {
        let detail = format!("there is nothing at `/assets/{name}`");
        return Err(Problem::new(StatusCode::NOT_FOUND, "not_found", "no such route", detail));
    };
    Ok(([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, kept)], body).into_response())
}
