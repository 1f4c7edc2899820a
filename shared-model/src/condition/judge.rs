//! All laptops of a model: what its reference is, and each laptop's cooling condition against it.

use super::constants::{CLOGGED_BELOW, CONTACT_ABOVE, Constants, FAN_BELOW, WearConstants};
use super::fan::{self, FanEvent, FanEvidence, FanPosterior, Hypothesis};
use super::fan_map::FanReading;
use super::level::{Level, learn_and_judge};
use super::probability::calibrated;
use super::quiet::quiet;
use super::wear::{Action, Event, Posterior};
use crate::estimate::joint::RunFit;
use crate::estimate::network::{LA, LR};
use crate::estimate::network_drive::{CLOCK_EXPONENT, RunFacts, median};

/// What a run says, once fitted; all that is kept of it for judging.
#[derive(Debug, Clone, PartialEq)]
pub struct RunEvidence {
    /// Day of the run, days since any fixed zero.
    pub day: f64,
    /// Quick protocol.
    pub quick: bool,
    /// Log airflow and its standard error, the fit's prior taken out; `None` where the run says nothing.
    pub air: Option<(f64, f64)>,
    /// Log contact likewise.
    pub contact: Option<(f64, f64)>,
    /// Log airflow as fitted.
    pub raw_air: f64,
    /// Whether a tachometer was read.
    pub has_rpm: bool,
    /// Each fan against its map.
    pub fans: Vec<FanReading>,
    /// Log of the sustained power (of the clock to its exponent where power isn't read); NaN where unknown.
    pub log_power: f64,
    /// The temperature sensor stood still for a while, and the firmware's fan with it.
    pub stuck: bool,
}

/// Standard deviations of the fit's own priors on log airflow and log contact, taken out here again.
const FIT_PRIORS: [(usize, f64, f64); 2] = [(LA, -0.16, 0.35), (LR, 0.05, 0.2)];
/// A run with a larger standard error says nothing.
const SAYS_NOTHING_SD: f64 = 0.5;

impl RunEvidence {
    /// From a run's fit and facts.
    pub fn new(
        k: &Constants,
        day: f64,
        fit: &RunFit,
        facts: &RunFacts,
        fans: Vec<FanReading>,
        has_rpm: bool,
    ) -> Self {
        let odd_k = (fit.rms_k - k.odd_rms.0).max(0.0);
        let log_power = if facts.power_w.is_finite() {
            facts.power_w.max(0.1).ln()
        } else {
            CLOCK_EXPONENT * facts.clock_mhz.max(1.0).ln()
        };
        Self {
            day,
            quick: facts.quick,
            air: without_prior(fit, FIT_PRIORS[0], k.odd_rms.1 * odd_k),
            contact: without_prior(fit, FIT_PRIORS[1], k.odd_rms.2 * odd_k),
            raw_air: fit.pars[LA],
            has_rpm,
            fans,
            log_power,
            stuck: facts.sensor_stuck,
        }
    }
}

/// The estimate with the fit's prior taken out (information form); `None` where little else is left.
fn without_prior(fit: &RunFit, (at, mean, sd): (usize, f64, f64), more_sd: f64) -> Option<(f64, f64)> {
    let (with, prior) = (1.0 / (fit.sd[at] * fit.sd[at]), 1.0 / (sd * sd));
    let precision = with - prior;
    if precision < 1.0 / (SAYS_NOTHING_SD * SAYS_NOTHING_SD) {
        return None;
    }
    let value = (with * fit.pars[at] - prior * mean) / precision;
    Some((value, (1.0 / precision + more_sd * more_sd).sqrt()))
}

/// A laptop: its runs and services in time order, and the day for which it is judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Laptop {
    /// Runs.
    pub runs: Vec<RunEvidence>,
    /// Services: day and action.
    pub services: Vec<(f64, Action)>,
    /// Judged for this day.
    pub as_of: f64,
}

/// An estimate with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Median.
    pub mid: f64,
    /// 5 % quantile.
    pub low: f64,
    /// 95 % quantile.
    pub high: f64,
}

/// A laptop's cooling condition.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// P(airflow < 0.7).
    pub p_clogged: f64,
    /// P(fan factor < 0.8).
    pub p_fan: f64,
    /// P(contact > 1.8 × as-new).
    pub p_contact: f64,
    /// Airflow fraction; `None` without a fan.
    pub airflow: Option<Interval>,
    /// Fan factor; `None` where no run showed the fan.
    pub fan: Option<Interval>,
    /// Contact factor.
    pub contact: Interval,
    /// Wear of the vents, for the forecast.
    pub air_wear: Posterior,
    /// Wear of the contact, for the forecast.
    pub contact_wear: Posterior,
    /// Odds that this laptop always runs in a quiet profile.
    pub always_quiet: f64,
}

