//! Why a laptop that is worth a visit has none, read off what the finished plan leaves.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::problem::{ItemIdx, Problem, SlotIdx};

/// What a laptop without a place waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WaitsFor {
    /// Nobody knows at which site it is.
    Site,
    /// Nobody has hours at its site in the days of the plan.
    Hours,
    /// On every day with hours its part is neither in stock nor arrived.
    Part,
    /// The minutes are used up.
    Minutes,
    /// The spare units are used up.
    SpareUnit,
    /// There is time for it, but going there costs more than the visit brings.
    Company,
}

impl WaitsFor {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Site => "its site isn't known",
            Self::Hours => "nobody has hours there",
            Self::Part => "its part isn't there yet",
            Self::Minutes => "no time left",
            Self::SpareUnit => "no spare unit left",
            Self::Company => "alone not worth the trip",
        }
    }
}

/// Parts that are left in stock for visits before ordered ones arrive.
pub(super) fn parts_left(problem: &Problem, assignment: &[Option<SlotIdx>]) -> Vec<u32> {
    let mut left: Vec<u32> = problem.parts.iter().map(|p| p.stock).collect();
    for (item, slot) in assignment.iter().enumerate() {
        for part in slot.iter().flat_map(|slot| problem.early_parts(item, *slot)) {
            left[part] = left[part].saturating_sub(1);
        }
    }
    left
}

/// What an item without a slot waits for. `left` is the problem with what the plan leaves of minutes and spare units.
pub(super) fn waits_for(left: &Problem, parts_left: &[u32], item: ItemIdx) -> WaitsFor {
    let wanted = &left.items[item];
    let at_site = || {
        (0..left.slots.len()).filter(|s| left.slots[*s].site == wanted.site && !left.is_too_early(item, *s))
    };
    let has_parts = |slot: &SlotIdx| left.early_parts(item, *slot).all(|p| parts_left[p] > 0);
    let has_minutes = |slot: &SlotIdx| left.slots[*slot].free_minutes() >= wanted.minutes;
    if at_site().next().is_none() {
        WaitsFor::Hours
    } else if !at_site().any(|s| has_parts(&s)) {
        WaitsFor::Part
    } else if !at_site().any(|s| has_parts(&s) && has_minutes(&s)) {
        WaitsFor::Minutes
    } else if !at_site().any(|s| has_parts(&s) && has_minutes(&s) && left.slots[s].max_visits > 0) {
        WaitsFor::SpareUnit
    } else {
        WaitsFor::Company
    }
}
