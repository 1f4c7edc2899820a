//! The technician's pages: find a laptop, and what to do with it.

use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;
use windrow_model::METHOD_VERSION;

use super::act::{JustLogged, seen_laptop};
use super::{reader, respond};
use crate::access::Viewer;
use crate::http::asked::{Path, Query};
use crate::http::filled::laptop::MAX_VISITS;
use crate::http::filled::rounds::{laptops_meant, seen_plan};
use crate::http::{Hub, Problem};
use crate::pages::behind::Behind;
use crate::pages::layout::{Content, Room};
use crate::pages::round_laptop::{self, FindView, Judged, View};
use crate::pages::service_list::Overlay;
use crate::pages::{reading, words};
use crate::rounds::dispatch;
use crate::store::Store;
use crate::store::facts::Laptop;

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
    let found = if typed.is_empty() { None } else { Some(found(&hub, &viewer, typed).await?) };
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

/// The laptops that may be meant, of those that the viewer sees; judged already or not.
async fn found<S: Store>(hub: &Hub<S>, viewer: &Viewer, typed: &str) -> Result<Vec<Laptop>, Problem> {
    let mut found = Vec::new();
    for device_id in laptops_meant(hub, typed).await.map_err(|e| Problem::of_store(&e))? {
        let laptop = hub.store.laptop_get(device_id).await.map_err(|e| Problem::of_store(&e))?;
        found.extend(laptop.filter(|laptop| viewer.sees(&laptop.site)));
    }
    Ok(found)
}

/// `GET /rounds/laptops/{device_id}`.
pub(super) async fn page<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(device_id): Path<String>,
    Query(told): Query<JustLogged>,
) -> Result<Response, Problem> {
    let laptop = seen_laptop(&hub, &viewer, &device_id).await?;
    // A laptop that joined and was never checked, or a hub that just began, has no judgement to show.
    let shown = hub.showroom.now();
    let standing = shown.as_ref().and_then(|shown| shown.get(&device_id)).map(|(_, standing)| standing);
    let document = seen_plan(&hub, &viewer).await.map_err(|e| Problem::of_store(&e))?;
    let now_ms = hub.clock.now_ms();
    let marks = hub.store.mark_list(Some(device_id.clone()), now_ms).await;
    let overlays = reading::overlays(marks.map_err(|e| Problem::of_store(&e))?);
    let device = hub.store.device_get(device_id.clone()).await.map_err(|e| Problem::of_store(&e))?;
    let nothing = Overlay::default();
    let words_of = standing.map(|s| (reading::advised(s), reading::evidence(s)));
    let judged = standing.zip(words_of.as_ref()).map(|(standing, (advised, evidence))| Judged {
        band: standing.band,
        reason: &standing.reason,
        provenance: &standing.last.kind.of.provenance,
        advised,
        evidence,
    });
    // Until the fleet is judged again, what was done would be advised once more.
    let judged_at_ms = shown.as_ref().map_or(now_ms, |shown| shown.fleet.as_of_ms);
    let serviced = hub.store.serviced_since(judged_at_ms).await.map_err(|e| Problem::of_store(&e))?;
    let id = || device_id.clone();
    let visits = hub.store.visit_list(Some(id()), 0, MAX_VISITS).await.map_err(|e| Problem::of_store(&e))?;
    let runs = hub.store.run_list_of_device(id(), METHOD_VERSION, None, 1).await;
    let runs = runs.map_err(|e| Problem::of_store(&e))?;
    let visit = document.as_deref().and_then(|d| d.visit_of(&device_id));
    let booked_for = match visit {
        Some(_) => None,
        None => dispatch::open_bookings(&hub.store)
            .await
            .map_err(|e| Problem::of_store(&e))?
            .iter()
            .find(|b| b.device_id == device_id)
            .map(|b| b.day),
    };
    let view = View {
        laptop: &laptop,
        booked_for,
        behind: Behind::of(&visits, &runs, judged_at_ms, hub.showroom.has_failed()),
        is_serviced: serviced.contains(&device_id),
        judged,
        overlay: overlays.get(&device_id).unwrap_or(&nothing),
        visit,
        may_be_asked: device.is_some_and(|d| d.revoked_at_ms.is_none()),
        today: words::date(now_ms).unwrap_or_default(),
    };
    let body = round_laptop::body(&view, &reader(&viewer));
    let title = format!("Service {}", round_laptop::name(&laptop));
    let notice = told.notice(&hub, &device_id).await?;
    let notice = notice.as_ref();
    let content = Content { title: &title, room: Room::Rounds, class: "round-laptop", notice, body };
    Ok(respond(&content, &viewer))
}
