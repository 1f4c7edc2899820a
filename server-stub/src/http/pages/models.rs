//! `GET /models` and `GET /models/{slug}`.

use axum::extract::{Path, State};
use axum::response::Response;
use windrow_model::METHOD_VERSION;

use super::{no_such, respond, shown};
use crate::access::Viewer;
use crate::http::{Hub, Problem};
use crate::pages::fleet::Entry;
use crate::pages::layout::{Content, Room};
use crate::pages::{models, reading};
use crate::store::Store;

/// Runs that a model's months and firmware rest on: its latest.
const MAX_RUNS: u32 = 1000;
/// Units named as the weakest.
const N_WEAKEST: usize = 12;

pub(super) async fn list<S: Store>(State(hub): State<Hub<S>>, viewer: Viewer) -> Result<Response, Problem> {
    let shown = shown(&hub)?;
    let content = Content {
        title: "Models",
        room: Room::Models,
        class: "",
        notice: None,
        body: models::list(&shown.models),
    };
    Ok(respond(&content, &viewer))
}

pub(super) async fn page<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(slug): Path<String>,
) -> Result<Response, Problem> {
    let shown = shown(&hub)?;
    let model = shown.model(&slug).ok_or_else(|| no_such("model"))?;
    let runs = hub
        .store
        .run_list_of_model(model.name.clone(), METHOD_VERSION, MAX_RUNS)
        .await
        .map_err(|e| Problem::of_store(&e))?;
    let runs = reading::model_runs(runs);
    let weakest: Vec<&Entry> = shown
        .fleet
        .laptops
        .iter()
        .filter(|e| e.model == model.name && viewer.sees(&e.site))
        .filter(|e| crate::pages::laptop::asks_for_a_visit(e.band))
        .take(N_WEAKEST)
        .collect();
    let view = models::View {
        model,
        weakest: &weakest,
        months: &models::months_of(&runs),
        firmwares: &models::firmwares_of(&runs),
        n_runs_read: runs.len(),
    };
    let content = Content {
        title: &model.name,
        room: Room::Models,
        class: "",
        notice: None,
        body: models::body(&view),
    };
    Ok(respond(&content, &viewer))
}
