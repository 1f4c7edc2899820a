//! `POST /v1/records`: one record as JSON, or many as NDJSON, acknowledged once durable.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, SecondsFormat};
use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::record::{RefusalCode, wire};

use super::openapi::Operation;
use super::{Hub, Limits, Problem, body};
use crate::ingest::{self, NotTaken, Taken};
use crate::meters::RecordState;
use crate::store::{Appended, Store};

/// Schemas of records that this hub accepts.
pub(super) const ACCEPTS: [&str; 1] = [wire::SCHEMA];
/// Most records in one post.
const MAX_RECORDS: usize = 256;

/// The answer to a post, one result a record in their order.
#[derive(Debug, Serialize, JsonSchema)]
struct Acknowledgement {
    /// In the order sent.
    results: Vec<RecordResult>,
    /// Schemas of records that this hub takes.
    accepts: [&'static str; 1],
    /// Until when the hub would like the next check; the agent decides when.
    check_wanted_by: Option<String>,
    /// Why an administrator holds this laptop back from load; `null`: nobody does.
    held: Option<String>,
}

#[derive(Debug, Serialize, JsonSchema)]
#[serde(untagged)]
enum RecordResult {
    /// It is on disk, with its ledger leaf.
    Taken {
        /// Its digest, hex.
        digest: String,
        /// `stored` or `known`.
        state: &'static str,
        /// How it stands in the device's chain, of a record stored now.
        #[serde(skip_serializing_if = "Option::is_none")]
        link: Option<&'static str>,
    },
    /// It was refused; the others stand.
    NotTaken {
        /// Why.
        #[schemars(with = "super::problem::Document<'static>")]
        problem: Problem,
    },
}

/// What the document says of this route.
pub(super) fn operations() -> Vec<Operation> {
    let lines = "one record a line, at most 256";
    let append = Operation::new("POST", "/v1/records", "Post records; to post again is harmless")
        .body_as("application/json", |schemas| schemas.whole("Record", windrow_model::record::json_schema()))
        .body_as("application/x-ndjson", move |_| serde_json::json!({"type": "string", "description": lines}))
        .answer::<Acknowledgement>(200, "worked through; look at each result")
        .limited_body()
        .problem(StatusCode::BAD_REQUEST, "empty")
        .problem(StatusCode::PAYLOAD_TOO_LARGE, "too_many_records")
        .problem(StatusCode::UNSUPPORTED_MEDIA_TYPE, "unsupported_media_type")
        .problem(StatusCode::FORBIDDEN, "unknown_device")
        .problem(StatusCode::FORBIDDEN, "revoked_device");
    vec![document_refused(append)]
}

/// The problems of a document that breaks its format or isn't as it was signed.
pub(super) fn document_refused(operation: Operation) -> Operation {
    RefusalCode::ALL
        .into_iter()
        .fold(operation, |operation, code| operation.problem(Problem::status_of_refusal(code), code.name()))
}

pub(super) async fn append<S: Store>(
    State(hub): State<Hub<S>>,
    headers: HeaderMap,
    request: Body,
) -> Response {
    let documents = match documents(&headers, request, &hub.limits).await {
        Ok(documents) => documents,
        Err(problem) => {
            hub.count_refusal(problem.code()).await;
            return problem.into_response();
        }
    };
    let outcome = ingest::take(&hub.store, documents.items, hub.clock.now_ms()).await;
    hub.measure.notify_one();
    let mut results = Vec::with_capacity(outcome.answers.len());
    for answer in outcome.answers {
        let result = result_of(answer);
        hub.meters.record(result.state());
        if let RecordResult::NotTaken { problem } = &result
            && !problem.is_ours()
        {
            hub.count_refusal(problem.code()).await;
            tracing::info!(reason = problem.code(), "a record was refused");
        }
        results.push(result);
    }
    // Some were not stored through no fault of theirs: the whole is to be posted again, which is harmless.
    if let Some(busy) = results.iter().find_map(RecordResult::not_stored) {
        return busy.into_response();
    }
    // A lone record's problem is the answer itself, so that a caller with one record needs to look at one thing.
    if documents.form == Form::One
        && let [RecordResult::NotTaken { problem }] = results.as_slice()
    {
        return problem.clone().into_response();
    }
    let check_wanted_by = outcome
        .check_wanted_by_ms
        .and_then(DateTime::from_timestamp_millis)
        .map(|t| t.to_rfc3339_opts(SecondsFormat::Secs, true));
    Json(Acknowledgement { results, accepts: ACCEPTS, check_wanted_by, held: outcome.held_why })
        .into_response()
}

impl RecordResult {
    fn state(&self) -> RecordState {
        match self {
            Self::Taken { state: "known", .. } => RecordState::Known,
            Self::Taken { .. } => RecordState::Stored,
            Self::NotTaken { problem } if problem.is_ours() => RecordState::NotStored,
            Self::NotTaken { .. } => RecordState::Refused,
        }
    }

    /// The problem of a record that the hub could not store now.
    fn not_stored(&self) -> Option<Problem> {
        match self {
            Self::NotTaken { problem } if problem.is_ours() => Some(problem.clone()),
            _ => None,
        }
    }
}

fn result_of(answer: Result<Taken, NotTaken>) -> RecordResult {
    match answer {
        Ok(Taken { digest, appended }) => {
            let (state, link) = match appended {
                Appended::Stored { link } => ("stored", Some(link)),
                Appended::Known => ("known", None),
            };
            RecordResult::Taken { digest: digest.to_hex(), state, link }
        }
        Err(why) => RecordResult::NotTaken { problem: Problem::of_not_taken(&why) },
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    One,
    Many,
}

struct Documents {
    form: Form,
    items: Vec<Vec<u8>>,
}

async fn documents(headers: &HeaderMap, request: Body, limits: &Limits) -> Result<Documents, Problem> {
    let form = form_of(headers)?;
    let bytes = body::read(headers, request, limits).await?;
    if form == Form::One {
        return Ok(Documents { form, items: vec![bytes] });
    }
    let items: Vec<Vec<u8>> = bytes
        .split(|&b| b == b'\n')
        .filter(|line| !line.iter().all(u8::is_ascii_whitespace))
        .map(<[u8]>::to_vec)
        .collect();
    if items.is_empty() {
        return Err(Problem::new(
            StatusCode::BAD_REQUEST,
            "empty",
            "nothing sent",
            "the body holds no record",
        ));
    }
    if items.len() > MAX_RECORDS {
        let detail = format!("{} records, at most {MAX_RECORDS} in one post", items.len());
        return Err(Problem::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "too_many_records",
            "too many records",
            detail,
        ));
    }
    Ok(Documents { form, items })
}

fn form_of(headers: &HeaderMap) -> Result<Form, Problem> {
    let given = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let essence = given.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
    match essence.as_str() {
        "application/json" => Ok(Form::One),
        "application/x-ndjson" => Ok(Form::Many),
        _ => {
            let detail = format!("`{essence}`; send `application/json` or `application/x-ndjson`");
            let status = StatusCode::UNSUPPORTED_MEDIA_TYPE;
            Err(Problem::new(status, "unsupported_media_type", "unsupported media type", detail))
        }
    }
}
