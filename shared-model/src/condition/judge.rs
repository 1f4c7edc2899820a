//! A laptop's cooling condition against its model's standing reference.
//!
//! A pure function of the reference and of what is stored of the laptop. A new run changes its laptop's condition
//! alone; judging everything again against the same reference gives the same digits.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::constants::{CLOGGED_BELOW, CONTACT_ABOVE, Constants, FAN_BELOW, PasteShare};
use super::doubt::{self, CannotTell};
use super::fan::{FanFilter, FanPosterior};
use super::forecast::{Forecast, forecast};
use super::laptop::{FanHistory, Laptop, air_history, contact_history, fan_history};
use super::level::{self, OffsetPrior};
use super::probability::calibrated;
use super::reference::{ModelReference, both_quiet, log_sum, loops};
use super::site::{Classes, NO_SITE};
use super::wear::{Posterior, WearFilter, Weights};
use crate::estimate::stumbles::Stumbles;
use crate::estimate::workers::Workers;

/// An estimate with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Median.
    pub mid: f64,
    /// 5 % quantile.
    pub low: f64,
    /// 95 % quantile.
    pub high: f64,
}

/// A laptop's cooling condition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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
    /// When the airflow falls below 0.7; `None` if not within two years.
    pub clogged_on: Option<Forecast>,
    /// When the contact rises above 1.8 × as-new; `None` if not within two years.
    pub contact_on: Option<Forecast>,
    /// Odds that this laptop always runs in a quiet profile.
    pub always_quiet: f64,
    /// How often the fan stumbled in the last run that watched it turn.
    #[serde(default)]
    pub stumbles: Stumbles,
    /// What the runs don't say, with the cheapest next step.
    pub cannot_tell: Vec<CannotTell>,
}

impl Condition {
    /// Probability that any of the three is due.
    pub fn p_any(&self) -> f64 {
        1.0 - (1.0 - self.p_clogged) * (1.0 - self.p_fan) * (1.0 - self.p_contact)
    }
}

/// Learns a model's reference and judges each of its laptops.
pub fn judge_model(
    k: &Constants,
    has_fan: bool,
    laptops: &[Laptop],
    workers: &impl Workers,
) -> (ModelReference, Vec<Condition>) {
    let reference = ModelReference::learn(k, laptops, workers);
    let judge = Judge::new(k, has_fan, &reference);
    let conditions = workers.map(laptops.len(), |i| judge.laptop(&laptops[i]));
    (reference, conditions)
}

/// Judges laptops of one model: what they share is worked out once.
#[derive(Debug, Clone)]
pub struct Judge<'a> {
    k: &'a Constants,
    has_fan: bool,
    pub(super) reference: &'a ModelReference,
    air: WearFilter,
    contact: WearFilter,
    /// Offsets of a laptop from which the reference wasn't learned.
    air_prior: OffsetPrior,
    contact_prior: OffsetPrior,
}

/// A laptop judged but for what its site says of its vents: everything that doesn't depend on that is settled.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    air: Weights,
    /// P(fan factor < 0.8), dust that may hide it left out.
    raw_fan: f64,
    fan: Option<Interval>,
    p_contact: f64,
    contact: Interval,
    contact_on: Option<Forecast>,
    always_quiet: f64,
}

/// 95 % quantile of the Gaussian.
const Z95: f64 = 1.645;
/// A way to drive the fan that is less likely than this isn't followed up.
const LOOP_ODDS_MIN: f64 = 1e-6;

impl<'a> Judge<'a> {
    /// For laptops of the model that `reference` was learned from.
    pub fn new(k: &'a Constants, has_fan: bool, reference: &'a ModelReference) -> Self {
        let air = reference.air_constants(k);
        let air_prior = reference.air.offset_prior(&air, None);
        let contact_prior = reference.contact.offset_prior(&k.contact, None);
        let (air, contact) = (WearFilter::new(air), WearFilter::new(k.contact.clone()));
        Self { k, has_fan, reference, air, contact, air_prior, contact_prior }
    }

