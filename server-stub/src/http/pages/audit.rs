//! `GET /audit` and `POST /audit/verify`.

use axum::extract::{Multipart, State};
use axum::response::{IntoResponse, Response};
use chrono::DateTime;

use super::{reader, respond, shown};
use crate::access::Viewer;
use crate::coverage::CoverageCounts;
use crate::http::filled::audit::{self as filled, LIMITS};
use crate::http::{Hub, Problem, upload};
use crate::ledger::signing;
use crate::pages::audit;
use crate::pages::layout::{Content, Room};
use crate::store::Store;

pub(super) async fn page<S: Store>(State(hub): State<Hub<S>>, viewer: Viewer) -> Result<Response, Problem> {
    let shown = shown(&hub)?;
    let sites: Vec<(String, CoverageCounts)> =
        shown.coverage.by_site().into_iter().filter(|(site, _)| viewer.sees(site)).collect();
    let head = match signing::head_now(&hub.store, hub.clock.now_ms()).await {
        Ok(head) => Some(head),
        Err(e) => {
            tracing::error!(error = &e as &dyn std::error::Error, "no head can be signed");
            None
        }
    };
    let view = audit::View {
        sites: &sites,
        as_of: DateTime::from_timestamp_millis(shown.fleet.as_of_ms).unwrap_or_default().date_naive(),
        may_export: viewer.site.is_none(),
        head: head.as_ref(),
        limits_mib: (LIMITS.packed >> 20, LIMITS.unpacked >> 20),
    };
    let body = audit::body(&view, &reader(&viewer));
    Ok(respond(&Content { title: "Audit", room: Room::Audit, class: "", notice: None, body }, &viewer))
}

pub(super) async fn verify<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Result<Multipart, axum::extract::multipart::MultipartRejection>,
) -> Result<Response, Problem> {
    let form = form.map_err(|e| upload::bad_form(e.body_text()))?;
    let form = upload::Form::open(form, &viewer, &hub.limits).await?;
    let verified = filled::verify(&hub, form).await?;
    let body = audit::verified(&verified.report, &verified.name);
    let content = Content { title: "Verification", room: Room::Audit, class: "", notice: None, body };
    Ok(respond(&content, &viewer).into_response())
}
