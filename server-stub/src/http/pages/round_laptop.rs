//! The technician's pages: find a laptop, and what to do with it.

use axum::extract::{Path, Query, State};
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;

use super::{no_such, reader, respond, shown};
use crate::access::Viewer;
use crate::http::filled::rounds::{laptops_meant, seen_plan};
use crate::http::{Hub, Problem};
use crate::pages::fleet::Entry;
use crate::pages::layout::{Content, Room};
use crate::pages::round_laptop::{self, FindView, View};
use crate::pages::service_list::Overlay;
use crate::pages::{reading, words};
use crate::store::Store;

#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    q: String,
}

/// `GET /rounds/find`.
pub(super) async fn find<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    let typed = asked.q.trim();
    let document = seen_plan(&hub, &viewer).await.map_err(|e| Problem::of_store(&e))?;
    let shown = if typed.is_empty() { None } else { Some(shown(&hub)?) };
    let mut found: Option<Vec<&Entry>> = None;
    if let Some(shown) = &shown {
        let ids = laptops_meant(&hub, typed).await.map_err(|e| Problem::of_store(&e))?;
        let entries = ids.iter().filter_map(|id| shown.get(id)).map(|(entry, _)| entry);
        found = Some(entries.filter(|entry| viewer.sees(&entry.site)).collect());
    }
    if let Some([one]) = found.as_deref() {
        return Ok(Redirect::to(&format!("/rounds/laptops/{}", one.device_id)).into_response());
    }
    let view = FindView {
        typed,
        found: found.as_deref(),
        document: document.as_deref(),
        today: words::date(hub.clock.now_ms()).unwrap_or_default(),
    };
    let body = round_laptop::find(&view);
    let content = Content { title: "Find a laptop", room: Room::Rounds, class: "", notice: None, body };
    Ok(respond(&content, &viewer))
}

/// `GET /rounds/laptops/{device_id}`.
pub(super) async fn page<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(device_id): Path<String>,
) -> Result<Response, Problem> {
    let shown = shown(&hub)?;
    let (entry, standing) = shown
        .get(&device_id)
        .filter(|(entry, _)| viewer.sees(&entry.site))
        .ok_or_else(|| no_such("laptop"))?;
    let document = seen_plan(&hub, &viewer).await.map_err(|e| Problem::of_store(&e))?;
    let now_ms = hub.clock.now_ms();
    let marks = hub.store.mark_list(Some(device_id.clone()), now_ms).await;
    let overlays = reading::overlays(marks.map_err(|e| Problem::of_store(&e))?);
    let device = hub.store.device_get(device_id.clone()).await.map_err(|e| Problem::of_store(&e))?;
    let (nothing, evidence) = (Overlay::default(), reading::evidence(standing));
    let advised = reading::advised(standing);
    let view = View {
        entry,
        overlay: overlays.get(&device_id).unwrap_or(&nothing),
        visit: document.as_deref().and_then(|d| d.visit_of(&device_id)),
        advised: &advised,
        evidence: &evidence,
        may_be_asked: device.is_some_and(|d| d.revoked_at_ms.is_none()),
        today: words::date(now_ms).unwrap_or_default(),
    };
    let body = round_laptop::body(&view, &reader(&viewer));
    let title = format!("Service {}", entry.name());
    let content = Content { title: &title, room: Room::Rounds, class: "round-laptop", notice: None, body };
    Ok(respond(&content, &viewer))
}
