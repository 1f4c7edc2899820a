//! What runs taught, kept in the store: each model's standing, and each run's evidence against it.
//!
//! A new run is judged at once against the standing fit of its model. The fit itself is made anew once enough is new
//! ([`is_refit_due`]), an older firmware comes late, or a laptop comes to be measured with channels as none was, and then
//! for all runs of the model. [`forget`] makes everything due
//! again; what comes out is then the same as if all runs had come in at once.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use tokio::runtime::Handle;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use windrow_model::METHOD_VERSION;
use windrow_model::condition::ambient::{Room, RoomFacts};
use windrow_model::condition::channel_sets::sets_of;
use windrow_model::condition::constants::{CONSTANTS_VERSION, Constants};
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::judge::Condition;
use windrow_model::condition::laptop::Laptop;
use windrow_model::condition::standing::{ModelRun, ModelStanding, STANDING_VERSION};
use windrow_model::estimate::joint_model::Channels;
use windrow_model::estimate::network_drive::Drive;
use windrow_model::estimate::workers::Workers;
use windrow_model::record::Digest;

use crate::judgement::{drives, off_the_reactor};
use crate::scoring::conditions::{self, Firmwares, ServicesOf};
use crate::scoring::{EvidenceSource, Learned, ModelOf, RunRef, Standing};
use crate::store::judgements::{StoredEvidence, StoredStanding};
use crate::store::{EpochMs, Service, Store, StoreError};
use crate::workers::Pool;

/// A model is fitted anew once this many runs came in since, or one in ten of those that it rests on. Our choice: below
/// it the fit's own error hardly falls.
const REFIT_RUNS: usize = 10;
/// Runs of which is read in one go whether they have evidence, or what of it; some megabytes.
const EVIDENCE_PAGE: u32 = 4_000;
/// Runs that are held ready for the fit from first to last, if there are no more: some ten kilobytes each. Of more, each
/// model's are made ready again when it is their turn.
const MAX_HELD_READY: usize = 2_000;
/// Runs kept in one unit of work.
const PUT_BATCH: usize = 1000;

/// What is kept of a run.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Kept {
    facts: RoomFacts,
    evidence: RunEvidence,
}

/// Which runs have evidence, and against which standing.
#[derive(Debug, Default)]
struct Known {
    /// By the runs' rows; a standing's number, or none for a run that says nothing.
    runs: HashMap<i64, Option<u32>>,
    numbers: HashMap<Digest, u32>,
    standings: Vec<Digest>,
}

impl Known {
    fn add(&mut self, run_id: i64, standing: Option<Digest>) {
        let number = standing.map(|digest| {
            *self.numbers.entry(digest).or_insert_with(|| {
                self.standings.push(digest);
                self.standings.len() as u32 - 1
            })
        });
        self.runs.insert(run_id, number);
    }

    fn has(&self, run_id: i64) -> bool {
        self.runs.contains_key(&run_id)
    }

    /// What the evidence of a run was made against; `None` for one that says nothing or isn't known.
    fn standing_of(&self, run_id: i64) -> Option<Digest> {
        let number = (*self.runs.get(&run_id)?)?;
        Some(self.standings[number as usize])
    }
}

/// All runs' evidence, read from the store when it is asked for.
#[derive(Debug)]
pub struct Evidence<S> {
    store: S,
    handle: Handle,
    version: String,
    known: Known,
}

impl<S: Store> EvidenceSource for Evidence<S> {
    fn has(&self, run_id: i64) -> bool {
        self.known.standing_of(run_id).is_some()
    }

    /// Must be called from another thread than the runtime's own.
    fn read(&self, run_ids: Vec<i64>) -> Result<Vec<RunEvidence>, StoreError> {
        let stored = self.handle.block_on(self.store.evidence_get(self.version.clone(), run_ids.clone()))?;
        let read: HashMap<i64, RunEvidence> =
            stored.into_par_iter().map(|stored| self.evidence_of(stored)).collect::<Result<_, _>>()?;
        let of = |id: &i64| read.get(id).copied().ok_or(StoreError::Overtaken);
        run_ids.iter().map(of).collect()
    }
}

