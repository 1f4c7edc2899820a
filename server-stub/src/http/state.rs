//! What every handler shares.

use std::sync::Arc;

use tokio::sync::{Notify, Semaphore};

use super::Limits;
use crate::access::Tries;
use crate::clock::WallClock;
use crate::costs::in_force::InForce;
use crate::meters::Meters;
use crate::pages::showroom::Showroom;
use crate::rounds::desk::Desk;
use crate::store::Store;

/// Exports written at once: each takes a thread, and an audit export room on disk.
const MAX_EXPORTS: usize = 4;

/// Files verified at once: each may hold some hundred megabytes.
const MAX_VERIFICATIONS: usize = 2;

/// The hub as its handlers see it.
#[derive(Debug, Clone)]
pub struct Hub<S> {
    /// Its memory.
    pub store: S,
    /// Its clock.
    pub clock: WallClock,
    /// What callers may.
    pub limits: Limits,
    /// Wakes the computation of metrics.
    pub measure: Arc<Notify>,
    /// What it counts of its own work.
    pub meters: Arc<Meters>,
    /// Places for exports that are being written.
    pub exporting: Arc<Semaphore>,
    /// Places for files that are sent to be verified.
    pub verifying: Arc<Semaphore>,
    /// Failed tries to sign in.
    pub tries: Arc<Tries>,
    /// The judged fleet as the pages show it.
    pub showroom: Arc<Showroom>,
    /// What things cost.
    pub costs: Arc<InForce>,
    /// The rounds as they are shown, and the one place at which they are planned.
    pub desk: Arc<Desk>,
}

impl<S: Store> Hub<S> {
    /// A hub over a store.
    pub fn new(store: S, clock: WallClock, limits: Limits) -> Self {
        Self {
            store,
            clock,
            limits,
            measure: Arc::new(Notify::new()),
            meters: Arc::default(),
            exporting: Arc::new(Semaphore::new(MAX_EXPORTS)),
            verifying: Arc::new(Semaphore::new(MAX_VERIFICATIONS)),
            tries: Arc::default(),
            showroom: Arc::default(),
            costs: Arc::default(),
            desk: Arc::default(),
        }
    }

    /// The same with other costs than the defaults.
    #[must_use]
    pub fn with_costs(self, costs: InForce) -> Self {
        Self { costs: Arc::new(costs), ..self }
    }

    /// Counts a refusal. Failing to count must not turn a refusal into something else.
    pub async fn count_refusal(&self, reason: &'static str) {
        if let Err(e) = self.store.refusal_count(reason).await {
            tracing::warn!(error = &e as &dyn std::error::Error, reason, "a refusal could not be counted");
        }
    }
}
