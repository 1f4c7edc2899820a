//! The rounds as the pages show them: read once for each change, and planned by one at a time.

use std::sync::{Arc, Mutex, PoisonError};

use super::dispatch;
use super::document::Document;
use crate::store::{Store, StoreError};

/// Keeps the plan ready to be shown.
#[derive(Debug, Default)]
pub struct Desk {
    shown: Mutex<Option<Kept>>,
    /// Held while a plan is made: two at once would only take each other's cores.
    pub planning: tokio::sync::Mutex<()>,
}

/// A plan as it was read.
#[derive(Debug, Clone)]
struct Kept {
    /// The plan's version in the store.
    version: i64,
    /// As it was made, with what was booked since.
    whole: Arc<Document>,
    /// Who was serviced since, and the plan without them.
    open: Option<(Vec<String>, Arc<Document>)>,
}

impl Desk {
    /// The plan without what was done since it was made, as [`dispatch::open_plan`].
    ///
    /// # Errors
    /// If the store fails.
    pub async fn plan<S: Store>(&self, store: &S) -> Result<Option<Arc<Document>>, StoreError> {
        let Some(kept) = self.read(store).await? else { return Ok(None) };
        let serviced = store.serviced_since(kept.whole.made_at_ms).await?;
        if serviced.is_empty() {
            return Ok(Some(kept.whole));
        }
        if let Some((_, open)) = kept.open.as_ref().filter(|(without, _)| *without == serviced) {
            return Ok(Some(Arc::clone(open)));
        }
        let mut open = Document::clone(&kept.whole);
        open.take_serviced(&serviced);
        let open = Arc::new(open);
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(still) = shown.as_mut().filter(|still| still.version == kept.version) {
            still.open = Some((serviced, Arc::clone(&open)));
        }
        Ok(Some(open))
    }

    /// The whole plan as it was made, with what was booked since.
    ///
    /// # Errors
    /// If the store fails.
    pub async fn whole_plan<S: Store>(&self, store: &S) -> Result<Option<Arc<Document>>, StoreError> {
        Ok(self.read(store).await?.map(|kept| kept.whole))
    }

    async fn read<S: Store>(&self, store: &S) -> Result<Option<Kept>, StoreError> {
        let Some(version) = store.round_plan_version().await? else { return Ok(None) };
        if let Some(kept) = self.kept(version) {
            return Ok(Some(kept));
        }
        // A plan that came in between is kept under the older version, and read once more.
        let Some(whole) = dispatch::read_plan(store).await?.map(Arc::new) else { return Ok(None) };
        let kept = Kept { version, whole, open: None };
        *self.shown.lock().unwrap_or_else(PoisonError::into_inner) = Some(kept.clone());
        Ok(Some(kept))
    }

    fn kept(&self, version: i64) -> Option<Kept> {
        let shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        shown.as_ref().filter(|kept| kept.version == version).cloned()
    }
}
