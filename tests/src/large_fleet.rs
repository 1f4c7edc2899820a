//! A store of a large fleet, for benches: invented laptops of the emulated models, their evidence taken from runs that
//! were really fitted, so that nothing is fitted again. One laptop in fifty keeps a whole trace.

use std::collections::BTreeMap;
use std::path::Path;

use anyhow::{Context as _, Result};
use chrono::Utc;
use windrow_hub::access::{Role, Secret};
use windrow_hub::ingest;
use windrow_hub::learning;
use windrow_hub::scoring::ModelOf;
use windrow_hub::store::access::{AccessStore as _, NewGrant};
use windrow_hub::store::facts::{Actor, FactStore as _, NewVisit, ScopeEntry};
use windrow_hub::store::judgements::JudgementStore as _;
use windrow_hub::store::sql::SqlStore;
use windrow_hub::store::{NewMetrics, RunFacts, Store};
use windrow_model::METHOD_VERSION;
use windrow_model::analysis::{RunContext, analyse};
use windrow_model::condition::ambient::{INDOOR, RoomFacts};
use windrow_model::condition::constants::Constants;
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::standing::{ModelRun, ModelStanding};
use windrow_model::emulate::random::Random;
use windrow_model::emulate::{LaptopSpec, RunPlan, catalogue, record_run};
use windrow_model::estimate::network_drive::Drive;
use windrow_model::record::{Digest, canonical};
use windrow_model::trace::fleet::ServiceAction;

use crate::workers::Rayon;

/// Laptops unless told otherwise.
pub const LAPTOPS: usize = 100_000;
/// Runs of each.
pub const RUNS: usize = 3;
/// Laptops of each emulated model that are really fitted, each with two runs.
const FITTED: u64 = 24;
/// Kinds that each emulated model stands for.
const KINDS: usize = 6;
/// Sites.
const SITES: usize = 150;
/// One laptop in so many keeps a whole trace.
pub const WHOLE_EVERY: usize = 50;
/// Rows in one unit of work.
const BATCH: usize = 2000;
const DAY_MS: i64 = 86_400_000;

/// A laptop's id by its number.
pub fn device_id(number: usize) -> String {
    format!("{:032x}", (number as u128 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15_f39c_c060_5ced_c834))
}

/// A model that was really fitted.
struct Fitted {
    spec: LaptopSpec,
    standing: ModelStanding,
    runs: Vec<(RunEvidence, RoomFacts)>,
    trace_zstd: Vec<u8>,
    metrics_json: Vec<u8>,
}

fn fitted(spec: &LaptopSpec) -> Result<Fitted> {
    let (mut runs, mut facts, mut kept) = (Vec::new(), Vec::new(), None);
    for laptop in 0..FITTED {
        for nth in 0..2 {
            let airflow = 1.0 - 0.5 * (laptop as f64 / FITTED as f64).powi(2);
            let faults = format!("airflow={airflow:.2}").parse().map_err(|e| anyhow::anyhow!("{e}"))?;
            let plan = RunPlan { faults, seed: 2 * laptop + nth, ..RunPlan::default() };
            let mut trace = record_run(spec, &plan);
            trace.drop_implausible();
            let drive = Drive::from_trace(&trace).context("an emulated run has a load")?;
            facts.push(RoomFacts::from(&drive.facts));
            runs.push(ModelRun {
                device: device_id(laptop as usize),
                day: 20_000.0 + 30.0 * nth as f64,
                room: INDOOR,
                on_mains: Some(true),
                firmware: 1,
                drive,
            });
            kept.get_or_insert(trace);
        }
    }
    let trace = kept.context("at least one run")?;
    let (standing, evidence) =
        ModelStanding::learn(&Constants::default(), &runs, &BTreeMap::new(), &Rayon).context("runs")?;
    let wire = trace.to_wire()?;
    Ok(Fitted {
        spec: spec.clone(),
        standing,
        runs: evidence.into_iter().zip(facts).collect(),
        trace_zstd: ingest::pack(&canonical::to_bytes(&wire)?),
        metrics_json: serde_json::to_vec(&analyse(&trace, &RunContext::default()).metrics)?,
    })
}

/// What stands in place of a whole trace: too short to say anything, and readable.
fn short_trace() -> Result<Vec<u8>> {
    let json = serde_json::json!({"time_ms": [0, 250], "phases": [], "columns": {
        "load_pct": [0, 0], "cpu_temp_c": [41_000, 41_000]}});
    Ok(ingest::pack(&serde_json::to_vec(&json)?))
}

/// A kind of laptop: the model that it stands for and its own key.
fn kind_of(laptop: usize, n_models: usize) -> (usize, usize) {
    (laptop % n_models, (laptop / n_models) % KINDS)
}

/// A model's name: that of the fitted one, and which of its kinds.
pub fn model_name(product: &str, kind: usize) -> String {
    format!("{product} {}", ["A", "B", "C", "D", "E", "F"][kind % KINDS])
}

fn site(laptop: usize) -> String {
    format!("Site {:03}", laptop % SITES)
}

