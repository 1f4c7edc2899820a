//! `POST /v1/verifications`: what in an audit export was altered, as the Audit page and the command say it.

use axum::Json;
use axum::extract::multipart::MultipartRejection;
use axum::extract::{Multipart, State};
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::json;

use crate::http::filled::audit as filled;
use crate::http::openapi::Operation;
use crate::http::{BAD_FORM, Hub, Problem, upload};
use crate::store::Store;
use crate::verify::Report;

/// What a verification found.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Verification {
    /// What the sender calls the file.
    name: String,
    /// Whether nothing in it was altered.
    is_unaltered: bool,
    #[serde(flatten)]
    report: Report,
}

pub(super) fn operations() -> Vec<Operation> {
    let form = |_: &mut _| {
        json!({
            "type": "object",
            "required": ["export"],
            "additionalProperties": false,
            "properties": {
                "export": {"type": "string", "contentMediaType": "application/zip", "description": "an audit export as it was downloaded, at most 256 MiB, 2 GiB unpacked; the part has a file name"},
                "head": {"type": "string", "contentMediaType": "application/json", "description": "a head from before, which the export must extend"},
            },
        })
    };
    vec![
        Operation::new("POST", "/v1/verifications", "Verify an audit export; the file is read, and not kept")
            .body_as("multipart/form-data", form)
            .answer::<Verification>(200, "what was found")
            .limited_body()
            .problem(StatusCode::UNPROCESSABLE_ENTITY, BAD_FORM),
    ]
}

pub(super) async fn make<S: Store>(
    State(hub): State<Hub<S>>,
    form: Result<Multipart, MultipartRejection>,
) -> Result<Json<Verification>, Problem> {
    let form = form.map_err(|_| upload::broken_form())?;
    let verified = filled::verify(&hub, upload::Form::of_program(form, &hub.limits)).await?;
    Ok(Json(Verification {
        name: verified.name,
        is_unaltered: verified.report.findings.is_empty(),
        report: verified.report,
    }))
}
