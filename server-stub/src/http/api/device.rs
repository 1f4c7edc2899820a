//! `GET /v1/devices/{device_id}`: one laptop with all that its page shows.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::METHOD_VERSION;
use windrow_model::condition::judge::Interval;

use super::fleet::FleetLaptop;
use super::marks::LaptopMark;
use super::visits::LoggedVisit;
use super::{NO_SUCH_LAPTOP, one_laptop, time};
use crate::access::Viewer;
use crate::coverage::{CoverageState, NotCheckedWhy};
use crate::effects::VisitEffect;
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::pages::fill::Shown;
use crate::scoring::ModelOf;
use crate::store::Store;
use crate::store::facts::Laptop;
use crate::store::runs::RunLine;
use crate::{facts, learning};

/// Runs in the answer; older ones are in the export.
const MAX_RUNS: u32 = 60;
/// Runs in the condition's history: two years of monthly checks.
const MAX_POINTS: usize = 24;

/// A laptop.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct LaptopDetail {
    /// Its id.
    device_id: String,
    /// Asset tag; may be empty.
    asset_tag: String,
    /// Model, once it was checked; else empty.
    model: String,
    /// Site; may be empty.
    site: String,
    /// Place within the site; may be empty.
    place: String,
    /// Whether it has joined; else it is known from imported runs alone.
    has_joined: bool,
    /// When its key was revoked.
    revoked_at: Option<String>,
    /// The laptop as which it goes on after a board swap.
    goes_on_as: Option<String>,
    /// How it stands in the coverage; `null` until the fleet is judged.
    coverage_state: Option<CoverageState>,
    /// Why it wasn't checked.
    not_checked_why: Option<NotCheckedWhy>,
    /// Its row of the fleet, with what that rests on; `null` if it was never checked.
    judged: Option<FleetLaptop>,
    /// Holds, snoozes and wanted checks that are open.
    marks: Vec<LaptopMark>,
    /// The log of its visits.
    visits: Vec<LoggedVisit>,
    /// What each day of service did, imported services too, the earliest first.
    effects: Vec<VisitEffect>,
    /// The condition after each of its last runs, the earliest first.
    history: Vec<HistoryPoint>,
    /// Its last runs, latest first.
    runs: Vec<RunOfLaptop>,
}

/// A number of the condition with its 90 % interval.
#[derive(Debug, Clone, Copy, Serialize, JsonSchema)]
pub(super) struct NumberInterval {
    /// Median.
    mid: f64,
    /// 5 % quantile.
    low: f64,
    /// 95 % quantile.
    high: f64,
}

impl From<Interval> for NumberInterval {
    fn from(Interval { mid, low, high }: Interval) -> Self {
        Self { mid, low, high }
    }
}

/// The condition after a run, over all runs until then.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct HistoryPoint {
    /// When the run was.
    tested_at: String,
    /// Airflow fraction; `null` without a fan.
    airflow: Option<NumberInterval>,
    /// Fan factor; `null` where no run showed the fan.
    fan: Option<NumberInterval>,
    /// Contact factor.
    contact: NumberInterval,
}

/// A run in a laptop's list.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct RunOfLaptop {
    /// When it was tested.
    tested_at: String,
    /// When it was received.
    received_at: String,
    /// `measured`, `emulated` or `imported`.
    provenance: String,
    /// `standard` or `quick`.
    protocol: String,
    /// How it ended.
    outcome: String,
    /// How it stands in the device's chain; `null` for an imported one.
    link: Option<String>,
    /// Whether the agent's own metrics are the hub's; `null`: nothing to compare.
    agent_metrics_agree: Option<bool>,
    /// SHA-256 of the record, hex.
    digest: String,
}

impl From<RunLine> for RunOfLaptop {
    fn from(run: RunLine) -> Self {
        Self {
            tested_at: time(run.tested_at_ms),
            received_at: time(run.received_at_ms),
            provenance: run.provenance,
            protocol: run.protocol,
            outcome: run.outcome,
            link: run.link,
            agent_metrics_agree: run.agrees,
            digest: run.digest.to_hex(),
        }
    }
}

pub(super) fn operations() -> Vec<Operation> {
    vec![
        Operation::new(
            "GET",
            "/v1/devices/{device_id}",
            "One laptop: its row, marks, visits, history and runs",
        )
        .answer::<LaptopDetail>(200, "the laptop")
        .problem(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP),
    ]
}

pub(super) async fn get<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(device_id): Path<String>,
) -> Result<Json<LaptopDetail>, Problem> {
    let laptop = one_laptop(&hub, &viewer, &device_id).await?;
    let detail = detail(&hub, laptop).await;
    detail.map(Json).map_err(|e| Problem::of_store(&e))
}

async fn detail<S: Store>(hub: &Hub<S>, laptop: Laptop) -> Result<LaptopDetail, crate::store::StoreError> {
    let id = laptop.device_id.clone();
    let shown = hub.showroom.now();
    let effects = shown.as_ref().map(|s| &s.effects);
    let marks = hub.store.mark_list(Some(id.clone()), hub.clock.now_ms()).await?;
    let marks: Vec<LaptopMark> = marks.iter().map(LaptopMark::of).collect();
    let visits = facts::visits(&hub.store, Some(&id)).await?;
    let runs = hub.store.run_list_of_device(id.clone(), METHOD_VERSION, MAX_RUNS).await?;
    let line = shown.as_ref().and_then(|s| s.coverage.line_of(&id));
    let place = shown.as_ref().and_then(|s| s.fleet.place(&id));
    let judged = shown.as_ref().zip(place).map(|(s, place)| FleetLaptop::at(s, place, marks.clone()));
    let history = match shown.as_ref().zip(place) {
        Some((shown, place)) => history(hub, shown, place).await?,
        None => Vec::new(),
    };
    Ok(LaptopDetail {
        asset_tag: laptop.asset_tag,
        model: laptop.model_name,
        site: laptop.site,
        place: laptop.place,
        has_joined: laptop.has_joined,
        revoked_at: laptop.revoked_at_ms.map(time),
        goes_on_as: laptop.goes_on_as,
        coverage_state: line.map(|l| l.state),
        not_checked_why: line.and_then(|l| l.not_checked_why),
        judged,
        marks,
        visits: visits.into_iter().map(|v| LoggedVisit::of(v, effects)).collect(),
        effects: effects.map(|e| e.of(&id).to_vec()).unwrap_or_default(),
        history,
        runs: runs.into_iter().map(RunOfLaptop::from).collect(),
        device_id: id,
    })
}

async fn history<S: Store>(
    hub: &Hub<S>,
    shown: &Shown,
    place: usize,
) -> Result<Vec<HistoryPoint>, crate::store::StoreError> {
    let standing = &shown.standings[place];
    let of = ModelOf::run(&standing.last.stored);
    let Some(reference) = shown.references.get(&of) else { return Ok(Vec::new()) };
    let as_of_ms = shown.fleet.as_of_ms;
    let history = learning::history(&hub.store, reference.clone(), standing, as_of_ms, MAX_POINTS);
    let point = |after: learning::AfterRun| HistoryPoint {
        tested_at: time(after.tested_at_ms),
        airflow: after.condition.airflow.map(NumberInterval::from),
        fan: after.condition.fan.map(NumberInterval::from),
        contact: after.condition.contact.into(),
    };
    let history = history.await?;
    Ok(history.into_iter().map(point).collect())
}