impl Condition {
    /// Probability that any of the three is due.
    pub fn p_any(&self) -> f64 {
        1.0 - (1.0 - self.p_clogged) * (1.0 - self.p_fan) * (1.0 - self.p_contact)
    }
}

/// What a model's laptops taught.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelReference {
    /// Zero level of log airflow.
    pub air: Level,
    /// Zero level of log contact.
    pub contact: Level,
    /// Constants of airflow with the scatter that this model shows.
    pub air_constants: WearConstants,
    /// Odds that the firmware holds the fan's speed.
    pub closed_loop: f64,
    /// Median log power of standard and quick runs.
    pub log_power: [f64; 2],
    /// Laptops it was learned from.
    pub laptops: usize,
}

/// Learns a model's reference and judges each of its laptops.
pub fn judge_model(k: &Constants, has_fan: bool, laptops: &[Laptop]) -> (ModelReference, Vec<Condition>) {
    let model_air = median(&laptops.iter().flat_map(|l| &l.runs).map(|r| r.raw_air).collect::<Vec<_>>());
    let air_events: Vec<_> = laptops.iter().map(|l| (air_events(k, l, model_air), l.as_of)).collect();
    let contact_events: Vec<_> = laptops.iter().map(|l| (contact_events(l), l.as_of)).collect();
    let (air_constants, air, air_posts) = learn_scatter(&k.air, &air_events);
    let (contact, contact_posts, _) = learn_and_judge(&k.contact, &contact_events);
    let log_power = power_medians(laptops);
    let fans = FanJudgement::new(k, laptops, log_power, model_air);
    let reference = ModelReference {
        air,
        contact,
        air_constants,
        closed_loop: fans.closed_loop,
        log_power,
        laptops: laptops.len(),
    };
    let conditions = air_posts
        .into_iter()
        .zip(contact_posts)
        .zip(fans.laptops)
        .zip(laptops)
        .map(|(((a, c), (f, q)), l)| condition(k, has_fan, l.runs.iter().any(|r| r.has_rpm), a, c, f, q))
        .collect();
    (reference, conditions)
}

fn condition(
    k: &Constants,
    has_fan: bool,
    has_rpm: bool,
    air: Posterior,
    contact: Posterior,
    fan: Option<FanPosterior>,
    always_quiet: f64,
) -> Condition {
    let raw_air = if has_fan { air.above(-CLOGGED_BELOW.ln()) } else { 0.0 };
    let raw_fan = fan.as_ref().map_or(0.0, |f| f.below(FAN_BELOW));
    // Without a tachometer a worn fan and dust are one: the odds are shared.
    let unseen = if has_rpm { 0.0 } else { k.fan.unseen_wear * raw_air * (1.0 - raw_fan) };
    let (raw_air, raw_fan) =
        (raw_air * (1.0 - if has_rpm { 0.0 } else { 0.5 * k.fan.unseen_wear }), raw_fan + unseen);
    Condition {
        p_clogged: if has_fan { calibrated(raw_air, k.calibration[0]) } else { 0.0 },
        p_fan: if has_fan && fan.is_some() { calibrated(raw_fan, k.calibration[1]) } else { 0.0 },
        p_contact: calibrated(p_contact(k, &contact), k.calibration[2]),
        airflow: has_fan.then(|| Interval {
            mid: (-air.quantile(0.5)).exp(),
            low: (-air.quantile(0.95)).exp(),
            high: (-air.quantile(0.05)).exp(),
        }),
        fan: fan.filter(|_| has_fan).map(|f| Interval {
            mid: f.quantile(0.5),
            low: f.quantile(0.05),
            high: f.quantile(0.95),
        }),
        contact: contact_interval(k, &contact),
        air_wear: air,
        contact_wear: contact,
        always_quiet,
    }
}

/// Three values of the paste's share of the fast resistance that stand for its uncertainty, with weights.
fn paste_shares(k: &Constants) -> [(f64, f64); 3] {
    let (mean, sd) = k.paste_share;
    // Gauss–Hermite with three points.
    let far = 3.0_f64.sqrt() * sd;
    [(mean - far, 1.0 / 6.0), (mean, 2.0 / 3.0), (mean + far, 1.0 / 6.0)]
}

fn p_contact(k: &Constants, wear: &Posterior) -> f64 {
    paste_shares(k).iter().map(|(s, w)| w * wear.above((1.0 + (CONTACT_ABOVE - 1.0) * s).ln())).sum()
}

