//! The Rounds page, its forms, work sheets and the calendar file.

use std::sync::Arc;

use axum::body::Body;
use axum::extract::State;
use axum::response::{Redirect, Response};
use chrono::NaiveDate;
use serde::Deserialize;

use super::act::{Fields, refused};
use super::{may_post, no_such, reader, respond};
use crate::access::Viewer;
use crate::http::asked::Query;
use crate::http::filled::Denied;
use crate::http::filled::rounds::{self as filled, BookDeed, HoursAsked, PlanAsked};
use crate::http::sign_in::own_path;
use crate::http::{Hub, Problem};
use crate::pages::fill::Shown;
use crate::pages::layout::{Content, Room};
use crate::pages::rounds::{View, body};
use crate::pages::sheet;
use crate::rounds::document::Document;
use crate::rounds::hours;
use crate::rounds::sheet::Sheet;
use crate::store::Store;

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

pub(super) async fn page<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    let document = plan_of(&hub, &viewer).await?;
    let (hours, stock) = filled::seen_input(&hub, &viewer).await.map_err(|e| Problem::of_store(&e))?;
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
        today: filled::today(&hub),
        may_plan: viewer.csrf.is_some() && may_post(viewer.role, "/rounds/plan"),
    };
    let body = body(&view, &reader(&viewer));
    Ok(respond(&Content { title: "Rounds", room: Room::Rounds, class: "", notice: None, body }, &viewer))
}

/// Sites and models that the viewer's laptops have.
fn names(shown: &Shown, viewer: &Viewer) -> (Vec<String>, Vec<String>) {
    let fleet = &shown.fleet;
    match &viewer.site {
        None => (fleet.sites.clone(), fleet.models.clone()),
        Some(site) => (
            fleet.sites.iter().filter(|s| *s == site).cloned().collect(),
            fleet.models_at(site).map(str::to_owned).collect(),
        ),
    }
}

/// `POST /rounds/plan`.
pub(super) async fn plan<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let number = |name| filled::number_of_plan(name, fields.one(name)).map_err(Denied::on_page);
    let asked = PlanAsked {
        from: fields.day("from")?,
        n_days: number("days")?,
        n_random: number("random")?,
        is_fresh: fields.one("fresh") == "yes",
    };
    filled::plan(&hub, &viewer, asked).await.map_err(Denied::on_page)?;
    Ok(Redirect::to("/rounds"))
}

/// `POST /rounds/hours`.
pub(super) async fn hours<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let asked = HoursAsked {
        site: fields.one("site"),
        from: fields.day("from")?.ok_or_else(|| refused("hours need a first day"))?,
        until: fields.day("until")?,
        hours: fields.one("hours"),
        has_weekends: fields.one("weekends") == "yes",
    };
    filled::set_hours(&hub, &viewer, asked).await.map_err(Denied::on_page)?;
    Ok(Redirect::to("/rounds"))
}

/// `POST /rounds/stock`.
pub(super) async fn stock<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let one = |name| fields.one(name);
    let stock = hours::stock_of(one("part"), one("model"), one("in_stock"), one("lead_days"));
    let stock = stock.map_err(|bad| Denied::from(bad).on_page())?;
    filled::put_stock(&hub, &viewer, stock).await.map_err(Denied::on_page)?;
    Ok(Redirect::to("/rounds"))
}

/// `POST /rounds/book`.
pub(super) async fn book<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let chosen: Vec<String> = fields.all("laptop").into_iter().map(str::to_owned).collect();
    let deed = match fields.one("act") {
        "book" => BookDeed::Book(fields.day("day")?),
        "release" => BookDeed::Release,
        other => return Err(refused(format!("`{other}` is nothing that can be done with a visit"))),
    };
    filled::book(&hub, &viewer, &chosen, deed).await.map_err(Denied::on_page)?;
    Ok(Redirect::to(match fields.one("back") {
        "" => "/rounds",
        back => own_path(back),
    }))
}

/// `GET /rounds/sheet`.
pub(super) async fn sheet<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    let document = plan_of(&hub, &viewer).await?;
    let (Some(document), Some(day)) = (document, asked.day()) else { return Err(no_such("work sheet")) };
    let sheet = Sheet::of(&document, &asked.site, day)
        .ok_or_else(|| no_such("work sheet: nobody goes there that day"))?;
    let content = Content {
        title: &sheet::title(&sheet),
        room: Room::Rounds,
        class: "sheet-page",
        notice: None,
        body: sheet::body(&sheet),
    };
    Ok(respond(&content, &viewer))
}

/// `GET /rounds/calendar.ics`.
pub(super) async fn calendar<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    filled::calendar(&hub, &viewer, asked.site(), &asked.starts).await.map_err(Denied::on_page)
}

async fn plan_of<S: Store>(hub: &Hub<S>, viewer: &Viewer) -> Result<Option<Arc<Document>>, Problem> {
    filled::seen_plan(hub, viewer).await.map_err(|e| Problem::of_store(&e))
}
