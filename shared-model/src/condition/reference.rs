//! What a model's laptops teach together: levels, scatter, how the fan is driven, peers' bands, common events.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::constants::{Constants, PasteShare, WearConstants};
use super::events::{self, ModelEvent};
use super::evidence::RunEvidence;
use super::fan::{FanFilter, FanLoop, FanPosterior};
use super::fan_scatter::FanScatter;
use super::laptop::{Common, FanHistory, Laptop, air_history, contact_history, fan_history};
use super::level::{self, History, Level, LevelShare};
use super::peers::PeerBands;
use crate::estimate::network_drive::median;
use crate::estimate::workers::Workers;

/// Most laptops that a reference is learned from; beyond, more add nothing to the levels' precision, which the
/// spread between laptops bounds. Taken by a hash of their names, so that the choice is the same every time.
pub const LAPTOPS_MAX: usize = 400;
/// Most of these from which the scatter is chosen, which costs several passes.
const SCATTER_LAPTOPS_MAX: usize = 64;

/// What a model's laptops taught.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModelReference {
    /// Zero level of log airflow.
    pub air: Level,
    /// Zero level of log contact.
    pub contact: Level,
    /// Scatter of log airflow that this model shows: within a laptop from run to run, and between laptops.
    pub air_scatter: (f64, f64),
    /// Gain of log airflow: [`WearConstants::gain`], or what stands for it without power.
    pub air_gain: f64,
    /// Scatter of the fan's speed that this model shows.
    pub fan_scatter: FanScatter,
    /// Odds of each way in which the firmware may drive the fan: open loop, then closed with each headroom, first with
    /// units that are held alike, then with such as the map shows.
    pub loop_odds: Vec<f64>,
    /// Median log power of standard and quick runs.
    #[serde(with = "super::nan::pair")]
    pub log_power: [f64; 2],
    /// Stumbles a second of a sound fan.
    pub stumbles_per_s: f64,
    /// Median log airflow as fitted.
    #[serde(with = "super::nan")]
    pub model_air: f64,
    /// What is usual among its laptops, for showing.
    pub peers: PeerBands,
    /// Share of paste and mounting in the fast resistance.
    pub paste_share: PasteShare,
    /// What moved all its laptops together.
    pub events: Vec<ModelEvent>,
    /// Laptops and runs that it was learned from.
    pub laptops: usize,
    /// As above, runs.
    pub runs: usize,
    /// What each of these laptops said, to be taken out where it is judged itself.
    pub shares: BTreeMap<String, Share>,
}

/// What one laptop said when the reference was learned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Share {
    /// Of the level of log airflow.
    pub air: LevelShare,
    /// Of the level of log contact.
    pub contact: LevelShare,
}

impl ModelReference {
    /// Learns from laptops, or a bounded sample of them.
    pub fn learn(k: &Constants, laptops: &[Laptop], workers: &impl Workers) -> Self {
        let taken = sample(laptops);
        let events = events::detect(&taken);
        let seen: Vec<Vec<RunEvidence>> = taken.iter().map(|l| l.seen(&events)).collect();
        let all: Vec<f64> = seen.iter().flatten().map(|r| r.raw_air).collect();
        let common = Common {
            model_air: median(&all),
            log_power: power_medians(&seen),
            stumbles_per_s: usual_stumbles_per_s(&seen),
        };
        let air: Vec<History> = taken.iter().zip(&seen).map(|(l, s)| air_history(k, l, s, common)).collect();
        let contact: Vec<History> =
            taken.iter().zip(&seen).map(|(l, s)| contact_history(k, l, s, common)).collect();
        let mut usual = k.air.clone();
        if !taken.iter().any(|l| l.has_rpm()) {
            (usual.noise_floor, usual.offset_sd) = k.air_scatter_without_rpm;
        }
        let has_power = seen.iter().flatten().filter(|r| r.air.is_some()).all(|r| r.has_power);
        usual.gain = k.air_gain_of(has_power);
        let air_constants = learn_scatter(&usual, &air[..air.len().min(SCATTER_LAPTOPS_MAX)], workers);
        let air = level::learn(&air_constants, &air, workers);
        let contact = level::learn(&k.contact, &contact, workers);
        let fans: Vec<FanHistory> =
            taken.iter().zip(&seen).map(|(l, s)| fan_history(k, l, s, common)).collect();
        let fan_scatter = FanScatter::learn(&k.fan, &seen);
        let shares = air.shares.into_iter().zip(contact.shares).map(|(air, contact)| Share { air, contact });
        Self {
            air: air.level,
            contact: contact.level,
            air_scatter: (air_constants.noise_floor, air_constants.offset_sd),
            air_gain: air_constants.gain,
            fan_scatter,
            loop_odds: loop_odds(k, fan_scatter, &fans, workers),
            log_power: common.log_power,
            stumbles_per_s: common.stumbles_per_s,
            model_air: common.model_air,
            peers: PeerBands::learn(&seen),
            paste_share: k.paste_share.usual,
            events,
            laptops: taken.len(),
            runs: seen.iter().map(Vec::len).sum(),
            shares: taken.iter().map(|l| l.device.clone()).zip(shares).collect(),
        }
    }

