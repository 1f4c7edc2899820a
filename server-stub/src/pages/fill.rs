//! From the judged fleet to what the pages show. Pure; run once after each judging.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use sha2::{Digest as _, Sha256};
use windrow_model::condition::judge::{Condition, Interval};
use windrow_model::condition::standing::ModelStanding;
use windrow_model::estimate::joint_model::Channels;
use windrow_model::reference::model_id;

use super::fleet::{Entry, Fleet, Reading};
use super::gauge::Quantity;
use super::models::{Epoch, Model, Spread};
use super::places;
use crate::coverage::Coverage;
use crate::effects::Effects;
use crate::effects::learned::Lessons;
use crate::scoring::{Figure, Firmwares, JudgedFleet, ModelOf, Standing, Versions, events};
use crate::texts::Texts;

/// The judged fleet ready to be shown, with the judgement that it was made from.
#[derive(Debug)]
pub struct Shown {
    /// The list.
    pub fleet: Fleet,
    /// What each laptop's line was made from, in the same order.
    pub standings: Vec<Standing>,
    /// Models by name.
    pub models: Vec<Model>,
    /// What each model's laptops were judged against.
    pub references: References,
    /// How far the laptops that should be checked were checked.
    pub coverage: Coverage,
    /// What each visit did.
    pub effects: Effects,
    /// What the visits teach.
    pub lessons: Lessons,
    /// What the page of places reads of it.
    pub places: places::Index,
    /// Each model's firmwares.
    pub firmwares: Firmwares,
    /// What names each reference in addresses.
    reference_ids: BTreeMap<String, ModelOf>,
    /// What the fleet was judged by.
    pub versions: Versions,
}

impl Shown {
    /// From a judgement.
    pub fn new(judged: JudgedFleet) -> Self {
        let JudgedFleet {
            as_of_ms,
            standings,
            models: references,
            coverage,
            effects,
            lessons,
            firmwares,
            versions,
        } = judged;
        let mut texts = Texts::default();
        let entries = standings.iter().enumerate();
        let entries = entries.map(|(idx, s)| entry(idx + 1, s, &coverage, &mut texts)).collect();
        let fleet = Fleet::new(as_of_ms, entries);
        let models = models(&fleet, &standings, (&references, &firmwares));
        let reference_ids =
            references.keys().map(|of| (model_id(&of.provenance, &of.model_key), of.clone())).collect();
        let places = places::Index::new(&coverage);
        Self {
            fleet,
            standings,
            models,
            references,
            coverage,
            effects,
            lessons,
            places,
            firmwares,
            reference_ids,
            versions,
        }
    }

    /// A laptop's line and what it was made from.
    pub fn get(&self, device_id: &str) -> Option<(&Entry, &Standing)> {
        let place = self.fleet.place(device_id)?;
        Some((&self.fleet.laptops[place], &self.standings[place]))
    }

    /// What a reference's id in addresses stands for.
    pub fn model_of(&self, id: &str) -> Option<&ModelOf> {
        self.reference_ids.get(id)
    }

    /// A model by what names it in addresses.
    pub fn model(&self, slug: &str) -> Option<&Model> {
        self.models.iter().find(|m| m.slug == slug)
    }

    /// A model by what names it, or one of the references that its laptops are compared with.
    pub fn model_meant(&self, id: &str) -> Option<&Model> {
        self.model(id).or_else(|| self.models.iter().find(|m| m.epochs.iter().any(|e| e.model_id == id)))
    }
}

fn entry(rank: usize, standing: &Standing, coverage: &Coverage, texts: &mut Texts) -> Entry {
    let run = &standing.last;
    Entry {
        rank,
        device_id: Arc::clone(&run.device_id),
        asset_tag: Arc::clone(&run.asset_tag),
        model: texts.held(&run.kind.model_name),
        model_key: texts.held(&run.kind.of.model_key),
        site: texts.held(&run.kind.site),
        place: texts.held(coverage.line_of(&run.device_id).map_or("", |line| &line.place)),
        band: standing.band,
        reason: Arc::clone(&standing.reason),
        numbers: numbers(standing.condition.as_deref()),
        due_on: standing.due_on,
        checked_at_ms: standing.checked_at_ms,
        failed_at_ms: standing.failed_at_ms,
        provenance: texts.held(&run.kind.of.provenance),
        cannot_tell: standing.cannot_tell(),
        haystack: "".into(),
    }
}

/// The three numbers with their intervals and odds; blank where no run tells.
pub fn numbers(condition: Option<&Condition>) -> [Option<Reading>; 3] {
    let Some(c) = condition else { return [None; 3] };
    let reading = |interval: Option<Interval>, p_past: f64| {
        interval.map(|i| Reading { value: i.mid, low: i.low, high: i.high, p_past: Some(p_past) })
    };
    [reading(c.airflow, c.p_clogged), reading(c.fan, c.p_fan), reading(Some(c.contact), c.p_contact)]
}

