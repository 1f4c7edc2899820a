//! What a laptop's runs don't say, and the cheapest thing that would tell.

use serde::{Deserialize, Serialize};

use super::evidence::RunEvidence;
use super::judge::{Condition, Interval};

/// The part of the cooling that a statement is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Vents and fins.
    Airflow,
    /// The fan.
    Fan,
    /// Paste and mounting.
    Contact,
}

/// The cheapest next step that would tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NextStep {
    /// A check of full length instead of the quick one.
    StandardCheck,
    /// A check on mains power.
    CheckOnMains,
    /// A check whose room temperature is told.
    TellRoomTemperature,
    /// The same check once more.
    CheckAgain,
    /// A person looks and listens: no further check would tell.
    LookByHand,
}

/// Something that the runs don't say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct CannotTell {
    /// Of which part.
    pub part: Part,
    /// What would tell.
    pub next: NextStep,
}

/// An interval that reaches from due to as good as new tells nothing: below the first and above the second.
/// Airflow's limit and where the trade sees no reason to act (common practice, no source).
const AIRFLOW_OPEN: (f64, f64) = (0.70, 0.93);
/// As above, of the fan factor.
const FAN_OPEN: (f64, f64) = (0.80, 0.93);
/// As above, of the contact factor: above the first and below the second.
const CONTACT_OPEN: (f64, f64) = (1.8, 1.15);
/// Runs of full length after which more of them add little.
const ENOUGH_RUNS: usize = 3;
/// From this standard deviation on the room temperature is the largest unknown, K (1 K is 8 % of airflow).
const ROOM_UNKNOWN_K: f64 = 1.2;

pub(super) fn cannot_tell(has_fan: bool, runs: &[RunEvidence], c: &Condition) -> Vec<CannotTell> {
    let mut out = Vec::new();
    let open = |i: &Interval, (low, high): (f64, f64)| i.low < low && i.high > high;
    let unread = |of: &dyn Fn(&RunEvidence) -> bool| !runs.iter().any(of);
    if has_fan && (unread(&|r| r.air.is_some()) || c.airflow.is_some_and(|i| open(&i, AIRFLOW_OPEN))) {
        out.push(CannotTell { part: Part::Airflow, next: next_for_airflow(runs) });
    }
    if has_fan && c.fan.is_none_or(|i| open(&i, FAN_OPEN)) {
        let read = runs.iter().any(|r| r.has_rpm);
        out.push(CannotTell { part: Part::Fan, next: next_for_fan(runs, read) });
    }
    let contact_open = c.contact.high > CONTACT_OPEN.0 && c.contact.low < CONTACT_OPEN.1;
    if unread(&|r| r.contact.is_some()) || contact_open {
        out.push(CannotTell { part: Part::Contact, next: next_for_contact(runs) });
    }
    out
}

fn next_for_airflow(runs: &[RunEvidence]) -> NextStep {
    let Some(last) = runs.last() else { return NextStep::StandardCheck };
    if runs.iter().all(|r| r.quick) {
        NextStep::StandardCheck
    } else if last.on_mains == Some(false) {
        NextStep::CheckOnMains
    } else if last.room_sd_k > ROOM_UNKNOWN_K {
        NextStep::TellRoomTemperature
    } else {
        again_or_by_hand(runs, |r| r.air.is_some() && !r.quick)
    }
}

fn next_for_fan(runs: &[RunEvidence], read: bool) -> NextStep {
    let Some(last) = runs.last() else { return NextStep::StandardCheck };
    if !read {
        NextStep::LookByHand
    } else if last.worst_fan().is_none() && last.quick {
        NextStep::StandardCheck
    } else {
        again_or_by_hand(runs, |r| r.worst_fan().is_some())
    }
}

fn next_for_contact(runs: &[RunEvidence]) -> NextStep {
    if runs.is_empty() { NextStep::StandardCheck } else { again_or_by_hand(runs, |r| r.contact.is_some()) }
}

fn again_or_by_hand(runs: &[RunEvidence], tells: impl Fn(&RunEvidence) -> bool) -> NextStep {
    let telling = runs.iter().filter(|r| tells(r)).count();
    let tried = runs.len();
    if telling < ENOUGH_RUNS && tried < 2 * ENOUGH_RUNS { NextStep::CheckAgain } else { NextStep::LookByHand }
}