/// Contact factors of the fast resistance's quantiles; the ends also carry the share's uncertainty.
fn contact_interval(k: &Constants, wear: &Posterior) -> Interval {
    let (share, sd) = k.paste_share;
    let factor = |q: f64, s: f64| 1.0 + (wear.quantile(q).exp() - 1.0) / s;
    let mid = factor(0.5, share);
    let widen = (mid - 1.0) * sd / share;
    let (low, high) = (factor(0.05, share), factor(0.95, share));
    Interval {
        mid,
        low: (mid - ((mid - low).powi(2) + (1.64 * widen).powi(2)).sqrt()).max(0.8),
        high: mid + ((high - mid).powi(2) + (1.64 * widen).powi(2)).sqrt(),
    }
}

/// The scatter within and between laptops that a model's own runs tell best, among the usual one and wider ones.
fn learn_scatter(c: &WearConstants, events: &[(Vec<Event>, f64)]) -> (WearConstants, Level, Vec<Posterior>) {
    let mut best: Option<(f64, WearConstants, Level, Vec<Posterior>)> = None;
    for (noise, noise_cost) in [(1.0, 0.0), (1.6, 1.0), (2.5, 2.0)] {
        for (offset, offset_cost) in [(1.0, 0.0), (1.4, 0.7), (2.0, 2.0)] {
            let mut wide = c.clone();
            wide.noise_floor *= noise;
            wide.offset_sd *= offset;
            let (level, posts, evidence) = learn_and_judge(&wide, events);
            let score = evidence - noise_cost - offset_cost;
            if best.as_ref().is_none_or(|b| score > b.0) {
                best = Some((score, wide, level, posts));
            }
        }
    }
    let (_, wide, level, posts) = best.unwrap_or_else(|| unreachable!("nine candidates"));
    (wide, level, posts)
}

fn air_events(k: &Constants, laptop: &Laptop, model_air: f64) -> Vec<Event> {
    let level = own_air_level(laptop, model_air);
    wear_events(laptop, |r| {
        if !r.has_rpm && r.raw_air.is_finite() {
            let (stands, turns) = standing(k, r.raw_air, level);
            // A standing fan's airflow says nothing of the vents.
            if stands > turns {
                return None;
            }
        }
        r.air.map(|(la, sd)| (-la, sd))
    })
}

fn contact_events(laptop: &Laptop) -> Vec<Event> {
    wear_events(laptop, |r| r.contact)
}

fn wear_events(laptop: &Laptop, read: impl Fn(&RunEvidence) -> Option<(f64, f64)>) -> Vec<Event> {
    let mut events: Vec<Event> =
        laptop.services.iter().map(|&(day, action)| Event::Serviced { day, action }).collect();
    events.extend(
        laptop
            .runs
            .iter()
            .filter_map(|r| read(r).map(|(value, sd)| Event::Seen { day: r.day, value, sd, quick: r.quick })),
    );
    events.retain(|e| e.day() <= laptop.as_of);
    events.sort_by(|a, b| a.day().total_cmp(&b.day()));
    events
}

/// A laptop's own usual log airflow, not too far below the model's.
fn own_air_level(laptop: &Laptop, model_air: f64) -> f64 {
    let own = median(&laptop.runs.iter().map(|r| r.raw_air).collect::<Vec<_>>());
    if own.is_finite() { own.max(model_air - 0.5) } else { model_air }
}

/// How likely a run's log airflow is with a standing and a turning fan, where no tachometer tells.
fn standing(k: &Constants, raw_air: f64, level: f64) -> (f64, f64) {
    let bell = |x: f64, sd: f64| 0.3989 * (-0.5 * (x / sd).powi(2)).exp() / sd;
    let below = level - raw_air;
    let z = below / k.fan.turning_sd;
    let core = 0.375 / k.fan.turning_sd / (1.0 + 0.25 * z * z).powf(2.5);
    let bedding = if below > 0.0 { (-below / 0.6).exp() / 0.6 } else { 0.0 };
    (bell(raw_air - k.fan.standing.0, k.fan.standing.1), 0.965 * core + 0.035 * bedding)
}

fn power_medians(laptops: &[Laptop]) -> [f64; 2] {
    [false, true].map(|quick| {
        let per_laptop: Vec<f64> = laptops
            .iter()
            .map(|l| {
                median(&l.runs.iter().filter(|r| r.quick == quick).map(|r| r.log_power).collect::<Vec<_>>())
            })
            .collect();
        median(&per_laptop)
    })
}

struct FanJudgement {
    closed_loop: f64,
    laptops: Vec<(Option<FanPosterior>, f64)>,
}

/// A laptop's filters: for each way in which the firmware may drive the fan, usually and always quiet, each with its
/// log evidence.
type ByLoop = Vec<[(f64, FanPosterior); 2]>;

/// The most that one laptop can say for or against a loop, nats: one odd fan must not decide for a model.
const LOOP_EVIDENCE_MAX: f64 = 4.0;

