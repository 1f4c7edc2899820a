//! What the forms do: ask for a check, snooze, hold, let go, log a visit. The gate has seen to role and session.

use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Redirect;
use chrono::NaiveDate;
use windrow_model::trace::fleet::ServiceAction;

use super::{no_such, shown};
use crate::access::Viewer;
use crate::http::sign_in::own_path;
use crate::http::{BAD_FORM, Hub, NOT_NOW, Problem, body};
use crate::pages::fill::Shown;
use crate::pages::words;
use crate::store::facts::{Actor, MarkKind, Marked, NewMark, NewVisit, VisitLogged};
use crate::store::{EpochMs, Store};
use crate::visits;

/// Most laptops in one form: a page of the list.
const MAX_LAPTOPS: usize = 200;

/// A form's fields, in their order.
pub(super) struct Fields(Vec<(String, String)>);

impl Fields {
    pub(super) async fn read<S>(hub: &Hub<S>, form: Body) -> Result<Self, Problem> {
        let bytes = body::read_form(form, &hub.limits).await?;
        Ok(Self(form_urlencoded::parse(&bytes).into_owned().collect()))
    }

    pub(super) fn one(&self, name: &str) -> &str {
        self.0.iter().find(|(n, _)| n == name).map_or("", |(_, value)| value.trim())
    }

    pub(super) fn all(&self, name: &str) -> Vec<&str> {
        self.0.iter().filter(|(n, _)| n == name).map(|(_, value)| value.trim()).collect()
    }

    /// A day of the calendar; `None` where it was left blank.
    pub(super) fn day(&self, name: &'static str) -> Result<Option<NaiveDate>, Problem> {
        match self.one(name) {
            "" => Ok(None),
            day => day
                .parse()
                .map(Some)
                .map_err(|_| refused(format!("`{day}` is no day; give one as 2026-01-31"))),
        }
    }

    pub(super) fn text(&self, name: &str) -> Result<String, Problem> {
        visits::text(self.one(name)).map_err(|why| refused(format!("the field `{name}`: {why}")))
    }
}

/// `POST /laptops/act`.
pub(super) async fn act<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    let device_ids = fields.all("laptop");
    if device_ids.is_empty() {
        return Err(refused("no laptop was chosen; tick at least one"));
    }
    if device_ids.len() > MAX_LAPTOPS {
        return Err(refused(format!("at most {MAX_LAPTOPS} laptops at once")));
    }
    let shown = shown(&hub)?;
    for device_id in &device_ids {
        check_seen(&shown, &viewer, device_id)?;
    }
    let deed = Deed::of(&fields, hub.clock.now_ms())?;
    for device_id in device_ids {
        deed.apply(&hub, &viewer, device_id).await?;
    }
    Ok(Redirect::to(own_path(fields.one("back"))))
}

fn check_seen(shown: &Shown, viewer: &Viewer, device_id: &str) -> Result<(), Problem> {
    let is_seen = shown.get(device_id).is_some_and(|(entry, _)| viewer.sees(&entry.site));
    if is_seen { Ok(()) } else { Err(no_such("laptop")) }
}

/// What is asked of laptops.
#[derive(Debug)]
enum Deed {
    Set { kind: MarkKind, until_ms: Option<EpochMs>, why: String },
    Release,
}

impl Deed {
    fn of(fields: &Fields, now_ms: EpochMs) -> Result<Self, Problem> {
        let until_ms = fields.day("until")?.and_then(visits::end_of_day_ms);
        let why =
            visits::reason(fields.one("why")).map_err(|why| refused(format!("the field `why`: {why}")))?;
        let later = |what: &str| match until_ms {
            Some(ms) if ms > now_ms => Ok(Some(ms)),
            Some(_) => Err(refused(format!("{what} needs a day that is not over yet"))),
            None => Err(refused(format!("{what} needs a day"))),
        };
        let given =
            |what: &str| if why.is_empty() { Err(refused(format!("{what} needs a reason"))) } else { Ok(()) };
        match fields.one("act") {
            "ask" => Ok(Self::Set { kind: MarkKind::Check, until_ms: later("asking for a check")?, why }),
            "snooze" => {
                given("a snooze")?;
                Ok(Self::Set { kind: MarkKind::Snooze, until_ms: later("a snooze")?, why })
            }
            "hold" => {
                given("a hold")?;
                Ok(Self::Set { kind: MarkKind::Hold, until_ms: None, why })
            }
            "release" => Ok(Self::Release),
            other => Err(refused(format!("`{other}` is nothing that can be done"))),
        }
    }

