//! `GET /`: the service list.

use axum::extract::{RawQuery, State};
use axum::response::Response;

use super::{respond, shown};
use crate::access::Viewer;
use crate::http::{Hub, Problem};
use crate::pages::layout::{Content, Room};
use crate::pages::query::Query;
use crate::pages::{reading, service_list};
use crate::store::Store;

pub(super) async fn page<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    RawQuery(raw): RawQuery,
) -> Result<Response, Problem> {
    let shown = shown(&hub)?;
    let raw = raw.unwrap_or_default();
    let pairs: Vec<_> = form_urlencoded::parse(raw.as_bytes()).collect();
    let mut query = Query::from_pairs(pairs.iter().map(|(k, v)| (k.as_ref(), v.as_ref())));
    query.bind_to(viewer.site.as_deref());
    query.look_up_names(&shown.fleet);
    let coverage = shown.coverage.counts(viewer.site.as_deref());
    let marks = hub.store.mark_list(None, hub.clock.now_ms()).await.map_err(|e| Problem::of_store(&e))?;
    let overlays = reading::overlays(marks);
    let changes = hub.showroom.changes();
    let view = service_list::View {
        fleet: &shown.fleet,
        query: &query,
        coverage: &coverage,
        overlays: &overlays,
        changes: changes.as_deref(),
    };
    let body = service_list::body(&view, &super::reader(&viewer));
    let notice = query.unknown.notice();
    let content =
        Content { title: "Service list", room: Room::ServiceList, class: "", notice: notice.as_ref(), body };
    Ok(respond(&content, &viewer))
}
