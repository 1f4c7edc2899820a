//! `GET /v1/devices/{device_id}`: one laptop with all that its page shows.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::cautions;

use super::fleet::FleetLaptop;
use super::marks::LaptopMark;
use super::runs::RunOfLaptop;
use super::visits::{Action, LoggedVisit};
use super::{NO_SUCH_LAPTOP, one_laptop, time};
use crate::access::Viewer;
use crate::coverage::{CoverageState, NotCheckedWhy};
use crate::effects::VisitEffect;
use crate::http::asked::Path;
use crate::http::filled::laptop as filled;
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::pages::behind::Behind;
use crate::pages::fleet::Reading;
use crate::pages::gauge::Quantity;
use crate::pages::history::Point;
use crate::pages::laptop::{Outlook, ServiceDay};
use crate::pages::reading;
use crate::rounds::document::PlannedVisit;
use crate::rounds::steps::{self, StepList};
use crate::store::facts::Laptop;
use crate::store::{Store, StoreError};

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
    /// A visit was logged or a check came in after it was judged: the hub is bringing that up to date.
    is_behind: bool,
    /// What the judgement rests on, strongest first, in words.
    because: Vec<String>,
    /// Runs that the condition rests on.
    n_fitted_runs: Option<usize>,
    /// When a limit will be passed, where it still is ahead.
    outlook: Option<Outlook>,
    /// What the judgement advises to do at a visit.
    advised: Vec<Action>,
    /// Its visit in the rounds.
    planned_visit: Option<PlannedVisit>,
    /// The steps of its planned visit; where none is planned, of what is advised.
    steps: Vec<StepList>,
    /// Before anybody opens it.
    cautions: &'static [&'static str],
    /// Holds, snoozes and wanted checks that are open.
    marks: Vec<LaptopMark>,
    /// The log of its visits.
    visits: Vec<LoggedVisit>,
    /// What each day of service did, imported services too, the earliest first.
    effects: Vec<VisitEffect>,
    /// Days of service, the earliest first.
    services: Vec<ServiceOfLaptop>,
    /// The condition after each of its last runs, the earliest first.
    history: Vec<HistoryPoint>,
    /// Its last runs, latest first; `/v1/devices/{device_id}/runs` has all.
    runs: Vec<RunOfLaptop>,
}

/// A day of service.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ServiceOfLaptop {
    /// The day, UTC.
    on: NaiveDate,
    /// What was done.
    actions: Vec<Action>,
}

impl From<ServiceDay> for ServiceOfLaptop {
    fn from(day: ServiceDay) -> Self {
        Self { on: day.on, actions: day.actions.into_iter().map(Action::from).collect() }
    }
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
    /// Chance to be past the service limit.
    p_past_limit: Option<f64>,
}

impl From<Reading> for NumberInterval {
    fn from(r: Reading) -> Self {
        Self { mid: r.value, low: r.low, high: r.high, p_past_limit: r.p_past }
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
    contact: Option<NumberInterval>,
}

impl From<&Point> for HistoryPoint {
    fn from(point: &Point) -> Self {
        let number = |q: Quantity| point.numbers[q as usize].map(NumberInterval::from);
        Self {
            tested_at: time(point.tested_at_ms),
            airflow: number(Quantity::Airflow),
            fan: number(Quantity::Fan),
            contact: number(Quantity::Contact),
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

async fn detail<S: Store>(hub: &Hub<S>, laptop: Laptop) -> Result<LaptopDetail, StoreError> {
    let id = laptop.device_id.clone();
    let shown = hub.showroom.now();
    let place = shown.as_ref().and_then(|s| s.fleet.place(&id));
    let stands = shown.as_deref().zip(place).map(|(s, place)| (s, &s.standings[place]));
    let filled = filled::laptop(&hub.store, &id, stands, hub.clock.now_ms()).await?;
    let rounds = hub.desk.plan(&hub.store).await?;
    let planned_visit = rounds.and_then(|plan| plan.visit_of(&id).cloned());
    let advised = stands.map(|(_, s)| reading::advised(s)).unwrap_or_default();
    let effects = shown.as_ref().map(|s| &s.effects);
    let marks: Vec<LaptopMark> = filled.marks.iter().map(LaptopMark::of).collect();
    let line = shown.as_ref().and_then(|s| s.coverage.line_of(&id));
    let judged = shown.as_ref().zip(place).map(|(s, place)| FleetLaptop::at(s, place, marks.clone()));
    let behind = stands.and_then(|(shown, _)| {
        let has_failed = hub.showroom.has_failed();
        Behind::of(&filled.visits, &filled.runs, shown.fleet.as_of_ms, has_failed)
    });
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
        is_behind: behind.is_some(),
        because: stands.map(|(_, s)| reading::evidence(s)).unwrap_or_default(),
        n_fitted_runs: stands.map(|(_, s)| s.n_fitted_runs),
        outlook: stands.and_then(|(_, s)| reading::outlook(s)),
        steps: steps::lists(planned_visit.as_ref().map_or(&advised, |v| &v.actions)),
        cautions: cautions::SERVICE,
        advised: advised.into_iter().map(Action::from).collect(),
        planned_visit,
        marks,
        visits: filled.visits.into_iter().map(|v| LoggedVisit::of(v, effects)).collect(),
        effects: effects.map(|e| e.of(&id).to_vec()).unwrap_or_default(),
        services: filled.services.into_iter().map(ServiceOfLaptop::from).collect(),
        history: filled.history.iter().map(HistoryPoint::from).collect(),
        runs: filled.runs.iter().map(RunOfLaptop::from).collect(),
        device_id: id,
    })
}
