//! The runs that a judgement looks at, held small: of a large fleet they are hundreds of thousands, and most of what the
//! store tells of a run it tells of many others in the same words.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use rayon::prelude::*;
use windrow_model::estimate::joint_model::Channels;
use windrow_model::record::Digest;
use windrow_model::record::wire::Metrics;

use super::conditions::ModelOf;
use super::figures::Figures;
use crate::store::{EpochMs, MeasuredRun, StoredMetrics};

/// How a run ended that its pre-checks kept from beginning, as the store has it.
pub(super) const NOT_STARTED: &str = "not_started";
/// How a run ended whose load ended early.
pub(super) const STOPPED_EARLY: &str = "stopped_early";

/// Runs whose metrics are read in one go: some megabytes.
const METRICS_READ: usize = 2_000;

/// What many runs have in common.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct RunKind {
    /// What it is compared within.
    pub of: ModelOf,
    /// What a person calls the model.
    pub model_name: String,
    /// Firmware of the machine; empty where unknown.
    pub firmware: String,
    /// Site at the time of scoring.
    pub site: String,
    /// Load program.
    pub load_mix: String,
    /// Protocol.
    pub protocol: String,
    /// How it ended.
    pub outcome: String,
    /// Columns in which something was read, with a space between them.
    pub channels: String,
    /// On mains power, where known.
    pub on_ac: Option<bool>,
}

impl RunKind {
    fn of(run: &mut MeasuredRun) -> Self {
        let taken = std::mem::take::<String>;
        Self {
            of: ModelOf { provenance: taken(&mut run.provenance), model_key: taken(&mut run.model_key) },
            model_name: taken(&mut run.model_name),
            firmware: taken(&mut run.firmware),
            site: taken(&mut run.site),
            load_mix: taken(&mut run.load_mix),
            protocol: taken(&mut run.protocol),
            outcome: taken(&mut run.outcome),
            channels: taken(&mut run.channels),
            on_ac: run.on_ac,
        }
    }

    /// With which channels it was measured, as far as the columns tell.
    pub fn measured(&self) -> Channels {
        Channels::of_read(|channel| self.channels.split(' ').any(|name| name == channel.spec().column))
    }
}

/// One of all runs.
#[derive(Debug, Clone)]
pub struct RunRef {
    /// Its row.
    pub run_id: i64,
    /// The laptop.
    pub device_id: Arc<str>,
    /// What it shares with others.
    pub kind: Arc<RunKind>,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// Room temperature as it was told.
    pub ambient_c: Option<f64>,
}

/// A laptop's last run with the hub's figures.
#[derive(Debug, Clone)]
pub struct Run {
    /// Its row.
    pub run_id: i64,
    /// The laptop.
    pub device_id: Arc<str>,
    /// Asset tag, where the hub knows one.
    pub asset_tag: Arc<str>,
    /// What it shares with others.
    pub kind: Arc<RunKind>,
    /// Digest.
    pub digest: Digest,
    /// Room temperature.
    pub ambient_c: Option<f64>,
    /// Its standard deviation.
    pub ambient_sd_k: Option<f64>,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// When it was received.
    pub received_at_ms: EpochMs,
    /// Whether the agent's metrics under the same version agree with the hub's; `None`: nothing to compare.
    pub agrees: Option<bool>,
    /// What of the hub's metrics a judgement reads; absent for an attempt that never loaded.
    pub figures: Option<Figures>,
}

/// The last run of a laptop and provenance until the time asked for.
#[derive(Debug, Clone)]
pub(super) struct LaptopRuns {
    pub(super) last: Run,
    /// Its last run that loaded it.
    pub(super) loaded_at_ms: Option<EpochMs>,
    pub(super) n_runs: usize,
}

/// All runs, gathered page by page, each laptop's one after the other and by time.
#[derive(Debug, Default)]
pub struct Runs {
    /// As of when the fleet is judged.
    pub as_of_ms: EpochMs,
    /// In the order in which they came.
    pub all: Vec<RunRef>,
    last: Vec<LaptopRuns>,
    kinds: HashSet<Arc<RunKind>>,
}

