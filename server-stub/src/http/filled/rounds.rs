//! The rounds as they are seen, and what can be done with them: plan, set hours and stock, book.

use std::sync::Arc;

use axum::response::Response;
use chrono::{Datelike as _, Days, NaiveDate, NaiveTime, Weekday};

use super::denied::Denied;
use crate::access::Viewer;
use crate::costs::{self, Costs, in_force::Source};
use crate::http::{Hub, download, judged};
use crate::pages::words;
use crate::rounds::MAX_DAYS;
use crate::rounds::advised::{self, Unbookable};
use crate::rounds::calendar as ics;
use crate::rounds::code;
use crate::rounds::dispatch::{self, Judged, Meant, Offered, Request};
use crate::rounds::document::Document;
use crate::rounds::hours::{self, BadField, Hours, Stock};
use crate::sites;
use crate::store::facts::Actor;
use crate::store::rounds::BookedVisit;
use crate::store::{Store, StoreError};

/// Days of a plan where nobody says: two working weeks.
const USUAL_DAYS: u64 = 14;
/// Most random visits of a plan.
const MAX_RANDOM: u64 = 100;
/// Most visits booked at once.
pub(in crate::http) const MAX_CHOSEN: usize = 1000;
/// Longest text by which a laptop is looked for.
const MAX_TYPED_BYTES: usize = 200;
/// Most days whose hours are set at once: a year.
const MAX_DAYS_SET: i64 = 366;

pub(in crate::http) const BEING_PLANNED: &str = "being_planned";
pub(in crate::http) const ALL_SITES_ONLY: &str = "all_sites_only";
pub(in crate::http) const COSTS_OF_FILE: &str = "costs_of_file";
pub(in crate::http) const NO_ROUNDS: &str = "no_rounds";
pub(in crate::http) const NO_SHEET: &str = "no_sheet";
pub(in crate::http) const NO_SUCH_SITE: &str = "no_such_site";
pub(in crate::http) const NO_SUCH_VISIT: &str = "no_such_visit";

/// Today, UTC.
pub(in crate::http) fn today<S>(hub: &Hub<S>) -> NaiveDate {
    words::date(hub.clock.now_ms()).unwrap_or_default()
}

/// The plan, of the sites that the viewer sees.
///
/// # Errors
/// If the store fails.
pub(in crate::http) async fn seen_plan<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
) -> Result<Option<Arc<Document>>, StoreError> {
    let document = hub.desk.plan(&hub.store).await?;
    Ok(match (document, &viewer.site) {
        (Some(document), Some(site)) => Some(Arc::new(Document::clone(&document).at_site(site))),
        (document, _) => document,
    })
}

/// Hours of the sites that the viewer sees, and stock.
///
/// # Errors
/// If the store fails.
pub(in crate::http) async fn seen_input<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
) -> Result<(Hours, Stock), StoreError> {
    let (mut hours, stock) = hub.store.round_input_get().await?;
    hours.retain(|(site, _), _| viewer.sees(site));
    Ok((hours, stock))
}

/// Ids of the laptops that may be meant: by the code of a planned visit, by tag or id, by any judged laptop's code.
///
/// # Errors
/// If the store fails.
pub(in crate::http) async fn laptops_meant<S: Store>(
    hub: &Hub<S>,
    typed: &str,
) -> Result<Vec<String>, StoreError> {
    let typed = typed.trim();
    if typed.len() > MAX_TYPED_BYTES {
        return Ok(Vec::new());
    }
    let code = code::read(typed);
    if let Some(code) = &code
        && let Some(plan) = hub.desk.plan(&hub.store).await?
        && let Some(visit) = plan.visits.iter().find(|v| v.code == *code)
    {
        return Ok(vec![visit.laptop.device_id.clone()]);
    }
    let by_tag = hub.store.laptop_find(typed.to_owned()).await?;
    let (Some(code), true, Some(shown)) = (code, by_tag.is_empty(), hub.showroom.now()) else {
        return Ok(by_tag);
    };
    let all = shown.fleet.laptops.iter().map(|e| &e.device_id);
    Ok(all.filter(|id| code::code_of(id) == code).map(ToString::to_string).collect())
}

