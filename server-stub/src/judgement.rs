//! The judged fleet from the store: what is due is computed first, then the fleet is judged as of a time.

use std::collections::HashMap;

use rayon::prelude::*;
use windrow_model::METHOD_VERSION;
use windrow_model::estimate::network_drive::Drive;

use crate::clock::WallClock;
use crate::costs::Costs;
use crate::learning::{self, Evidence};
use crate::scoring::{self, BandOf, Fleet, JudgedFleet, Runs};
use crate::store::judgements::StoredTrace;
use crate::store::{EpochMs, Store, StoreError};
use crate::{facts, measure};

/// Traces unpacked in one go: some megabytes at a time.
const BATCH: usize = 256;

/// Judges the fleet as of a time, from all that is stored.
///
/// # Errors
/// If the store fails. A run that cannot be read is logged and passed over.
pub async fn judged_fleet<S: Store>(
    store: &S,
    clock: &WallClock,
    as_of_ms: EpochMs,
    costs: &Costs,
) -> Result<JudgedFleet, StoreError> {
    judged(store, clock, as_of_ms, costs, scoring::judge).await
}

/// Each laptop's band as of a time, to compare another judgement with.
///
/// # Errors
/// As [`judged_fleet`].
pub async fn judged_bands<S: Store>(
    store: &S,
    clock: &WallClock,
    as_of_ms: EpochMs,
    costs: &Costs,
) -> Result<Vec<BandOf>, StoreError> {
    judged(store, clock, as_of_ms, costs, scoring::judge_bands).await
}

/// Another process may learn the fleet anew while it is judged here; then it is judged once more.
const MAX_TRIES: usize = 3;

async fn judged<S: Store, T: Send + 'static>(
    store: &S,
    clock: &WallClock,
    as_of_ms: EpochMs,
    costs: &Costs,
    judge: impl Fn(Fleet<Evidence<S>>, &Costs) -> Result<T, StoreError> + Clone + Send + 'static,
) -> Result<T, StoreError> {
    measure::measure_due(store, clock, |_| ()).await?;
    let mut tries = 1;
    loop {
        let fleet = fleet(store, as_of_ms).await?;
        let (judge, costs) = (judge.clone(), costs.clone());
        match off_the_reactor(move || judge(fleet, &costs)).await? {
            Err(StoreError::Overtaken) if tries < MAX_TRIES => tries += 1,
            judged => return judged,
        }
    }
}

async fn fleet<S: Store>(store: &S, as_of_ms: EpochMs) -> Result<Fleet<Evidence<S>>, StoreError> {
    let mut runs = Runs::new(as_of_ms);
    store.run_read_all(|page| runs.add(page)).await?;
    for (nth, run_ids) in runs.last_ids().into_iter().enumerate() {
        runs.put_metrics(nth, store.metrics_get(METHOD_VERSION, run_ids).await?);
    }
    let services = store.service_list().await?;
    let learned = learning::learned(store, &runs.all, &services).await?;
    let facts = facts::read(store, as_of_ms).await?;
    Ok(Fleet { runs, learned, services, facts })
}

/// These runs made ready for the fit; those that say nothing are left out.
pub(crate) async fn drives<S: Store>(store: &S, run_ids: &[i64]) -> Result<HashMap<i64, Drive>, StoreError> {
    let mut drives = HashMap::new();
    for batch in run_ids.chunks(BATCH) {
        let traces = store.trace_list(batch.to_vec()).await?;
        let read = off_the_reactor(move || traces.par_iter().filter_map(drive).collect::<Vec<_>>()).await?;
        drives.extend(read);
    }
    Ok(drives)
}

/// A run made ready; a trace that cannot be read, or has no load phase, has none.
fn drive(stored: &StoredTrace) -> Option<(i64, Drive)> {
    let made = std::panic::catch_unwind(|| match measure::unpack(&stored.trace_zstd) {
        Ok(trace) => Drive::from_trace(&trace),
        Err(why) => {
            tracing::error!(run_id = stored.run_id, %why, "a stored trace cannot be read; its run is not judged");
            None
        }
    });
    // A defect that one odd trace brings out must not end the judging of all others.
    made.unwrap_or_else(|_| {
        tracing::error!(run_id = stored.run_id, "making a run ready for the fit broke off; it is not judged");
        None
    })
    .map(|drive| (stored.run_id, drive))
}

/// Does what takes long beside the reactor.
pub(crate) async fn off_the_reactor<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, StoreError> {
    tokio::task::spawn_blocking(work).await.map_err(|_| StoreError::Closing)
}