/// What names a model in addresses: its name may hold anything.
pub fn slug(name: &str) -> String {
    hex::encode(&Sha256::digest(name.as_bytes())[..6])
}

/// Each model's reference.
type References = BTreeMap<ModelOf, Arc<ModelStanding>>;
/// References and firmwares.
type Known<'a> = (&'a References, &'a Firmwares);

fn models(fleet: &Fleet, standings: &[Standing], known: Known<'_>) -> Vec<Model> {
    let mut by_name: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (place, entry) in fleet.laptops.iter().enumerate() {
        by_name.entry(&entry.model).or_default().push(place);
    }
    by_name.into_iter().map(|(name, places)| model(name, &places, fleet, standings, known)).collect()
}

fn model(name: &str, places: &[usize], fleet: &Fleet, standings: &[Standing], known: Known<'_>) -> Model {
    let entries: Vec<&Entry> = places.iter().map(|&p| &fleet.laptops[p]).collect();
    let spreads = Quantity::ALL.map(|q| {
        let values = entries.iter().filter_map(|e| e.numbers[q as usize]).map(|r| r.value);
        Spread::new(q, values.collect())
    });
    Model {
        name: name.to_owned(),
        slug: slug(name),
        is_emulated: entries.iter().all(|e| &*e.provenance == "emulated"),
        n_laptops: entries.len(),
        n_due: entries.iter().filter(|e| super::laptop::asks_for_a_visit(e.band)).count(),
        spreads,
        epochs: epochs(places, fleet, standings, known),
    }
}

/// What a model's laptops are compared within: one line for each kind and provenance, and where not all of these are
/// measured alike, for each way.
fn epochs(places: &[usize], fleet: &Fleet, standings: &[Standing], known: Known<'_>) -> Vec<Epoch> {
    let mut by_kind: HashMap<(&str, &str), Vec<&Standing>> = HashMap::new();
    for &place in places {
        let entry = &fleet.laptops[place];
        by_kind.entry((&entry.model_key, &entry.provenance)).or_default().push(&standings[place]);
    }
    let mut epochs: Vec<Epoch> = by_kind
        .into_iter()
        .flat_map(|((key, provenance), standings)| {
            let of = ModelOf { provenance: provenance.to_owned(), model_key: key.to_owned() };
            of_kind(&of, standings, known)
        })
        .collect();
    epochs.sort_by(|a, b| {
        b.n_laptops
            .cmp(&a.n_laptops)
            .then_with(|| a.kind.cmp(&b.kind))
            .then_with(|| b.measured.cmp(&a.measured))
    });
    epochs
}

/// One, or one for each way in which its laptops are measured. Those of which no run could be fitted are with most.
fn of_kind(of: &ModelOf, standings: Vec<&Standing>, (references, firmwares): Known<'_>) -> Vec<Epoch> {
    let firmwares = firmwares.names(of);
    let Some(model) = references.get(of) else { return vec![epoch(of, &standings, None, firmwares)] };
    let mut by_part: BTreeMap<Channels, Vec<&Standing>> = BTreeMap::new();
    for standing in standings {
        by_part.entry(standing.measured.unwrap_or(model.fit.channels)).or_default().push(standing);
    }
    let one = |(channels, standings): (Channels, Vec<&Standing>)| {
        let measured = (!model.others.is_empty()).then_some(channels);
        let part = model.part(channels).unwrap_or(model);
        Epoch { measured, ..epoch(of, &standings, Some(part), firmwares) }
    };
    by_part.into_iter().map(one).collect()
}

fn epoch(of: &ModelOf, standings: &[&Standing], part: Option<&ModelStanding>, firmwares: &[String]) -> Epoch {
    let median = |figure: Figure| {
        let values = standings.iter().filter_map(|s| s.last.figures.as_ref()?.get(figure));
        Spread::new(Quantity::Airflow, values.collect()).quantile(0.5)
    };
    Epoch {
        model_id: model_id(&of.provenance, &of.model_key),
        kind: of.model_key.clone(),
        provenance: of.provenance.clone(),
        measured: None,
        n_laptops: standings.len(),
        n_runs: standings.iter().map(|s| s.n_runs).sum(),
        rests_on: part.map(|part| (part.reference.laptops, part.reference.runs)),
        rms_k: part.map(|part| part.rms_k),
        has_converged: part.map(|part| part.fit.has_converged),
        events: part.map_or_else(Vec::new, |part| {
            part.reference.events.iter().map(|e| events::words(e, firmwares)).collect()
        }),
        fan_max_rpm: median(Figure::FanMaxRpm),
        r_contact_k_per_w: median(Figure::RContactKPerW),
        g_air_w_per_k: median(Figure::GAirWPerK),
    }
}
