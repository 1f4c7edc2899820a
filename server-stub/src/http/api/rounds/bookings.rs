//! `POST /v1/rounds/bookings`: book planned visits, or end bookings.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::access::Viewer;
use crate::http::api::{NO_SUCH_LAPTOP, input, one_laptop};
use crate::http::filled::Denied;
use crate::http::filled::rounds::{self as filled, BookDeed, MAX_CHOSEN, NO_SUCH_VISIT};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem};
use crate::store::Store;

/// What is done with planned visits.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(tag = "act", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum Deed {
    /// They stay where they are, or on another day, however often it is planned anew.
    Book {
        /// The laptops: asset tags, sheet codes, device ids or their first 8 characters and more.
        #[schemars(length(min = 1, max = 1000))]
        laptops: Vec<String>,
        /// On this day; on the planned one where it isn't given.
        day: Option<NaiveDate>,
    },
    /// The next plan may move them.
    Release {
        /// The laptops.
        #[schemars(length(min = 1, max = 1000))]
        laptops: Vec<String>,
    },
}

/// What became of it.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Booked {
    /// Visits that it was done with.
    n_visits: usize,
}

pub(super) fn operations() -> Vec<Operation> {
    let set = Operation::new("POST", "/v1/rounds/bookings", "Book planned visits, or end their bookings");
    vec![
        input::with_body(set.body::<Deed>())
            .answer::<Booked>(200, "all of it was done")
            .problem(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP)
            .problem(StatusCode::NOT_FOUND, NO_SUCH_VISIT),
    ]
}

pub(super) async fn set<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    headers: HeaderMap,
    request: Body,
) -> Result<Json<Booked>, Problem> {
    let (essence, bytes) = input::body(&hub, &headers, request).await?;
    let (laptops, deed) = match input::json(&essence, &bytes)? {
        Deed::Book { laptops, day } => (laptops, BookDeed::Book(day)),
        Deed::Release { laptops } => (laptops, BookDeed::Release),
    };
    let mut device_ids = Vec::new();
    // One more than may be is enough to be refused.
    for key in laptops.iter().take(MAX_CHOSEN + 1) {
        let laptop = one_laptop(&hub, &viewer, key).await.map_err(|p| p.about("laptops"))?;
        device_ids.push(laptop.device_id);
    }
    let done = filled::book(&hub, &viewer, &device_ids, deed).await;
    done.map(|n_visits| Json(Booked { n_visits })).map_err(Denied::in_api)
}
