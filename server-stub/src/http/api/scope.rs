//! `GET` and `POST /v1/scope`, `GET /v1/scope/{tag}`: the list of laptops that should be checked.

use std::collections::HashMap;

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{BAD_QUERY, NO_SUCH_LAPTOP, input, limit, no_such_laptop, time};
use crate::access::Viewer;
use crate::coverage::{CoverageLine, CoverageState, NotCheckedWhy};
use crate::http::asked::{Path, Query};
use crate::http::filled::Denied;
use crate::http::filled::scope::{self as filled, CANNOT_MERGE};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::scope;
use crate::store::Store;
use crate::store::facts::{Actor, ScopeChange, ScopeCount, ScopeDeed, ScopeDone, ScopeEntry};

const NO_SUCH_TAG: &str = "no_such_tag";

/// Which entries.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Only this site.
    site: Option<String>,
    /// Begin after this tag, as `next` has it.
    after: Option<String>,
    /// How many, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// A laptop that should be checked, as the list says.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub(super) struct ScopeLine {
    /// Asset tag: the list's key.
    tag: String,
    /// Model; may be empty.
    model: String,
    /// Site.
    site: String,
    /// Place within the site; may be empty.
    place: String,
    /// First day on which it should be checked.
    from: Option<NaiveDate>,
    /// Last such day.
    until: Option<NaiveDate>,
    /// Left out on purpose.
    excluded: bool,
    /// Why it is excluded, or retired.
    why: String,
}

impl From<&ScopeEntry> for ScopeLine {
    fn from(e: &ScopeEntry) -> Self {
        Self {
            tag: e.tag.clone(),
            model: e.model.clone(),
            site: e.site.clone(),
            place: e.place.clone(),
            from: e.from_on,
            until: e.until_on,
            excluded: e.is_excluded,
            why: e.why.clone(),
        }
    }
}

/// An entry and how it stands in the coverage.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct CoveredLine {
    #[serde(flatten)]
    line: ScopeLine,
    /// The laptop that carries the tag.
    device_id: Option<String>,
    /// How it stands; `null` until the fleet is judged with it.
    coverage_state: Option<CoverageState>,
    /// Why it wasn't checked.
    not_checked_why: Option<NotCheckedWhy>,
    /// Its last check that loaded it.
    last_checked_at: Option<String>,
}

/// A page of the list, by tag.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ScopePage {
    entries: Vec<CoveredLine>,
    /// What to give as `after` for the next page; `null` on the last.
    next: Option<String>,
}

/// How a tag came to stand as it does, the oldest first.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ScopeHistory {
    versions: Vec<ScopeLineVersion>,
}

/// How a tag stood from a time on.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ScopeLineVersion {
    #[serde(flatten)]
    line: ScopeLine,
    /// What was done.
    change: ScopeChange,
    /// When.
    changed_at: String,
    /// In which role.
    by_role: String,
    /// Where it stood was erased.
    is_erased: bool,
}

/// A change of the list.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(tag = "act", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum Deed {
    /// A laptop stands somewhere else now.
    Move {
        /// Asset tag.
        tag: String,
        /// Its new site.
        site: String,
        /// Its place within the site.
        #[serde(default)]
        place: String,
    },
    /// A laptop is no longer used.
    Retire {
        /// Asset tag.
        tag: String,
        /// The last day on which it should be checked, UTC; today where it isn't given.
        last_on: Option<NaiveDate>,
        /// Why.
        why: String,
    },
    /// A laptop that has joined or was imported carries this tag.
    Assign {
        /// Asset tag.
        tag: String,
        /// Asset tag that it carries now, or device id, or the first 8 characters of that or more.
        laptop: String,
    },
    /// After a board swap: the new identity goes on as the old one.
    Merge {
        /// The laptop as it was: asset tag, or device id, or the first 8 characters of that or more.
        old: String,
        /// The laptop as it joined anew.
        new: String,
    },
}

/// What became of a change.
#[derive(Debug, Serialize, JsonSchema)]
#[serde(untagged)]
pub(super) enum Changed {
    /// Of a whole list.
    List(ScopeCount),
    /// Of one laptop.
    One {
        /// `false`: it was so before.
        changed: bool,
    },
}

