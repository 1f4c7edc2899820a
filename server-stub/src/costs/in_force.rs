//! The costs that count now: those of the file that the program was started with, else those that were set last, else
//! the defaults.

use std::sync::{Arc, PoisonError, RwLock};

use super::{Costs, parse};
use crate::failure::Failure;
use crate::store::rounds::{RoundsStore, StoredCosts};
use crate::store::{EpochMs, StoreError};

/// Where costs come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// A file named at the start: it stands until the hub is started anew.
    File,
    /// Set by an administrator.
    Set {
        /// Rises with every change.
        revision: i64,
        /// When.
        at_ms: EpochMs,
    },
    /// Nobody said anything.
    Defaults,
}

/// The costs of a hub that runs.
#[derive(Debug)]
pub struct InForce {
    now: RwLock<(Arc<Costs>, Source)>,
}

impl Default for InForce {
    fn default() -> Self {
        Self { now: RwLock::new((Arc::default(), Source::Defaults)) }
    }
}

impl InForce {
    /// Those of a file.
    pub fn of_file(costs: Costs) -> Self {
        Self { now: RwLock::new((Arc::new(costs), Source::File)) }
    }

    /// What counts now, and where it comes from.
    pub fn now(&self) -> (Arc<Costs>, Source) {
        self.now.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Takes what was set last, by whatever program. A file stays in force.
    ///
    /// # Errors
    /// If the store fails.
    pub async fn refresh(&self, store: &impl RoundsStore) -> Result<(), StoreError> {
        let known = self.now().1;
        if known == Source::File {
            return Ok(());
        }
        let stored = store.costs_get().await?;
        if stored.as_ref().map(|s| s.revision) == known.revision() {
            return Ok(());
        }
        match read(stored) {
            Ok(read) => *self.now.write().unwrap_or_else(PoisonError::into_inner) = read,
            Err(why) => tracing::error!(%why, "the costs that were set cannot be used; others stay in force"),
        }
        Ok(())
    }
}

impl Source {
    const fn revision(self) -> Option<i64> {
        if let Self::Set { revision, .. } = self { Some(revision) } else { None }
    }
}

/// Of a command: those of its file, else those that were set last, else the defaults.
///
/// # Errors
/// If the store fails, or what was set cannot be used.
pub async fn of_command(store: &impl RoundsStore, file: Option<Costs>) -> Result<Costs, Failure> {
    if let Some(costs) = file {
        return Ok(costs);
    }
    let (costs, _) = read(store.costs_get().await?).map_err(|why| {
        Failure::new(format!("the costs that were set cannot be used: {why}")).remedy(
            "set them anew with `windrow-hub rounds costs --set costs.toml`, or give `--costs costs.toml`",
        )
    })?;
    Ok(Costs::clone(&costs))
}

fn read(stored: Option<StoredCosts>) -> Result<(Arc<Costs>, Source), String> {
    let Some(stored) = stored else { return Ok((Arc::default(), Source::Defaults)) };
    let costs = parse(&stored.toml).map_err(|complaints| complaints.to_string())?;
    Ok((Arc::new(costs), Source::Set { revision: stored.revision, at_ms: stored.set_at_ms }))
}
