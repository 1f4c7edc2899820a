//! `GET /v1/devices/{device_id}/runs`, one of them with its curves, and its record as it was received.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::json;
use windrow_model::METHOD_VERSION;
use windrow_model::channel::Channel;
use windrow_model::chart::{PeersBand, run_chart};
use windrow_model::record::Digest;
use windrow_model::verdict::{Verdict, figures};

use super::{BAD_QUERY, NO_SUCH_LAPTOP, bad_query, limit, one_laptop, time};
use crate::access::Viewer;
use crate::http::asked::{Path, Query};
use crate::http::filled::laptop::{self as filled, FilledRun};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem, download};
use crate::pages::laptop::Peers;
use crate::store::Store;
use crate::store::runs::RunLine;

const NO_SUCH_RUN: &str = "no_such_run";
const NO_SUCH_RECORD: &str = "no_such_record";

/// The channels that are drawn.
const DRAWN: [Channel; 4] = [Channel::CpuTempC, Channel::PackagePowerW, Channel::Fan1Rpm, Channel::Fan2Rpm];

/// Which runs.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Begin after the run of this digest, as `next` has it.
    after: Option<String>,
    /// How many, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// A page of a laptop's runs, the latest first.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct RunPage {
    /// The laptop.
    device_id: String,
    /// Its runs.
    runs: Vec<RunOfLaptop>,
    /// What to give as `after` for the next page; `null` on the last.
    next: Option<String>,
}

/// A run in a laptop's list.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct RunOfLaptop {
    /// When it was tested.
    tested_at: String,
    /// When it was received.
    received_at: String,
    /// `measured`, `emulated` or `imported`.
    provenance: String,
    /// `standard` or `quick`.
    protocol: String,
    /// How it ended.
    outcome: String,
    /// How it stands in the device's chain; `null` for an imported one.
    link: Option<String>,
    /// Whether the agent's own metrics are the hub's; `null`: nothing to compare.
    agent_metrics_agree: Option<bool>,
    /// SHA-256 of the record, hex.
    digest: String,
}

impl From<&RunLine> for RunOfLaptop {
    fn from(run: &RunLine) -> Self {
        Self {
            tested_at: time(run.tested_at_ms),
            received_at: time(run.received_at_ms),
            provenance: run.provenance.clone(),
            protocol: run.protocol.clone(),
            outcome: run.outcome.clone(),
            link: run.link.clone(),
            agent_metrics_agree: run.agrees,
            digest: run.digest.to_hex(),
        }
    }
}

/// A run with its curves.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct RunDetail {
    #[serde(flatten)]
    line: RunOfLaptop,
    /// The laptop.
    device_id: String,
    /// Maker, as the record tells it; empty where none does.
    vendor: String,
    /// Processor.
    cpu: String,
    /// Firmware version.
    firmware: String,
    /// The temperature at which the load would have ended, °C.
    limit_c: Option<f64>,
    /// What the curves show, in words.
    description: Option<String>,
    /// Phases, in their order; empty where no load was seen.
    phases: Vec<RunPhase>,
    /// Times of the samples, s on the run's own clock.
    time_s: Vec<f64>,
    /// For each channel that was read, by its column's name, a value for each time; `null` where none was read.
    channels: BTreeMap<&'static str, Vec<Option<f64>>>,
    /// Where the last runs of peers lie; `null` with fewer than five.
    peers: Option<PeersOfRun>,
    /// What it says by itself: the words that its user was shown.
    verdict: Verdict,
    /// Its figures, as a person reads them.
    figures: Vec<RunFigure>,
}

/// A phase of a run.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct RunPhase {
    /// `settle`, `load` or `recovery`.
    phase: String,
    /// Its first second on the run's clock.
    from_s: f64,
    /// Its last.
    to_s: f64,
}

/// The band that holds eight in ten of the peers' last complete runs.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct PeersOfRun {
    /// How many laptops.
    n_laptops: usize,
    /// Times from the start of the load, s; negative before it.
    from_load_s: Vec<f64>,
    /// Its edges, by the column's name.
    channels: BTreeMap<&'static str, BandEdges>,
}

/// Edges of the band, a value for each time; `null` where too few were read.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct BandEdges {
    /// One run in ten lies below.
    low: Vec<Option<f64>>,
    /// One run in ten lies above.
    high: Vec<Option<f64>>,
}

/// A figure as a person reads it.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct RunFigure {
    /// What.
    name: &'static str,
    /// Value with unit and standard error, a bound, or the reason why there is none.
    value: String,
    /// Whether there is a value.
    is_known: bool,
}

