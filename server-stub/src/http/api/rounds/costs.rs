//! `GET` and `POST /v1/rounds/costs`: what things cost, and on which days nobody works.

use std::collections::{BTreeMap, BTreeSet};

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::json;

use crate::access::Viewer;
use crate::costs::in_force::{InForce, Source};
use crate::costs::{Costs, FIELDS, SiteCosts};
use crate::http::api::input::{self, bad_body, unsupported};
use crate::http::api::time;
use crate::http::filled::Denied;
use crate::http::filled::rounds::{self as filled, ALL_SITES_ONLY, COSTS_OF_FILE};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::store::Store;

/// Media types of the file: few programs know the first.
const FORMS: [&str; 2] = ["application/toml", "text/plain"];

/// Where costs come from.
#[derive(Debug, Clone, Copy, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub(super) enum CostsSource {
    /// The file that the hub was started with.
    File,
    /// What an administrator set last.
    Set,
    /// Nobody said anything.
    Defaults,
}

/// What things cost.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct CostsTold {
    /// Names these very costs.
    version: String,
    /// Where they come from.
    source: CostsSource,
    /// When they were set.
    set_at: Option<String>,
    /// Name of the money.
    currency: String,
    /// Every number of the file by section and key, such as `minutes.clean`; docs/operations.md has units.
    values: BTreeMap<String, f64>,
    /// Days on which nobody works anywhere.
    days_off: BTreeSet<NaiveDate>,
    /// What differs at a site.
    sites: BTreeMap<String, CostsOfSite>,
}

/// What differs at a site; `null`: nothing.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct CostsOfSite {
    /// Minutes of a trip.
    trip_minutes: Option<f64>,
    /// Money of a trip.
    trip_money: Option<f64>,
    /// Spare laptops; `null`: not counted.
    spare_units: Option<u32>,
    /// Days on which the site is closed.
    days_off: BTreeSet<NaiveDate>,
}

impl From<&SiteCosts> for CostsOfSite {
    fn from(site: &SiteCosts) -> Self {
        Self {
            trip_minutes: site.trip_minutes,
            trip_money: site.trip_money,
            spare_units: site.spare_units,
            days_off: site.days_off.clone(),
        }
    }
}

impl CostsTold {
    fn of(in_force: &InForce) -> Self {
        let (costs, source) = in_force.now();
        let (source, set_at) = match source {
            Source::File => (CostsSource::File, None),
            Source::Set { at_ms, .. } => (CostsSource::Set, Some(time(at_ms))),
            Source::Defaults => (CostsSource::Defaults, None),
        };
        let mut numbers = Costs::clone(&costs);
        Self {
            version: costs.version(),
            source,
            set_at,
            currency: costs.currency.clone(),
            values: FIELDS.iter().map(|field| (field.name(), field.value(&mut numbers))).collect(),
            days_off: costs.days_off.clone(),
            sites: costs.sites.iter().map(|(name, site)| (name.clone(), site.into())).collect(),
        }
    }
}

pub(super) fn operations() -> Vec<Operation> {
    let file = |_: &mut _| json!({"type": "string", "description": "`costs.toml`, as the commands take it; what it leaves out has its default"});
    let set = Operation::new("POST", "/v1/rounds/costs", "Set what things cost, and days off");
    vec![
        Operation::new("GET", "/v1/rounds/costs", "What things cost, and days off")
            .answer::<CostsTold>(200, "the costs that count now"),
        input::with_body(set.body_as(FORMS[0], file).body_as(FORMS[1], file))
            .answer::<CostsTold>(200, "the costs that count now")
            .problem(StatusCode::CONFLICT, COSTS_OF_FILE)
            .problem(StatusCode::CONFLICT, ALL_SITES_ONLY),
    ]
}

pub(super) async fn get<S: Store>(State(hub): State<Hub<S>>) -> Result<Json<CostsTold>, Problem> {
    // Another program may have set them.
    hub.costs.refresh(&hub.store).await.map_err(|e| Problem::of_store(&e))?;
    Ok(Json(CostsTold::of(&hub.costs)))
}

pub(super) async fn set<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    headers: HeaderMap,
    request: Body,
) -> Result<Json<CostsTold>, Problem> {
    let (essence, bytes) = input::body(&hub, &headers, request).await?;
    if !FORMS.contains(&essence.as_str()) {
        return Err(unsupported(&essence, "`application/toml` or `text/plain`"));
    }
    let toml = String::from_utf8(bytes).map_err(|_| bad_body("the file is not UTF-8"))?;
    filled::set_costs(&hub, &viewer, toml).await.map_err(Denied::in_api)?;
    Ok(Json(CostsTold::of(&hub.costs)))
}
