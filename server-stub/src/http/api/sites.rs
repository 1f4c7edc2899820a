//! `GET /v1/sites`: coverage and bands by site.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::Serialize;

use super::{NOT_JUDGED_YET, time};
use crate::access::Viewer;
use crate::coverage::CoverageCounts;
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem, judged};
use crate::scoring::Band;
use crate::store::Store;

/// All sites.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct SiteOverview {
    /// As of when the fleet was judged.
    as_of: String,
    /// Whether there is a list of the laptops that should be checked; without one no coverage can be told.
    has_list: bool,
    /// By name; laptops whose site isn't known stand under the empty name.
    sites: Vec<SiteStanding>,
}

/// One site.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct SiteStanding {
    /// Its name.
    site: String,
    /// Laptops that were judged, by band.
    bands: BTreeMap<Band, usize>,
    /// How far the laptops that should be checked were checked.
    coverage: CoverageCounts,
    /// How many should be checked.
    n_due: usize,
    /// Share of these that were, in the last 30 days; `null`: none should be.
    checked_share: Option<f64>,
}

pub(super) fn operations() -> Vec<Operation> {
    vec![
        Operation::new("GET", "/v1/sites", "Coverage and bands by site")
            .answer::<SiteOverview>(200, "all sites that the caller may see")
            .problem(StatusCode::SERVICE_UNAVAILABLE, NOT_JUDGED_YET),
    ]
}

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
) -> Result<Json<SiteOverview>, Problem> {
    let shown = judged(&hub)?;
    let mut sites: BTreeMap<String, (BTreeMap<Band, usize>, CoverageCounts)> = BTreeMap::new();
    for (site, counts) in shown.coverage.by_site() {
        sites.entry(site).or_default().1 = counts;
    }
    for entry in &shown.fleet.laptops {
        *sites.entry(entry.site.to_string()).or_default().0.entry(entry.band).or_default() += 1;
    }
    let sites = sites.into_iter().filter(|(site, _)| viewer.sees(site)).map(|(site, (bands, coverage))| {
        let (n_due, checked_share) = (coverage.n_due(), coverage.checked_share());
        SiteStanding { site, bands, coverage, n_due, checked_share }
    });
    let sites = sites.collect();
    Ok(Json(SiteOverview { as_of: time(shown.fleet.as_of_ms), has_list: shown.coverage.has_list, sites }))
}
