//! Who needs service, judged from the hub's own metrics.
//!
//! The first, simple judgement: each laptop against the others of its kind, with robust statistics. [`judge`] is a
//! pure function of what is stored and the time as of which it is asked. Kinds never mix provenances, method versions, load
//! programs or protocols, so that an emulated laptop is never the measure of a real one.

mod features;
mod peers;
#[cfg(test)]
mod tests;
pub(crate) mod words;

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;
use windrow_model::record::Digest;
use windrow_model::record::wire::Metrics;
use windrow_model::trace::fleet::ServiceAction;

use self::features::Feature;
use crate::store::{EpochMs, MeasuredRun, Service};

/// Runs of a laptop that count: the last ones since its last service. A single odd run then moves the median little.
const MAX_RUNS: usize = 5;
/// After this a run says nothing of today: lint builds up in months (docs/method.md). Common practice, no source.
const TOO_OLD_DAYS: i64 = 180;
/// With fewer others of its kind nothing is said: two would only say that one of both differs.
const MIN_PEERS: usize = 3;
const MS_PER_DAY: i64 = 24 * 3600 * 1000;

/// A run with the hub's metrics.
#[derive(Debug, Clone)]
pub struct Run {
    /// What the store knows of it.
    pub stored: MeasuredRun,
    /// The hub's metrics; absent for an attempt that never loaded.
    pub metrics: Option<Metrics>,
}

/// All that a judgement rests on.
#[derive(Debug, Clone)]
pub struct Fleet {
    /// All runs under one method version.
    pub runs: Vec<Run>,
    /// All services.
    pub services: Vec<Service>,
    /// As of when.
    pub as_of_ms: EpochMs,
}

/// When to see to a laptop. Ordered by urgency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Band {
    /// Pull now.
    PullNow,
    /// Within 7 days.
    WithinSevenDays,
    /// Next round.
    NextRound,
    /// The run cannot be trusted or is too old.
    Retest,
    /// No visit.
    NoVisit,
}

impl Band {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::PullNow => "pull now",
            Self::WithinSevenDays => "within 7 days",
            Self::NextRound => "next round",
            Self::Retest => "retest",
            Self::NoVisit => "no visit",
        }
    }
}

/// Why a laptop is in its band, for programs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ReasonCode {
    /// Vents and fins: it gives its heat away slowly.
    Clogged,
    /// The fan turns too slowly for the heat, or starts late.
    FanWeak,
    /// The fan stood still while it was hot.
    FanStopped,
    /// Paste or mounting.
    Contact,
    /// Nothing that stands out among its kind.
    NothingSeen,
    /// Too few others of its kind to say anything.
    CannotTell,
    /// No run says anything: other work, on battery, a stuck sensor.
    NoGoodRun,
    /// The last good run is too old.
    TooOld,
    /// Serviced since the last run.
    NotCheckedSinceService,
}

/// One comparison with the others of the kind.
#[derive(Debug, Clone, Serialize)]
pub struct Evidence {
    /// Name of the metric, which ends in its unit.
    pub metric: &'static str,
    /// This laptop's value.
    pub value: f64,
    /// Median of the others.
    pub peers_median: f64,
    /// How many others.
    pub n_peers: usize,
    /// How far off towards the fault, in standard deviations of the comparison.
    pub z: f64,
}

/// How a laptop stands.
#[derive(Debug, Clone)]
pub struct Standing {
    /// Its last run, trusted or not; the identity stands there.
    pub last: Run,
    /// When to see to it.
    pub band: Band,
    /// Orders laptops within a band: deviations towards the most likely fault.
    pub score: f64,
    /// Why.
    pub reason_code: ReasonCode,
    /// Why, in words with the evidence.
    pub reason: String,
    /// All comparisons that could be made.
    pub evidence: Vec<Evidence>,
    /// How many runs there are.
    pub n_runs: usize,
    /// Last service: the day and what was done.
    pub last_service: Option<(NaiveDate, Vec<ServiceAction>)>,
}

/// The kind that a laptop's runs are compared within.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Kind {
    model_key: String,
    provenance: String,
    load_mix: String,
    protocol: String,
}

