//! RFC 9457 problem documents. All wording for callers stands here.

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::record::{Refusal, RefusalCode};

use crate::ingest::NotTaken;
use crate::store::StoreError;

/// Prefix of the problem types; docs/http.md lists what follows it.
const TYPE_PREFIX: &str = "urn:windrow:problem:";

const OVERLOADED: &str = "overloaded";

/// A problem document.
#[derive(Debug, Clone)]
#[must_use]
pub struct Problem {
    status: StatusCode,
    code: &'static str,
    title: &'static str,
    detail: String,
    field: Option<Box<str>>,
    retry_after_s: Option<u32>,
}

/// An RFC 9457 problem document.
#[derive(Serialize, JsonSchema)]
#[schemars(rename = "Problem")]
pub(super) struct Document<'a> {
    /// `urn:windrow:problem:` and a code that programs may branch on.
    r#type: String,
    /// What is the matter.
    title: &'a str,
    /// The HTTP status.
    status: u16,
    /// The particulars, for a person.
    detail: &'a str,
    /// Where in what was sent.
    #[serde(skip_serializing_if = "Option::is_none")]
    field: Option<&'a str>,
}

impl Serialize for Problem {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let document = Document {
            r#type: format!("{TYPE_PREFIX}{}", self.code),
            title: self.title,
            status: self.status.as_u16(),
            detail: &self.detail,
            field: self.field.as_deref(),
        };
        document.serialize(serializer)
    }
}

impl Problem {
    /// A problem with a code that programs may branch on.
    pub fn new(
        status: StatusCode,
        code: &'static str,
        title: &'static str,
        detail: impl Into<String>,
    ) -> Self {
        debug_assert!(status.is_client_error() || status.is_server_error());
        Self { status, code, title, detail: detail.into(), field: None, retry_after_s: None }
    }

    /// What is the matter, without the particulars.
    pub const fn title(&self) -> &'static str {
        self.title
    }

    /// Its code.
    pub const fn code(&self) -> &'static str {
        self.code
    }

    /// Its HTTP status.
    pub const fn status(&self) -> StatusCode {
        self.status
    }

    /// What it says to a person.
    pub fn detail(&self) -> &str {
        &self.detail
    }

    /// Whether it is the hub's fault and not the document's.
    pub fn is_ours(&self) -> bool {
        self.status.is_server_error()
    }

    /// Whether there was too much at once.
    pub fn is_overload(&self) -> bool {
        self.code == OVERLOADED
    }

    /// Something broke that is no fault of the caller; the log has it.
    pub fn internal() -> Self {
        let detail = "the hub failed; what was sent is not stored, send it again";
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", "internal error", detail)
    }

    /// Too much at once.
    pub fn overloaded(retry_after_s: u32) -> Self {
        let detail = "the hub is busy; nothing was stored, send it again later";
        let problem = Self::new(StatusCode::SERVICE_UNAVAILABLE, OVERLOADED, "busy", detail);
        Self { retry_after_s: Some(retry_after_s), ..problem }
    }

    /// Too many failed tries from one address.
    pub fn too_many_tries(retry_after_s: u32) -> Self {
        let detail = "too many failed tries from this address; wait, then try again";
        let problem = Self::new(StatusCode::TOO_MANY_REQUESTS, "too_many_tries", "too many tries", detail);
        Self { retry_after_s: Some(retry_after_s), ..problem }
    }

    /// The store could not.
    pub fn of_store(error: &StoreError) -> Self {
        if !matches!(error, StoreError::Busy | StoreError::Closing | StoreError::Overtaken) {
            tracing::error!(error = error as &dyn std::error::Error, "the store failed");
        }
        Self::overloaded(super::RETRY_AFTER_S)
    }

    /// The status that goes with a refusal.
    pub(super) const fn status_of_refusal(code: RefusalCode) -> StatusCode {
        match code {
            RefusalCode::TooLarge => StatusCode::PAYLOAD_TOO_LARGE,
            RefusalCode::BadSignature | RefusalCode::KeyIdMismatch | RefusalCode::WeakKey => {
                StatusCode::FORBIDDEN
            }
            RefusalCode::TraceDigestMismatch | RefusalCode::DigestMismatch => {
                StatusCode::UNPROCESSABLE_ENTITY
            }
            _ => StatusCode::BAD_REQUEST,
        }
    }

    /// A document that breaks the format.
    pub fn of_refusal(refusal: &Refusal) -> Self {
        let status = Self::status_of_refusal(refusal.code);
        Self::new(status, refusal.code.name(), "document refused", refusal.why.clone()).about(&refusal.field)
    }

    /// A record that was not taken.
    pub fn of_not_taken(why: &NotTaken) -> Self {
        match why {
            NotTaken::Refused(refusal) => Self::of_refusal(refusal),
            NotTaken::UnknownDevice(_) => {
                let detail = format!("{why}; join it with an invite first");
                Self::new(StatusCode::FORBIDDEN, "unknown_device", "unknown device", detail)
                    .about("header.device_id")
            }
            NotTaken::Revoked(_) => {
                let detail = format!("{why}; ask the administrator");
                Self::new(StatusCode::FORBIDDEN, "revoked_device", "revoked device", detail)
                    .about("header.device_id")
            }
            NotTaken::Store(e) => Self::of_store(e),
        }
    }

    /// The same problem with when to come again.
    pub(super) fn retry_after(self, seconds: u32) -> Self {
        Self { retry_after_s: Some(seconds), ..self }
    }

    /// The same problem about a field.
    pub fn about(self, field: &str) -> Self {
        Self { field: Some(field.into()), ..self }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let (status, retry_after_s) = (self.status, self.retry_after_s);
        let mut response = (status, Json(&self)).into_response();
        // For the layer that shows it as a page.
        response.extensions_mut().insert(self);
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if let Some(seconds) = retry_after_s {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        response
    }
}
