//! What the store keeps of the rounds: hours, stock, the plan, bookings, and the days as calendars know them.
//!
//! Intentions, not facts of a laptop: they have no leaf in the ledger. What was done is a logged visit, which has one.

use std::future::Future;

use chrono::NaiveDate;
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use super::facts::Actor;
use super::{EpochMs, StoreError};
use crate::rounds::hours::{Hours, Stock};

/// A plan as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredPlan {
    /// When it was made, or last changed by a booking: the time that calendars are told. When it was planned stands in it.
    pub made_at_ms: EpochMs,
    /// The plan as JSON.
    pub plan_json: String,
}

/// A visit that somebody has been told of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BookedVisit {
    /// The laptop.
    pub device_id: String,
    /// When.
    pub day: NaiveDate,
    /// What will be done; empty: it is looked at.
    pub actions: Vec<ServiceAction>,
    /// When it was booked.
    pub booked_at_ms: EpochMs,
}

/// What a site does on a day, as far as a calendar must know of changes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SiteDay {
    /// The site.
    pub site: String,
    /// The day.
    pub day: NaiveDate,
    /// Of what is done.
    pub digest: Digest,
}

/// A day at a site as calendars know it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RoundEvent {
    /// The site.
    pub site: String,
    /// The day.
    pub day: NaiveDate,
    /// Its name for ever.
    pub uid: String,
    /// Rises with every change.
    pub sequence: u32,
    /// Nobody goes there that day any more.
    pub is_cancelled: bool,
    /// When it last changed.
    pub changed_at_ms: EpochMs,
}

/// What things cost, as it was set last.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredCosts {
    /// Rises with every change.
    pub revision: i64,
    /// The file.
    pub toml: String,
    /// When it was set.
    pub set_at_ms: EpochMs,
}

/// The store's part for rounds.
pub trait RoundsStore {
    /// Hours and stock as they stand.
    fn round_input_get(&self) -> impl Future<Output = Result<(Hours, Stock), StoreError>> + Send;
    /// Takes these hours; days that they don't name stay as they are.
    fn round_hours_put(&self, hours: Hours) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Takes this stock; parts that it doesn't name stay as they are.
    fn round_stock_put(&self, stock: Stock) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// What things cost, as it was set last.
    fn costs_get(&self) -> impl Future<Output = Result<Option<StoredCosts>, StoreError>> + Send;
    /// Sets what things cost; what the file before said is forgotten.
    fn costs_put(
        &self,
        toml: String,
        actor: Actor,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// The plan as it stands.
    fn round_plan_get(&self) -> impl Future<Output = Result<Option<StoredPlan>, StoreError>> + Send;
    /// Rises with every change of the plan; `None`: there is none.
    fn round_plan_version(&self) -> impl Future<Output = Result<Option<i64>, StoreError>> + Send;
    /// Keeps a plan in place of the one before. Of its days from `from` on, new and changed ones get their next sequence,
    /// and those that it doesn't name are cancelled.
    fn round_plan_put(
        &self,
        plan: StoredPlan,
        from: NaiveDate,
        days: Vec<SiteDay>,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Bookings by laptop, past ones too.
    fn booking_list(&self) -> impl Future<Output = Result<Vec<BookedVisit>, StoreError>> + Send;
    /// Books visits; a booking of the same laptop is replaced.
    fn booking_put(
        &self,
        bookings: Vec<BookedVisit>,
        actor: Actor,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Ends bookings; says how many there were.
    fn booking_end(&self, device_ids: Vec<String>) -> impl Future<Output = Result<u64, StoreError>> + Send;
    /// Days at sites as calendars know them, by day and site.
    fn round_event_list(&self) -> impl Future<Output = Result<Vec<RoundEvent>, StoreError>> + Send;
}
