//! Keeps the judged fleet ready to be shown: a page reads it, and never waits for a judgement.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, PoisonError, RwLock};

use super::changes::Changes;
use super::fill::Shown;
use super::laptop::Peers;
use super::peers::{Bands, Kind};

/// The fleet as it is shown now.
#[derive(Debug, Default)]
pub struct Showroom {
    shown: RwLock<Option<Arc<Shown>>>,
    bands: RwLock<Arc<Bands>>,
    changes: RwLock<Option<Arc<Changes>>>,
    has_failed: AtomicBool,
}

impl Showroom {
    /// The fleet; `None` until it is judged for the first time.
    pub fn now(&self) -> Option<Arc<Shown>> {
        self.shown.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Shows another judgement from now on.
    pub fn show(&self, shown: Arc<Shown>) {
        *self.shown.write().unwrap_or_else(PoisonError::into_inner) = Some(shown);
        self.has_failed.store(false, Ordering::Relaxed);
    }

    /// The last try to judge the fleet failed.
    pub fn fail(&self) {
        self.has_failed.store(true, Ordering::Relaxed);
    }

    /// As if it had only just begun to judge.
    #[cfg(test)]
    pub(crate) fn clear(&self) {
        *self.shown.write().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// Whether it did.
    pub fn has_failed(&self) -> bool {
        self.has_failed.load(Ordering::Relaxed)
    }

    /// The band of a kind's runs.
    pub fn peers(&self, kind: &Kind) -> Option<Peers> {
        let bands = Arc::clone(&self.bands.read().unwrap_or_else(PoisonError::into_inner));
        bands.get(kind).cloned()
    }

    /// What changed since a week ago; `None` until it was worked out.
    pub fn changes(&self) -> Option<Arc<Changes>> {
        self.changes.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Tells other changes from now on.
    pub fn tell(&self, changes: Changes) {
        *self.changes.write().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(changes));
    }

    /// Lays other bands under the curves from now on.
    pub fn lay(&self, bands: Bands) {
        *self.bands.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(bands);
    }
}