    /// A laptop's condition, whatever its site.
    pub fn laptop(&self, laptop: &Laptop) -> Condition {
        self.laptop_at(laptop, &NO_SITE)
    }

    /// A laptop's condition, given its site's factors on the rate classes of its vents ([`super::site`]).
    pub fn laptop_at(&self, laptop: &Laptop, site: &Classes) -> Condition {
        self.at_site(laptop, &self.weigh(laptop), site)
    }

    /// A laptop judged but for what its site says of its vents.
    pub fn weigh(&self, laptop: &Laptop) -> Weighed {
        let (k, reference) = (self.k, self.reference);
        let runs = laptop.seen(&reference.events);
        // What the laptop itself said of the levels is taken out again.
        let own = reference.shares.get(&laptop.device);
        let air_prior = own.map_or(Cow::Borrowed(&self.air_prior), |own| {
            Cow::Owned(reference.air.offset_prior(self.air.constants(), Some(&own.air)))
        });
        let contact_prior = own.map_or(Cow::Borrowed(&self.contact_prior), |own| {
            Cow::Owned(reference.contact.offset_prior(&k.contact, Some(&own.contact)))
        });
        let air = level::judge(&self.air, &air_prior, &air_history(k, laptop, &runs, reference.common()));
        let contact = level::judge(
            &self.contact,
            &contact_prior,
            &contact_history(k, laptop, &runs, reference.common()),
        )
        .posterior(&k.contact, &NO_SITE);
        let share = reference.paste_share;
        let (fan, always_quiet) = self.fan(&fan_history(k, laptop, &runs, reference.common()));
        let fan = (self.has_fan && laptop.shows_fan()).then_some(fan);
        Weighed {
            air,
            raw_fan: fan.as_ref().map_or(0.0, |f| f.below(FAN_BELOW)),
            fan: fan.map(|f| Interval {
                mid: f.quantile(0.5),
                low: f.quantile(0.05),
                high: f.quantile(0.95),
            }),
            p_contact: calibrated(p_contact(share, &contact), k.calibration[2]),
            contact: contact_interval(share, &contact),
            contact_on: forecast(&k.contact, &contact, contact_limit(share.mean), laptop.as_of),
            always_quiet,
        }
    }

    /// What a laptop says of its site. One without a fan says nothing.
    pub fn classes(&self, weighed: &Weighed) -> Classes {
        if self.has_fan { weighed.air.classes() } else { self.air.constants().rates.map(|(share, _)| share) }
    }

    /// The condition of a laptop that was weighed.
    pub fn at_site(&self, laptop: &Laptop, weighed: &Weighed, site: &Classes) -> Condition {
        let (k, has_fan, has_rpm) = (self.k, self.has_fan, laptop.has_rpm());
        let air = weighed.air.posterior(self.air.constants(), site);
        let gain_sd = k.air_gain_sd_of(has_rpm);
        let raw_air = if has_fan { p_clogged(&air, gain_sd) } else { 0.0 };
        // Without a tachometer a worn fan and dust are one: the odds are shared.
        let unseen = if has_rpm { 0.0 } else { k.fan.unseen_wear * raw_air };
        let (raw_air, raw_fan) = (raw_air - unseen, weighed.raw_fan + unseen * (1.0 - weighed.raw_fan));
        let mut out = Condition {
            p_clogged: if has_fan { calibrated(raw_air, k.calibration[0]) } else { 0.0 },
            p_fan: if weighed.fan.is_some() { calibrated(raw_fan, k.calibration[1]) } else { 0.0 },
            p_contact: weighed.p_contact,
            airflow: has_fan.then(|| airflow_interval(&air, gain_sd)),
            fan: weighed.fan,
            contact: weighed.contact,
            clogged_on: if has_fan {
                forecast(self.air.constants(), &air, -CLOGGED_BELOW.ln(), laptop.as_of)
            } else {
                None
            },
            contact_on: weighed.contact_on,
            always_quiet: weighed.always_quiet,
            stumbles: laptop.last_stumbles(),
            cannot_tell: Vec::new(),
        };
        out.cannot_tell = doubt::cannot_tell(has_fan, &laptop.seen(&self.reference.events), &out);
        out
    }

