//! Holds, snoozes and wanted checks of a laptop, and setting them: `POST /v1/devices/{device_id}/marks`.

use axum::Json;
use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{NO_SUCH_LAPTOP, actor, input, no_such_laptop, one_laptop, time};
use crate::access::Viewer;
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::store::Store;
use crate::store::facts::{Mark, MarkKind, Marked, NewMark};
use crate::visits;

const CANNOT_BE_ASKED: &str = "cannot_be_asked";

/// A mark that is open.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub(super) struct LaptopMark {
    /// Which.
    kind: MarkKind,
    /// Why.
    why: String,
    /// Until when; a hold may have no end.
    until: Option<String>,
    /// Since when.
    since: String,
    /// In which role it was set.
    by_role: String,
}

impl LaptopMark {
    pub(super) fn of(mark: &Mark) -> Self {
        Self {
            kind: mark.kind,
            why: mark.why.clone(),
            until: mark.until_ms.map(time),
            since: time(mark.began_at_ms),
            by_role: mark.by_role.clone(),
        }
    }
}

/// What is asked of a laptop.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(tag = "act", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum Deed {
    /// Ask it for a check.
    Ask {
        /// Last day, UTC.
        until: NaiveDate,
        /// Why.
        #[serde(default)]
        why: String,
    },
    /// Put it off.
    Snooze {
        /// Last day, UTC.
        until: NaiveDate,
        /// Why.
        why: String,
    },
    /// No load and no visit: a recall, a bulging battery.
    Hold {
        /// Why; its user reads it.
        why: String,
    },
    /// End a hold and a snooze.
    Release {},
}

/// The marks that are open now.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Marks {
    marks: Vec<LaptopMark>,
}

pub(super) fn operations() -> Vec<Operation> {
    let set = Operation::new(
        "POST",
        "/v1/devices/{device_id}/marks",
        "Hold, snooze or release a laptop, or ask it for a check",
    );
    vec![
        input::with_body(set.body::<Deed>())
            .answer::<Marks>(200, "the marks that are open now")
            .problem(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP)
            .problem(StatusCode::CONFLICT, CANNOT_BE_ASKED),
    ]
}

pub(super) async fn set<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(device_id): Path<String>,
    headers: HeaderMap,
    request: Body,
) -> Result<Json<Marks>, Problem> {
    let laptop = one_laptop(&hub, &viewer, &device_id).await?;
    let (essence, bytes) = input::body(&hub, &headers, request).await?;
    let deed: Deed = input::json(&essence, &bytes)?;
    apply(&hub, &viewer, &laptop.device_id, deed).await?;
    let marks = hub.store.mark_list(Some(laptop.device_id), hub.clock.now_ms()).await;
    let marks = marks.map_err(|e| Problem::of_store(&e))?;
    Ok(Json(Marks { marks: marks.iter().map(LaptopMark::of).collect() }))
}

async fn apply<S: Store>(hub: &Hub<S>, viewer: &Viewer, device_id: &str, deed: Deed) -> Result<(), Problem> {
    let now_ms = hub.clock.now_ms();
    let (kind, until, why) = match deed {
        Deed::Ask { until, why } => (MarkKind::Check, Some(until), why),
        Deed::Snooze { until, why } => (MarkKind::Snooze, Some(until), given(why)?),
        Deed::Hold { why } => (MarkKind::Hold, None, given(why)?),
        Deed::Release {} => {
            for kind in [MarkKind::Hold, MarkKind::Snooze] {
                let ended = hub.store.mark_end(device_id.to_owned(), kind, actor(viewer), now_ms).await;
                ended.map_err(|e| Problem::of_store(&e))?;
            }
            return Ok(());
        }
    };
    let until_ms = until.and_then(visits::end_of_day_ms);
    if until.is_some() && until_ms.is_none_or(|ms| ms <= now_ms) {
        return Err(input::bad_body("give a day that is not over yet").about("until"));
    }
    let why = visits::reason(&why).map_err(|what| input::bad_body(what).about("why"))?;
    let mark = NewMark { device_id: device_id.to_owned(), kind, why, until_ms, actor: actor(viewer), now_ms };
    match hub.store.mark_set(mark).await.map_err(|e| Problem::of_store(&e))? {
        Marked::Set => Ok(()),
        Marked::NoSuchLaptop => Err(no_such_laptop(device_id)),
        Marked::CannotBeAsked => {
            let detail = "only a laptop that has joined, and isn't revoked, can be asked for a check";
            Err(Problem::new(StatusCode::CONFLICT, CANNOT_BE_ASKED, "not possible as things stand", detail))
        }
    }
}

fn given(why: String) -> Result<String, Problem> {
    if why.trim().is_empty() { Err(input::bad_body("give a reason").about("why")) } else { Ok(why) }
}
