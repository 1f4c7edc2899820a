//! `GET` and `POST /v1/visits`: the log of visits, and whether each helped.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use windrow_model::trace::fleet::ServiceAction;

use super::{BAD_QUERY, NO_SUCH_LAPTOP, input, limit, one_laptop, time};
use crate::access::Viewer;
use crate::effects::learned::Lessons;
use crate::effects::{Effects, VisitEffect};
use crate::http::asked::Query;
use crate::http::filled::Denied;
use crate::http::filled::rounds::NO_SUCH_VISIT;
use crate::http::filled::visits::{self as filled, CORRECTED_BEFORE, DUPLICATE_VISIT, Replaces, VisitAsked};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::store::Store;
use crate::store::facts::Visit;

/// Which entries.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Only this laptop: asset tag, device id, or the first 8 characters of it or more.
    laptop: Option<String>,
    /// Begin after the entry of this number, as `next` has it.
    #[schemars(range(min = 0))]
    after: Option<u32>,
    /// How many are looked at, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// What was done at a visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub(super) enum Action {
    /// Fan and fins were cleaned.
    Clean,
    /// The fan was replaced.
    Fan,
    /// The paste was renewed.
    Paste,
    /// It was looked at, and nothing was done.
    None,
}

impl From<ServiceAction> for Action {
    fn from(action: ServiceAction) -> Self {
        match action {
            ServiceAction::Clean => Self::Clean,
            ServiceAction::Fan => Self::Fan,
            ServiceAction::Paste => Self::Paste,
            ServiceAction::None => Self::None,
        }
    }
}

impl From<Action> for ServiceAction {
    fn from(action: Action) -> Self {
        match action {
            Action::Clean => Self::Clean,
            Action::Fan => Self::Fan,
            Action::Paste => Self::Paste,
            Action::None => Self::None,
        }
    }
}

/// How an entry stands.
#[derive(Debug, Clone, Copy, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub(super) enum EntryState {
    /// It counts.
    Counts,
    /// A later entry stands in its place.
    Corrected,
    /// It says that the visit never took place.
    Withdrawn,
}

/// An entry of the log.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct LoggedVisit {
    /// Its number.
    visit: i64,
    /// The laptop.
    device_id: String,
    /// The day, UTC.
    visited_on: NaiveDate,
    /// What was done.
    actions: Vec<Action>,
    /// Minutes that it took.
    minutes: Option<u32>,
    /// What was found.
    found: String,
    /// Parts that it took.
    parts: String,
    /// Anything else.
    note: String,
    /// Its texts were erased: what was found, parts and note are blank.
    is_erased: bool,
    /// In which role it was logged.
    by_role: String,
    /// When it was logged.
    logged_at: String,
    /// The entry that it corrects.
    corrects: Option<i64>,
    /// The entry that corrects it.
    corrected_by: Option<i64>,
    /// How it stands.
    state: EntryState,
    /// Whether it helped, by the checks before and after; `null` for an entry that doesn't count, or before the fleet was
    /// judged with it.
    effect: Option<VisitEffect>,
}

impl LoggedVisit {
    pub(super) fn of(visit: Visit, effects: Option<&Effects>) -> Self {
        let effect = effects.filter(|_| visit.counts());
        let effect = effect.and_then(|e| e.on(&visit.device_id, visit.visited_on)).cloned();
        let state = match (visit.corrected_by, visit.is_withdrawn) {
            (Some(_), _) => EntryState::Corrected,
            (None, true) => EntryState::Withdrawn,
            (None, false) => EntryState::Counts,
        };
        Self {
            visit: visit.visit_id,
            device_id: visit.device_id,
            visited_on: visit.visited_on,
            actions: visit.actions.into_iter().map(Action::from).collect(),
            minutes: visit.minutes,
            found: visit.found,
            parts: visit.parts,
            note: visit.note,
            is_erased: visit.is_erased,
            by_role: visit.by_role,
            logged_at: time(visit.logged_at_ms),
            corrects: visit.corrects,
            corrected_by: visit.corrected_by,
            state,
            effect,
        }
    }
}

/// A page of the log, by number.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct VisitPage {
    visits: Vec<LoggedVisit>,
    /// What to give as `after` for the next page; `null` on the last. A page may hold fewer than `limit` where some are of
    /// another site.
    next: Option<i64>,
    /// What the visits teach: how often each action mends, and how long it takes; `null` until the fleet is judged.
    lessons: Option<Lessons>,
}

