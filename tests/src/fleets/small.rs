//! Parts of a fleet that are judged by themselves: small fleets, and each laptop's latest run alone.

use std::collections::{BTreeMap, BTreeSet};

use windrow_model::condition::fleet::FleetRun;

/// Every nth laptop in the order of their ids, from the given one on.
pub fn every_nth(runs: &[FleetRun], nth: usize, from: usize) -> Vec<FleetRun> {
    let devices: BTreeSet<&str> = runs.iter().map(|r| r.device.as_str()).collect();
    let taken: BTreeSet<&str> = devices.into_iter().skip(from).step_by(nth.max(1)).collect();
    runs.iter().filter(|r| taken.contains(r.device.as_str())).cloned().collect()
}

/// Each laptop's latest run alone.
pub fn latest_only(runs: &[FleetRun]) -> Vec<FleetRun> {
    let mut last: BTreeMap<&str, &FleetRun> = BTreeMap::new();
    for r in runs {
        let newest = last.entry(&r.device).or_insert(r);
        if r.day > newest.day {
            *newest = r;
        }
    }
    last.into_values().cloned().collect()
}
