//! A laptop with what its judgement rests on: its runs, its condition after each, its services, visits and marks.

use windrow_model::METHOD_VERSION;
use windrow_model::record::Digest;

use crate::learning;
use crate::measure;
use crate::pages::fill::{Shown, numbers};
use crate::pages::history::Point;
use crate::pages::laptop::{Peers, ServiceDay, ShownRun};
use crate::pages::peers::Kind;
use crate::pages::reading;
use crate::pages::showroom::Showroom;
use crate::scoring::Standing;
use crate::store::facts::{Mark, Visit};
use crate::store::runs::RunLine;
use crate::store::{EpochMs, Store, StoreError};

/// Runs in a laptop's list; older ones follow page by page, or are in the export.
const MAX_RUNS: u32 = 60;
/// Most entries of the log of visits that are shown.
pub(in crate::http) const MAX_VISITS: u32 = 200;
/// Runs in the condition's curve: two years of monthly checks.
const MAX_POINTS: usize = 24;

/// A laptop, filled.
#[derive(Debug)]
pub(in crate::http) struct FilledLaptop {
    /// Holds, snoozes and wanted checks that are open.
    pub(in crate::http) marks: Vec<Mark>,
    /// Its log of visits, earliest first.
    pub(in crate::http) visits: Vec<Visit>,
    /// Days of service, earliest first.
    pub(in crate::http) services: Vec<ServiceDay>,
    /// Its last runs, latest first.
    pub(in crate::http) runs: Vec<RunLine>,
    /// The condition after each of its last runs, earliest first.
    pub(in crate::http) history: Vec<Point>,
}

/// Of a laptop that the hub knows; `judged` is how it stands, where it was checked.
///
/// # Errors
/// If the store fails.
pub(in crate::http) async fn laptop<S: Store>(
    store: &S,
    device_id: &str,
    judged: Option<(&Shown, &Standing)>,
    now_ms: EpochMs,
) -> Result<FilledLaptop, StoreError> {
    let id = || device_id.to_owned();
    Ok(FilledLaptop {
        marks: store.mark_list(Some(id()), now_ms).await?,
        visits: store.visit_list(Some(id()), 0, MAX_VISITS).await?,
        services: reading::services(store, device_id).await?,
        runs: store.run_list_of_device(id(), METHOD_VERSION, None, MAX_RUNS).await?,
        history: match judged {
            Some((shown, standing)) => history(store, shown, standing).await?,
            None => Vec::new(),
        },
    })
}

/// The condition after each of the last runs.
async fn history<S: Store>(store: &S, shown: &Shown, standing: &Standing) -> Result<Vec<Point>, StoreError> {
    let of = standing.last.kind.of.clone();
    let Some(reference) = shown.references.get(&of) else { return Ok(Vec::new()) };
    let as_of_ms = shown.fleet.as_of_ms;
    let history = learning::history(store, reference.clone(), standing, as_of_ms, MAX_POINTS).await?;
    let point = |after: learning::AfterRun| Point {
        tested_at_ms: after.tested_at_ms,
        numbers: numbers(Some(&after.condition)),
    };
    Ok(history.into_iter().map(point).collect())
}

/// A run with its curves, and the band that its peers' runs lie in.
#[derive(Debug)]
pub(in crate::http) struct FilledRun {
    pub(in crate::http) run: ShownRun,
    pub(in crate::http) peers: Option<Peers>,
}

/// A run read and analysed again, off the reactor; `None` where it isn't stored or cannot be read.
///
/// # Errors
/// If the store fails.
pub(in crate::http) async fn run<S: Store>(
    store: &S,
    showroom: &Showroom,
    line: &RunLine,
) -> Result<Option<FilledRun>, StoreError> {
    let Some(run) = store.run_get(line.digest).await? else { return Ok(None) };
    let of_run = line.clone();
    let read = tokio::task::spawn_blocking(move || reading::shown_run(&of_run, &run)).await;
    let read = read.unwrap_or_else(|_| {
        tracing::error!("a run could not be read to be shown");
        None
    });
    Ok(read.map(|run| FilledRun { peers: showroom.peers(&Kind::of_run(line, &run.trace)), run }))
}

/// A laptop's record as it was received, byte for byte; `None`: it has none of that digest, or the run was imported.
///
/// # Errors
/// If the store fails, or holds a record that can no longer be read.
pub(in crate::http) async fn record<S: Store>(
    store: &S,
    device_id: &str,
    digest: Digest,
) -> Result<Option<Vec<u8>>, StoreError> {
    let run = store.run_get(digest).await?.filter(|run| run.device_id == device_id);
    let record = run.as_ref().and_then(measure::record_as_received).transpose();
    record.map_err(|why| StoreError::Corrupt { column: "run.trace", why })
}
