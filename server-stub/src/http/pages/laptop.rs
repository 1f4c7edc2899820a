//! `GET /laptops/{device_id}` and the download of a record.

use axum::extract::{Path, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use windrow_model::METHOD_VERSION;
use windrow_model::record::Digest;

use super::{no_such, respond, shown};
use crate::access::Viewer;
use crate::http::{Hub, Problem};
use crate::learning;
use crate::pages::fill::{Shown, numbers};
use crate::pages::history::Point;
use crate::pages::laptop::{self, ShownRun};
use crate::pages::layout::{Content, Room};
use crate::pages::peers::Kind;
use crate::pages::service_list::Overlay;
use crate::pages::{reading, words};
use crate::scoring::{ModelOf, Standing};
use crate::store::Store;
use crate::store::runs::RunLine;

/// Runs in the list; older ones are in the export.
const MAX_RUNS: u32 = 60;
/// Most entries of the log of visits that are shown.
const MAX_VISITS: u32 = 200;
/// Runs in the condition's curve: two years of monthly checks.
const MAX_POINTS: usize = 24;

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
    let runs = hub
        .store
        .run_list_of_device(device_id.clone(), METHOD_VERSION, MAX_RUNS)
        .await
        .map_err(|e| Problem::of_store(&e))?;
    let run = last_run(&hub, &runs).await?;
    let peers = hub.showroom.peers(&Kind::of(standing));
    let services = reading::services(&hub.store, &device_id).await.map_err(|e| Problem::of_store(&e))?;
    let visits = hub.store.visit_list(Some(device_id.clone()), 0, MAX_VISITS).await;
    let visits = visits.map_err(|e| Problem::of_store(&e))?;
    let evidence = reading::evidence(standing);
    let outlook = reading::outlook(standing);
    let history = history_of(&hub, &shown, standing).await?;
    let marks = hub.store.mark_list(Some(device_id.clone()), hub.clock.now_ms()).await;
    let overlays = reading::overlays(marks.map_err(|e| Problem::of_store(&e))?);
    let nothing = Overlay::default();
    let view = laptop::View {
        entry,
        overlay: overlays.get(&device_id).unwrap_or(&nothing),
        n_ranked: shown.fleet.laptops.len(),
        evidence: &evidence,
        visit_benefit: standing.band.is_visit().then_some(standing.visit_benefit),
        n_fitted_runs: standing.n_fitted_runs,
        outlook: outlook.as_ref(),
        history: &history,
        services: &services,
        visits: &visits,
        effect: shown.effects.of(&device_id).last(),
        run: run.as_ref(),
        peers: peers.as_ref(),
        runs: &runs,
        today: words::date(hub.clock.now_ms()).unwrap_or_default(),
    };
    let body = laptop::body(&view, &super::reader(&viewer));
    let title = format!("Laptop {}", entry.name());
    let content =
        Content { title: &title, room: Room::ServiceList, class: "laptop-page", notice: None, body };
    Ok(respond(&content, &viewer))
}

/// The condition after each of the last runs.
async fn history_of<S: Store>(
    hub: &Hub<S>,
    shown: &Shown,
    standing: &Standing,
) -> Result<Vec<Point>, Problem> {
    let of = ModelOf::run(&standing.last.stored);
    let Some(reference) = shown.references.get(&of) else { return Ok(Vec::new()) };
    let as_of_ms = shown.fleet.as_of_ms;
    let history = learning::history(&hub.store, reference.clone(), standing, as_of_ms, MAX_POINTS);
    let history = history.await.map_err(|e| Problem::of_store(&e))?;
    Ok(history
        .into_iter()
        .map(|after| Point { tested_at_ms: after.tested_at_ms, numbers: numbers(Some(&after.condition)) })
        .collect())
}

/// The last run that can be read, analysed again off the reactor.
async fn last_run<S: Store>(hub: &Hub<S>, runs: &[RunLine]) -> Result<Option<ShownRun>, Problem> {
    let Some(line) = runs.first().cloned() else { return Ok(None) };
    let Some(run) = hub.store.run_get(line.digest).await.map_err(|e| Problem::of_store(&e))? else {
        return Ok(None);
    };
    let read = tokio::task::spawn_blocking(move || reading::shown_run(&line, &run)).await;
    Ok(read.unwrap_or_else(|_| {
        tracing::error!("a run could not be read for its page");
        None
    }))
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
    let run = hub.store.run_get(digest).await.map_err(|e| Problem::of_store(&e))?;
    let run = run.filter(|r| r.device_id == device_id).ok_or_else(|| no_such("record"))?;
    let document = reading::record_document(&run).ok_or_else(|| no_such("record"))?;
    let name = format!("attachment; filename=\"{}.json\"", digest.to_hex());
    let disposition = HeaderValue::from_str(&name).unwrap_or(HeaderValue::from_static("attachment"));
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("application/json")),
        (header::CONTENT_DISPOSITION, disposition),
    ];
    Ok((StatusCode::OK, headers, document).into_response())
}