impl<S> Evidence<S> {
    fn evidence_of(&self, stored: StoredEvidence) -> Result<(i64, RunEvidence), StoreError> {
        let StoredEvidence { run_id, made } = stored;
        let made = made.filter(|(digest, _)| self.known.standing_of(run_id) == Some(*digest));
        let (_, json) = made.ok_or(StoreError::Overtaken)?;
        let kept: Kept = serde_json::from_slice(&json).map_err(|e| StoreError::Corrupt {
            column: "run_evidence.evidence",
            why: format!("of the run in row {run_id}: {e}; `windrow-hub recompute` makes it again"),
        })?;
        Ok((run_id, kept.evidence))
    }
}

/// What is known of a model and its runs.
struct Model {
    standing: Option<(Digest, Arc<ModelStanding>)>,
    /// Places of its runs in the list of all runs.
    current: Vec<usize>,
    new: Vec<usize>,
    /// An older firmware came late, so that the numbers in what is kept mean others.
    is_renumbered: bool,
    /// The sets of channels that its laptops are measured with.
    sets: Vec<Channels>,
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
    runs: &[RunRef],
    services: &[Service],
) -> Result<Learned<Evidence<S>>, StoreError> {
    let version = version();
    let mut known = read_known(store, &version).await?;
    let standings = read_standings(store, &version).await?;
    let unknown: Vec<i64> = runs.iter().map(|r| r.run_id).filter(|id| !known.has(*id)).collect();
    let models = if unknown.is_empty() && is_whole(runs, &known, &standings) {
        standings.into_iter().map(|(of, (_, standing))| (of, standing)).collect()
    } else {
        learn(store, runs, &unknown, services, &mut known, standings).await?
    };
    let evidence = Evidence { store: store.clone(), handle: Handle::current(), version, known };
    Ok(Learned { models, evidence })
}

/// Whether each run's evidence was made against a standing that is kept. It isn't where the hub ended between keeping the
/// evidence and keeping its standing, or where a standing can't be read.
fn is_whole(runs: &[RunRef], known: &Known, standings: &Standings) -> bool {
    let kept: HashSet<Digest> = standings.values().map(|(digest, _)| *digest).collect();
    runs.iter().all(|run| known.standing_of(run.run_id).is_none_or(|digest| kept.contains(&digest)))
}

type Models = BTreeMap<ModelOf, Arc<ModelStanding>>;

/// Makes the evidence of runs that have none, and what else is due, and keeps it.
async fn learn<S: Store>(
    store: &S,
    runs: &[RunRef],
    unknown: &[i64],
    services: &[Service],
    known: &mut Known,
    standings: Standings,
) -> Result<Models, StoreError> {
    let version = version();
    let (mut facts, mut ready) = made_ready(store, unknown).await?;
    let silent = unknown.iter().copied().filter(|id| !facts.contains_key(id)).collect();
    read_facts(store, &version, known, &mut facts).await?;

    let rooms = all_rooms(runs, &facts);
    let firmwares = Arc::new(conditions::firmwares(runs.iter()));
    let services = Arc::new(conditions::services_by_device(services));
    let mut learned = Models::new();
    for (of, model) in models(runs, known, &facts, &firmwares, standings) {
        let is_refit = is_refit_due(&model);
        let mut wanted: Vec<usize> = if is_refit {
            model.current.iter().chain(&model.new).copied().collect()
        } else {
            model.new.clone()
        };
        // In the order of all runs, so that the last digits don't depend on how they came in.
        wanted.sort_unstable();
        let made = model_runs(store, runs, &wanted, &mut ready, &rooms, &firmwares).await?;
        // Of runs that said something before and can no longer be read, so that they aren't tried at each judgement.
        let is_made: HashSet<i64> = made.iter().map(|m| m.run_id).collect();
        let lost = wanted.iter().map(|&at| runs[at].run_id).filter(|id| !is_made.contains(id)).collect();
        keep_silent(store, &version, lost, known).await?;
        let (digest, standing, evidence) = match model.standing {
            Some((digest, standing)) if !is_refit => {
                let evidence = against(Arc::clone(&standing), &made).await?;
                put(store, &version, None, rows(digest, &made, &evidence)?).await?;
                (digest, standing, evidence)
            }
            _ => {
                let Some((standing, evidence)) = fitted(&made, Arc::clone(&services)).await? else {
                    continue;
                };
                for part in standing.parts().filter(|part| !part.fit.has_converged) {
                    tracing::warn!(
                        model = of.model_key,
                        provenance = of.provenance,
                        measured = part.fit.channels.words(),
                        runs = part.fitted_runs,
                        "the joint fit of the model's runs came to no optimum: its laptops are judged with wider intervals"
                    );
                }
                let stored = stored_standing(&of, &standing)?;
                let digest = stored.digest;
                let evidence_rows = rows(digest, &made, &evidence)?;
                put(store, &version, Some(stored), evidence_rows).await?;
                (digest, standing, evidence)
            }
        };
        debug_assert_eq!(made.len(), evidence.len(), "each run has its evidence");
        for run in &made {
            known.add(run.run_id, Some(digest));
        }
        learned.insert(of, standing);
    }
    // Last: a run that says nothing also has its firmware. Were it known already when the hub ended here, nobody would
    // look again whether its model is to be fitted anew.
    keep_silent(store, &version, silent, known).await?;
    Ok(learned)
}