    /// The constants of airflow with this model's scatter and gain.
    pub fn air_constants(&self, k: &Constants) -> WearConstants {
        let mut c = k.air.clone();
        (c.noise_floor, c.offset_sd) = self.air_scatter;
        c.gain = self.air_gain;
        c
    }

    /// Whether its numbers are such as judging counts on; for one that came from outside.
    pub(super) fn is_sound(&self, k: &Constants) -> bool {
        let odds = &self.loop_odds;
        let is_odds = odds.len() == loops(k, self.fan_scatter).len()
            && odds.iter().all(|odds| (0.0..=1.0).contains(odds));
        let is_positive = |v: f64| v.is_finite() && v > 0.0;
        is_odds
            && (odds.iter().sum::<f64>() - 1.0).abs() < 1e-6
            && is_positive(self.air_scatter.0)
            && is_positive(self.air_scatter.1)
            && is_positive(self.air_gain)
            && is_positive(self.paste_share.mean)
            && is_positive(self.paste_share.sd)
            && is_positive(self.fan_scatter.mid)
            && is_positive(self.fan_scatter.run_sd)
            && is_positive(self.fan_scatter.unit_sd)
            && self.stumbles_per_s.is_finite()
            && self.stumbles_per_s >= 0.0
    }

    /// Odds that the firmware holds the fan's speed.
    pub fn closed_loop(&self) -> f64 {
        1.0 - self.loop_odds.first().copied().unwrap_or(1.0)
    }

    pub(super) fn common(&self) -> Common {
        let Self { model_air, log_power, stumbles_per_s, .. } = *self;
        Common { model_air, log_power, stumbles_per_s }
    }
}

/// At most [`LAPTOPS_MAX`] laptops, in the order of their names' hashes: the same ones in the same order, however the
/// caller's are ordered.
fn sample(laptops: &[Laptop]) -> Vec<&Laptop> {
    let mut taken: Vec<&Laptop> = laptops.iter().collect();
    taken.sort_by_cached_key(|l| (name_hash(&l.device), l.device.clone()));
    taken.truncate(LAPTOPS_MAX);
    taken
}

/// FNV-1a, 64 bit (draft-eastlake-fnv): spreads names evenly and never changes.
fn name_hash(name: &str) -> u64 {
    name.bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3))
}

/// The scatter within and between laptops that a model's own runs tell best, among the usual one and wider ones.
fn learn_scatter(c: &WearConstants, histories: &[History], workers: &impl Workers) -> WearConstants {
    [(1.0, 0.0), (1.6, 1.0), (2.5, 2.0)]
        .into_iter()
        .filter_map(|(noise, noise_cost)| {
            let candidates = [(1.0, 0.0), (1.4, 0.7), (2.0, 2.0)].map(|(offset, offset_cost)| {
                let mut wide = c.clone();
                wide.noise_floor *= noise;
                wide.offset_sd *= offset;
                (wide, noise_cost + offset_cost)
            });
            level::learn_best_spread(&candidates, histories, workers)
        })
        .fold(None, |best: Option<(f64, WearConstants)>, next| match best {
            Some(b) if b.0 >= next.0 => Some(b),
            _ => Some(next),
        })
        .map_or_else(|| c.clone(), |(_, c)| c)
}

