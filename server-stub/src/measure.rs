//! The hub's own metrics: computed after a record was acknowledged, kept per method version.

use std::panic::catch_unwind;
use std::sync::Arc;

use rayon::prelude::*;
use tokio::sync::Notify;
use windrow_model::METHOD_VERSION;
use windrow_model::analysis::{self, RunContext};
use windrow_model::record::wire::{Ambient, AmbientSource, Header, Metrics, WireTrace};
use windrow_model::trace::Trace;

use crate::clock::WallClock;
use crate::store::runs::WholeRun;
use crate::store::{NewMetrics, RunToMeasure, Store, StoreError};

/// Runs measured in one go: enough to keep the cores busy, few enough to hold in memory.
const BATCH: u32 = 64;
/// Largest unpacked trace; a record's limit is far below.
const MAX_TRACE_BYTES: usize = 64 * 1024 * 1024;
/// A room temperature without a stated uncertainty: a wall thermometer somewhere in the room.
/// Common practice, no source.
pub(crate) const TOLD_AMBIENT_SD_K: f64 = 1.0;

/// Computes what is due and says how much that was.
///
/// # Errors
/// If the store fails. A run that cannot be read is logged and passed over.
pub async fn measure_due<S: Store>(
    store: &S,
    clock: &WallClock,
    mut progress: impl FnMut(usize),
) -> Result<usize, StoreError> {
    let mut after_run_id = 0;
    let mut n_done = 0;
    loop {
        let due = store.run_list_unmeasured(METHOD_VERSION, after_run_id, BATCH).await?;
        let Some(last) = due.last() else { return Ok(n_done) };
        after_run_id = last.run_id;
        let now_ms = clock.now_ms();
        let measured = tokio::task::spawn_blocking(move || measure_all(&due, now_ms))
            .await
            .map_err(|_| StoreError::Closing)?;
        n_done += measured.len();
        store.metrics_put_batch(METHOD_VERSION, measured).await?;
        progress(n_done);
    }
}

/// Measures whatever comes in until the store closes.
pub async fn run<S: Store>(store: S, clock: WallClock, wake: Arc<Notify>) {
    loop {
        match measure_due(&store, &clock, |_| ()).await {
            Ok(0) => {}
            Ok(n_runs) => tracing::info!(n_runs, "computed the metrics of new runs"),
            Err(StoreError::Closing) => return,
            Err(e) => {
                tracing::error!(
                    error = &e as &dyn std::error::Error,
                    "metrics could not be computed; they stay due"
                );
            }
        }
        wake.notified().await;
    }
}

fn measure_all(due: &[RunToMeasure], now_ms: i64) -> Vec<NewMetrics> {
    due.par_iter().filter_map(|run| measure_guarded(run, now_ms)).collect()
}

/// A defect that one odd trace brings out must not end the measuring of all others.
fn measure_guarded(run: &RunToMeasure, now_ms: i64) -> Option<NewMetrics> {
    catch_unwind(|| measure(run, now_ms)).unwrap_or_else(|_| {
        tracing::error!(run_id = run.run_id, "the analysis of a run broke off; it has no metrics");
        None
    })
}

fn measure(run: &RunToMeasure, now_ms: i64) -> Option<NewMetrics> {
    let header: Option<Header> = run.header_json.as_deref().and_then(|h| serde_json::from_slice(h).ok());
    let trace = match unpack(&run.trace_zstd) {
        Ok(trace) => trace,
        Err(why) => {
            tracing::error!(run_id = run.run_id, %why, "a stored trace cannot be read; its run has no metrics");
            return None;
        }
    };
    let context = context_of(header.as_ref(), run.ambient_c, run.ambient_sd_k, run.on_ac);
    let metrics = analysis::analyse(&trace, &context).metrics;
    let agrees =
        header.filter(|h| h.method_version == METHOD_VERSION).map(|h| agrees(h.metrics.as_ref(), &metrics));
    let metrics_json = serde_json::to_vec(&metrics).ok()?;
    Some(NewMetrics { run_id: run.run_id, metrics_json, agrees, computed_at_ms: now_ms })
}

/// A packed trace of the store.
///
/// # Errors
/// What is wrong with it, in words.
pub fn unpack(trace_zstd: &[u8]) -> Result<Trace, String> {
    let json = unpack_json(trace_zstd)?;
    let wire: WireTrace = serde_json::from_slice(&json).map_err(|e| e.to_string())?;
    Trace::from_wire(&wire).map_err(|e| e.to_string())
}

