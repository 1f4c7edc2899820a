//! What the forms do: ask for a check, snooze, hold, let go, log a visit. The gate has seen to role and session.

use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Redirect;
use chrono::NaiveDate;
use serde::Deserialize;
use windrow_model::trace::fleet::ServiceAction;

use super::no_such;
use crate::access::Viewer;
use crate::http::asked::Path;
use crate::http::filled::Denied;
use crate::http::filled::marks::{MarkAsked, MarkDeed};
use crate::http::filled::visits::{self, Replaces, VisitAsked};
use crate::http::sign_in::own_path;
use crate::http::{BAD_FORM, Hub, NOT_NOW, Problem, body};
use crate::pages::layout::Notice;
use crate::store::Store;
use crate::store::facts::{Laptop, Visit};

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
        crate::visits::text(self.one(name)).map_err(|why| refused(format!("the field `{name}`: {why}")))
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
    for device_id in &device_ids {
        seen_laptop(&hub, &viewer, device_id).await?;
    }
    let deed = MarkDeed::read(asked(&fields)?, hub.clock.now_ms()).map_err(Denied::on_page)?;
    for device_id in device_ids {
        deed.apply(&hub, &viewer, device_id).await.map_err(Denied::on_page)?;
    }
    Ok(Redirect::to(own_path(fields.one("back"))))
}

/// A laptop that the viewer may see, judged already or not.
pub(super) async fn seen_laptop<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    device_id: &str,
) -> Result<Laptop, Problem> {
    let found = hub.store.laptop_get(device_id.to_owned()).await.map_err(|e| Problem::of_store(&e))?;
    found.filter(|laptop| viewer.sees(&laptop.site)).ok_or_else(|| no_such("laptop"))
}

/// What the form asks for.
fn asked(fields: &Fields) -> Result<MarkAsked<'_>, Problem> {
    let (until, why) = (fields.day("until")?, fields.one("why"));
    match fields.one("act") {
        "ask" => Ok(MarkAsked::Ask { until, why }),
        "snooze" => Ok(MarkAsked::Snooze { until, why }),
        "hold" => Ok(MarkAsked::Hold { why }),
        "release" => Ok(MarkAsked::Release),
        other => Err(refused(format!("`{other}` is nothing that can be done"))),
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
    seen_laptop(&hub, &viewer, &device_id).await?;
    // An entry is never edited: a day that was left blank is asked for, not guessed.
    let visited_on = fields.day("visited_on")?.ok_or_else(|| refused("say on which day the visit was"))?;
    let asked = VisitAsked {
        device_id: &device_id,
        visited_on: Some(visited_on),
        actions: actions(&fields)?,
        minutes: minutes(&fields)?,
        found: fields.one("found"),
        parts: fields.one("parts"),
        note: fields.one("note"),
        replaces: replaced(&fields)?,
    };
    let (visit_id, _) = visits::log(&hub, &viewer, &asked).await.map_err(Denied::on_page)?;
    let own = format!("/laptops/{device_id}");
    let back = match fields.one("back") {
        "" => &own,
        back => own_path(back),
    };
    let joint = if back.contains('?') { '&' } else { '?' };
    Ok(Redirect::to(&format!("{back}{joint}logged={visit_id}")))
}

/// What a laptop's page may be told in its address: the number of a visit that was logged just now.
#[derive(Debug, Default, Deserialize)]
pub(super) struct JustLogged {
    #[serde(default)]
    logged: String,
}

impl JustLogged {
    /// What to say of it. Nothing where the laptop has no such visit: an address is easily made up.
    pub(super) async fn notice<S: Store>(
        &self,
        hub: &Hub<S>,
        device_id: &str,
    ) -> Result<Option<Notice>, Problem> {
        let Ok(visit_id) = self.logged.parse::<i64>() else { return Ok(None) };
        let after = visit_id.saturating_sub(1);
        let found = hub.store.visit_list(Some(device_id.to_owned()), after, 1).await;
        let visit = found.map_err(|e| Problem::of_store(&e))?.into_iter().find(|v| v.visit_id == visit_id);
        Ok(visit.map(|visit| Notice::Done(words_of(&visit))))
    }
}

fn words_of(visit: &Visit) -> String {
    let (number, day) = (visit.visit_id, visit.visited_on.format("%-d %b %Y"));
    match (visit.is_withdrawn, visit.corrects) {
        (true, Some(corrected)) => format!("Logged as {number}: visit {corrected} never took place."),
        (_, Some(corrected)) => format!("Logged as visit {number} of {day}, in place of {corrected}."),
        (_, None) => {
            format!("Logged as visit {number} of {day}. The next check shows whether it helped: ask for it.")
        }
    }
}

/// The entry that a new one replaces.
fn replaced(fields: &Fields) -> Result<Replaces, Problem> {
    let is_withdrawn = fields.one("withdraw") == "yes";
    match fields.one("corrects") {
        "" if is_withdrawn => Err(refused("choose the visit that never took place")),
        "" => Ok(Replaces::Nothing),
        number => {
            let visit = number.parse().map_err(|_| refused(format!("`{number}` is no visit's number")))?;
            Ok(if is_withdrawn { Replaces::Withdraws(visit) } else { Replaces::Corrects(visit) })
        }
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
    given.parse().map(Some).map_err(|_| visits::bad_minutes(given).on_page())
}

pub(super) fn refused(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, BAD_FORM, "the form cannot be taken", detail)
}

pub(super) fn conflict(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::CONFLICT, NOT_NOW, "not possible as things stand", detail)
}
