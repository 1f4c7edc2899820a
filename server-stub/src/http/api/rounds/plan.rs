//! The plan itself, planning anew, the work sheet of a day, the calendar file.

use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::Deserialize;
use serde_json::json;

use crate::access::Viewer;
use crate::http::api::{BAD_QUERY, NOT_JUDGED_YET, bad_query, input};
use crate::http::asked::Query;
use crate::http::filled::Denied;
use crate::http::filled::rounds::{
    self as filled, ALL_SITES_ONLY, BEING_PLANNED, NO_ROUNDS, NO_SHEET, PlanAsked,
};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::rounds::document::Document;
use crate::rounds::sheet::Sheet;
use crate::store::Store;

/// Of which site.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Only this site.
    site: Option<String>,
}

/// Which day's work.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct SheetAsked {
    /// At which site.
    site: String,
    /// On which day.
    day: NaiveDate,
}

/// Which calendar.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct CalendarAsked {
    /// Only this site.
    site: Option<String>,
    /// When a day begins, in the site's own time: `08:30`; else events are whole days.
    #[serde(default)]
    starts: String,
}

/// How it shall be planned; what is left out has its default.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct PlanToMake {
    /// First day, UTC; today where it isn't given.
    from: Option<NaiveDate>,
    /// How many days; 14 where it isn't given.
    #[schemars(range(min = 1, max = 92))]
    days: Option<u64>,
    /// How many visits to draw by lot among laptops of which nothing is suspected.
    #[schemars(range(max = 100))]
    random: Option<u64>,
    /// Forget the plan before; bookings stay.
    #[serde(default)]
    fresh: bool,
}

pub(super) fn operations() -> Vec<Operation> {
    let calendar = Operation::new("GET", "/v1/rounds/calendar", "The rounds as an iCalendar file (RFC 5545)");
    let plan = Operation::new("POST", "/v1/rounds/plan", "Plan the rounds anew; what is booked stays booked");
    vec![
        Operation::new(
            "GET",
            "/v1/rounds",
            "The rounds as they are planned, of the sites that the caller sees",
        )
        .question::<Asked>()
        .answer::<Document>(200, "the plan")
        .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
        .problem(StatusCode::NOT_FOUND, NO_ROUNDS),
        input::with_body(plan.body::<PlanToMake>())
            .answer::<Document>(200, "the new plan")
            .problem(StatusCode::CONFLICT, BEING_PLANNED)
            .problem(StatusCode::CONFLICT, ALL_SITES_ONLY)
            .problem(StatusCode::SERVICE_UNAVAILABLE, NOT_JUDGED_YET),
        Operation::new(
            "GET",
            "/v1/rounds/sheet",
            "The work of a day at a site: what to bring, the steps, each laptop",
        )
        .question::<SheetAsked>()
        .answer::<Sheet<'static>>(200, "the work sheet")
        .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
        .problem(StatusCode::NOT_FOUND, NO_ROUNDS)
        .problem(StatusCode::NOT_FOUND, NO_SHEET),
        calendar
            .question::<CalendarAsked>()
            .answer_as(
                200,
                "one event a site and day",
                "text/calendar; charset=utf-8",
                json!({"type": "string"}),
            )
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY),
    ]
}

/// The plan that the viewer sees.
async fn seen<S: Store>(hub: &Hub<S>, viewer: &Viewer) -> Result<Arc<Document>, Problem> {
    let document = filled::seen_plan(hub, viewer).await.map_err(|e| Problem::of_store(&e))?;
    document.ok_or_else(|| {
        let detail = "no rounds are planned yet; an administrator plans them by `POST /v1/rounds/plan`, on the page `/rounds`, or by `windrow-hub rounds plan`";
        Problem::new(StatusCode::NOT_FOUND, NO_ROUNDS, "no rounds", detail)
    })
}

pub(super) async fn get<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    let document = seen(&hub, &viewer).await?;
    Ok(match asked.site {
        Some(site) => Json(Document::clone(&document).at_site(&site)).into_response(),
        None => Json(&*document).into_response(),
    })
}

pub(super) async fn make<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    headers: HeaderMap,
    request: Body,
) -> Result<Json<Document>, Problem> {
    let (essence, bytes) = input::body(&hub, &headers, request).await?;
    let PlanToMake { from, days, random, fresh } = input::json(&essence, &bytes)?;
    let asked = PlanAsked { from, n_days: days, n_random: random, is_fresh: fresh };
    filled::plan(&hub, &viewer, asked).await.map(Json).map_err(Denied::in_api)
}

pub(super) async fn sheet<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<SheetAsked>,
) -> Result<Response, Problem> {
    let document = seen(&hub, &viewer).await?;
    let sheet = Sheet::of(&document, &asked.site, asked.day).ok_or_else(|| {
        let detail = format!(
            "nobody goes to `{}` on {}; `GET /v1/rounds` tells who goes where",
            asked.site, asked.day
        );
        Problem::new(StatusCode::NOT_FOUND, NO_SHEET, "no such work sheet", detail)
    })?;
    Ok(Json(sheet).into_response())
}

pub(super) async fn calendar<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<CalendarAsked>,
) -> Result<Response, Problem> {
    filled::calendar(&hub, &viewer, asked.site.as_deref(), &asked.starts).await.map_err(|denied| match denied
    {
        Denied::Bad { field, what } => bad_query(what).about(field),
        other => other.in_api(),
    })
}
