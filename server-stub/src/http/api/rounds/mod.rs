//! `/v1/rounds`: the plan, what it is planned from, bookings, work sheets, the calendar.

mod bookings;
mod costs;
mod input;
mod plan;

use axum::Router;
use axum::routing::{get, post};

use crate::http::Hub;
use crate::http::openapi::Operation;
use crate::store::Store;

pub(super) fn routes<S: Store>() -> Router<Hub<S>> {
    Router::new()
        .route("/v1/rounds", get(plan::get::<S>))
        .route("/v1/rounds/plan", post(plan::make::<S>))
        .route("/v1/rounds/sheet", get(plan::sheet::<S>))
        .route("/v1/rounds/calendar", get(plan::calendar::<S>))
        .route("/v1/rounds/hours", get(input::hours::<S>).post(input::set_hours::<S>))
        .route("/v1/rounds/stock", get(input::stock::<S>).post(input::set_stock::<S>))
        .route("/v1/rounds/costs", get(costs::get::<S>).post(costs::set::<S>))
        .route("/v1/rounds/bookings", post(bookings::set::<S>))
}

pub(super) fn operations() -> Vec<Operation> {
    [plan::operations(), input::operations(), costs::operations(), bookings::operations()].concat()
}