impl Kind {
    fn of(run: &MeasuredRun) -> Self {
        Self {
            model_key: run.model_key.clone(),
            provenance: run.provenance.clone(),
            load_mix: run.load_mix.clone(),
            protocol: run.protocol.clone(),
        }
    }
}

/// A laptop with what its runs say.
struct Laptop<'a> {
    runs: Vec<&'a Run>,
    last_service: Option<(NaiveDate, Vec<ServiceAction>)>,
    /// The good runs that count, of one kind, and the kind.
    judged: Option<(Kind, Vec<&'a Run>)>,
    features: BTreeMap<Feature, features::Value>,
}

/// Judges a fleet; the most urgent first. The order is total: the same fleet always gives the same list.
pub fn judge(fleet: &Fleet) -> Vec<Standing> {
    let laptops = laptops(fleet);
    let peers = peers::by_kind(&laptops);
    let mut standings: Vec<Standing> =
        laptops.iter().filter_map(|laptop| standing(laptop, &peers, fleet.as_of_ms)).collect();
    standings.sort_by(|a, b| {
        a.band
            .cmp(&b.band)
            .then(b.score.total_cmp(&a.score))
            .then_with(|| a.last.stored.device_id.cmp(&b.last.stored.device_id))
            .then_with(|| a.last.stored.provenance.cmp(&b.last.stored.provenance))
    });
    standings
}

fn laptops(fleet: &Fleet) -> Vec<Laptop<'_>> {
    let mut runs_of: BTreeMap<(&str, &str), Vec<&Run>> = BTreeMap::new();
    for run in fleet.runs.iter().filter(|r| r.stored.tested_at_ms <= fleet.as_of_ms) {
        runs_of.entry((&run.stored.device_id, &run.stored.provenance)).or_default().push(run);
    }
    let last_services = last_services(fleet);
    runs_of
        .into_iter()
        .map(|((device_id, _), mut runs)| {
            runs.sort_by_key(|r| r.stored.tested_at_ms);
            laptop(runs, last_services.get(device_id).cloned())
        })
        .collect()
}

fn laptop(runs: Vec<&Run>, last_service: Option<(NaiveDate, Vec<ServiceAction>)>) -> Laptop<'_> {
    let good: Vec<&Run> = runs
        .iter()
        .copied()
        .filter(|r| is_since_service(r, last_service.as_ref()) && features::why_not_good(r).is_none())
        .collect();
    let judged = good.last().map(|last| {
        let kind = Kind::of(&last.stored);
        let mut of_kind: Vec<&Run> =
            good.iter().copied().filter(|r| Kind::of(&r.stored) == kind).rev().take(MAX_RUNS).collect();
        of_kind.reverse();
        (kind, of_kind)
    });
    let features = judged.as_ref().map(|(_, runs)| features::of_runs(runs)).unwrap_or_default();
    Laptop { runs, last_service, judged, features }
}

/// The last day on which something was done to each laptop. To have looked at it changes nothing.
fn last_services(fleet: &Fleet) -> BTreeMap<&str, (NaiveDate, Vec<ServiceAction>)> {
    let mut last: BTreeMap<&str, (NaiveDate, Vec<ServiceAction>)> = BTreeMap::new();
    let as_of = DateTime::<Utc>::from_timestamp_millis(fleet.as_of_ms).map(|t| t.date_naive());
    for service in &fleet.services {
        let is_later_than_asked = as_of.is_some_and(|as_of| service.serviced_on > as_of);
        if is_later_than_asked || service.action == ServiceAction::None {
            continue;
        }
        let entry = last.entry(&service.device_id).or_insert((service.serviced_on, Vec::new()));
        if service.serviced_on > entry.0 {
            *entry = (service.serviced_on, Vec::new());
        }
        if service.serviced_on == entry.0 {
            entry.1.push(service.action);
        }
    }
    last
}

