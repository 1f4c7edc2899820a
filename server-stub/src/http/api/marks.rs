//! Holds, snoozes and wanted checks of a laptop, and setting them: `POST /v1/devices/{device_id}/marks`.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{NO_SUCH_LAPTOP, input, one_laptop, time};
use crate::access::Viewer;
use crate::http::asked::Path;
use crate::http::filled::Denied;
use crate::http::filled::marks::{CANNOT_BE_ASKED, MarkAsked, MarkDeed};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::store::Store;
use crate::store::facts::{Mark, MarkKind};

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

impl Deed {
    fn asked(&self) -> MarkAsked<'_> {
        match self {
            Self::Ask { until, why } => MarkAsked::Ask { until: Some(*until), why },
            Self::Snooze { until, why } => MarkAsked::Snooze { until: Some(*until), why },
            Self::Hold { why } => MarkAsked::Hold { why },
            Self::Release {} => MarkAsked::Release,
        }
    }
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
    let deed = MarkDeed::read(deed.asked(), hub.clock.now_ms()).map_err(Denied::in_api)?;
    deed.apply(&hub, &viewer, &laptop.device_id).await.map_err(Denied::in_api)?;
    let marks = hub.store.mark_list(Some(laptop.device_id), hub.clock.now_ms()).await;
    let marks = marks.map_err(|e| Problem::of_store(&e))?;
    Ok(Json(Marks { marks: marks.iter().map(LaptopMark::of).collect() }))
}
