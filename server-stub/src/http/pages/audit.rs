//! `GET /audit` and `POST /audit/verify`.

use axum::extract::{Multipart, State};
use axum::response::{IntoResponse, Response};
use chrono::DateTime;

use super::{reader, respond};
use crate::access::Viewer;
use crate::http::filled::audit::{self as filled, LIMITS};
use crate::http::{Hub, Problem, upload, why_not_judged};
use crate::ledger::signing;
use crate::pages::audit;
use crate::pages::fill::Shown;
use crate::pages::layout::{Content, Room};
use crate::store::Store;

pub(super) async fn page<S: Store>(State(hub): State<Hub<S>>, viewer: Viewer) -> Result<Response, Problem> {
    let judged = hub.showroom.now().map(|shown| judged(&shown, &viewer)).ok_or_else(|| why_not_judged(&hub));
    let head = match signing::head_now(&hub.store, hub.clock.now_ms()).await {
        Ok(head) => Some(head),
        Err(e) => {
            tracing::error!(error = &e as &dyn std::error::Error, "no head can be signed");
            None
        }
    };
    let view = audit::View {
        judged,
        may_export: viewer.site.is_none(),
        head: head.as_ref(),
        limits_mib: (LIMITS.packed >> 20, LIMITS.unpacked >> 20),
    };
    let body = audit::body(&view, &reader(&viewer));
    Ok(respond(&Content { title: "Audit", room: Room::Audit, class: "", notice: None, body }, &viewer))
}

fn judged(shown: &Shown, viewer: &Viewer) -> audit::Judged {
    audit::Judged {
        sites: shown.coverage.by_site().into_iter().filter(|(site, _)| viewer.sees(site)).collect(),
        as_of: DateTime::from_timestamp_millis(shown.fleet.as_of_ms).unwrap_or_default().date_naive(),
    }
}

pub(super) async fn verify<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Result<Multipart, axum::extract::multipart::MultipartRejection>,
) -> Result<Response, Problem> {
    let form = form.map_err(|_| upload::broken_form())?;
    let form = upload::Form::open(form, &viewer, &hub.limits).await?;
    let verified = filled::verify(&hub, form).await?;
    let body = audit::verified(&verified.report, &verified.name);
    let content = Content { title: "Verification", room: Room::Audit, class: "", notice: None, body };
    Ok(respond(&content, &viewer).into_response())
}