/// How the rounds shall be planned; what isn't said has its default.
#[derive(Debug, Clone, Copy, Default)]
pub(in crate::http) struct PlanAsked {
    pub(in crate::http) from: Option<NaiveDate>,
    pub(in crate::http) n_days: Option<u64>,
    pub(in crate::http) n_random: Option<u64>,
    pub(in crate::http) is_fresh: bool,
}

/// Plans the rounds anew and keeps the plan.
///
/// # Errors
/// Why it cannot be.
pub(in crate::http) async fn plan<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    asked: PlanAsked,
) -> Result<Document, Denied> {
    check_sees_all(viewer)?;
    let from = asked.from.unwrap_or_else(|| today(hub));
    dispatch::check_first_day(from, today(hub)).map_err(|what| Denied::bad("from", what))?;
    let request = Request {
        from,
        n_days: in_range("days", asked.n_days.unwrap_or(USUAL_DAYS), 1, MAX_DAYS.into())? as u32,
        n_random: in_range("random", asked.n_random.unwrap_or(0), 0, MAX_RANDOM)? as usize,
        is_fresh: asked.is_fresh,
    };
    let shown = judged(hub)?;
    let (hours, _) = hub.store.round_input_get().await?;
    if let Some(what) = dispatch::missing(&hours, request) {
        return Err(Denied::bad("from", format!("{what}; set technician hours first")));
    }
    let Ok(_alone) = hub.desk.planning.try_lock() else {
        let what = "the rounds are being planned this moment; look again in some seconds";
        return Err(Denied::not_now(BEING_PLANNED, what));
    };
    let now_ms = hub.clock.now_ms();
    hub.costs.refresh(&hub.store).await?;
    let (costs, _) = hub.costs.now();
    let judged = Judged { standings: &shown.standings, as_of_ms: shown.fleet.as_of_ms };
    Ok(dispatch::plan_rounds(&hub.store, judged, &costs, request, now_ms).await?)
}

fn in_range(field: &'static str, given: u64, min: u64, max: u64) -> Result<u64, Denied> {
    if (min..=max).contains(&given) {
        Ok(given)
    } else {
        Err(not_in_range(field, &given.to_string(), min, max))
    }
}

fn not_in_range(field: &'static str, given: &str, min: u64, max: u64) -> Denied {
    let what = format!("`{given}` in the field `{field}`: give a whole number from {min} to {max}");
    Denied::bad(field, what)
}

/// A number of a form; `None` where it was left blank.
///
/// # Errors
/// If it is none.
pub(in crate::http) fn number_of_plan(field: &'static str, given: &str) -> Result<Option<u64>, Denied> {
    let (min, max) = if field == "days" { (1, MAX_DAYS.into()) } else { (0, MAX_RANDOM) };
    match given {
        "" => Ok(None),
        given => given.parse().map(Some).map_err(|_| not_in_range(field, given, min, max)),
    }
}

/// A plan joins all sites by their parts, so that whoever sees one site alone cannot make it.
fn check_sees_all(viewer: &Viewer) -> Result<(), Denied> {
    match &viewer.site {
        None => Ok(()),
        Some(site) => {
            let what = format!("your token is for `{site}` alone, and rounds are planned for all sites");
            Err(Denied::not_now(ALL_SITES_ONLY, what))
        }
    }
}

/// Technician hours of a site on some days.
#[derive(Debug, Clone, Copy)]
pub(in crate::http) struct HoursAsked<'a> {
    pub(in crate::http) site: &'a str,
    pub(in crate::http) from: NaiveDate,
    pub(in crate::http) until: Option<NaiveDate>,
    pub(in crate::http) hours: &'a str,
    pub(in crate::http) has_weekends: bool,
}