impl Runs {
    /// None yet; last runs are those until a time.
    pub fn new(as_of_ms: EpochMs) -> Self {
        Self { as_of_ms, ..Self::default() }
    }

    /// Some more.
    pub fn add(&mut self, page: Vec<MeasuredRun>) {
        for run in page {
            self.add_one(run);
        }
    }

    /// The rows of each laptop's last run of a provenance, some at a time.
    pub fn last_ids(&self) -> Vec<Vec<i64>> {
        let ids = |part: &[LaptopRuns]| part.iter().map(|l| l.last.run_id).collect();
        self.last.chunks(METRICS_READ).map(ids).collect()
    }

    /// Takes the metrics of the `nth` of [`Self::last_ids`], in any order.
    pub fn put_metrics(&mut self, nth: usize, metrics: Vec<StoredMetrics>) {
        let read: HashMap<i64, (Option<Figures>, Option<bool>)> =
            metrics.into_par_iter().map(|m| (m.run_id, (figures(&m), m.agrees))).collect();
        let part = self.last.iter_mut().skip(nth * METRICS_READ).take(METRICS_READ);
        for laptop in part {
            if let Some((figures, agrees)) = read.get(&laptop.last.run_id) {
                (laptop.last.figures, laptop.last.agrees) = (figures.clone(), *agrees);
            }
        }
    }

    fn add_one(&mut self, mut stored: MeasuredRun) {
        let kind = held_once(&mut self.kinds, RunKind::of(&mut stored));
        let before = self.all.last().map(|r| &r.device_id).filter(|id| ***id == *stored.device_id);
        let device_id = before.map_or_else(|| stored.device_id.as_str().into(), Arc::clone);
        self.all.push(RunRef {
            run_id: stored.run_id,
            device_id: Arc::clone(&device_id),
            kind: Arc::clone(&kind),
            tested_at_ms: stored.tested_at_ms,
            ambient_c: stored.ambient_c,
        });
        if stored.tested_at_ms > self.as_of_ms {
            return;
        }
        let loaded_at_ms = (kind.outcome != NOT_STARTED).then_some(stored.tested_at_ms);
        // Each run seen is later than the one before of the same laptop, but those of its provenances may alternate.
        let mut of_laptop = self.last.iter_mut().rev().take_while(|l| l.last.device_id == device_id);
        let known = of_laptop.find(|l| l.last.kind.of.provenance == kind.of.provenance);
        let last = Run {
            run_id: stored.run_id,
            device_id: Arc::clone(&device_id),
            asset_tag: stored.asset_tag.as_str().into(),
            kind,
            digest: stored.digest,
            ambient_c: stored.ambient_c,
            ambient_sd_k: stored.ambient_sd_k,
            tested_at_ms: stored.tested_at_ms,
            received_at_ms: stored.received_at_ms,
            agrees: None,
            figures: None,
        };
        match known {
            Some(known) => {
                known.n_runs += 1;
                known.loaded_at_ms = known.loaded_at_ms.max(loaded_at_ms);
                known.last = last;
            }
            None => self.last.push(LaptopRuns { last, loaded_at_ms, n_runs: 1 }),
        }
    }

    /// All runs given up; each laptop's last of a provenance, by both.
    pub(super) fn into_last(mut self) -> Vec<LaptopRuns> {
        self.last.sort_by(|a, b| {
            let (a, b) = (&a.last, &b.last);
            (&a.device_id, &a.kind.of.provenance).cmp(&(&b.device_id, &b.kind.of.provenance))
        });
        self.last
    }
}

fn held_once(kinds: &mut HashSet<Arc<RunKind>>, kind: RunKind) -> Arc<RunKind> {
    if let Some(held) = kinds.get(&kind) {
        return Arc::clone(held);
    }
    let held = Arc::new(kind);
    kinds.insert(Arc::clone(&held));
    held
}

fn figures(stored: &StoredMetrics) -> Option<Figures> {
    match serde_json::from_slice::<Metrics>(&stored.metrics_json) {
        Ok(metrics) => Some(Figures::of(&metrics)),
        Err(e) => {
            tracing::error!(run_id = stored.run_id, error = %e, "stored metrics cannot be read; `windrow-hub recompute` makes them again");
            None
        }
    }
}
