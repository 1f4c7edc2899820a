//! The others of a kind, and how far a laptop is off from them.

use std::collections::BTreeMap;

use super::features::{FEATURES, Feature, Value};
use super::{Evidence, Kind, Laptop};

/// How many laptops the prior spread weighs as much as: a small group's own spread says little.
const PRIOR_WEIGHT: f64 = 4.0;
/// From the median absolute deviation to a standard deviation of a normal distribution: 1 / 0.6745
/// (Iglewicz and Hoaglin 1993).
const MAD_TO_SD: f64 = 1.4826;
/// Largest kind in which each laptop is left out of its own comparison.
const LEAVE_ONE_OUT_UP_TO: usize = 100;
/// Variance of a median of normal values over that of their mean: π/2.
const MEDIAN_VARIANCE: f64 = std::f64::consts::FRAC_PI_2;

/// The values of each feature among the laptops of each kind.
pub(super) struct ByKind {
    values: BTreeMap<(Kind, Feature), Values>,
    n_laptops: BTreeMap<Kind, usize>,
}

pub(super) fn by_kind(laptops: &[Laptop<'_>]) -> ByKind {
    let mut values: BTreeMap<(Kind, Feature), Vec<f64>> = BTreeMap::new();
    let mut n_laptops: BTreeMap<Kind, usize> = BTreeMap::new();
    for laptop in laptops {
        let Some((kind, _)) = &laptop.judged else { continue };
        *n_laptops.entry(kind.clone()).or_default() += 1;
        for (&feature, value) in &laptop.features {
            values.entry((kind.clone(), feature)).or_default().push(value.ln);
        }
    }
    let values = values.into_iter().map(|(key, values)| (key, Values::of(values))).collect();
    ByKind { values, n_laptops }
}

/// How many other laptops of the kind there are.
pub(super) fn n_others(kind: &Kind, peers: &ByKind) -> usize {
    peers.n_laptops.get(kind).map_or(0, |n| n.saturating_sub(1))
}

/// A laptop's comparisons, in the order of the features.
pub(super) fn evidence(
    features: &BTreeMap<Feature, Value>,
    kind: &Kind,
    peers: &ByKind,
) -> Vec<(Feature, Evidence)> {
    let mut evidence = Vec::new();
    for spec in &FEATURES {
        let Some(own) = features.get(&spec.feature) else { continue };
        let Some(all) = peers.values.get(&(kind.clone(), spec.feature)) else { continue };
        let Some(others) = all.without(own.ln) else { continue };
        let z = others.deviation(*own, spec.prior_sd);
        evidence.push((
            spec.feature,
            Evidence {
                metric: spec.metric,
                value: own.ln.exp(),
                peers_median: others.centre.exp(),
                n_peers: others.n,
                z: spec.towards_fault * z,
            },
        ));
    }
    evidence
}

/// One feature's values (logarithms) among the laptops of a kind.
struct Values {
    sorted: Vec<f64>,
    spread: Spread,
}

/// Where some values lie and how far they scatter.
#[derive(Debug, Clone, Copy)]
struct Spread {
    centre: f64,
    sd: f64,
    n: usize,
}

impl Values {
    fn of(mut values: Vec<f64>) -> Self {
        values.sort_by(f64::total_cmp);
        Self { spread: Spread::of_sorted(&values), sorted: values }
    }

    /// The others without this laptop: in a small group it would pull the centre towards itself. In a large one it
    /// doesn't, and leaving each out in turn would cost a sort a laptop.
    fn without(&self, own: f64) -> Option<Spread> {
        if self.sorted.len() > LEAVE_ONE_OUT_UP_TO {
            return Some(Spread { n: self.spread.n - 1, ..self.spread });
        }
        let mut others = self.sorted.clone();
        if let Some(idx) = others.iter().position(|&v| v == own) {
            others.remove(idx);
        }
        (!others.is_empty()).then(|| Spread::of_sorted(&others))
    }
}

impl Spread {
    fn of_sorted(sorted: &[f64]) -> Self {
        let centre = median_sorted(sorted);
        let mut distances: Vec<f64> = sorted.iter().map(|v| (v - centre).abs()).collect();
        distances.sort_by(f64::total_cmp);
        Self { centre, sd: MAD_TO_SD * median_sorted(&distances), n: sorted.len() }
    }

    /// How many standard deviations `own` is above these: their spread, that of their centre, and own error together.
    fn deviation(&self, own: Value, prior_sd: f64) -> f64 {
        let n = self.n as f64;
        let spread_2 = (n * self.sd.powi(2) + PRIOR_WEIGHT * prior_sd.powi(2)) / (n + PRIOR_WEIGHT);
        let variance = spread_2 * (1.0 + MEDIAN_VARIANCE / n) + own.se_ln.powi(2);
        (own.ln - self.centre) / variance.sqrt()
    }
}

/// Median of sorted values; NaN of none.
pub(super) fn median_sorted(sorted: &[f64]) -> f64 {
    let mid = sorted.len() / 2;
    match sorted.len() {
        0 => f64::NAN,
        n if n % 2 == 1 => sorted[mid],
        _ => f64::midpoint(sorted[mid - 1], sorted[mid]),
    }
}
