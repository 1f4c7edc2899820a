//! `GET /v1/changes`: what changed since a week ago, as it stands above the service list.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{BAD_QUERY, NOT_JUDGED_YET, bad_query, limit, time};
use crate::access::Viewer;
use crate::http::asked::Query;
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem, not_judged_yet};
use crate::pages::changes::{Changes, Moved, OfSite};
use crate::scoring::Band;
use crate::store::Store;

/// Of which laptops.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Only this site.
    site: Option<String>,
    /// Begin after this laptop: a device id, as `next` has it.
    after: Option<String>,
    /// How many, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// What changed since a week ago.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ChangesPage {
    /// Since when.
    since: String,
    /// Whether any laptop had been checked by then; if not, there is nothing to compare with.
    has_past: bool,
    /// Laptops that were checked since.
    n_checked: usize,
    /// Of these, for the first time.
    n_first_checked: usize,
    /// Visits that were logged since.
    n_visits: usize,
    /// Laptops that need a visit now and needed none then.
    n_newly_due: usize,
    /// Laptops that needed a visit then and need none now.
    n_no_longer_due: usize,
    /// How many laptops went from which band to which.
    bands: Vec<BandChange>,
    /// The laptops whose band changed, the most urgent first.
    laptops: Vec<MovedLaptop>,
    /// What to give as `after` for the next page; `null` on the last.
    next: Option<String>,
}

/// A change of band and how many laptops made it.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct BandChange {
    /// Then.
    from: Band,
    /// Now.
    to: Band,
    /// How many.
    n_laptops: usize,
}

/// A laptop whose band changed.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct MovedLaptop {
    /// Its id.
    device_id: String,
    /// Asset tag; may be empty.
    asset_tag: String,
    /// Site; may be empty.
    site: String,
    /// Its band then.
    from: Band,
    /// Its band now.
    to: Band,
}

impl From<&Moved> for MovedLaptop {
    fn from(m: &Moved) -> Self {
        Self {
            device_id: m.device_id.clone(),
            asset_tag: m.asset_tag.clone(),
            site: m.site.clone(),
            from: m.from,
            to: m.to,
        }
    }
}

pub(super) fn operations() -> Vec<Operation> {
    vec![
        Operation::new("GET", "/v1/changes", "What changed since a week ago")
            .question::<Asked>()
            .answer::<ChangesPage>(200, "counts, and a page of the laptops whose band changed")
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
            .problem(StatusCode::SERVICE_UNAVAILABLE, NOT_JUDGED_YET),
    ]
}

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Json<ChangesPage>, Problem> {
    let n_most = limit(asked.limit)? as usize;
    // They are worked out shortly after the list itself.
    let changes = hub.showroom.changes().ok_or_else(|| not_judged_yet(&hub))?;
    let of = changes.of(viewer.site.as_deref().or(asked.site.as_deref()));
    page(&changes, &of, asked.after.as_deref(), n_most).map(Json)
}

fn page(changes: &Changes, of: &OfSite, after: Option<&str>, n_most: usize) -> Result<ChangesPage, Problem> {
    let n_before = match after {
        None => 0,
        Some(after) => {
            of.moved.iter().position(|m| m.device_id == after).map(|at| at + 1).ok_or_else(|| {
                bad_query("no such laptop to go on after; begin again without `after`").about("after")
            })?
        }
    };
    let laptops: Vec<MovedLaptop> =
        of.moved.iter().skip(n_before).take(n_most).map(MovedLaptop::from).collect();
    let is_last = n_before + laptops.len() >= of.moved.len();
    Ok(ChangesPage {
        since: time(changes.since_ms()),
        has_past: changes.has_past(),
        n_checked: of.n_checked,
        n_first_checked: of.n_first_checked,
        n_visits: of.n_visits,
        n_newly_due: of.moved.iter().filter(|m| m.is_newly_due()).count(),
        n_no_longer_due: of.moved.iter().filter(|m| m.is_no_longer_due()).count(),
        bands: of
            .bands()
            .into_iter()
            .map(|((from, to), n_laptops)| BandChange { from, to, n_laptops })
            .collect(),
        next: laptops.last().filter(|_| !is_last).map(|l| l.device_id.clone()),
        laptops,
    })
}
