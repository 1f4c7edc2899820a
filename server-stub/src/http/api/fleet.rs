//! `GET /v1/fleet`: the ranked laptops with all columns of the fleet table.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::marks::LaptopMark;
use super::{BAD_QUERY, NOT_JUDGED_YET, bad_query, limit, time};
use crate::access::Viewer;
use crate::fleet_table::{self, Explained};
use crate::http::asked::Query;
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem, judged};
use crate::pages::fill::Shown;
use crate::pages::fleet::Order;
use crate::pages::query::{self, From};
use crate::scoring::Band;
use crate::store::Store;
use crate::store::facts::Mark;

/// Which laptops, in which order.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Only this site.
    site: Option<String>,
    /// Only this model.
    model: Option<String>,
    /// Only this band.
    band: Option<Band>,
    /// Words to find in tag, id, model, site or place.
    find: Option<String>,
    /// By what it is ordered; by rank where it isn't given.
    order: Option<Order>,
    /// Begin after this laptop: a device id, as `next` has it.
    after: Option<String>,
    /// How many, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// A page of the ranked fleet.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct FleetPage {
    /// As of when the fleet was judged.
    as_of: String,
    /// How many laptops fit in all.
    n_fitting: usize,
    /// In the order asked for.
    laptops: Vec<FleetLaptop>,
    /// What to give as `after` for the next page; `null` on the last.
    next: Option<String>,
}

/// A laptop of the fleet: its row, what that rests on, and what people said of it.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct FleetLaptop {
    #[serde(flatten)]
    explained: Explained,
    /// Its place within the site.
    place: String,
    /// Holds, snoozes and wanted checks that are open.
    marks: Vec<LaptopMark>,
}

impl FleetLaptop {
    /// The laptop at a place of the rank, from 0.
    pub(super) fn at(shown: &Shown, place: usize, marks: Vec<LaptopMark>) -> Self {
        Self {
            explained: fleet_table::explained(
                place + 1,
                &shown.standings[place],
                &shown.versions,
                &shown.coverage,
            ),
            place: shown.fleet.laptops[place].place.to_string(),
            marks,
        }
    }
}

pub(super) fn operations() -> Vec<Operation> {
    vec![
        Operation::new(
            "GET",
            "/v1/fleet",
            "The fleet by who needs service, with every column of the fleet table",
        )
        .question::<Asked>()
        .answer::<FleetPage>(200, "a page of it")
        .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
        .problem(StatusCode::SERVICE_UNAVAILABLE, NOT_JUDGED_YET),
    ]
}

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Json<FleetPage>, Problem> {
    let n_most = limit(asked.limit)? as usize;
    let shown = judged(&hub)?;
    let query = query_of(asked, &viewer, &shown)?;
    let marks = hub.store.mark_list(None, hub.clock.now_ms()).await.map_err(|e| Problem::of_store(&e))?;
    let mut marks = by_device(marks);
    let page = query.page_of(&shown.fleet, n_most);
    let is_last = page.n_before + page.entries.len() >= page.n_fitting;
    let next = page.entries.last().filter(|_| !is_last).map(|e| e.device_id.to_string());
    let laptops = page.entries.iter().map(|entry| {
        let marks = marks.remove(&*entry.device_id).unwrap_or_default();
        FleetLaptop::at(&shown, entry.rank - 1, marks)
    });
    let laptops = laptops.collect();
    Ok(Json(FleetPage { as_of: time(shown.fleet.as_of_ms), n_fitting: page.n_fitting, laptops, next }))
}

fn query_of(asked: Asked, viewer: &Viewer, shown: &Shown) -> Result<query::Query, Problem> {
    let from = match asked.after {
        None => From::Start,
        Some(after) if shown.fleet.place(&after).is_some() => From::After(after),
        Some(_) => {
            return Err(
                bad_query("no such laptop to go on after; begin again without `after`").about("after")
            );
        }
    };
    let mut query = query::Query {
        site: asked.site,
        model: asked.model,
        band: asked.band,
        order: asked.order.unwrap_or_default(),
        from,
        ..query::Query::default()
    };
    query.search_for(asked.find.as_deref().unwrap_or_default());
    query.bind_to(viewer.site.as_deref());
    Ok(query)
}

/// Open marks by laptop.
fn by_device(marks: Vec<Mark>) -> BTreeMap<String, Vec<LaptopMark>> {
    let mut by_device: BTreeMap<String, Vec<LaptopMark>> = BTreeMap::new();
    for mark in marks {
        let marks = by_device.entry(mark.device_id.clone()).or_default();
        marks.push(LaptopMark::of(&mark));
    }
    by_device
}