/// The JSON of a packed trace of the store.
///
/// # Errors
/// What is wrong with it, in words.
pub fn unpack_json(trace_zstd: &[u8]) -> Result<Vec<u8>, String> {
    zstd::bulk::decompress(trace_zstd, MAX_TRACE_BYTES).map_err(|e| e.to_string())
}

/// A record as it was received, in canonical form: nothing of it is parsed and written again. `None`: an imported run,
/// which is no record.
pub fn record_as_received(run: &WholeRun) -> Option<Result<Vec<u8>, String>> {
    let header_json = run.header_json.as_deref()?;
    let whole = |trace_json: Vec<u8>| {
        [b"{\"header\":", header_json, b",\"trace\":", trace_json.as_slice(), b"}"].concat()
    };
    Some(unpack_json(&run.trace_zstd).map(whole))
}

/// A run's circumstances: a record's header tells them; of an imported run, which has none, the manifest's columns.
pub(crate) fn context_of(
    header: Option<&Header>,
    ambient_c: Option<f64>,
    ambient_sd_k: Option<f64>,
    on_ac: Option<bool>,
) -> RunContext {
    header.map_or_else(
        || {
            let ambient = ambient_c.map(|value_c| Ambient {
                value_c,
                sd_k: ambient_sd_k.unwrap_or(TOLD_AMBIENT_SD_K),
                source: AmbientSource::Told,
            });
            RunContext { ambient, on_ac, ..RunContext::default() }
        },
        RunContext::from_header,
    )
}

/// Whether the agent's metrics are the hub's: the same program over the same trace gives the same numbers.
fn agrees(theirs: Option<&Metrics>, ours: &Metrics) -> bool {
    let as_value = |m: &Metrics| serde_json::to_value(m).ok();
    theirs.is_some_and(|theirs| as_value(theirs) == as_value(ours))
}

#[cfg(test)]
mod tests {
    use windrow_model::emulate::RunPlan;
    use windrow_model::record::wire::Header;

    use super::*;
    use crate::ingest;
    use crate::store::sql::SqlStore;
    use crate::testing::{Laptop, START_MS, TestClock, emulated_trace, new_invite};

    /// Posts one whole emulated check with a change to its header, and says what the hub computed.
    async fn agreed(change: impl FnOnce(&mut Header, &Metrics)) -> Option<bool> {
        let folder = tempfile::TempDir::new().unwrap();
        let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
        let laptop = Laptop::new(1);
        let (token, invite) = new_invite(1, START_MS);
        store.invite_create(invite).await.unwrap();
        let public_key = laptop.identity.public_key();
        let token_hash = crate::invite::hash(&token);
        let device_id = laptop.device_id();
        let root = windrow_model::record::chain::root(&device_id, &public_key);
        let device = crate::store::NewDevice { device_id, public_key, token_hash, now_ms: START_MS };
        store.device_enrol(device).await.unwrap();

        let wire = emulated_trace("Tamsel 14", &RunPlan::default());
        let mut header = crate::testing::header();
        header.previous_digest = root.to_hex();
        let trace = Trace::from_wire(&wire).unwrap();
        let metrics = analysis::analyse(&trace, &RunContext::from_header(&header)).metrics;
        change(&mut header, &metrics);
        let record = laptop.identity.sign_record(header, wire).unwrap();
        let outcome = ingest::take(&store, vec![record.bytes], START_MS).await;
        assert!(outcome.answers[0].is_ok(), "{:?}", outcome.answers);

        let n_done = measure_due(&store, &TestClock::new().wall(), |_| ()).await.unwrap();
        assert_eq!(n_done, 1);
        assert_eq!(measure_due(&store, &TestClock::new().wall(), |_| ()).await.unwrap(), 0);
        let runs = store.run_list_measured(METHOD_VERSION).await.unwrap();
        let ours: Metrics = serde_json::from_slice(runs[0].metrics_json.as_deref().unwrap()).unwrap();
        assert_eq!(ours, metrics);
        store.store_close().await;
        runs[0].agrees
    }

    #[tokio::test]
    async fn the_agents_metrics_are_checked_against_the_hubs_own() {
        let agreed_when_true = agreed(|header, metrics| header.metrics = Some(metrics.clone())).await;
        assert_eq!(agreed_when_true, Some(true));
        let agreed_when_false = agreed(|header, metrics| {
            let mut embellished = metrics.clone();
            embellished.peak_c = windrow_model::measured::Measured::Value { value: 50.0, se: 0.1 };
            header.metrics = Some(embellished);
        });
        assert_eq!(agreed_when_false.await, Some(false));
        let of_another_version = agreed(|header, metrics| {
            header.method_version = "0".to_owned();
            header.metrics = Some(metrics.clone());
        });
        assert_eq!(of_another_version.await, None);
    }
}
