//! The Rounds page, its forms, work sheets and the calendar file.

use std::collections::BTreeSet;
use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use chrono::{Datelike as _, Days, NaiveDate, NaiveTime, Weekday};
use serde::Deserialize;

use super::act::{Fields, actor, conflict, refused};
use super::{may_post, no_such, reader, respond, shown};
use crate::access::Viewer;
use crate::http::sign_in::own_path;
use crate::http::{Hub, Problem};
use crate::pages::fill::Shown;
use crate::pages::layout::{Content, Room};
use crate::pages::rounds::{View, body};
use crate::pages::{sheet, words};
use crate::rounds::calendar as ics;
use crate::rounds::dispatch::{self, Request};
use crate::rounds::document::{Document, PlannedVisit};
use crate::rounds::hours::{self, Hours, Stock};
use crate::rounds::{MAX_DAYS, Why};
use crate::store::Store;
use crate::store::rounds::BookedVisit;

/// Most random visits of a plan.
const MAX_RANDOM: usize = 100;
/// Most visits in one form: more than a page shows.
const MAX_CHOSEN: usize = 1000;

/// What of the plan is asked for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    site: String,
    #[serde(default)]
    day: String,
    #[serde(default)]
    starts: String,
}

impl Asked {
    fn site(&self) -> Option<&str> {
        Some(self.site.as_str()).filter(|site| !site.is_empty())
    }

    fn day(&self) -> Option<NaiveDate> {
        self.day.parse().ok()
    }
}

fn today<S>(hub: &Hub<S>) -> NaiveDate {
    words::date(hub.clock.now_ms()).unwrap_or_default()
}

/// The plan, of the sites that the viewer sees.
pub(super) async fn seen_plan<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
) -> Result<Option<Arc<Document>>, Problem> {
    let document = hub.desk.plan(&hub.store).await.map_err(|e| Problem::of_store(&e))?;
    Ok(match (document, &viewer.site) {
        (Some(document), Some(site)) => Some(Arc::new(Document::clone(&document).at_site(site))),
        (document, _) => document,
    })
}

pub(super) async fn page<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    let document = seen_plan(&hub, &viewer).await?;
    let (mut hours, stock) = hub.store.round_input_get().await.map_err(|e| Problem::of_store(&e))?;
    hours.retain(|(site, _), _| viewer.sees(site));
    // Until the fleet is judged for the first time the forms have no names to offer; all else is there.
    let (sites, models) = hub.showroom.now().map(|shown| names(&shown, &viewer)).unwrap_or_default();
    let view = View {
        document: document.as_deref(),
        site: asked.site(),
        day: asked.day(),
        sites: &sites,
        models: &models,
        hours: &hours,
        stock: &stock,
        today: today(&hub),
        may_plan: viewer.csrf.is_some() && may_post(viewer.role, "/rounds/plan"),
    };
    let body = body(&view, &reader(&viewer));
    Ok(respond(&Content { title: "Rounds", room: Room::Rounds, class: "", notice: None, body }, &viewer))
}

/// Sites and models that the viewer's laptops have.
fn names(shown: &Shown, viewer: &Viewer) -> (Vec<String>, Vec<String>) {
    let seen = || shown.fleet.laptops.iter().filter(|e| viewer.sees(&e.site));
    let sites: BTreeSet<&String> = seen().map(|e| &e.site).filter(|site| !site.is_empty()).collect();
    let models: BTreeSet<&String> = seen().map(|e| &e.model).filter(|model| !model.is_empty()).collect();
    let owned = |names: BTreeSet<&String>| names.into_iter().cloned().collect();
    (owned(sites), owned(models))
}

/// `POST /rounds/plan`.
pub(super) async fn plan<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    check_sees_all(&viewer)?;
    let request = Request {
        from: fields.day("from")?.unwrap_or_else(|| today(&hub)),
        n_days: number(&fields, "days", 14, 1, MAX_DAYS as usize)? as u32,
        n_random: number(&fields, "random", 0, 0, MAX_RANDOM)?,
        is_fresh: fields.one("fresh") == "yes",
    };
    let shown = shown(&hub)?;
    let (hours, _) = hub.store.round_input_get().await.map_err(|e| Problem::of_store(&e))?;
    if let Some(what) = dispatch::missing(&hours, request) {
        return Err(refused(format!("{what}; set technician hours first")));
    }
    let Ok(_alone) = hub.desk.planning.try_lock() else {
        return Err(conflict("the rounds are being planned this moment; look again in some seconds"));
    };
    let planned =
        dispatch::plan_rounds(&hub.store, &shown.standings, &hub.costs, request, hub.clock.now_ms()).await;
    planned.map_err(|e| Problem::of_store(&e))?;
    Ok(Redirect::to("/rounds"))
}

/// A plan joins all sites by their parts, so that whoever sees one site alone cannot make it.
fn check_sees_all(viewer: &Viewer) -> Result<(), Problem> {
    match &viewer.site {
        None => Ok(()),
        Some(site) => {
            Err(conflict(format!("your token is for `{site}` alone, and rounds are planned for all sites")))
        }
    }
}

