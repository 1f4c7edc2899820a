//! What is planned from: technician hours, parts in stock. Read page by page; set line by line, or as the command's files.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::json;

use crate::access::Viewer;
use crate::http::api::input::{self, bad_body, unsupported};
use crate::http::api::{BAD_QUERY, bad_query, limit};
use crate::http::asked::Query;
use crate::http::filled::Denied;
use crate::http::filled::rounds::{self as filled, ALL_SITES_ONLY, HoursAsked, NO_SUCH_SITE};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::input::Complaints;
use crate::rounds::hours;
use crate::store::Store;

/// Which hours.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct HoursQuestion {
    /// Only this site.
    site: Option<String>,
    /// Only from this day on.
    from: Option<NaiveDate>,
    /// Begin after this entry, as `next` has it: a day, a blank, a site.
    after: Option<String>,
    /// How many, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// A page of technician hours, by site and day.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct HoursPage {
    hours: Vec<TechnicianHours>,
    /// What to give as `after` for the next page; `null` on the last.
    next: Option<String>,
}

/// Technician hours of a site and day, several technicians together.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct TechnicianHours {
    /// Where.
    site: String,
    /// When.
    date: NaiveDate,
    /// How many.
    hours: f64,
}

/// Technician hours to be set for some days.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct HoursToSet {
    /// Where.
    #[schemars(length(min = 1, max = 100))]
    site: String,
    /// First day.
    from: NaiveDate,
    /// Last day, at most a year later; the first where it isn't given.
    until: Option<NaiveDate>,
    /// Hours a day; 0 takes the days away.
    #[schemars(range(min = 0, max = 400))]
    hours: f64,
    /// Saturdays and Sundays too; a single day is taken in any case.
    #[serde(default)]
    weekends: bool,
}

/// Which parts.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct StockQuestion {
    /// Begin after this entry, as `next` has it: a part, a blank, a model.
    after: Option<String>,
    /// How many, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// A page of the parts in stock, by part and model.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct StockPage {
    stock: Vec<StockedPart>,
    /// What to give as `after` for the next page; `null` on the last.
    next: Option<String>,
}

/// A part in stock.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct StockedPart {
    /// `clean`, `fan` or `paste`, after the action that takes it.
    part: String,
    /// The model that it fits; `*`: all without a line of their own.
    #[schemars(length(min = 1, max = 100))]
    model: String,
    /// How many are there.
    #[schemars(range(max = 100_000))]
    in_stock: u32,
    /// Days until ordered ones are there.
    #[schemars(range(max = 366))]
    lead_days: u32,
}

/// What was taken.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Taken {
    /// Lines that were taken.
    n_taken: usize,
}

pub(super) fn operations() -> Vec<Operation> {
    let csv = |what: &'static str| move |_: &mut _| json!({"type": "string", "description": what});
    let hours =
        Operation::new("POST", "/v1/rounds/hours", "Set technician hours of a site, or take a file of them");
    let stock = Operation::new("POST", "/v1/rounds/stock", "Set a part in stock, or take a file of them");
    vec![
        Operation::new("GET", "/v1/rounds/hours", "Technician hours by site and day")
            .question::<HoursQuestion>()
            .answer::<HoursPage>(200, "a page of them")
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY),
        input::with_body(
            hours
                .body::<HoursToSet>()
                .body_as("text/csv", csv("`site,date,hours`, as `windrow-hub rounds plan --hours` takes it")),
        )
        .answer::<Taken>(200, "they stay until others are set")
        .problem(StatusCode::NOT_FOUND, NO_SUCH_SITE),
        Operation::new("GET", "/v1/rounds/stock", "Parts in stock by part and model")
            .question::<StockQuestion>()
            .answer::<StockPage>(200, "a page of them")
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY),
        input::with_body(stock.body::<StockedPart>().body_as(
            "text/csv",
            csv("`part,model,in_stock,lead_days`, as `windrow-hub rounds plan --stock` takes it"),
        ))
        .answer::<Taken>(200, "it stays until another is set")
        .problem(StatusCode::CONFLICT, ALL_SITES_ONLY),
    ]
}

/// Cuts a page of entries with their keys; the last key where others follow.
fn cut<T>(mut fitting: impl Iterator<Item = (String, T)>, n_most: usize) -> (Vec<T>, Option<String>) {
    let mut last = None;
    let mut page = Vec::new();
    for (key, entry) in fitting.by_ref().take(n_most) {
        last = Some(key);
        page.push(entry);
    }
    (page, last.filter(|_| fitting.next().is_some()))
}

