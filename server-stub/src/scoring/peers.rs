//! Where the others of a model lie: the range of each metric over the latest run of each laptop, for evidence.

use std::collections::BTreeMap;

use windrow_model::estimate::joint_model::Channels;

use super::evidence::{METRICS, PeerRange};
use super::figures::Figures;
use super::{ModelOf, Run};

/// Fewest laptops whose range says anything.
const MIN_PEERS: usize = 3;
/// Share of the laptops below the range, and above it.
const OUTSIDE: f64 = 0.1;

/// By what runs may be compared in their plain metrics, the same model and provenance, then the same channels and length
/// of load.
type ByKind<T> = BTreeMap<ModelOf, BTreeMap<(Channels, String), BTreeMap<&'static str, T>>>;

/// The ranges of every kind.
pub(super) struct Ranges(ByKind<PeerRange>);

/// Ranges over the given runs, one a laptop.
pub(super) fn ranges<'a>(runs: impl Iterator<Item = &'a Run>) -> Ranges {
    let mut values: BTreeMap<(&ModelOf, Channels, &str), BTreeMap<&'static str, Vec<f64>>> = BTreeMap::new();
    for run in runs {
        let Some(figures) = &run.figures else { continue };
        let of_kind = values.entry((&run.kind.of, run.kind.measured(), &run.kind.protocol)).or_default();
        for (name, value) in known(figures) {
            of_kind.entry(name).or_default().push(value);
        }
    }
    let range_of = |(name, mut values): (&'static str, Vec<f64>)| {
        values.sort_by(f64::total_cmp);
        (values.len() >= MIN_PEERS).then(|| (name, range(&values)))
    };
    let mut ranges = ByKind::new();
    for ((of, measured, protocol), metrics) in values {
        let of_model = ranges.entry(of.clone()).or_default();
        of_model.insert((measured, protocol.to_owned()), metrics.into_iter().filter_map(range_of).collect());
    }
    Ranges(ranges)
}

impl Ranges {
    /// The range that a run's metric is compared with.
    pub(super) fn of(&self, run: &Run, metric: &str) -> Option<PeerRange> {
        let kind = (run.kind.measured(), run.kind.protocol.clone());
        self.0.get(&run.kind.of)?.get(&kind)?.get(metric).copied()
    }
}

/// The metrics that evidence may name, as far as a run has them.
pub(super) fn known(figures: &Figures) -> impl Iterator<Item = (&'static str, f64)> + '_ {
    METRICS.iter().filter_map(|(name, figure)| Some((*name, figures.get(*figure)?)))
}

fn range(sorted: &[f64]) -> PeerRange {
    PeerRange {
        n_laptops: sorted.len(),
        low: quantile_sorted(sorted, OUTSIDE),
        median: quantile_sorted(sorted, 0.5),
        high: quantile_sorted(sorted, 1.0 - OUTSIDE),
    }
}

/// Quantile of sorted values by linear interpolation (Hyndman and Fan 1996, type 7); NaN of none.
fn quantile_sorted(sorted: &[f64], q: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let at = q * last as f64;
    let below = at.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (sorted[above] - sorted[below]) * at.fract()
}