/// A run of the day of service may have been before or after it, so that it doesn't count.
fn is_since_service(run: &Run, last_service: Option<&(NaiveDate, Vec<ServiceAction>)>) -> bool {
    let tested_on = DateTime::<Utc>::from_timestamp_millis(run.stored.tested_at_ms).map(|t| t.date_naive());
    last_service.is_none_or(|(day, _)| tested_on.is_some_and(|tested| tested > *day))
}

fn standing(laptop: &Laptop<'_>, peers: &peers::ByKind, as_of_ms: EpochMs) -> Option<Standing> {
    let last = *laptop.runs.last()?;
    let judgement = judgement(laptop, last, peers, as_of_ms);
    Some(Standing {
        last: last.clone(),
        band: judgement.band,
        score: judgement.score,
        reason_code: judgement.reason_code,
        reason: judgement.reason,
        evidence: judgement.evidence,
        n_runs: laptop.runs.len(),
        last_service: laptop.last_service.clone(),
    })
}

/// The part of a standing that is judged.
struct Judgement {
    band: Band,
    score: f64,
    reason_code: ReasonCode,
    reason: String,
    evidence: Vec<Evidence>,
}

impl Judgement {
    fn plain(band: Band, reason_code: ReasonCode, reason: String) -> Self {
        Self { band, score: 0.0, reason_code, reason, evidence: Vec::new() }
    }
}

fn judgement(laptop: &Laptop<'_>, last: &Run, peers: &peers::ByKind, as_of_ms: EpochMs) -> Judgement {
    let Some((kind, runs)) = &laptop.judged else { return without_good_run(laptop, last) };
    let mut judgement = compared(laptop, kind, runs, peers);
    let age_days = runs.last().map_or(0, |r| (as_of_ms - r.stored.tested_at_ms) / MS_PER_DAY);
    if age_days > TOO_OLD_DAYS {
        judgement.band = Band::Retest;
        judgement.reason = format!("last good check {age_days} days before; then: {}", judgement.reason);
        judgement.reason_code = ReasonCode::TooOld;
    }
    judgement
}

fn without_good_run(laptop: &Laptop<'_>, last: &Run) -> Judgement {
    if let Some((day, _)) = &laptop.last_service
        && !is_since_service(last, laptop.last_service.as_ref())
    {
        let reason = format!("serviced on {day}, not checked since");
        return Judgement::plain(Band::Retest, ReasonCode::NotCheckedSinceService, reason);
    }
    let why = features::why_not_good(last).unwrap_or("no run of it can be trusted");
    Judgement::plain(Band::Retest, ReasonCode::NoGoodRun, format!("the check cannot be trusted: {why}"))
}

fn compared(laptop: &Laptop<'_>, kind: &Kind, runs: &[&Run], peers: &peers::ByKind) -> Judgement {
    if let Some(peak_c) = features::fan_stopped(runs) {
        let reason = format!("a fan stood still at {peak_c:.0} °C: have it looked at before further load");
        let judgement = Judgement::plain(Band::PullNow, ReasonCode::FanStopped, reason);
        return Judgement { score: f64::from(i8::MAX), ..judgement };
    }
    let evidence = peers::evidence(&laptop.features, kind, peers);
    let n_peers = evidence.iter().map(|(_, e)| e.n_peers).max().unwrap_or(0);
    if n_peers < MIN_PEERS {
        let reason = words::too_few_peers(peers::n_others(kind, peers));
        return Judgement::plain(Band::NoVisit, ReasonCode::CannotTell, reason);
    }
    let finding = features::likeliest(&evidence);
    let (band, reason_code) =
        finding.as_ref().map_or((Band::NoVisit, ReasonCode::NothingSeen), |f| (f.band(), f.reason_code));
    let reason_code = if band == Band::NoVisit { ReasonCode::NothingSeen } else { reason_code };
    let reason = words::reason(reason_code, finding.as_ref(), n_peers);
    let score = finding.map_or(0.0, |f| f.z);
    Judgement { band, score, reason_code, reason, evidence: evidence.into_iter().map(|(_, e)| e).collect() }
}

/// The digest of the run that a standing shows.
impl Standing {
    /// Digest of its last run.
    pub fn digest(&self) -> Digest {
        self.last.stored.digest
    }
}
