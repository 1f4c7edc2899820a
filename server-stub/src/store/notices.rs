//! What the store keeps of notices: who was told what, and what waits to be posted.
//!
//! Not facts of a laptop: they have no leaf in the ledger. Each receiver has its own state, so that one that is dead, new
//! or gone changes nothing for the others.

use std::collections::HashMap;
use std::future::Future;

use super::{EpochMs, StoreError};

/// A laptop by id and provenance, as the rank has it.
pub type LaptopKey = (String, String);

/// The band of a laptop that a receiver knows of from now on.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct ToldBand {
    /// The laptop.
    pub device_id: String,
    /// Provenance of its runs.
    pub provenance: String,
    /// The band's name.
    pub band: String,
}

/// A notice to be posted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewNotice {
    /// Its name for ever.
    pub notice_id: String,
    /// What is posted, JSON.
    pub body: String,
    /// The bands that it tells.
    pub told: Vec<ToldBand>,
    /// When it was made.
    pub made_at_ms: EpochMs,
}

/// A notice that waits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WaitingNotice {
    /// Its row.
    pub row: i64,
    /// To whom it goes.
    pub receiver: String,
    /// Its name for ever.
    pub notice_id: String,
    /// What is posted, JSON.
    pub body: String,
    /// How many changes it tells.
    pub n_changes: u32,
    /// When it was made.
    pub made_at_ms: EpochMs,
    /// How often it was tried in vain.
    pub n_tries: u32,
    /// When it was last tried.
    pub tried_at_ms: Option<EpochMs>,
    /// Why that failed.
    pub failure: String,
}

/// A receiver as the store knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredReceiver {
    /// Its name.
    pub receiver: String,
    /// It is told of changes since then.
    pub begun_at_ms: EpochMs,
    /// Notices that wait.
    pub n_waiting: u64,
    /// Notices that it took.
    pub n_sent: u64,
    /// Notices that were given up.
    pub n_given_up: u64,
    /// When it last took one.
    pub last_sent_at_ms: Option<EpochMs>,
}

/// How a notice ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoticeEnd {
    /// The receiver took it.
    Sent,
    /// It was tried for too long.
    GivenUp,
}

/// The store's part for notices.
pub trait NoticeStore {
    /// The bands that a receiver was told; `None`: it is new.
    fn notice_told_list(
        &self,
        receiver: String,
    ) -> impl Future<Output = Result<Option<HashMap<LaptopKey, String>>, StoreError>> + Send;
    /// Takes bands as told without a notice: a new receiver's beginning, before [`Self::notice_begin`].
    fn notice_told_put(
        &self,
        receiver: String,
        told: Vec<ToldBand>,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// From now on a receiver is told of changes.
    fn notice_begin(
        &self,
        receiver: String,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Lets a notice wait and takes its bands as told, both or nothing; `false`: as many wait as may, and nothing was done.
    fn notice_put(
        &self,
        receiver: String,
        notice: NewNotice,
    ) -> impl Future<Output = Result<bool, StoreError>> + Send;
    /// The oldest notice that waits for a receiver.
    fn notice_next(
        &self,
        receiver: String,
    ) -> impl Future<Output = Result<Option<WaitingNotice>, StoreError>> + Send;
    /// Takes down a try in vain.
    fn notice_tried(
        &self,
        row: i64,
        now_ms: EpochMs,
        failure: String,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Ends a notice and counts it; a second time nothing happens.
    fn notice_end(
        &self,
        row: i64,
        end: NoticeEnd,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Forgets receivers but these, with what waits for them; says how many notices that were, by receiver.
    fn notice_receivers_keep(
        &self,
        receivers: Vec<String>,
    ) -> impl Future<Output = Result<Vec<(String, u64)>, StoreError>> + Send;
    /// Receivers by name.
    fn notice_receiver_list(&self) -> impl Future<Output = Result<Vec<StoredReceiver>, StoreError>> + Send;
}