/// Sets technician hours; says of how many days.
///
/// # Errors
/// What is wrong with them.
pub(in crate::http) async fn set_hours<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    asked: HoursAsked<'_>,
) -> Result<usize, Denied> {
    let until = asked.until.unwrap_or(asked.from);
    let n_days = (until - asked.from).num_days() + 1;
    if !(1..=MAX_DAYS_SET).contains(&n_days) {
        let what = "the last day must not be before the first, nor more than a year after it";
        return Err(Denied::bad("until", what));
    }
    for (field, day) in [("from", asked.from), ("until", until)] {
        hours::check_day(day).map_err(|what| Denied::bad(field, what))?;
    }
    let has_weekends = asked.has_weekends || n_days == 1;
    let days = (0..n_days as u64)
        .map(|n| asked.from + Days::new(n))
        .filter(|day| has_weekends || !matches!(day.weekday(), Weekday::Sat | Weekday::Sun));
    put_hours(hub, viewer, hours::hours_of_days(asked.site, days, asked.hours)?).await
}

/// Takes technician hours as a file or a form has them; says of how many days and sites.
///
/// # Errors
/// If one of the sites is not theirs to see.
pub(in crate::http) async fn put_hours<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    hours: Hours,
) -> Result<usize, Denied> {
    if !hours.keys().all(|(site, _)| viewer.sees(site)) {
        return Err(Denied::NoSuch { code: NO_SUCH_SITE, what: "site" });
    }
    if let Some(what) = sites::unknown(&hub.store, hours.keys().map(|(site, _)| site.as_str())).await? {
        return Err(Denied::bad("site", what));
    }
    let n_taken = hours.len();
    hub.store.round_hours_put(hours).await?;
    Ok(n_taken)
}

/// Takes parts in stock; says how many lines.
///
/// # Errors
/// If the grant is for one site: stock is shared by all.
pub(in crate::http) async fn put_stock<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    stock: Stock,
) -> Result<usize, Denied> {
    check_sees_all(viewer)?;
    let n_taken = stock.len();
    hub.store.round_stock_put(stock).await?;
    Ok(n_taken)
}

impl From<BadField> for Denied {
    fn from(BadField { field, what }: BadField) -> Self {
        Self::Bad { field, what: format!("`{field}`: {what}") }
    }
}

/// Sets what things cost: what the file leaves out has its default.
///
/// # Errors
/// What is wrong with it, each with line and column; or that the hub was started with a file.
pub(in crate::http) async fn set_costs<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    toml: String,
) -> Result<(), Denied> {
    check_sees_all(viewer)?;
    if hub.costs.now().1 == Source::File {
        let what =
            "the hub was started with `--costs`: change that file and start it anew, or start it without";
        return Err(Denied::not_now(COSTS_OF_FILE, what));
    }
    costs::parse(&toml).map_err(|complaints| Denied::bad("costs", complaints.to_string()))?;
    let actor = Actor::of(viewer);
    hub.store.costs_put(toml, actor, hub.clock.now_ms()).await?;
    Ok(hub.costs.refresh(&hub.store).await?)
}

/// What is done with planned visits.
#[derive(Debug, Clone, Copy)]
pub(in crate::http) enum BookDeed {
    /// They stay where they are, or on another day, however often it is planned anew.
    Book(Option<NaiveDate>),
    /// The next plan may move them.
    Release,
}

/// Books visits that are planned or advised, or ends their bookings; says of how many laptops.
///
/// # Errors
/// Why it cannot be; then nothing is done.
pub(in crate::http) async fn book<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    device_ids: &[String],
    deed: BookDeed,
) -> Result<usize, Denied> {
    if device_ids.is_empty() || device_ids.len() > MAX_CHOSEN {
        let what = format!("choose at least one visit, and at most {MAX_CHOSEN}");
        return Err(Denied::bad("laptops", what));
    }
    // The plan is read, changed and kept again: by one at a time, or one's mark would be lost.
    let _alone = hub.desk.planning.lock().await;
    let document = hub.desk.plan(&hub.store).await?;
    let document = document.as_deref();
    let now_ms = hub.clock.now_ms();
    match deed {
        BookDeed::Book(day) => {
            let open = dispatch::open_bookings(&hub.store).await?;
            let (hours, _) = hub.store.round_input_get().await?;
            hub.costs.refresh(&hub.store).await?;
            let (costs, _) = hub.costs.now();
            let mut meant = Vec::with_capacity(device_ids.len());
            for id in device_ids {
                meant.push(one_meant(hub, viewer, (document, &open), id, &costs).await?);
            }
            let offered = Offered { hours: &hours, costs: &costs, today: today(hub) };
            let bookings =
                dispatch::bookings(&meant, day, offered, now_ms).map_err(|what| Denied::bad("day", what))?;
            let actor = Actor::of(viewer);
            hub.store.booking_put(bookings.clone(), actor).await?;
            dispatch::mark_booked(&hub.store, &meant, &bookings, &costs, now_ms).await?;
        }
        BookDeed::Release => {
            let open = dispatch::open_bookings(&hub.store).await?;
            check_releasable(hub, viewer, (document, &open), device_ids).await?;
            hub.costs.refresh(&hub.store).await?;
            let (costs, _) = hub.costs.now();
            hub.store.booking_end(device_ids.to_vec()).await?;
            dispatch::mark_released(&hub.store, device_ids, &costs, now_ms).await?;
        }
    }
    Ok(device_ids.len())
}