    /// The fan's posterior over every likely way to drive it, and the odds that the laptop is always quiet.
    fn fan(&self, history: &FanHistory) -> (FanPosterior, f64) {
        let scatter = self.reference.fan_scatter;
        let filter = FanFilter::new(&self.k.fan, scatter, &history.events, history.until);
        let mut parts = Vec::new();
        let (mut quiet_share, mut all) = (0.0, 0.0);
        for ((driven, _), odds) in loops(self.k, scatter).into_iter().zip(&self.reference.loop_odds) {
            if *odds < LOOP_ODDS_MIN {
                continue;
            }
            let both = both_quiet(&filter, history, driven);
            let sum = log_sum(&both);
            for (always_quiet, (log, post)) in both.into_iter().enumerate() {
                let w = odds * (log - sum).exp() + 1e-12;
                quiet_share += w * always_quiet as f64;
                all += w;
                parts.push((w, post));
            }
        }
        (FanPosterior::mixture(&parts), quiet_share / all)
    }
}

/// Gauss–Hermite with three points: standard deviations from the mean, with weights.
const THREE_POINTS: [(f64, f64); 3] = [(-1.732, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732, 1.0 / 6.0)];

/// P(airflow < 0.7). What a model's gain leaves open moves the limit.
fn p_clogged(air: &Posterior, gain_sd: f64) -> f64 {
    THREE_POINTS.iter().map(|(z, w)| w * air.above(-CLOGGED_BELOW.ln() * (z * gain_sd).exp())).sum()
}

pub(super) fn airflow_interval(air: &Posterior, gain_sd: f64) -> Interval {
    let [low, mid, high] = [0.05, 0.5, 0.95].map(|q| air.quantile(q));
    let widen = Z95 * gain_sd * mid;
    Interval {
        mid: (-mid).exp(),
        low: (-(mid + (high - mid).hypot(widen))).exp(),
        high: (-(mid - (mid - low).hypot(widen)).max(0.0)).exp(),
    }
}

/// Three values of the paste's share of the fast resistance that stand for its uncertainty, with weights.
fn paste_shares(share: PasteShare) -> [(f64, f64); 3] {
    THREE_POINTS.map(|(z, w)| (share.mean + z * share.sd, w))
}

/// Log of the fast resistance over as-new at which contact counts as due, for a share of the paste in it.
fn contact_limit(share: f64) -> f64 {
    (1.0 + (CONTACT_ABOVE - 1.0) * share).ln()
}

fn p_contact(share: PasteShare, wear: &Posterior) -> f64 {
    paste_shares(share).iter().map(|&(s, w)| w * wear.above(contact_limit(s))).sum()
}

/// Paste and mounting against as-new, from the whole fast resistance over its as-new value.
pub(super) fn contact_factor(share: PasteShare, resistance: f64) -> f64 {
    1.0 + (resistance - 1.0) / share.mean
}

/// Contact factors of the fast resistance's quantiles; the ends also carry the share's uncertainty.
pub(super) fn contact_interval(share: PasteShare, wear: &Posterior) -> Interval {
    let [low, mid, high] = [0.05, 0.5, 0.95].map(|q| contact_factor(share, wear.quantile(q).exp()));
    let widen = (mid - 1.0) * share.sd / share.mean;
    Interval {
        mid,
        low: (mid - ((mid - low).powi(2) + (1.64 * widen).powi(2)).sqrt()).max(0.8),
        high: mid + ((high - mid).powi(2) + (1.64 * widen).powi(2)).sqrt(),
    }
}
