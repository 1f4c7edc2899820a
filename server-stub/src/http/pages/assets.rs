//! The style sheet and the mark.

use axum::http::header;
use axum::response::IntoResponse;

use crate::pages::layout::{MARK, STYLE};

/// The style sheet is asked for with its digest, so that a browser may keep it for ever.
const FOR_EVER: &str = "public, max-age=31536000, immutable";
const A_DAY: &str = "public, max-age=86400";

pub(super) async fn style() -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "text/css; charset=utf-8"), (header::CACHE_CONTROL, FOR_EVER)], STYLE.as_str())
}

pub(super) async fn mark() -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "image/svg+xml"), (header::CACHE_CONTROL, A_DAY)], MARK)
}
