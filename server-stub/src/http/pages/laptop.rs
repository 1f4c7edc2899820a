//! `GET /laptops/{device_id}` and the download of a record.

use axum::extract::State;
use axum::response::Response;
use windrow_model::record::Digest;

use super::act::JustLogged;
use super::{no_such, respond, shown};
use crate::access::Viewer;
use crate::http::asked::{Path, Query};
use crate::http::filled::laptop as filled;
use crate::http::{Hub, Problem, download};
use crate::pages::behind::Behind;
use crate::pages::laptop;
use crate::pages::layout::{Content, Room};
use crate::pages::service_list::Overlay;
use crate::pages::{reading, words};
use crate::store::Store;

pub(super) async fn page<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(device_id): Path<String>,
    Query(told): Query<JustLogged>,
) -> Result<Response, Problem> {
    let shown = shown(&hub)?;
    let (entry, standing) = shown
        .get(&device_id)
        .filter(|(entry, _)| viewer.sees(&entry.site))
        .ok_or_else(|| no_such("laptop"))?;
    let filled = filled::laptop(&hub.store, &device_id, Some((&shown, standing)), hub.clock.now_ms()).await;
    let filled = filled.map_err(|e| Problem::of_store(&e))?;
    let run = match filled.runs.first() {
        Some(line) => {
            filled::run(&hub.store, &hub.showroom, line).await.map_err(|e| Problem::of_store(&e))?
        }
        None => None,
    };
    let has_failed = hub.showroom.has_failed();
    let behind = Behind::of(&filled.visits, &filled.runs, shown.fleet.as_of_ms, has_failed);
    let evidence = reading::evidence(standing);
    let outlook = reading::outlook(standing);
    let overlays = reading::overlays(filled.marks);
    let nothing = Overlay::default();
    let view = laptop::View {
        entry,
        behind,
        overlay: overlays.get(&device_id).unwrap_or(&nothing),
        n_ranked: shown.fleet.laptops.len(),
        evidence: &evidence,
        visit_benefit: standing
            .band
            .is_visit()
            .then(|| words::money(standing.visit_benefit, &hub.costs.now().0.currency)),
        n_fitted_runs: standing.n_fitted_runs,
        outlook: outlook.as_ref(),
        history: &filled.history,
        services: &filled.services,
        visits: &filled.visits,
        effect: shown.effects.of(&device_id).last(),
        run: run.as_ref().map(|r| &r.run),
        peers: run.as_ref().and_then(|r| r.peers.as_ref()),
        runs: &filled.runs,
        today: words::date(hub.clock.now_ms()).unwrap_or_default(),
    };
    let body = laptop::body(&view, &super::reader(&viewer));
    let title = format!("Laptop {}", entry.name());
    let notice = told.notice(&hub, &device_id).await?;
    let notice = notice.as_ref();
    let content = Content { title: &title, room: Room::ServiceList, class: "laptop-page", notice, body };
    Ok(respond(&content, &viewer))
}

pub(super) async fn record<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path((device_id, digest)): Path<(String, String)>,
) -> Result<Response, Problem> {
    let shown = shown(&hub)?;
    let is_seen = shown.get(&device_id).is_some_and(|(entry, _)| viewer.sees(&entry.site));
    let digest =
        Digest::from_hex(&digest, "digest").ok().filter(|_| is_seen).ok_or_else(|| no_such("record"))?;
    let record = filled::record(&hub.store, &device_id, digest).await.map_err(|e| Problem::of_store(&e))?;
    let record = record.ok_or_else(|| no_such("record"))?;
    Ok(download(&format!("{}.json", digest.to_hex()), "application/json", record.into()))
}
