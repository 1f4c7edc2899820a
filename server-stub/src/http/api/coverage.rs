//! `GET /v1/coverage`: how far the laptops that should be checked were, why not, and each of them.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{BAD_QUERY, NOT_JUDGED_YET, bad_query, limit, time};
use crate::access::Viewer;
use crate::coverage::{CoverageCounts, CoverageLine, CoverageState, NotCheckedWhy};
use crate::http::asked::Query;
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem, judged};
use crate::pages::places::{self, Key};
use crate::store::Store;

/// Which laptops.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Only this site.
    site: Option<String>,
    /// Only laptops that stand so.
    state: Option<CoverageState>,
    /// Words to find in tag, id, model or place.
    find: Option<String>,
    /// Begin after this line, as `next` has it: `tag:` and a tag, or `laptop:` and a device id.
    after: Option<String>,
    /// How many, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// The coverage, and a page of its lines.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct CoveragePage {
    /// As of when the fleet was judged.
    as_of: String,
    /// Whether there is a list of the laptops that should be checked; without one no coverage can be told.
    has_list: bool,
    /// How many laptops of the site stand how, whatever `state` and `find` say.
    counts: CoverageCounts,
    /// How many should be checked.
    n_due: usize,
    /// Share of these that were, in the last 30 days; `null`: none should be.
    checked_share: Option<f64>,
    /// How many lines fit in all.
    n_fitting: usize,
    /// The list's tags in their order, then the laptops that are not on it, by id.
    lines: Vec<LineOfCoverage>,
    /// What to give as `after` for the next page; `null` on the last.
    next: Option<String>,
}

/// A tag of the list, or a laptop that isn't on it.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct LineOfCoverage {
    /// Asset tag; empty for a laptop without one.
    tag: String,
    /// The laptop, where one is known.
    device_id: Option<String>,
    /// Its model: what was found, else what the list says.
    model: String,
    /// Its site; may be empty.
    site: String,
    /// Its place within the site; may be empty.
    place: String,
    /// How it stands.
    state: CoverageState,
    /// Why it wasn't checked; `null` unless it is `not_checked`.
    not_checked_why: Option<NotCheckedWhy>,
    /// Why the list excludes or retires it.
    why: String,
    /// Its last check that loaded it.
    last_checked_at: Option<String>,
    /// First day on which it should be checked.
    from: Option<NaiveDate>,
    /// Last such day.
    until: Option<NaiveDate>,
}

impl From<&CoverageLine> for LineOfCoverage {
    fn from(l: &CoverageLine) -> Self {
        Self {
            tag: l.tag.clone(),
            device_id: l.device_id.clone(),
            model: l.model.clone(),
            site: l.site.clone(),
            place: l.place.clone(),
            state: l.state,
            not_checked_why: l.not_checked_why,
            why: l.why.clone(),
            last_checked_at: l.last_checked_at_ms.map(time),
            from: l.from_on,
            until: l.until_on,
        }
    }
}

pub(super) fn operations() -> Vec<Operation> {
    vec![
        Operation::new("GET", "/v1/coverage", "How far the laptops that should be checked were, and why not")
            .question::<Asked>()
            .answer::<CoveragePage>(200, "counts, and a page of the lines behind them")
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
            .problem(StatusCode::SERVICE_UNAVAILABLE, NOT_JUDGED_YET),
    ]
}

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Json<CoveragePage>, Problem> {
    let n_most = limit(asked.limit)? as usize;
    let shown = judged(&hub)?;
    let query = query_of(asked, &viewer)?;
    let coverage = &shown.coverage;
    let counts = coverage.counts(query.site.as_deref());
    let page = places::View { coverage, index: &shown.places, query: &query }.page_of(n_most);
    Ok(Json(CoveragePage {
        as_of: time(shown.fleet.as_of_ms),
        has_list: coverage.has_list,
        n_due: counts.n_due(),
        checked_share: counts.checked_share(),
        counts,
        n_fitting: page.n_fitting,
        next: page.last_before_more().map(|line| told(&Key::of(line))),
        lines: page.lines.into_iter().map(LineOfCoverage::from).collect(),
    }))
}

fn query_of(asked: Asked, viewer: &Viewer) -> Result<places::Query, Problem> {
    let after = asked.after.map(|after| read(&after)).transpose()?;
    let mut query = places::Query { site: asked.site, state: asked.state, after, ..places::Query::default() };
    query.search_for(asked.find.as_deref().unwrap_or_default());
    query.bind_to(viewer.site.as_deref());
    Ok(query)
}

fn told(key: &Key) -> String {
    match key {
        Key::Tag(tag) => format!("tag:{tag}"),
        Key::Laptop(id) => format!("laptop:{id}"),
    }
}

fn read(after: &str) -> Result<Key, Problem> {
    match after.split_once(':') {
        Some(("tag", tag)) => Ok(Key::Tag(tag.to_owned())),
        Some(("laptop", id)) => Ok(Key::Laptop(id.to_owned())),
        _ => Err(bad_query("give `after` as `next` has it").about("after")),
    }
}