/// Keeps of runs that they say nothing.
async fn keep_silent<S: Store>(
    store: &S,
    version: &str,
    silent: Vec<i64>,
    known: &mut Known,
) -> Result<(), StoreError> {
    let says_nothing = silent.iter().map(|&run_id| StoredEvidence { run_id, made: None }).collect();
    put(store, version, None, says_nothing).await?;
    for run_id in silent {
        known.add(run_id, None);
    }
    Ok(())
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
    let (of, device_id, site) = (&laptop.last.kind.of, laptop.device_id(), laptop.site);
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
        let judges = model.judges(&k);
        let shown = runs.len().saturating_sub(limit)..runs.len();
        Pool.map(shown.len(), |i| {
            let at = shown.start + i;
            let laptop = Laptop {
                device: device.clone(),
                runs: runs[..=at].to_vec(),
                services: services.clone(),
                as_of: runs[at].day,
            };
            let measured = judges.measured(laptop);
            AfterRun {
                tested_at_ms: conditions::ms_of_day(runs[at].day),
                evidence: runs[at],
                condition: measured.judge.laptop_at(&measured.laptop, &site),
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
    let Some((_, standing)) = &model.standing else { return true };
    // Laptops that are measured as none was cannot be told until there is a fit of such runs.
    let has_all_parts = model.sets.iter().all(|channels| standing.part(*channels).is_some());
    model.is_renumbered || !has_all_parts || (n_new > 0 && n_new >= REFIT_RUNS.max(n_current / 10))
}

async fn read_known<S: Store>(store: &S, version: &str) -> Result<Known, StoreError> {
    let mut known = Known::default();
    let mut after = 0;
    loop {
        let page = store.evidence_list_made(version.to_owned(), after, EVIDENCE_PAGE).await?;
        let Some((last, _)) = page.last() else { return Ok(known) };
        after = *last;
        for (run_id, standing) in page {
            known.add(run_id, standing);
        }
    }
}

/// What a run tells, whatever its model's fit.
#[derive(Debug, Clone, Copy)]
struct Told {
    room: RoomFacts,
    /// The number of its firmware in the evidence that is kept of it; `None`: nothing is.
    firmware: Option<u32>,
    channels: Channels,
}

type Facts = HashMap<i64, Told>;

/// Runs made ready for the fit, or of many their facts alone.
async fn made_ready<S: Store>(
    store: &S,
    run_ids: &[i64],
) -> Result<(Facts, HashMap<i64, Drive>), StoreError> {
    let (mut facts, mut ready) = (Facts::new(), HashMap::new());
    for batch in run_ids.chunks(MAX_HELD_READY) {
        let drives = drives(store, batch).await?;
        let told = |drive: &Drive| Told {
            room: RoomFacts::from(&drive.facts),
            firmware: None,
            channels: Channels::of(drive),
        };
        facts.extend(drives.iter().map(|(&id, drive)| (id, told(drive))));
        if run_ids.len() <= MAX_HELD_READY {
            ready = drives;
        }
    }
    Ok((facts, ready))
}

/// Adds the facts of all runs that say something.
async fn read_facts<S: Store>(
    store: &S,
    version: &str,
    known: &Known,
    facts: &mut Facts,
) -> Result<(), StoreError> {
    let mut after = 0;
    loop {
        let page = store.evidence_list(version.to_owned(), after, EVIDENCE_PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after = last.run_id;
        let read = off_the_reactor(move || page.into_par_iter().filter_map(facts_of).collect::<Vec<_>>());
        let of_known = read.await?.into_iter().filter(|(id, _)| known.standing_of(*id).is_some());
        facts.extend(of_known);
    }
}

fn facts_of(stored: StoredEvidence) -> Option<(i64, Told)> {
    /// The same JSON, as far as it is wanted.
    #[derive(Deserialize)]
    struct KeptFacts {
        facts: RoomFacts,
        evidence: KeptTold,
    }
    #[derive(Deserialize)]
    struct KeptTold {
        firmware: u32,
        has_power: bool,
        has_rpm: bool,
        by_work_rate: bool,
    }
    let (_, json) = stored.made?;
    let kept: KeptFacts = serde_json::from_slice(&json).ok()?;
    let KeptTold { firmware, has_power, has_rpm, by_work_rate } = kept.evidence;
    let channels = Channels { has_power, has_rpm, by_work_rate };
    Some((stored.run_id, Told { room: kept.facts, firmware: Some(firmware), channels }))
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

/// Rooms by the run's row, learned within each provenance from all runs that say something.
fn all_rooms(runs: &[RunRef], facts: &Facts) -> HashMap<i64, Room> {
    let mut by_provenance: BTreeMap<&str, Vec<(&RunRef, RoomFacts)>> = BTreeMap::new();
    for run in runs {
        let Some(facts) = facts.get(&run.run_id) else { continue };
        by_provenance.entry(&run.kind.of.provenance).or_default().push((run, facts.room));
    }
    by_provenance
        .into_values()
        .flat_map(|runs| {
            let rooms = conditions::rooms(&runs);
            runs.into_iter().map(|(run, _)| run.run_id).zip(rooms).collect::<Vec<_>>()
        })
        .collect()
}

/// Each model with its runs that say something. A run whose evidence belongs to another standing than the present one
/// counts as new.
fn models(
    runs: &[RunRef],
    known: &Known,
    facts: &Facts,
    firmwares: &Firmwares,
    mut standings: Standings,
) -> BTreeMap<ModelOf, Model> {
    let mut models: BTreeMap<ModelOf, Model> = BTreeMap::new();
    for (place, run) in runs.iter().enumerate() {
        let Some(told) = facts.get(&run.run_id) else { continue };
        let digest = known.standing_of(run.run_id);
        let model = models.entry(run.kind.of.clone()).or_insert_with(|| Model {
            standing: standings.remove(&run.kind.of),
            current: Vec::new(),
            new: Vec::new(),
            is_renumbered: false,
            sets: Vec::new(),
        });
        let is_current = digest.is_some() && digest == model.standing.as_ref().map(|(d, _)| *d);
        model.is_renumbered |= is_current && told.firmware.is_some_and(|kept| kept != firmwares.of(run));
        if is_current { model.current.push(place) } else { model.new.push(place) }
    }
    for model in models.values_mut() {
        model.sets = sets(runs, facts, model.current.iter().chain(&model.new));
    }
    models
}

/// The sets of channels that a model's laptops are measured with, as the fit made anew would have them.
fn sets<'a>(runs: &[RunRef], facts: &Facts, places: impl Iterator<Item = &'a usize>) -> Vec<Channels> {
    let mut places: Vec<usize> = places.copied().collect();
    places.sort_unstable_by_key(|&at| (runs[at].tested_at_ms, at));
    let mut of_laptops: HashMap<&str, Vec<Channels>> = HashMap::new();
    for run in places.into_iter().map(|at| &runs[at]) {
        let Some(told) = facts.get(&run.run_id) else { continue };
        of_laptops.entry(&run.device_id).or_default().push(told.channels);
    }
    sets_of(of_laptops.values().map(Vec::as_slice))
}

/// A run of a model with its row and facts.
struct Made {
    run_id: i64,
    facts: RoomFacts,
    run: ModelRun,
}

async fn model_runs<S: Store>(
    store: &S,
    runs: &[RunRef],
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
