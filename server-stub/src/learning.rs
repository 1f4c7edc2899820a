//! What runs taught, kept in the store: each model's standing, and each run's evidence against it.
//!
//! A new run is judged at once against the standing fit of its model. The fit itself is made anew once enough is new
//! ([`is_refit_due`]), and then for all runs of the model. [`forget`] makes everything due again; what comes out is then
//! the same as if all runs had come in at once.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use windrow_model::METHOD_VERSION;
use windrow_model::condition::ambient::{Room, RoomFacts};
use windrow_model::condition::constants::{CONSTANTS_VERSION, Constants};
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::judge::Condition;
use windrow_model::condition::laptop::Laptop;
use windrow_model::condition::standing::{ModelRun, ModelStanding, STANDING_VERSION};
use windrow_model::estimate::network_drive::Drive;
use windrow_model::estimate::workers::Workers;
use windrow_model::record::Digest;

use crate::judgement::{drives, off_the_reactor};
use crate::scoring::conditions::{self, Firmwares, ServicesOf};
use crate::scoring::{Learned, ModelOf, Standing};
use crate::store::judgements::{StoredEvidence, StoredStanding};
use crate::store::{EpochMs, MeasuredRun, Service, Store, StoreError};
use crate::workers::Pool;

/// A model is fitted anew once this many runs came in since, or one in ten of those that it rests on. Our choice: below
/// it the fit's own error hardly falls.
const REFIT_RUNS: usize = 10;
/// Runs whose evidence is read in one go: some ten megabytes.
const EVIDENCE_PAGE: u32 = 10_000;
/// Runs kept in one unit of work.
const PUT_BATCH: usize = 1000;

/// What is kept of a run.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Kept {
    facts: RoomFacts,
    evidence: RunEvidence,
}

/// A run's place in the judgement.
enum Known {
    /// Its trace has no load phase, or cannot be read.
    SaysNothing,
    /// Evidence against the standing with this digest.
    Fitted(Digest, Box<Kept>),
}

/// What is known of a model and its runs.
struct Model {
    standing: Option<(Digest, Arc<ModelStanding>)>,
    /// Places of its runs in the list of all runs.
    current: Vec<usize>,
    new: Vec<usize>,
}

/// Makes everything due again.
///
/// # Errors
/// If the store fails.
pub async fn forget<S: Store>(store: &S) -> Result<(), StoreError> {
    store.judgement_forget().await
}

/// What all runs taught; what is due is computed and kept first.
///
/// # Errors
/// If the store fails.
pub async fn learned<S: Store>(
    store: &S,
    runs: &[MeasuredRun],
    services: &[Service],
) -> Result<Learned, StoreError> {
    let version = version();
    let mut known = read_known(store, &version).await?;
    let unknown: Vec<i64> = runs.iter().map(|r| r.run_id).filter(|id| !known.contains_key(id)).collect();
    let standings = read_standings(store, &version).await?;
    if unknown.is_empty() {
        return Ok(stored(known, standings));
    }
    let mut ready = drives(store, &unknown).await?;
    let silent: Vec<i64> = unknown.into_iter().filter(|id| !ready.contains_key(id)).collect();
    let says_nothing = silent.iter().map(|&run_id| StoredEvidence { run_id, made: None }).collect();
    put(store, &version, None, says_nothing).await?;
    known.extend(silent.into_iter().map(|id| (id, Known::SaysNothing)));

    let rooms = all_rooms(runs, &known, &ready);
    let firmwares = Arc::new(conditions::firmwares(runs.iter()));
    let services = Arc::new(conditions::services_by_device(services));
    let mut learned = Learned::default();
    for (of, model) in models(runs, &known, &ready, standings) {
        let is_refit = is_refit_due(&model);
        let mut wanted: Vec<usize> = if is_refit {
            model.current.iter().chain(&model.new).copied().collect()
        } else {
            model.new.clone()
        };
        // In the order of all runs, so that the last digits don't depend on how they came in.
        wanted.sort_unstable();
        let made = model_runs(store, runs, &wanted, &mut ready, &rooms, &firmwares).await?;
        let (standing, evidence) = match model.standing {
            Some((digest, standing)) if !is_refit => {
                let evidence = against(Arc::clone(&standing), &made).await?;
                put(store, &version, None, rows(digest, &made, &evidence)?).await?;
                learned.evidence.extend(kept_evidence(&known, runs, &model.current));
                (standing, evidence)
            }
            _ => {
                let Some((standing, evidence)) = fitted(&made, Arc::clone(&services)).await? else {
                    continue;
                };
                let stored = stored_standing(&of, &standing)?;
                let evidence_rows = rows(stored.digest, &made, &evidence)?;
                put(store, &version, Some(stored), evidence_rows).await?;
                (standing, evidence)
            }
        };
        learned.evidence.extend(made.iter().map(|m| m.run_id).zip(evidence));
        learned.models.insert(of, standing);
    }
    Ok(learned)
}

