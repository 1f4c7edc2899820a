//! Reading what a program asks and sends, strictly.

use axum::body::Body;
use axum::http::{HeaderMap, StatusCode, header};
use serde::de::DeserializeOwned;

use crate::http::openapi::Operation;
use crate::http::{BAD_BODY, Hub, Problem, asked, body};

const UNSUPPORTED_MEDIA_TYPE: &str = "unsupported_media_type";

/// A body that was read: its media type without parameters, and its bytes.
pub(super) async fn body<S>(
    hub: &Hub<S>,
    headers: &HeaderMap,
    body: Body,
) -> Result<(String, Vec<u8>), Problem> {
    let given = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let essence = given.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
    let bytes = body::read(headers, body, &hub.limits).await?;
    Ok((essence, bytes))
}

/// JSON of a known shape.
pub(super) fn json<T: DeserializeOwned>(essence: &str, bytes: &[u8]) -> Result<T, Problem> {
    if essence != "application/json" {
        return Err(unsupported(essence, "`application/json`"));
    }
    asked::json(bytes).map_err(bad_body)
}

pub(super) fn bad_body(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, BAD_BODY, "what was sent cannot be taken", detail)
}

pub(super) fn unsupported(essence: &str, wanted: &str) -> Problem {
    let detail = format!("`{essence}`; send {wanted}");
    Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, UNSUPPORTED_MEDIA_TYPE, "unsupported media type", detail)
}

/// The problems of a body of JSON.
pub(super) fn with_body(operation: Operation) -> Operation {
    operation
        .limited_body()
        .problem(StatusCode::UNPROCESSABLE_ENTITY, BAD_BODY)
        .problem(StatusCode::UNSUPPORTED_MEDIA_TYPE, UNSUPPORTED_MEDIA_TYPE)
}