pub(super) fn operations() -> Vec<Operation> {
    let record = Operation::new(
        "GET",
        "/v1/devices/{device_id}/records/{digest}",
        "A record as it was received, byte for byte in canonical form, for whoever verifies it",
    );
    vec![
        Operation::new("GET", "/v1/devices/{device_id}/runs", "A laptop's runs, the latest first")
            .question::<Asked>()
            .answer::<RunPage>(200, "a page of them")
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
            .problem(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP),
        Operation::new(
            "GET",
            "/v1/devices/{device_id}/runs/{digest}",
            "One run: its curves, its phases, the peers' band, and what it says by itself",
        )
        .answer::<RunDetail>(200, "the run")
        .problem(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP)
        .problem(StatusCode::NOT_FOUND, NO_SUCH_RUN),
        record
            .answer_as(
                200,
                "the record, see `/v1/record-schema`",
                "application/json",
                json!({"type": "object", "required": ["header", "trace"]}),
            )
            .problem(StatusCode::NOT_FOUND, NO_SUCH_LAPTOP)
            .problem(StatusCode::NOT_FOUND, NO_SUCH_RECORD),
    ]
}

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(device_id): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Json<RunPage>, Problem> {
    let n_most = limit(asked.limit)?;
    let device_id = one_laptop(&hub, &viewer, &device_id).await?.device_id;
    let after = match asked.after {
        Some(after) => Some(key(&hub, &device_id, &after).await?),
        None => None,
    };
    // One more tells whether others follow.
    let found = hub.store.run_list_of_device(device_id.clone(), METHOD_VERSION, after, n_most + 1).await;
    let mut found = found.map_err(|e| Problem::of_store(&e))?;
    let is_last = found.len() <= n_most as usize;
    found.truncate(n_most as usize);
    let next = found.last().filter(|_| !is_last).map(|run| run.digest.to_hex());
    Ok(Json(RunPage { device_id, runs: found.iter().map(RunOfLaptop::from).collect(), next }))
}

/// The run of this laptop to go on after.
async fn key<S: Store>(hub: &Hub<S>, device_id: &str, after: &str) -> Result<Digest, Problem> {
    let unknown = || bad_query("no such run to go on after; begin again without `after`").about("after");
    let digest = Digest::from_hex(after, "after").map_err(|_| unknown())?;
    let run = hub.store.run_get(digest).await.map_err(|e| Problem::of_store(&e))?;
    run.filter(|run| run.device_id == device_id).map(|_| digest).ok_or_else(unknown)
}

pub(super) async fn get<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path((device_id, digest)): Path<(String, String)>,
) -> Result<Json<RunDetail>, Problem> {
    let device_id = one_laptop(&hub, &viewer, &device_id).await?.device_id;
    let digest = Digest::from_hex(&digest, "digest").map_err(|_| no_such_run())?;
    let line = hub.store.run_get_line(device_id.clone(), METHOD_VERSION, digest).await;
    let line = line.map_err(|e| Problem::of_store(&e))?.ok_or_else(no_such_run)?;
    let run = filled::run(&hub.store, &hub.showroom, &line).await.map_err(|e| Problem::of_store(&e))?;
    Ok(Json(detail(device_id, &line, run.ok_or_else(no_such_run)?)))
}

fn detail(device_id: String, line: &RunLine, filled: FilledRun) -> RunDetail {
    let run = filled.run;
    let header = run.header.as_ref();
    let limit_c = header.and_then(|h| h.limit.as_ref()).map(|l| l.limit_c);
    let chart = run_chart(&run.trace, &run.analysis, limit_c);
    let told = |of: fn(&windrow_model::record::wire::Model) -> &String| {
        header.map(|h| of(&h.model).clone()).unwrap_or_default()
    };
    let phases = chart.iter().flat_map(|c| &c.stretches);
    let read = DRAWN.into_iter().filter_map(|c| Some((c, run.trace.column(c)?)));
    let figures = figures(&run.analysis.metrics).into_iter();
    RunDetail {
        line: line.into(),
        device_id,
        vendor: told(|m| &m.vendor),
        cpu: told(|m| &m.cpu),
        firmware: told(|m| &m.firmware),
        limit_c,
        description: chart.as_ref().map(|c| c.description.clone()),
        phases: phases.map(|s| RunPhase { phase: s.label.clone(), from_s: s.from_s, to_s: s.to_s }).collect(),
        channels: read
            .filter(|(_, values)| values.iter().any(|v| v.is_finite()))
            .map(|(channel, values)| (channel.spec().column, cells(values)))
            .collect(),
        peers: filled.peers.map(PeersOfRun::from),
        figures: figures.map(|f| RunFigure { name: f.name, value: f.value, is_known: f.is_known }).collect(),
        time_s: run.trace.time_s,
        verdict: run.verdict,
    }
}

impl From<Peers> for PeersOfRun {
    fn from(Peers { n_laptops, band: PeersBand { from_load_s, edges } }: Peers) -> Self {
        let edges = edges.into_iter().map(|(channel, low, high)| {
            (channel.spec().column, BandEdges { low: cells(&low), high: cells(&high) })
        });
        Self { n_laptops, from_load_s, channels: edges.collect() }
    }
}

/// Values as JSON has them: what wasn't read is `null`.
fn cells(values: &[f64]) -> Vec<Option<f64>> {
    values.iter().map(|v| v.is_finite().then_some(*v)).collect()
}

pub(super) async fn record<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path((device_id, digest)): Path<(String, String)>,
) -> Result<Response, Problem> {
    let device_id = one_laptop(&hub, &viewer, &device_id).await?.device_id;
    let no_such = || {
        let detail = "the laptop has sent no record of this digest; an imported run is no record";
        Problem::new(StatusCode::NOT_FOUND, NO_SUCH_RECORD, "no such record", detail)
    };
    let digest = Digest::from_hex(&digest, "digest").map_err(|_| no_such())?;
    let record = filled::record(&hub.store, &device_id, digest).await.map_err(|e| Problem::of_store(&e))?;
    let record = record.ok_or_else(no_such)?;
    Ok(download(&format!("{}.json", digest.to_hex()), "application/json", record.into()))
}

fn no_such_run() -> Problem {
    let detail = "the laptop has no run of this digest, or it can no longer be read";
    Problem::new(StatusCode::NOT_FOUND, NO_SUCH_RUN, "no such run", detail)
}