/// A visit to be logged, or the correction of an entry.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct VisitToLog {
    /// The laptop: asset tag, device id, or the first 8 characters of it or more.
    laptop: String,
    /// The day, UTC; today where it isn't given.
    visited_on: Option<NaiveDate>,
    /// What was done; `none` stands alone. Empty only with `withdraws`.
    #[serde(default)]
    actions: Vec<Action>,
    /// Minutes that it took, at most a day.
    #[schemars(range(max = 1440))]
    minutes: Option<u32>,
    /// What was found.
    #[serde(default)]
    #[schemars(length(max = 2000))]
    found: String,
    /// Parts that it took.
    #[serde(default)]
    #[schemars(length(max = 2000))]
    parts: String,
    /// Anything else; no names.
    #[serde(default)]
    #[schemars(length(max = 2000))]
    note: String,
    /// The entry that this one replaces.
    corrects: Option<i64>,
    /// The entry whose visit never took place.
    withdraws: Option<i64>,
}

/// The number of a new entry.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct VisitNumber {
    visit: i64,
    /// The laptop.
    device_id: String,
    /// The day.
    visited_on: NaiveDate,
}

pub(super) fn operations() -> Vec<Operation> {
    let log = Operation::new("POST", "/v1/visits", "Log a visit, or correct an entry");
    vec![
        Operation::new("GET", "/v1/visits", "The log of visits and whether each helped")
            .question::<Asked>()
            .answer::<VisitPage>(200, "a page of it")
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
            .problem(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP),
        input::with_body(log.body::<VisitToLog>())
            .answer::<VisitNumber>(201, "it is logged, with its ledger leaf")
            .problem(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP)
            .problem(StatusCode::NOT_FOUND, NO_SUCH_VISIT)
            .problem(StatusCode::CONFLICT, DUPLICATE_VISIT)
            .problem(StatusCode::CONFLICT, CORRECTED_BEFORE),
    ]
}

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Json<VisitPage>, Problem> {
    let n_most = limit(asked.limit)?;
    let device_id = match asked.laptop {
        Some(key) => Some(one_laptop(&hub, &viewer, &key).await?.device_id),
        None => None,
    };
    let found = hub.store.visit_list(device_id, i64::from(asked.after.unwrap_or(0)), n_most).await;
    let mut found = found.map_err(|e| Problem::of_store(&e))?;
    let next = found.last().filter(|_| found.len() == n_most as usize).map(|v| v.visit_id);
    if viewer.site.is_some() {
        found = of_their_site(&hub, &viewer, found).await?;
    }
    let shown = hub.showroom.now();
    let effects = shown.as_ref().map(|s| &s.effects);
    let visits = found.into_iter().map(|visit| LoggedVisit::of(visit, effects)).collect();
    Ok(Json(VisitPage { visits, next, lessons: shown.as_ref().map(|s| s.lessons) }))
}

async fn of_their_site<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    visits: Vec<Visit>,
) -> Result<Vec<Visit>, Problem> {
    let mut theirs = Vec::with_capacity(visits.len());
    for visit in visits {
        let laptop =
            hub.store.laptop_get(visit.device_id.clone()).await.map_err(|e| Problem::of_store(&e))?;
        if laptop.is_some_and(|l| viewer.sees(&l.site)) {
            theirs.push(visit);
        }
    }
    Ok(theirs)
}

pub(super) async fn log<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    headers: HeaderMap,
    request: Body,
) -> Result<(StatusCode, Json<VisitNumber>), Problem> {
    let (essence, bytes) = input::body(&hub, &headers, request).await?;
    let asked: VisitToLog = input::json(&essence, &bytes)?;
    let laptop = one_laptop(&hub, &viewer, &asked.laptop).await.map_err(|p| p.about("laptop"))?;
    let replaces = match (asked.corrects, asked.withdraws) {
        (None, None) => Replaces::Nothing,
        (Some(visit), None) => Replaces::Corrects(visit),
        (None, Some(visit)) => Replaces::Withdraws(visit),
        (Some(_), Some(_)) => {
            return Err(input::bad_body("give one of `corrects` and `withdraws`").about("withdraws"));
        }
    };
    let visit = VisitAsked {
        device_id: &laptop.device_id,
        visited_on: asked.visited_on,
        actions: asked.actions.iter().map(|a| ServiceAction::from(*a)).collect(),
        minutes: asked.minutes,
        found: &asked.found,
        parts: &asked.parts,
        note: &asked.note,
        replaces,
    };
    let (visit, visited_on) = filled::log(&hub, &viewer, &visit).await.map_err(Denied::in_api)?;
    let number = VisitNumber { visit, device_id: laptop.device_id, visited_on };
    Ok((StatusCode::CREATED, Json(number)))
}