fn no_such_visit() -> Denied {
    Denied::NoSuch { code: NO_SUCH_VISIT, what: "planned visit" }
}

/// A booking can be ended wherever its day lies, in the plan or not.
async fn check_releasable<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    (document, open): (Option<&Document>, &[BookedVisit]),
    device_ids: &[String],
) -> Result<(), Denied> {
    for id in device_ids {
        let is_planned = document.is_some_and(|d| d.visit_of(id).is_some());
        if !is_planned && !open.iter().any(|b| b.device_id == *id) {
            let none = || Denied::bad("laptops", "no rounds are planned yet, and no such visit is booked");
            return Err(document.map_or_else(none, |_| no_such_visit()));
        }
        let site = match document.and_then(|d| d.site_of(id)) {
            Some(site) => Some(site.to_owned()),
            None => hub.store.laptop_get(id.clone()).await?.map(|l| l.site).filter(|site| !site.is_empty()),
        };
        if !site.map_or(viewer.site.is_none(), |site| viewer.sees(&site)) {
            return Err(no_such_visit());
        }
    }
    Ok(())
}

/// The visit of a laptop: planned, booked, or advised by the judgement.
async fn one_meant<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    (document, open): (Option<&Document>, &[BookedVisit]),
    device_id: &str,
    costs: &Costs,
) -> Result<Meant, Denied> {
    let planned = document.and_then(|document| Meant::of(device_id, document, open));
    let meant = if let Some(meant) = planned {
        Ok(meant)
    } else {
        let shown = judged(hub)?;
        let judged = Judged { standings: &shown.standings, as_of_ms: shown.fleet.as_of_ms };
        advised::meant(&hub.store, judged, device_id, costs, hub.clock.now_ms()).await?
    };
    match meant {
        Ok(meant) if viewer.sees(&meant.site) => Ok(meant),
        Err(Unbookable::Because(what)) if is_seen(hub, viewer, device_id).await? => {
            Err(Denied::bad("laptops", what))
        }
        Ok(_) | Err(_) => Err(no_such_visit()),
    }
}

async fn is_seen<S: Store>(hub: &Hub<S>, viewer: &Viewer, device_id: &str) -> Result<bool, StoreError> {
    let laptop = hub.store.laptop_get(device_id.to_owned()).await?;
    Ok(laptop.is_some_and(|laptop| viewer.sees(&laptop.site)))
}

/// The rounds as an iCalendar file, with when a day begins (`08:30`; empty: whole days).
///
/// # Errors
/// If that is no time of day.
pub(in crate::http) async fn calendar<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    site: Option<&str>,
    starts: &str,
) -> Result<Response, Denied> {
    let starts =
        match starts {
            "" => None,
            text => Some(NaiveTime::parse_from_str(text, "%H:%M").map_err(|_| {
                Denied::bad("starts", format!("`{text}` is no time of day; give one as 08:30"))
            })?),
        };
    let site = viewer.site.as_deref().or(site);
    // The site alone is written, whoever asks.
    let document = hub.desk.whole_plan(&hub.store).await?;
    let events = hub.store.round_event_list().await?;
    let text = ics::calendar(document.as_deref(), &events, &ics::Setting { site, starts });
    Ok(download("windrow-rounds.ics", "text/calendar; charset=utf-8", text.into()))
}