pub(super) fn operations() -> Vec<Operation> {
    let csv = |_: &mut _| serde_json::json!({"type": "string", "description": "the list as `windrow-hub scope import` takes it"});
    let change = Operation::new("POST", "/v1/scope", "Take a list as CSV, or change one laptop of it");
    vec![
        Operation::new("GET", "/v1/scope", "The laptops that should be checked, and how far they were")
            .question::<Asked>()
            .answer::<ScopePage>(200, "a page of the list")
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY),
        Operation::new("GET", "/v1/scope/{tag}", "How a tag came to stand as it does")
            .answer::<ScopeHistory>(200, "its history, the oldest first")
            .problem(StatusCode::NOT_FOUND, NO_SUCH_TAG),
        input::with_body(change.body::<Deed>().body_as("text/csv", csv))
            .answer::<Changed>(200, "what became of it")
            .problem(StatusCode::NOT_FOUND, NO_SUCH_TAG)
            .problem(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP)
            .problem(StatusCode::CONFLICT, CANNOT_MERGE),
    ]
}

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Query(asked): Query<Asked>,
) -> Result<Json<ScopePage>, Problem> {
    let n_most = limit(asked.limit)? as usize;
    let all = hub.store.scope_list().await.map_err(|e| Problem::of_store(&e))?;
    let mut fitting = all.iter().filter(|e| {
        viewer.sees(&e.site)
            && asked.site.as_ref().is_none_or(|site| *site == e.site)
            && asked.after.as_ref().is_none_or(|after| e.tag > *after)
    });
    let entries: Vec<&ScopeEntry> = fitting.by_ref().take(n_most).collect();
    let is_last = fitting.next().is_none();
    let shown = hub.showroom.now();
    let lines: HashMap<&str, &CoverageLine> = shown
        .iter()
        .flat_map(|s| &s.coverage.lines)
        .filter(|line| line.state != CoverageState::NotInList)
        .map(|line| (line.tag.as_str(), line))
        .collect();
    let next = entries.last().filter(|_| !is_last).map(|e| e.tag.clone());
    let entries = entries.into_iter().map(|e| covered(e, lines.get(e.tag.as_str()).copied())).collect();
    Ok(Json(ScopePage { entries, next }))
}

fn covered(entry: &ScopeEntry, line: Option<&CoverageLine>) -> CoveredLine {
    CoveredLine {
        line: entry.into(),
        device_id: line.and_then(|l| l.device_id.clone()),
        coverage_state: line.map(|l| l.state),
        not_checked_why: line.and_then(|l| l.not_checked_why),
        last_checked_at: line.and_then(|l| l.last_checked_at_ms).map(time),
    }
}

pub(super) async fn history<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(tag): Path<String>,
) -> Result<Json<ScopeHistory>, Problem> {
    let versions = hub.store.scope_history(tag.clone()).await.map_err(|e| Problem::of_store(&e))?;
    if versions.last().is_none_or(|v| !viewer.sees(&v.entry.site)) {
        return Err(no_such_tag(&tag));
    }
    let versions = versions.iter().map(|v| ScopeLineVersion {
        line: (&v.entry).into(),
        change: v.change,
        changed_at: time(v.changed_at_ms),
        by_role: v.by_role.clone(),
        is_erased: v.is_erased,
    });
    Ok(Json(ScopeHistory { versions: versions.collect() }))
}

pub(super) async fn change<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    headers: HeaderMap,
    request: Body,
) -> Result<Json<Changed>, Problem> {
    let (essence, bytes) = input::body(&hub, &headers, request).await?;
    if essence == "text/csv" {
        return import(&hub, &viewer, bytes).await.map(Json);
    }
    if essence != "application/json" {
        return Err(input::unsupported(&essence, "`application/json` or `text/csv`"));
    }
    one(&hub, &viewer, input::json(&essence, &bytes)?).await.map(Json)
}

async fn import<S: Store>(hub: &Hub<S>, viewer: &Viewer, bytes: Vec<u8>) -> Result<Changed, Problem> {
    let entries = tokio::task::spawn_blocking(move || scope::parse(&bytes));
    let entries = entries.await.map_err(|_| Problem::internal())?;
    let entries = entries.map_err(|complaints| input::bad_body(complaints.to_string()))?;
    let count = hub.store.scope_import(entries, Actor::of(viewer), hub.clock.now_ms()).await;
    count.map(Changed::List).map_err(|e| Problem::of_store(&e))
}

async fn one<S: Store>(hub: &Hub<S>, viewer: &Viewer, deed: Deed) -> Result<Changed, Problem> {
    let (tag, deed) = match deed {
        Deed::Move { tag, site, place } => {
            let deed = filled::moved(&site, &place).map_err(Denied::in_api)?;
            (tag, deed)
        }
        Deed::Retire { tag, last_on, why } => {
            let deed = filled::retired(hub, tag.trim(), last_on, &why).await.map_err(Denied::in_api)?;
            (tag, deed)
        }
        Deed::Assign { tag, laptop } => {
            let device_id = filled::laptop_meant(hub, viewer, "laptop", &laptop).await;
            (tag, ScopeDeed::Assign { device_id: device_id.map_err(Denied::in_api)? })
        }
        Deed::Merge { old, new } => {
            let changed = filled::merged(hub, viewer, &old, &new).await.map_err(Denied::in_api)?;
            return Ok(Changed::One { changed });
        }
    };
    let tag = tag.trim().to_owned();
    let became = hub.store.scope_change(tag.clone(), deed, Actor::of(viewer), hub.clock.now_ms()).await;
    match became.map_err(|e| Problem::of_store(&e))? {
        ScopeDone::Done => Ok(Changed::One { changed: true }),
        ScopeDone::Same => Ok(Changed::One { changed: false }),
        ScopeDone::NoSuchTag => Err(no_such_tag(&tag).about("tag")),
        ScopeDone::NoSuchLaptop => Err(no_such_laptop(&tag)),
    }
}

fn no_such_tag(tag: &str) -> Problem {
    let shown: String = tag.chars().filter(|c| !c.is_control()).take(80).collect();
    let detail = format!("the list has no tag `{shown}`, or it is not yours to see");
    Problem::new(StatusCode::NOT_FOUND, NO_SUCH_TAG, "no such tag", detail)
}
