//! The rounds as the pages show them: read once for each change, and planned by one at a time.

use std::sync::{Arc, Mutex, PoisonError};

use super::dispatch;
use super::document::Document;
use crate::store::{Store, StoreError};

/// Keeps the plan ready to be shown.
#[derive(Debug, Default)]
pub struct Desk {
    /// The plan and its version in the store.
    shown: Mutex<Option<(i64, Arc<Document>)>>,
    /// Held while a plan is made: two at once would only take each other's cores.
    pub planning: tokio::sync::Mutex<()>,
}

impl Desk {
    /// The plan without what was done since it was made, as [`dispatch::open_plan`].
    ///
    /// # Errors
    /// If the store fails.
    pub async fn plan<S: Store>(&self, store: &S) -> Result<Option<Arc<Document>>, StoreError> {
        let Some(document) = self.whole_plan(store).await? else { return Ok(None) };
        let serviced = store.serviced_since(document.made_at_ms).await?;
        if serviced.is_empty() {
            return Ok(Some(document));
        }
        let mut open = Document::clone(&document);
        open.take_serviced(&serviced);
        Ok(Some(Arc::new(open)))
    }

    /// The whole plan as it was made, with what was booked since.
    ///
    /// # Errors
    /// If the store fails.
    pub async fn whole_plan<S: Store>(&self, store: &S) -> Result<Option<Arc<Document>>, StoreError> {
        let Some(version) = store.round_plan_version().await? else { return Ok(None) };
        if let Some(document) = self.kept(version) {
            return Ok(Some(document));
        }
        // A plan that came in between is kept under the older version, and read once more.
        let Some(document) = dispatch::read_plan(store).await?.map(Arc::new) else { return Ok(None) };
        *self.shown.lock().unwrap_or_else(PoisonError::into_inner) = Some((version, Arc::clone(&document)));
        Ok(Some(document))
    }

    fn kept(&self, version: i64) -> Option<Arc<Document>> {
        let shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        shown.as_ref().filter(|(known, _)| *known == version).map(|(_, document)| Arc::clone(document))
    }
}