/// A run of a laptop: what it said, and the condition after it.
#[derive(Debug, Clone)]
pub struct AfterRun {
    /// When it was made.
    pub tested_at_ms: EpochMs,
    /// What it said.
    pub evidence: RunEvidence,
    /// The laptop's condition then.
    pub condition: Condition,
}

/// A laptop's last runs until `as_of_ms`, at most `limit`, oldest first.
///
/// # Errors
/// If the store fails.
pub async fn history<S: Store>(
    store: &S,
    model: Arc<ModelStanding>,
    laptop: &Standing,
    as_of_ms: EpochMs,
    limit: usize,
) -> Result<Vec<AfterRun>, StoreError> {
    let (of, device_id, site) = (ModelOf::run(&laptop.last.stored), laptop.device_id(), laptop.site);
    let stored = store.evidence_list_of_laptop(
        version(),
        device_id.to_owned(),
        of.provenance.clone(),
        of.model_key.clone(),
    );
    let stored = stored.await?;
    let services = store.service_list_of_device(device_id.to_owned()).await?;
    let mut runs: Vec<RunEvidence> = stored
        .into_iter()
        .filter_map(|s| serde_json::from_slice::<Kept>(&s.made?.1).ok())
        .map(|kept| kept.evidence)
        .filter(|evidence| conditions::ms_of_day(evidence.day) <= as_of_ms)
        .collect();
    runs.sort_by(|a, b| a.day.total_cmp(&b.day));
    let services = conditions::services_by_device(&services).remove(device_id).unwrap_or_default();
    let device = device_id.to_owned();
    off_the_reactor(move || {
        let k = Constants::default();
        let judge = model.judge(&k);
        let shown = runs.len().saturating_sub(limit)..runs.len();
        Pool.map(shown.len(), |i| {
            let at = shown.start + i;
            let laptop = Laptop {
                device: device.clone(),
                runs: runs[..=at].to_vec(),
                services: services.clone(),
                as_of: runs[at].day,
            };
            AfterRun {
                tested_at_ms: conditions::ms_of_day(runs[at].day),
                evidence: runs[at],
                condition: judge.laptop_at(&laptop, &site),
            }
        })
    })
    .await
}

/// What everything kept belongs to: another method, standing or set of constants starts anew.
pub fn version() -> String {
    format!("{METHOD_VERSION}/{STANDING_VERSION}/{CONSTANTS_VERSION}")
}

/// Whether a model's fit is to be made anew.
fn is_refit_due(model: &Model) -> bool {
    let (n_new, n_current) = (model.new.len(), model.current.len());
    model.standing.is_none() || (n_new > 0 && n_new >= REFIT_RUNS.max(n_current / 10))
}

async fn read_known<S: Store>(store: &S, version: &str) -> Result<HashMap<i64, Known>, StoreError> {
    let mut known = HashMap::new();
    let mut after = 0;
    loop {
        let page = store.evidence_list(version.to_owned(), after, EVIDENCE_PAGE).await?;
        let Some(last) = page.last() else { return Ok(known) };
        after = last.run_id;
        known.extend(
            off_the_reactor(move || page.into_par_iter().filter_map(kept_of).collect::<Vec<_>>()).await?,
        );
    }
}

