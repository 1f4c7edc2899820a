//! `GET /v1/rounds`.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;

use super::openapi::Operation;
use super::{Hub, Problem};
use crate::access::Viewer;
use crate::rounds::document::Document;
use crate::store::Store;

/// What the document says of this route.
pub(super) fn operations() -> Vec<Operation> {
    vec![
        Operation::new(
            "GET",
            "/v1/rounds",
            "The rounds as they are planned, of the sites that the caller sees",
        )
        .answer::<Document>(200, "the plan")
        .problem(StatusCode::NOT_FOUND, "no_rounds"),
    ]
}

pub(super) async fn plan<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
) -> Result<Json<Document>, Problem> {
    let document = hub.desk.plan(&hub.store).await.map_err(|e| Problem::of_store(&e))?;
    let document = document.ok_or_else(|| {
        let detail = "no rounds are planned yet; an administrator plans them on the page `/rounds`, or by `windrow-hub rounds plan`";
        Problem::new(StatusCode::NOT_FOUND, "no_rounds", "no rounds", detail)
    })?;
    let document = Document::clone(&document);
    Ok(Json(match &viewer.site {
        Some(site) => document.at_site(site),
        None => document,
    }))
}