impl FanJudgement {
    /// Filters every laptop under each hypothesis and lets the model's summed evidence choose between the loops.
    fn new(k: &Constants, laptops: &[Laptop], log_power: [f64; 2], model_air: f64) -> Self {
        let loops: Vec<Option<f64>> = std::iter::once(None).chain(k.fan.headrooms.map(Some)).collect();
        let filtered: Vec<ByLoop> = laptops
            .iter()
            .map(|l| {
                let (events, quiet_log) = fan_events(k, l, log_power, model_air);
                loops
                    .iter()
                    .map(|&headroom| {
                        [false, true].map(|always_quiet| {
                            let post =
                                fan::filter(&k.fan, &events, l.as_of, Hypothesis { headroom, always_quiet });
                            (post.log_evidence + quiet_log[usize::from(always_quiet)], post)
                        })
                    })
                    .collect()
            })
            .collect();
        let odds = loop_odds(k, &filtered);
        let laptops = filtered
            .into_iter()
            .zip(laptops)
            .map(|(f, l)| mix(f, &odds, l.runs.iter().any(|r| !r.fans.is_empty() || !r.has_rpm)))
            .collect();
        Self { closed_loop: 1.0 - odds[0], laptops }
    }
}

/// Posterior of each way to drive the fan.
fn loop_odds(k: &Constants, filtered: &[ByLoop]) -> Vec<f64> {
    let closed_each = k.fan.closed_prior / k.fan.headrooms.len() as f64;
    let mut log = vec![closed_each.ln(); 1 + k.fan.headrooms.len()];
    log[0] = (1.0 - k.fan.closed_prior).ln();
    for f in filtered {
        let open = log_sum(&f[0]);
        for (l, h) in log.iter_mut().zip(f) {
            *l += (log_sum(h) - open).clamp(-LOOP_EVIDENCE_MAX, LOOP_EVIDENCE_MAX);
        }
    }
    let top = log.iter().copied().fold(f64::MIN, f64::max);
    let sum: f64 = log.iter().map(|l| (l - top).exp()).sum();
    log.iter().map(|l| (l - top).exp() / sum).collect()
}

fn log_sum(parts: &[(f64, FanPosterior)]) -> f64 {
    let top = parts.iter().map(|p| p.0).fold(f64::MIN, f64::max);
    top + parts.iter().map(|p| (p.0 - top).exp()).sum::<f64>().ln()
}

fn mix(f: ByLoop, odds: &[f64], shown: bool) -> (Option<FanPosterior>, f64) {
    let mut parts = Vec::with_capacity(2 * odds.len());
    let mut quiet_share = 0.0;
    for (hypothesis, odds) in f.into_iter().zip(odds) {
        let sum = log_sum(&hypothesis);
        for (always_quiet, (log, post)) in hypothesis.into_iter().enumerate() {
            let w = odds * (log - sum).exp() + 1e-12;
            quiet_share += w * always_quiet as f64;
            parts.push((w, post));
        }
    }
    (shown.then(|| FanPosterior::mixture(&parts)), quiet_share)
}

/// A laptop's fan events and what its power says of the quiet profile (log odds included).
fn fan_events(
    k: &Constants,
    laptop: &Laptop,
    log_power: [f64; 2],
    model_air: f64,
) -> (Vec<FanEvent>, [f64; 2]) {
    let deviations: Vec<f64> =
        laptop.runs.iter().map(|r| r.log_power - log_power[usize::from(r.quick)]).collect();
    let q = quiet(&k.fan, &deviations, k.fan.quiet_step);
    let level = own_air_level(laptop, model_air);
    let mut events: Vec<FanEvent> =
        laptop.services.iter().map(|&(day, action)| FanEvent::Serviced { day, action }).collect();
    for (r, &quiet) in laptop.runs.iter().zip(&q.runs) {
        let evidence = if !r.has_rpm {
            if r.stuck || !r.raw_air.is_finite() {
                continue;
            }
            let (stands, turns) = standing(k, r.raw_air, level);
            FanEvidence::Standing { stands, turns }
        } else if let (false, Some(f)) = (r.stuck, worst(&r.fans)) {
            FanEvidence::Ratio { ratio: f.ratio, due_share: f.due_share, spread: f.spread, quiet }
        } else {
            continue;
        };
        events.push(FanEvent::Seen { day: r.day, evidence });
    }
    events.retain(|e| e.day() <= laptop.as_of);
    events.sort_by(|a, b| a.day().total_cmp(&b.day()));
    let always = k.fan.always_quiet;
    (events, [q.log_evidence[0] + (1.0 - always).ln(), q.log_evidence[1] + always.ln()])
}

fn worst(fans: &[FanReading]) -> Option<&FanReading> {
    fans.iter().min_by(|a, b| a.ratio.total_cmp(&b.ratio))
}