/// Fills a new store; gives an administrator's token.
///
/// # Errors
/// If an emulated run cannot be fitted, or the store fails.
pub async fn fill_store(path: &Path, n: usize) -> Result<String> {
    let models: Vec<Fitted> = catalogue().iter().map(fitted).collect::<Result<_>>()?;
    let store = SqlStore::open_file(path).await?;
    let now_ms = Utc::now().timestamp_millis();
    let token = Secret::new_token().map_err(|e| anyhow::anyhow!("{e}"))?;
    let grant = NewGrant {
        token_hash: token.hash(),
        role: Role::Admin,
        label: "bench".to_owned(),
        site: None,
        created_at_ms: now_ms,
        expires_at_ms: None,
        only_as_first_admin: true,
    };
    store.grant_create(grant).await?;
    store_runs(&store, &models, n, now_ms).await?;
    store_judgements(&store, &models).await?;
    store_facts(&store, &models, n, now_ms).await?;
    store.store_close().await;
    Ok(token.reveal().to_owned())
}

async fn store_runs(store: &SqlStore, models: &[Fitted], n: usize, now_ms: i64) -> Result<()> {
    let short = short_trace()?;
    let mut batch = Vec::with_capacity(BATCH);
    for laptop in 0..n {
        let (at, kind) = kind_of(laptop, models.len());
        let model = &models[at];
        let name = model_name(&model.spec.model.product, kind);
        for run in 0..RUNS {
            let age_days = ((RUNS - 1 - run) * 40 + laptop % 40).cast_signed() as i64;
            let is_whole = run + 1 == RUNS && laptop.is_multiple_of(WHOLE_EVERY);
            batch.push(RunFacts {
                device_id: device_id(laptop),
                digest: Digest::of(format!("{laptop} {run}").as_bytes()),
                provenance: "imported",
                model_key: name.clone(),
                model_name: name.clone(),
                firmware: String::new(),
                site: site(laptop),
                load_mix: "imported".to_owned(),
                protocol: "standard".to_owned(),
                outcome: "complete".to_owned(),
                channels: "cpu_temp_c".to_owned(),
                ambient_c: Some(22.0),
                ambient_sd_k: Some(1.0),
                on_ac: Some(true),
                tested_at_ms: now_ms - age_days * DAY_MS - laptop.cast_signed() as i64,
                received_at_ms: now_ms,
                trace_zstd: if is_whole { model.trace_zstd.clone() } else { short.clone() },
            });
        }
        if batch.len() >= BATCH || laptop + 1 == n {
            store.run_import_batch(std::mem::take(&mut batch)).await?;
        }
    }
    Ok(())
}

async fn store_judgements(store: &SqlStore, models: &[Fitted]) -> Result<()> {
    let runs = store.run_list_measured(METHOD_VERSION).await?;
    let mut of_name = BTreeMap::new();
    for model in models {
        for kind in 0..KINDS {
            let name = model_name(&model.spec.model.product, kind);
            let of = ModelOf { provenance: "imported".to_owned(), model_key: name.clone() };
            let standing = learning::stored_standing(&of, &model.standing)?;
            of_name.insert(name, (model, standing.digest));
            store.judgement_put(learning::version(), vec![standing], Vec::new()).await?;
        }
    }
    let mut random = Random::new(5);
    for part in runs.chunks(BATCH) {
        let (mut metrics, mut evidence) = (Vec::new(), Vec::new());
        for run in part {
            let (model, digest) = of_name.get(&run.model_key).context("a known model")?;
            // A laptop's runs come from one fitted laptop, so that they agree.
            let pick = usize::from(Digest::of(run.device_id.as_bytes()).0[0]) % model.runs.len();
            let (mut e, facts) = model.runs[pick];
            e.day = run.tested_at_ms as f64 / DAY_MS as f64;
            e.air = e.air.map(|(la, sd)| (la + 0.03 * random.normal(), sd));
            e.contact = e.contact.map(|(lr, sd)| (lr + 0.01 * random.normal(), sd));
            evidence.push(learning::kept(*digest, run.run_id, facts, e)?);
            metrics.push(NewMetrics {
                run_id: run.run_id,
                metrics_json: model.metrics_json.clone(),
                agrees: None,
                computed_at_ms: run.received_at_ms,
            });
        }
        store.metrics_put_batch(METHOD_VERSION, metrics).await?;
        store.judgement_put(learning::version(), Vec::new(), evidence).await?;
    }
    Ok(())
}

/// A scope list as long as the fleet, and some visits.
async fn store_facts(store: &SqlStore, models: &[Fitted], n: usize, now_ms: i64) -> Result<()> {
    let actor = Actor { role: Role::Admin, grant_id: None };
    let entry = |laptop: usize| ScopeEntry {
        tag: format!("T-{laptop:06}"),
        model: model_name(&models[laptop % models.len()].spec.model.product, laptop % KINDS),
        site: site(laptop),
        place: format!("room {}", laptop % 40),
        from_on: None,
        until_on: None,
        is_excluded: laptop.is_multiple_of(97),
        why: String::new(),
    };
    store.scope_import((0..n).map(entry).collect(), actor, now_ms).await?;
    for laptop in (0..n).step_by(n.div_ceil(300)) {
        let visit = NewVisit {
            device_id: device_id(laptop),
            visited_on: Utc::now().date_naive(),
            actions: vec![ServiceAction::Clean],
            minutes: Some(20),
            found: "dust".to_owned(),
            parts: String::new(),
            note: String::new(),
            corrects: None,
            is_withdrawn: false,
            actor,
            now_ms,
        };
        store.visit_log(visit).await?;
    }
    Ok(())
}
