//! `GET /models` and `GET /models/{slug}`.

use axum::extract::State;
use axum::response::Response;

use super::{no_such, respond, shown};
use crate::access::Viewer;
use crate::http::asked::Path;
use crate::http::filled::model as filled;
use crate::http::{Hub, Problem};
use crate::pages::layout::{Content, Room};
use crate::pages::models;
use crate::store::Store;

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
    let filled =
        filled::model(&hub.store, &viewer, &shown, model).await.map_err(|e| Problem::of_store(&e))?;
    let view = models::View {
        model,
        weakest: &filled.weakest,
        months: &filled.months,
        firmwares: &filled.firmwares,
        n_runs_read: filled.n_runs_read,
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