    async fn apply<S: Store>(&self, hub: &Hub<S>, viewer: &Viewer, device_id: &str) -> Result<(), Problem> {
        let now_ms = hub.clock.now_ms();
        match self {
            Self::Set { kind, until_ms, why } => {
                let mark = NewMark {
                    device_id: device_id.to_owned(),
                    kind: *kind,
                    why: why.clone(),
                    until_ms: *until_ms,
                    actor: actor(viewer),
                    now_ms,
                };
                match hub.store.mark_set(mark).await.map_err(|e| Problem::of_store(&e))? {
                    Marked::Set => Ok(()),
                    Marked::NoSuchLaptop => Err(no_such("laptop")),
                    Marked::CannotBeAsked => Err(conflict(
                        "only a laptop that has joined, and isn't revoked, can be asked for a check",
                    )),
                }
            }
            Self::Release => {
                for kind in [MarkKind::Hold, MarkKind::Snooze] {
                    let ended = hub.store.mark_end(device_id.to_owned(), kind, actor(viewer), now_ms).await;
                    ended.map_err(|e| Problem::of_store(&e))?;
                }
                Ok(())
            }
        }
    }
}

/// `POST /laptops/{device_id}/visits`.
pub(super) async fn visit<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(device_id): Path<String>,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    check_seen(&*shown(&hub)?, &viewer, &device_id)?;
    let now_ms = hub.clock.now_ms();
    let today = words::date(now_ms).ok_or_else(Problem::internal)?;
    let visited_on = fields.day("visited_on")?.unwrap_or(today);
    visits::check_day(visited_on, today).map_err(refused)?;
    let corrects = corrected(&fields)?;
    let is_withdrawn = fields.one("withdraw") == "yes";
    if is_withdrawn && corrects.is_none() {
        return Err(refused("choose the visit that never took place"));
    }
    let visit = NewVisit {
        device_id: device_id.clone(),
        visited_on,
        actions: actions(&fields)?,
        minutes: minutes(&fields)?,
        found: fields.text("found")?,
        parts: fields.text("parts")?,
        note: fields.text("note")?,
        corrects,
        is_withdrawn,
        actor: actor(&viewer),
        now_ms,
    };
    match hub.store.visit_log(visit).await.map_err(|e| Problem::of_store(&e))? {
        VisitLogged::Logged { .. } => Ok(match fields.one("back") {
            "" => Redirect::to(&format!("/laptops/{device_id}")),
            back => Redirect::to(own_path(back)),
        }),
        VisitLogged::Duplicate { visit_id } => {
            Err(conflict(format!("this laptop, day and actions are logged already, as visit {visit_id}")))
        }
        VisitLogged::CorrectedBefore { visit_id } => {
            Err(conflict(format!("that entry was corrected already, by visit {visit_id}; correct that one")))
        }
        VisitLogged::NoSuchVisit => Err(refused("this laptop has no such visit")),
        VisitLogged::NoSuchLaptop => Err(no_such("laptop")),
    }
}

/// The entry that a new one replaces.
fn corrected(fields: &Fields) -> Result<Option<i64>, Problem> {
    match fields.one("corrects") {
        "" => Ok(None),
        number => number.parse().map(Some).map_err(|_| refused(format!("`{number}` is no visit's number"))),
    }
}

/// What was ticked; nothing ticked is a look without a repair.
fn actions(fields: &Fields) -> Result<Vec<ServiceAction>, Problem> {
    let ticked = fields.all("action").into_iter().map(|name| {
        ServiceAction::from_name(name).ok_or_else(|| refused(format!("`{name}` is no action of a visit")))
    });
    let actions: Vec<ServiceAction> = ticked.collect::<Result<_, _>>()?;
    Ok(if actions.is_empty() { vec![ServiceAction::None] } else { actions })
}

fn minutes(fields: &Fields) -> Result<Option<u32>, Problem> {
    let given = fields.one("minutes");
    if given.is_empty() {
        return Ok(None);
    }
    let minutes = given.parse::<u32>().ok().filter(|m| *m <= visits::MAX_MINUTES);
    let why = || refused(format!("`{given}` minutes: give a whole number up to {}", visits::MAX_MINUTES));
    minutes.map(Some).ok_or_else(why)
}

pub(super) const fn actor(viewer: &Viewer) -> Actor {
    Actor { role: viewer.role, grant_id: Some(viewer.grant_id) }
}

pub(super) fn refused(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, BAD_FORM, "the form cannot be taken", detail)
}

pub(super) fn conflict(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::CONFLICT, NOT_NOW, "not possible as things stand", detail)
}
