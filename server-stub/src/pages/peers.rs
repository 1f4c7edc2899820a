//! The band in which the runs of a laptop's peers lie: the middle eight in ten at each second from the load's start.

use std::collections::{BTreeMap, HashMap};

use windrow_model::analysis::{RunContext, analyse};
use windrow_model::channel::Channel;
use windrow_model::chart::PeersBand;
use windrow_model::estimate::joint_model::Channels;
use windrow_model::record::Digest;
use windrow_model::trace::Trace;

use super::laptop::Peers;
use crate::scoring::Standing;
use crate::store::runs::RunLine;

/// Runs of one kind that a band rests on, at most; more would not move it and cost their reading.
pub const MAX_PEERS: usize = 30;
/// With fewer there is no band: its edges would be single laptops.
pub const MIN_PEERS: usize = 5;
/// Kinds that have a band, the largest first.
pub const MAX_KINDS: usize = 200;
/// Seconds between the band's points.
const STEP_S: f64 = 3.0;
/// From before the load to the end of the longest recovery.
const FROM_TO_S: (f64, f64) = (-60.0, 420.0);
/// Channels with a band.
const CHANNELS: [Channel; 3] = [Channel::CpuTempC, Channel::PackagePowerW, Channel::Fan1Rpm];
/// Shares of the runs below the edges.
const EDGES: (f64, f64) = (0.1, 0.9);

/// What a run's curve may be laid over.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Kind {
    model_key: String,
    provenance: String,
    protocol: String,
    measured: Channels,
}

impl Kind {
    /// Of a run with its samples.
    pub fn of_run(run: &RunLine, trace: &Trace) -> Self {
        let was_read =
            |channel| trace.column(channel).is_some_and(|values| values.iter().any(|v| v.is_finite()));
        Self {
            measured: Channels::of_read(was_read),
            model_key: run.model_key.clone(),
            provenance: run.provenance.clone(),
            protocol: run.protocol.clone(),
        }
    }

    /// Of a laptop's last run.
    pub fn of(standing: &Standing) -> Self {
        let run = &standing.last;
        Self {
            measured: run.kind.measured(),
            model_key: run.kind.of.model_key.clone(),
            provenance: run.kind.of.provenance.clone(),
            protocol: run.kind.protocol.clone(),
        }
    }
}

/// Bands by kind.
pub type Bands = HashMap<Kind, Peers>;

/// The runs to read for each kind: those of laptops that finished, an even choice over the rank.
pub fn to_read(standings: &[Standing]) -> Vec<(Kind, Vec<Digest>)> {
    let mut of_kind: BTreeMap<Kind, Vec<Digest>> = BTreeMap::new();
    for standing in standings.iter().filter(|s| s.last.kind.outcome == "complete") {
        of_kind.entry(Kind::of(standing)).or_default().push(standing.last.digest);
    }
    let mut kinds: Vec<(Kind, Vec<Digest>)> =
        of_kind.into_iter().filter(|(_, runs)| runs.len() >= MIN_PEERS).collect();
    kinds.sort_by_key(|(_, runs)| std::cmp::Reverse(runs.len()));
    kinds.truncate(MAX_KINDS);
    for (_, runs) in &mut kinds {
        let every = runs.len().div_ceil(MAX_PEERS);
        *runs = runs.iter().copied().step_by(every).collect();
    }
    kinds
}

/// The band of some runs; `None` where there are too few.
pub fn band(traces: &[Trace]) -> Option<Peers> {
    let aligned: Vec<(f64, &Trace)> = traces
        .iter()
        .filter_map(|trace| {
            let phases = analyse(trace, &RunContext::default()).phases;
            (!phases.load.is_empty()).then_some((phases.load_start_s, trace))
        })
        .collect();
    if aligned.len() < MIN_PEERS {
        return None;
    }
    let n_steps = ((FROM_TO_S.1 - FROM_TO_S.0) / STEP_S) as usize;
    let from_load_s: Vec<f64> = (0..=n_steps).map(|n| FROM_TO_S.0 + n as f64 * STEP_S).collect();
    let edges = CHANNELS
        .into_iter()
        .filter_map(|channel| edges(channel, &aligned, &from_load_s).map(|(low, high)| (channel, low, high)))
        .collect();
    Some(Peers { n_laptops: aligned.len(), band: PeersBand { from_load_s, edges } })
}

fn edges(channel: Channel, runs: &[(f64, &Trace)], from_load_s: &[f64]) -> Option<(Vec<f64>, Vec<f64>)> {
    let sampled: Vec<Vec<f64>> = runs
        .iter()
        .filter_map(|(load_start_s, trace)| {
            let column = trace.column(channel)?;
            Some(resampled(&trace.time_s, column, from_load_s.iter().map(|t| t + load_start_s)))
        })
        .collect();
    if sampled.len() < MIN_PEERS {
        return None;
    }
    let at = |n: usize| {
        let mut values: Vec<f64> = sampled.iter().map(|s| s[n]).filter(|v| v.is_finite()).collect();
        if values.len() < MIN_PEERS {
            return (f64::NAN, f64::NAN);
        }
        values.sort_by(f64::total_cmp);
        let quantile = |share: f64| values[(share * (values.len() - 1) as f64).round() as usize];
        (quantile(EDGES.0), quantile(EDGES.1))
    };
    Some((0..from_load_s.len()).map(at).unzip())
}

/// The last reading within two steps before each time; NaN where there is none.
fn resampled(time_s: &[f64], values: &[f64], at_s: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut last: Option<(f64, f64)> = None;
    let mut idx = 0;
    at_s.map(|t| {
        while let (Some(&sample_s), Some(&value)) = (time_s.get(idx), values.get(idx)) {
            if sample_s > t {
                break;
            }
            if value.is_finite() {
                last = Some((sample_s, value));
            }
            idx += 1;
        }
        last.filter(|(sample_s, _)| t - sample_s <= 2.0 * STEP_S).map_or(f64::NAN, |(_, value)| value)
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use windrow_model::emulate::{RunPlan, model_of, record_run};

    #[test]
    fn a_band_holds_its_own_runs_and_needs_enough_of_them() {
        let spec = model_of("Orrin 16 W").unwrap();
        let traces: Vec<Trace> = (0..8)
            .map(|seed| record_run(&spec.unit(seed), &RunPlan { seed, ..RunPlan::default() }))
            .collect();
        assert!(band(&traces[..MIN_PEERS - 1]).is_none());
        let peers = band(&traces).unwrap();
        assert_eq!(peers.n_laptops, 8);
        let (channel, low, high) = &peers.band.edges[0];
        assert_eq!(*channel, Channel::CpuTempC);
        let ok = low
            .iter()
            .zip(high)
            .filter(|(l, _)| l.is_finite())
            .all(|(l, h)| l <= h && *l > 10.0 && *h < 110.0);
        assert!(ok, "{low:?} {high:?}");
        assert!(low.iter().any(|l| l.is_finite()));
    }

    #[test]
    fn between_readings_the_last_one_counts_but_not_for_long() {
        let (time, values) = ([0.0, 1.0, 2.0, 30.0], [5.0, f64::NAN, 6.0, 7.0]);
        let at = resampled(&time, &values, [-1.0, 0.5, 2.0, 7.0, 20.0, 31.0].into_iter());
        assert!(at[0].is_nan() && at[4].is_nan());
        assert_eq!((at[1], at[2], at[3], at[5]), (5.0, 6.0, 6.0, 7.0));
    }
}
