//! A visit that is logged, or an entry that another corrects.

use chrono::NaiveDate;
use windrow_model::trace::fleet::ServiceAction;

use super::denied::Denied;
use super::marks::NO_SUCH_LAPTOP;
use super::rounds::NO_SUCH_VISIT;
use crate::access::Viewer;
use crate::http::Hub;
use crate::store::Store;
use crate::store::facts::{Actor, NewVisit, VisitLogged};
use crate::visits;

pub(in crate::http) const DUPLICATE_VISIT: &str = "duplicate_visit";
pub(in crate::http) const CORRECTED_BEFORE: &str = "corrected_before";

/// Which entry a new one replaces.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::http) enum Replaces {
    /// None: it is a visit of its own.
    Nothing,
    /// This one.
    Corrects(i64),
    /// This one, whose visit never took place.
    Withdraws(i64),
}

/// A visit to be logged.
#[derive(Debug, Clone)]
pub(in crate::http) struct VisitAsked<'a> {
    /// A laptop that the viewer may see.
    pub(in crate::http) device_id: &'a str,
    /// The day; today where it isn't given.
    pub(in crate::http) visited_on: Option<NaiveDate>,
    pub(in crate::http) actions: Vec<ServiceAction>,
    pub(in crate::http) minutes: Option<u32>,
    pub(in crate::http) found: &'a str,
    pub(in crate::http) parts: &'a str,
    pub(in crate::http) note: &'a str,
    pub(in crate::http) replaces: Replaces,
}

/// Logs it; says its number and day.
///
/// # Errors
/// Why it cannot be logged.
pub(in crate::http) async fn log<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    asked: &VisitAsked<'_>,
) -> Result<(i64, NaiveDate), Denied> {
    let visit = read(hub, viewer, asked)?;
    let visited_on = visit.visited_on;
    let field = if matches!(asked.replaces, Replaces::Withdraws(_)) { "withdraws" } else { "corrects" };
    match hub.store.visit_log(visit).await? {
        VisitLogged::Logged { visit_id } => Ok((visit_id, visited_on)),
        VisitLogged::Duplicate { visit_id } => {
            let what = format!(
                "this laptop, day and actions are logged already, as visit {visit_id}; correct that one if it is wrong"
            );
            Err(Denied::NotNow { code: DUPLICATE_VISIT, field: Some("actions"), what })
        }
        VisitLogged::CorrectedBefore { visit_id } => {
            let what = format!("that entry was corrected already, by visit {visit_id}; correct that one");
            Err(Denied::NotNow { code: CORRECTED_BEFORE, field: Some(field), what })
        }
        VisitLogged::NoSuchVisit => {
            Err(Denied::Unknown { code: NO_SUCH_VISIT, field, what: "this laptop has no such visit".into() })
        }
        VisitLogged::NoSuchLaptop => Err(Denied::NoSuch { code: NO_SUCH_LAPTOP, what: "laptop" }),
    }
}

fn read<S>(hub: &Hub<S>, viewer: &Viewer, asked: &VisitAsked<'_>) -> Result<NewVisit, Denied> {
    let today = hub.clock.now().date_naive();
    let visited_on = asked.visited_on.unwrap_or(today);
    visits::check_day(visited_on, today).map_err(|what| Denied::bad("visited_on", what))?;
    if asked.minutes.is_some_and(|minutes| minutes > visits::MAX_MINUTES) {
        return Err(bad_minutes(&asked.minutes.unwrap_or_default().to_string()));
    }
    let (corrects, is_withdrawn) = match asked.replaces {
        Replaces::Nothing => (None, false),
        Replaces::Corrects(visit) => (Some(visit), false),
        Replaces::Withdraws(visit) => (Some(visit), true),
    };
    let text = |field: &'static str, read: Result<String, String>| {
        read.map_err(|why| Denied::bad(field, format!("the field `{field}`: {why}")))
    };
    Ok(NewVisit {
        device_id: asked.device_id.to_owned(),
        visited_on,
        actions: actions(&asked.actions, is_withdrawn)?,
        minutes: asked.minutes,
        found: text("found", visits::line(asked.found))?,
        parts: text("parts", visits::line(asked.parts))?,
        note: text("note", visits::text(asked.note))?,
        corrects,
        is_withdrawn,
        actor: Actor::of(viewer),
        now_ms: hub.clock.now_ms(),
    })
}

fn actions(given: &[ServiceAction], is_withdrawn: bool) -> Result<Vec<ServiceAction>, Denied> {
    let bad = |what: &str| Err(Denied::bad("actions", what));
    let has = |is: fn(&ServiceAction) -> bool| given.iter().any(is);
    match (is_withdrawn, given) {
        (true, [] | [ServiceAction::None]) => Ok(vec![ServiceAction::None]),
        (true, _) => bad("a visit that never took place has no actions"),
        (false, []) => bad("give at least one; `none` where nothing was done"),
        _ if has(|a| *a == ServiceAction::None) && has(|a| *a != ServiceAction::None) => {
            bad("`none` says that nothing was done, and stands alone")
        }
        (false, given) => Ok(given.to_vec()),
    }
}

/// Minutes that no visit takes.
pub(in crate::http) fn bad_minutes(given: &str) -> Denied {
    Denied::bad("minutes", format!("`{given}` minutes: give a whole number up to {}", visits::MAX_MINUTES))
}
