//! What a reason rests on: the condition's number with its interval, and the run's plain metrics beside the peers' range.

use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::condition::judge::Interval;

use super::figures::Figure;
use super::peers::{Ranges, known};
use super::rule::{Case, Decided, fan_stood_at_c, left_open};
use super::{Fault, ReasonCode};

/// Pieces of evidence that a reason names.
const MAX_PIECES: usize = 3;

/// Where the others of the model lie.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct PeerRange {
    /// How many laptops, this one included.
    pub n_laptops: usize,
    /// One in ten lies below.
    pub low: f64,
    /// Half lie below.
    pub median: f64,
    /// One in ten lies above.
    pub high: f64,
}

/// One piece of evidence.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Evidence {
    /// What; the name ends in its unit, or is a ratio to as-new.
    pub metric: &'static str,
    /// This laptop's value.
    pub value: f64,
    /// 5 % quantile, where the value is an estimate over all runs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// 95 % quantile.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// The others of its model, for a plain metric of the last run.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub peers: Option<PeerRange>,
}

/// Metrics that evidence may name.
pub(super) const METRICS: [(&str, Figure); 8] = [
    ("g_air_w_per_k", Figure::GAirWPerK),
    ("recovery_slow_half_s", Figure::RecoverySlowHalfS),
    ("fan_max_rpm", Figure::FanMaxRpm),
    ("fan_gain_rpm_per_k", Figure::FanGainRpmPerK),
    ("fan_delay_s", Figure::FanDelayS),
    ("r_contact_k_per_w", Figure::RContactKPerW),
    ("rise_rate_early_k_per_s", Figure::RiseRateEarlyKPerS),
    ("throttled_load_share", Figure::ThrottledLoadShare),
];

/// Which metrics speak for a fault, and whether it makes them larger (+1) or smaller (−1).
const SIGNS: [(ReasonCode, &[(&str, f64)]); 4] = [
    (
        ReasonCode::Clogged,
        &[("g_air_w_per_k", -1.0), ("recovery_slow_half_s", 1.0), ("throttled_load_share", 1.0)],
    ),
    (ReasonCode::FanWeak, &[("fan_max_rpm", -1.0), ("fan_gain_rpm_per_k", -1.0), ("fan_delay_s", 1.0)]),
    (ReasonCode::FanStopped, &[("fan_max_rpm", -1.0), ("throttled_load_share", 1.0)]),
    (
        ReasonCode::Contact,
        &[("r_contact_k_per_w", 1.0), ("rise_rate_early_k_per_s", 1.0), ("throttled_load_share", 1.0)],
    ),
];

/// The evidence for what was decided, strongest first.
pub(super) fn evidence(case: &Case<'_>, decided: &Decided, peers: &Ranges) -> Vec<Evidence> {
    let mut pieces = estimates(case, decided);
    let signs = SIGNS.iter().find(|(code, _)| *code == decided.reason_code).map_or(&[][..], |(_, s)| s);
    let mut plain: Vec<(f64, Evidence)> = Vec::new();
    for (metric, value) in case.last.figures.iter().flat_map(known) {
        let Some((_, towards)) = signs.iter().find(|(name, _)| *name == metric) else { continue };
        let Some(range) = peers.of(case.last, metric) else { continue };
        let off = towards * deviation(value, &range);
        if off > 0.0 {
            plain.push((off, Evidence { metric, value, low: None, high: None, peers: Some(range) }));
        }
    }
    plain.sort_by(|a, b| b.0.total_cmp(&a.0));
    pieces.extend(plain.into_iter().map(|(_, e)| e));
    pieces.truncate(MAX_PIECES);
    pieces.shrink_to_fit();
    pieces
}

/// Deviation from the others' median, in half widths of their range.
fn deviation(value: f64, range: &PeerRange) -> f64 {
    let half_width = (range.high - range.low).abs() / 2.0;
    (value - range.median) / half_width.max(1e-3 * range.median.abs()).max(f64::MIN_POSITIVE)
}

/// The numbers that the reason is about: those of one part, or where it names none, all.
fn estimates(case: &Case<'_>, decided: &Decided) -> Vec<Evidence> {
    let about: &[Fault] = match decided.reason_code {
        ReasonCode::FanStopped => {
            let stood = fan_stood_at_c(case.last);
            let piece =
                |value| Evidence { metric: "fan_stood_at_c", value, low: None, high: None, peers: None };
            return stood.map(piece).into_iter().collect();
        }
        ReasonCode::Clogged => &[Fault::Clogged],
        ReasonCode::FanWeak => {
            return estimate(case, Fault::Fan).into_iter().chain(stumbles(case)).collect();
        }
        ReasonCode::Contact => &[Fault::Contact],
        ReasonCode::CannotTell => {
            let open = case.conditioned.and_then(|c| left_open(&c.condition));
            return open.and_then(|(_, open)| estimate(case, open.part.into())).into_iter().collect();
        }
        ReasonCode::ForecastPassed => {
            return decided.forecast.and_then(|f| estimate(case, f.fault)).into_iter().collect();
        }
        ReasonCode::NothingSeen | ReasonCode::TooOld => &Fault::ALL,
        ReasonCode::NoGoodRun | ReasonCode::NotCheckedSinceService => &[],
    };
    about.iter().filter_map(|&fault| estimate(case, fault)).collect()
}

/// How often the fan stumbled in the last run that watched it, where it did.
fn stumbles(case: &Case<'_>) -> Option<Evidence> {
    let count = case.conditioned?.condition.stumbles.count;
    let piece =
        Evidence { metric: "fan_stumbles", value: f64::from(count), low: None, high: None, peers: None };
    (count > 0).then_some(piece)
}

/// A part's number over all runs, where these tell it.
fn estimate(case: &Case<'_>, fault: Fault) -> Option<Evidence> {
    let condition = &case.conditioned?.condition;
    let (metric, number): (_, Option<Interval>) = match fault {
        Fault::Clogged => ("airflow_fraction", condition.airflow),
        Fault::Fan => ("fan_factor", condition.fan),
        Fault::Contact => ("contact_factor", Some(condition.contact)),
    };
    let i = number?;
    Some(Evidence { metric, value: i.mid, low: Some(i.low), high: Some(i.high), peers: None })
}