/// `POST /rounds/hours`.
pub(super) async fn hours<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let site = fields.one("site");
    if !viewer.sees(site) {
        return Err(no_such("site"));
    }
    let from = fields.day("from")?.ok_or_else(|| refused("hours need a first day"))?;
    let until = fields.day("until")?.unwrap_or(from);
    let n_days = (until - from).num_days() + 1;
    if !(1..=366).contains(&n_days) {
        return Err(refused("the last day must not be before the first, nor more than a year after it"));
    }
    let has_weekends = fields.one("weekends") == "yes" || n_days == 1;
    let mut taken = Hours::new();
    for day in (0..n_days as u64).map(|n| from + Days::new(n)) {
        if has_weekends || !matches!(day.weekday(), Weekday::Sat | Weekday::Sun) {
            let one = hours::read_hours([site, &day.to_string(), fields.one("hours")]).map_err(refused)?;
            taken.extend(one);
        }
    }
    hub.store.round_hours_put(taken).await.map_err(|e| Problem::of_store(&e))?;
    Ok(Redirect::to("/rounds"))
}

/// `POST /rounds/stock`.
pub(super) async fn stock<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    check_sees_all(&viewer)?;
    let cells = [fields.one("part"), fields.one("model"), fields.one("in_stock"), fields.one("lead_days")];
    let taken: Stock = hours::read_stock(cells).map_err(refused)?;
    hub.store.round_stock_put(taken).await.map_err(|e| Problem::of_store(&e))?;
    Ok(Redirect::to("/rounds"))
}

/// `POST /rounds/book`.
pub(super) async fn book<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let chosen = fields.all("laptop");
    if chosen.is_empty() || chosen.len() > MAX_CHOSEN {
        return Err(refused(format!("tick at least one visit, and at most {MAX_CHOSEN}")));
    }
    let document = hub.desk.plan(&hub.store).await.map_err(|e| Problem::of_store(&e))?;
    let document = document.ok_or_else(|| refused("no rounds are planned yet"))?;
    let visits: Vec<&PlannedVisit> = chosen
        .iter()
        .map(|id| {
            document
                .visit_of(id)
                .filter(|v| viewer.sees(&v.laptop.site))
                .ok_or_else(|| no_such("planned visit"))
        })
        .collect::<Result<_, _>>()?;
    let now_ms = hub.clock.now_ms();
    let done = match fields.one("act") {
        "book" => {
            let bookings = bookings(&visits, fields.day("day")?, today(&hub), now_ms)?;
            hub.store
                .booking_put(bookings.clone(), actor(&viewer))
                .await
                .map_err(|e| Problem::of_store(&e))?;
            dispatch::mark_booked(&hub.store, Document::clone(&document), &bookings, now_ms).await
        }
        "release" => {
            let ids: Vec<String> = visits.iter().map(|v| v.laptop.device_id.clone()).collect();
            hub.store.booking_end(ids.clone()).await.map_err(|e| Problem::of_store(&e))?;
            dispatch::mark_released(&hub.store, Document::clone(&document), &ids, now_ms).await
        }
        other => return Err(refused(format!("`{other}` is nothing that can be done with a visit"))),
    };
    done.map_err(|e| Problem::of_store(&e))?;
    Ok(Redirect::to(match fields.one("back") {
        "" => "/rounds",
        back => own_path(back),
    }))
}

fn bookings(
    visits: &[&PlannedVisit],
    day: Option<NaiveDate>,
    today: NaiveDate,
    now_ms: i64,
) -> Result<Vec<BookedVisit>, Problem> {
    let mut bookings = Vec::with_capacity(visits.len());
    for visit in visits {
        let day = day.unwrap_or(visit.day);
        if day < today {
            return Err(refused(format!("{day} is past: a booking is for today or later")));
        }
        // Booked before and not moved: it stays as it was told.
        if visit.why != Why::Booked || day != visit.day {
            bookings.push(BookedVisit {
                device_id: visit.laptop.device_id.clone(),
                day,
                actions: visit.actions.clone(),
                booked_at_ms: now_ms,
            });
        }
    }
    Ok(bookings)
}

fn number(fields: &Fields, name: &str, usual: usize, min: usize, max: usize) -> Result<usize, Problem> {
    let given = fields.one(name);
    if given.is_empty() {
        return Ok(usual);
    }
    let read = given.parse::<usize>().ok().filter(|n| (min..=max).contains(n));
    read.ok_or_else(|| {
        refused(format!("`{given}` in the field `{name}`: give a whole number from {min} to {max}"))
    })
}

/// `GET /rounds/sheet`.
pub(super) async fn sheet<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    let document = seen_plan(&hub, &viewer).await?;
    let (Some(document), Some(day)) = (document, asked.day()) else { return Err(no_such("work sheet")) };
    if document.visits_on(&asked.site, day).next().is_none() {
        return Err(no_such("work sheet: nobody goes there that day"));
    }
    let content = Content {
        title: &sheet::title(&asked.site, day),
        room: Room::Rounds,
        class: "sheet-page",
        notice: None,
        body: sheet::body(&document, &asked.site, day),
    };
    Ok(respond(&content, &viewer))
}

/// `GET /rounds/calendar.ics`.
pub(super) async fn calendar<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    let starts = match asked.starts.as_str() {
        "" => None,
        text => Some(
            NaiveTime::parse_from_str(text, "%H:%M")
                .map_err(|_| refused(format!("`{text}` is no time of day; give one as 08:30")))?,
        ),
    };
    let site = viewer.site.as_deref().or(asked.site());
    let document = seen_plan(&hub, &viewer).await?;
    let events = hub.store.round_event_list().await.map_err(|e| Problem::of_store(&e))?;
    let text = ics::calendar(document.as_deref(), &events, &ics::Setting { site, starts });
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("text/calendar; charset=utf-8")),
        (
            header::CONTENT_DISPOSITION,
            HeaderValue::from_static("attachment; filename=\"windrow-rounds.ics\""),
        ),
    ];
    Ok((StatusCode::OK, headers, text).into_response())
}