fn power_medians(seen: &[Vec<RunEvidence>]) -> [f64; 2] {
    [false, true].map(|quick| {
        let per_laptop: Vec<f64> = seen
            .iter()
            .map(|runs| {
                median(&runs.iter().filter(|r| r.quick == quick).map(|r| r.log_power).collect::<Vec<_>>())
            })
            .collect();
        median(&per_laptop)
    })
}

/// Laptops whose fans never stumble that are thought to stand beside a model's own: one worn fan in a small group must
/// not pass for what is usual.
const SOUND_BESIDE: usize = 4;

/// How often the fans of a model stumble that are sound: the median over its laptops. Where a fan's speed breaks in for
/// another reason than wear, or is read so, most of them do.
fn usual_stumbles_per_s(seen: &[Vec<RunEvidence>]) -> f64 {
    let of_laptop = |runs: &Vec<RunEvidence>| {
        let stumbles = runs.iter().filter_map(|r| r.stumbles);
        let (count, watched_s) =
            stumbles.fold((0.0, 0.0), |sum, s| (sum.0 + f64::from(s.count), sum.1 + s.watched_s));
        (watched_s > 0.0).then(|| count / watched_s)
    };
    let mut rates: Vec<f64> = seen.iter().filter_map(of_laptop).collect();
    rates.extend([0.0; SOUND_BESIDE]);
    median(&rates)
}

/// The most that one laptop can say for or against a loop, nats: one odd fan must not decide for a model.
const LOOP_EVIDENCE_MAX: f64 = 4.0;

/// The ways in which a firmware may drive the fan, with the prior odds of each.
pub(super) fn loops(k: &Constants, scatter: FanScatter) -> Vec<(FanLoop, f64)> {
    let (alike, unlike) = k.fan.closed_prior;
    let closed = |held_sd: f64, prior: f64| {
        let each = prior / k.fan.headrooms.len() as f64;
        k.fan.headrooms.map(|headroom| (FanLoop::Closed { headroom, held_sd }, each))
    };
    std::iter::once((FanLoop::Open, 1.0 - alike - unlike))
        .chain(closed(k.fan.held_sd, alike))
        .chain(closed(scatter.unit_sd, unlike))
        .collect()
}

/// Posterior of each way to drive the fan.
fn loop_odds(k: &Constants, scatter: FanScatter, fans: &[FanHistory], workers: &impl Workers) -> Vec<f64> {
    let loops = loops(k, scatter);
    let mut log: Vec<f64> = loops.iter().map(|(_, prior)| prior.ln()).collect();
    let said = workers.map(fans.len(), |i| {
        let filter = FanFilter::new(&k.fan, scatter, &fans[i].events, fans[i].until);
        let said = |(driven, _): &(FanLoop, f64)| log_sum(&both_quiet(&filter, &fans[i], *driven));
        loops.iter().map(said).collect::<Vec<f64>>()
    });
    for s in said {
        for (l, h) in log.iter_mut().zip(&s) {
            *l += (h - s[0]).clamp(-LOOP_EVIDENCE_MAX, LOOP_EVIDENCE_MAX);
        }
    }
    let top = log.iter().copied().fold(f64::MIN, f64::max);
    let sum: f64 = log.iter().map(|l| (l - top).exp()).sum();
    log.iter().map(|l| (l - top).exp() / sum).collect()
}

/// A laptop's fan filtered as usually and as always quiet, each with its log evidence.
pub(super) fn both_quiet(
    filter: &FanFilter<'_>,
    h: &FanHistory,
    driven: FanLoop,
) -> [(f64, FanPosterior); 2] {
    let mut logs = h.quiet_log.into_iter();
    filter.run(driven).map(|post| (post.log_evidence + logs.next().unwrap_or(f64::MIN), post))
}

pub(super) fn log_sum(parts: &[(f64, FanPosterior)]) -> f64 {
    let top = parts.iter().map(|p| p.0).fold(f64::MIN, f64::max);
    top + parts.iter().map(|p| (p.0 - top).exp()).sum::<f64>().ln()
}