pub(super) async fn hours<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<HoursQuestion>,
) -> Result<Json<HoursPage>, Problem> {
    let n_most = limit(asked.limit)? as usize;
    let unread = || bad_query("give `after` as `next` has it").about("after");
    let after = asked.after.as_deref().map(|after| {
        let (day, site) = after.split_once(' ').ok_or_else(unread)?;
        Ok::<_, Problem>((site.to_owned(), day.parse::<NaiveDate>().map_err(|_| unread())?))
    });
    let after = after.transpose()?;
    let (hours, _) = filled::seen_input(&hub, &viewer).await.map_err(|e| Problem::of_store(&e))?;
    let fitting = hours.into_iter().filter(|((site, day), _)| {
        asked.site.as_ref().is_none_or(|s| s == site) && asked.from.is_none_or(|from| *day >= from)
    });
    let fitting = fitting.filter(|(key, _)| after.as_ref().is_none_or(|after| key > after));
    let told = fitting.map(|((site, date), minutes)| {
        (format!("{date} {site}"), TechnicianHours { site, date, hours: f64::from(minutes) / 60.0 })
    });
    let (hours, next) = cut(told, n_most);
    Ok(Json(HoursPage { hours, next }))
}

pub(super) async fn set_hours<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    headers: HeaderMap,
    request: Body,
) -> Result<Json<Taken>, Problem> {
    let (essence, bytes) = input::body(&hub, &headers, request).await?;
    let taken = if essence == "text/csv" {
        filled::put_hours(&hub, &viewer, table(bytes, hours::parse_hours).await?).await
    } else {
        let HoursToSet { site, from, until, hours, weekends } = line(&essence, &bytes)?;
        let hours = hours.to_string();
        let asked = HoursAsked { site: &site, from, until, hours: &hours, has_weekends: weekends };
        filled::set_hours(&hub, &viewer, asked).await
    };
    taken.map(|n_taken| Json(Taken { n_taken })).map_err(Denied::in_api)
}

pub(super) async fn stock<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<StockQuestion>,
) -> Result<Json<StockPage>, Problem> {
    let n_most = limit(asked.limit)? as usize;
    let unread = || bad_query("give `after` as `next` has it").about("after");
    let after = asked.after.as_deref().map(|after| after.split_once(' ').ok_or_else(unread)).transpose()?;
    let (_, stock) = filled::seen_input(&hub, &viewer).await.map_err(|e| Problem::of_store(&e))?;
    let fitting = stock
        .into_iter()
        .filter(|((part, model), _)| after.is_none_or(|after| (&part[..], &model[..]) > after));
    let told = fitting.map(|((part, model), stocked)| {
        let key = format!("{part} {model}");
        (key, StockedPart { part, model, in_stock: stocked.in_stock, lead_days: stocked.lead_days })
    });
    let (stock, next) = cut(told, n_most);
    Ok(Json(StockPage { stock, next }))
}

pub(super) async fn set_stock<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    headers: HeaderMap,
    request: Body,
) -> Result<Json<Taken>, Problem> {
    let (essence, bytes) = input::body(&hub, &headers, request).await?;
    let stock = if essence == "text/csv" {
        table(bytes, hours::parse_stock).await?
    } else {
        let StockedPart { part, model, in_stock, lead_days } = line(&essence, &bytes)?;
        hours::stock_of(&part, &model, &in_stock.to_string(), &lead_days.to_string())
            .map_err(|bad| Denied::from(bad).in_api())?
    };
    let taken = filled::put_stock(&hub, &viewer, stock).await;
    taken.map(|n_taken| Json(Taken { n_taken })).map_err(Denied::in_api)
}

fn line<T: serde::de::DeserializeOwned>(essence: &str, bytes: &[u8]) -> Result<T, Problem> {
    if essence == "application/json" {
        input::json(essence, bytes)
    } else {
        Err(unsupported(essence, "`application/json` or `text/csv`"))
    }
}

/// A file, whole or not at all.
async fn table<T: Send + 'static>(
    bytes: Vec<u8>,
    parse: fn(&str) -> Result<T, Complaints>,
) -> Result<T, Problem> {
    let text = String::from_utf8(bytes).map_err(|_| bad_body("the file is not UTF-8"))?;
    let read = tokio::task::spawn_blocking(move || parse(&text)).await.map_err(|_| Problem::internal())?;
    read.map_err(|complaints| bad_body(complaints.to_string()))
}
