//! What people say of laptops, read as a whole for a judgement.

use crate::store::facts::{FactStore, Laptop, Mark, ScopeEntry, Visit};
use crate::store::{EpochMs, StoreError};

/// Entries read in one go.
const BATCH: u32 = 10_000;

/// All facts that a judgement looks at.
#[derive(Debug, Clone, Default)]
pub struct Facts {
    /// The laptops that have joined or were imported, by id.
    pub laptops: Vec<Laptop>,
    /// The list of laptops that should be checked, by tag.
    pub scope: Vec<ScopeEntry>,
    /// Marks that are open.
    pub marks: Vec<Mark>,
    /// Visits' entries, by number, corrected ones too.
    pub visits: Vec<Visit>,
}

/// Reads all facts; marks are those that are open at a time.
///
/// # Errors
/// If the store fails.
pub async fn read(store: &impl FactStore, as_of_ms: EpochMs) -> Result<Facts, StoreError> {
    Ok(Facts {
        laptops: store.laptop_list().await?,
        scope: store.scope_list().await?,
        marks: store.mark_list(None, as_of_ms).await?,
        visits: visits(store, None).await?,
    })
}

/// All entries of visits, of one laptop or of all, by number.
///
/// # Errors
/// If the store fails.
pub async fn visits(store: &impl FactStore, device_id: Option<&str>) -> Result<Vec<Visit>, StoreError> {
    let mut all: Vec<Visit> = Vec::new();
    loop {
        let after = all.last().map_or(0, |v| v.visit_id);
        let batch = store.visit_list(device_id.map(str::to_owned), after, BATCH).await?;
        let is_last = batch.len() < BATCH as usize;
        all.extend(batch);
        if is_last {
            return Ok(all);
        }
    }
}