/// What is kept of a run; what cannot be read is made again.
fn kept_of(stored: StoredEvidence) -> Option<(i64, Known)> {
    let Some((digest, json)) = stored.made else { return Some((stored.run_id, Known::SaysNothing)) };
    Some((stored.run_id, Known::Fitted(digest, Box::new(serde_json::from_slice(&json).ok()?))))
}

type Standings = BTreeMap<ModelOf, (Digest, Arc<ModelStanding>)>;

async fn read_standings<S: Store>(store: &S, version: &str) -> Result<Standings, StoreError> {
    let stored = store.standing_list(version.to_owned()).await?;
    Ok(stored
        .into_iter()
        .filter_map(|s| {
            let standing = serde_json::from_slice(&s.standing_json).ok()?;
            let of = ModelOf { provenance: s.provenance, model_key: s.model_key };
            Some((of, (s.digest, Arc::new(standing))))
        })
        .collect())
}

/// Nothing is due: what is kept, as it is.
fn stored(known: HashMap<i64, Known>, standings: Standings) -> Learned {
    let evidence = known.into_iter().filter_map(|(run_id, known)| match known {
        Known::Fitted(_, kept) => Some((run_id, kept.evidence)),
        Known::SaysNothing => None,
    });
    Learned {
        evidence: evidence.collect(),
        models: standings.into_iter().map(|(of, (_, standing))| (of, standing)).collect(),
    }
}

/// Rooms by the run's row, learned within each provenance from all runs that say something.
fn all_rooms(
    runs: &[MeasuredRun],
    known: &HashMap<i64, Known>,
    ready: &HashMap<i64, Drive>,
) -> HashMap<i64, Room> {
    let mut by_provenance: BTreeMap<&str, Vec<(&MeasuredRun, RoomFacts)>> = BTreeMap::new();
    for run in runs {
        let facts = match (known.get(&run.run_id), ready.get(&run.run_id)) {
            (Some(Known::Fitted(_, kept)), _) => kept.facts,
            (_, Some(drive)) => RoomFacts::from(&drive.facts),
            _ => continue,
        };
        by_provenance.entry(&run.provenance).or_default().push((run, facts));
    }
    by_provenance
        .into_values()
        .flat_map(|runs| {
            let rooms = conditions::rooms(&runs);
            runs.into_iter().map(|(run, _)| run.run_id).zip(rooms).collect::<Vec<_>>()
        })
        .collect()
}

/// Each model with its runs. A run whose evidence belongs to another standing than the present one counts as new.
fn models(
    runs: &[MeasuredRun],
    known: &HashMap<i64, Known>,
    ready: &HashMap<i64, Drive>,
    mut standings: Standings,
) -> BTreeMap<ModelOf, Model> {
    let mut models: BTreeMap<ModelOf, Model> = BTreeMap::new();
    for (place, run) in runs.iter().enumerate() {
        let of = ModelOf::run(run);
        let digest = match known.get(&run.run_id) {
            Some(Known::Fitted(digest, _)) => Some(*digest),
            None if ready.contains_key(&run.run_id) => None,
            Some(Known::SaysNothing) | None => continue,
        };
        let model = models.entry(of.clone()).or_insert_with(|| Model {
            standing: standings.remove(&of),
            current: Vec::new(),
            new: Vec::new(),
        });
        let is_current = digest.is_some() && digest == model.standing.as_ref().map(|(d, _)| *d);
        if is_current { model.current.push(place) } else { model.new.push(place) }
    }
    models
}

/// A run of a model with its row and facts.
struct Made {
    run_id: i64,
    facts: RoomFacts,
    run: ModelRun,
}

