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
use crate::store::{NewMetrics, RunToMeasure, Store, StoreError};

/// Runs measured in one go: enough to keep the cores busy, few enough to hold in memory.
const BATCH: u32 = 64;
/// Largest unpacked trace; a record's limit is far below.
const MAX_TRACE_BYTES: usize = 64 * 1024 * 1024;
/// A room temperature without a stated uncertainty: a wall thermometer somewhere in the room.
/// Common practice, no source.
const TOLD_AMBIENT_SD_K: f64 = 1.0;

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
    let context = header.as_ref().map_or_else(|| imported_context(run), RunContext::from_header);
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
    let json = zstd::bulk::decompress(trace_zstd, MAX_TRACE_BYTES).map_err(|e| e.to_string())?;
    let wire: WireTrace = serde_json::from_slice(&json).map_err(|e| e.to_string())?;
    Trace::from_wire(&wire).map_err(|e| e.to_string())
}

fn imported_context(run: &RunToMeasure) -> RunContext {
    let ambient = run.ambient_c.map(|value_c| Ambient {
        value_c,
        sd_k: run.ambient_sd_k.unwrap_or(TOLD_AMBIENT_SD_K),
        source: AmbientSource::Told,
    });
    RunContext { ambient, on_ac: run.on_ac, ..RunContext::default() }
}

/// Whether the agent's metrics are the hub's: the same program over the same trace gives the same numbers.
fn agrees(theirs: Option<&Metrics>, ours: &Metrics) -> bool {
    let as_value = |m: &Metrics| serde_json::to_value(m).ok();
    theirs.is_some_and(|theirs| as_value(theirs) == as_value(ours))
}
