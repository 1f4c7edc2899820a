//! `GET /v1/models/{id}/reference`: what laptops are compared with.
//!
//! A laptop reads its own model's reference, with its own part in it; whoever has a grant reads any, without any
//! laptop's part.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, SecondsFormat};
use serde_json::json;
use windrow_model::METHOD_VERSION;
use windrow_model::reference::{PublishedReference, Source, model_id};

use super::gate::Asker;
use super::openapi::Operation;
use super::{Hub, Problem, pages};
use crate::http::asked::Path;
use crate::pages::fill::Shown;
use crate::scoring::{ModelOf, conditions};
use crate::store::Store;

/// Latest runs of a laptop that tell which models are its own.
const OWN_RUNS: u32 = 100;

/// What the document says of these routes.
pub(super) fn operations() -> Vec<Operation> {
    let not_yet = StatusCode::SERVICE_UNAVAILABLE;
    let path = "/v1/models/{id}/reference";
    vec![
        Operation::new("GET", path, "What laptops of a model are compared with")
            .answer_as(
                200,
                "the reference, `windrow-reference/1`",
                "application/json",
                json!({"type": "object", "required": ["schema", "model_id", "standing"]}),
            )
            .problem(StatusCode::NOT_FOUND, "no_record_yet")
            .problem(StatusCode::NOT_FOUND, "no_reference_yet")
            .problem(StatusCode::FORBIDDEN, "not_own_model")
            .problem(not_yet, "not_judged_yet"),
    ]
}

pub(super) async fn reference<S: Store>(
    State(hub): State<Hub<S>>,
    asker: Asker,
    Path(id): Path<String>,
) -> Result<Json<PublishedReference>, Problem> {
    let device_id = match asker {
        Asker::Person => None,
        Asker::Device(device_id) => {
            is_own(&hub, &device_id, &id).await?;
            Some(device_id)
        }
    };
    let shown = pages::shown(&hub)?;
    let of = shown.model_of(&id).ok_or_else(|| {
        let detail = "the hub has learned no reference of such a model yet";
        Problem::new(StatusCode::NOT_FOUND, "no_reference_yet", "no reference", detail)
    })?;
    let published = published(&shown, of)?;
    let Some(device_id) = device_id else { return Ok(Json(published)) };
    let services = hub.store.service_list_of_device(device_id.clone()).await;
    let services = services.map_err(|e| Problem::of_store(&e))?;
    let services = conditions::services_by_device(&services).remove(&device_id).unwrap_or_default();
    let share = shown.references.get(of).and_then(|standing| standing.share_of(&device_id));
    Ok(Json(published.for_laptop(&device_id, share, &services)))
}

/// Whether a laptop has been checked as this model; whether there is such a model is not its to know.
async fn is_own<S: Store>(hub: &Hub<S>, device_id: &str, id: &str) -> Result<(), Problem> {
    let runs = hub.store.run_list_of_device(device_id.to_owned(), METHOD_VERSION, None, OWN_RUNS).await;
    let runs = runs.map_err(|e| Problem::of_store(&e))?;
    if runs.iter().any(|run| model_id(&run.provenance, &run.model_key) == id) {
        return Ok(());
    }
    Err(if runs.is_empty() {
        let detail = "the hub knows a laptop's model from its first record; send one, then ask again";
        Problem::new(StatusCode::NOT_FOUND, "no_record_yet", "no record yet", detail)
    } else {
        let detail = "a laptop may read the reference of its own model only";
        Problem::new(StatusCode::FORBIDDEN, "not_own_model", "not allowed", detail)
    })
}

fn published(shown: &Shown, of: &ModelOf) -> Result<PublishedReference, Problem> {
    let standing = shown.references.get(of).map(Arc::as_ref).ok_or_else(Problem::internal)?;
    Ok(PublishedReference::new(&Source {
        provenance: &of.provenance,
        model_key: &of.model_key,
        as_of: &as_of(shown),
        firmwares: shown.firmwares.names(of),
        standing,
    }))
}

fn as_of(shown: &Shown) -> String {
    let time = DateTime::from_timestamp_millis(shown.fleet.as_of_ms).unwrap_or_default();
    time.to_rfc3339_opts(SecondsFormat::Secs, true)
}