async fn model_runs<S: Store>(
    store: &S,
    runs: &[MeasuredRun],
    wanted: &[usize],
    ready: &mut HashMap<i64, Drive>,
    rooms: &HashMap<i64, Room>,
    firmwares: &Firmwares,
) -> Result<Vec<Made>, StoreError> {
    let missing: Vec<i64> =
        wanted.iter().map(|&at| runs[at].run_id).filter(|id| !ready.contains_key(id)).collect();
    ready.extend(drives(store, &missing).await?);
    Ok(wanted
        .iter()
        .filter_map(|&at| {
            let run = &runs[at];
            let drive = ready.remove(&run.run_id)?;
            let facts = RoomFacts::from(&drive.facts);
            let run_ready = conditions::model_run(run, drive, *rooms.get(&run.run_id)?, firmwares);
            Some(Made { run_id: run.run_id, facts, run: run_ready })
        })
        .collect())
}

/// The runs on their way to another thread.
fn lend(made: &[Made]) -> Vec<ModelRun> {
    made.iter().map(|m| m.run.clone()).collect()
}

/// Each run against the standing fit.
async fn against(standing: Arc<ModelStanding>, made: &[Made]) -> Result<Vec<RunEvidence>, StoreError> {
    let runs = lend(made);
    off_the_reactor(move || {
        let k = Constants::default();
        Pool.map(runs.len(), |i| standing.evidence_of(&k, &runs[i]))
    })
    .await
}

/// The model's fit made anew; `None` without runs.
async fn fitted(
    made: &[Made],
    services: Arc<ServicesOf>,
) -> Result<Option<(Arc<ModelStanding>, Vec<RunEvidence>)>, StoreError> {
    let runs = lend(made);
    off_the_reactor(move || {
        let learned = ModelStanding::learn(&Constants::default(), &runs, &services, &Pool);
        learned.map(|(standing, evidence)| (Arc::new(standing), evidence))
    })
    .await
}

fn kept_evidence(
    known: &HashMap<i64, Known>,
    runs: &[MeasuredRun],
    places: &[usize],
) -> Vec<(i64, RunEvidence)> {
    let of = |&at: &usize| match known.get(&runs[at].run_id) {
        Some(Known::Fitted(_, kept)) => Some((runs[at].run_id, kept.evidence)),
        _ => None,
    };
    places.iter().filter_map(of).collect()
}

fn unwritable(e: &serde_json::Error) -> StoreError {
    StoreError::Corrupt { column: "model_standing.standing", why: e.to_string() }
}

/// A standing as it is kept.
///
/// # Errors
/// One that JSON cannot hold.
pub fn stored_standing(of: &ModelOf, standing: &ModelStanding) -> Result<StoredStanding, StoreError> {
    let standing_json = serde_json::to_vec(standing).map_err(|e| unwritable(&e))?;
    Ok(StoredStanding {
        provenance: of.provenance.clone(),
        model_key: of.model_key.clone(),
        digest: Digest::of(&standing_json),
        standing_json,
    })
}

fn rows(digest: Digest, made: &[Made], evidence: &[RunEvidence]) -> Result<Vec<StoredEvidence>, StoreError> {
    let row = |(run, evidence): (&Made, &RunEvidence)| kept(digest, run.run_id, run.facts, *evidence);
    made.iter().zip(evidence).map(row).collect()
}

/// A run's evidence against the standing of a digest, as it is kept.
///
/// # Errors
/// Evidence that JSON cannot hold.
pub fn kept(
    standing: Digest,
    run_id: i64,
    facts: RoomFacts,
    evidence: RunEvidence,
) -> Result<StoredEvidence, StoreError> {
    let json = serde_json::to_vec(&Kept { facts, evidence }).map_err(|e| unwritable(&e))?;
    Ok(StoredEvidence { run_id, made: Some((standing, json)) })
}

/// Keeps evidence first and the standing last: until it is there, evidence against it counts as new.
async fn put<S: Store>(
    store: &S,
    version: &str,
    standing: Option<StoredStanding>,
    evidence: Vec<StoredEvidence>,
) -> Result<(), StoreError> {
    for batch in evidence.chunks(PUT_BATCH) {
        store.judgement_put(version.to_owned(), Vec::new(), batch.to_vec()).await?;
    }
    let Some(standing) = standing else { return Ok(()) };
    store.judgement_put(version.to_owned(), vec![standing], Vec::new()).await
}

#[cfg(test)]
mod tests;
