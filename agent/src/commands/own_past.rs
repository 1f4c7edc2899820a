//! The laptop's own earlier checks, to compare the present one with: by themselves, and beside the model's reference.

use chrono::DateTime;
use windrow_model::history::{Change, PAST_MAX, Run, compare};
use windrow_model::measured::{Measured, Reason};
use windrow_model::record::ReceivedRecord;
use windrow_model::record::wire::{Header, Outcome};
use windrow_model::reference::{AgainstPeers, OwnRun, PublishedReference, against_peers};
use windrow_model::trace::Trace;

use super::kept;
use crate::spool::Spool;

/// Most kept records that are opened in the search for comparable ones.
const OPENED_MAX: usize = 40;
/// Milliseconds of a day.
const DAY_MS: f64 = 86_400_000.0;

/// An earlier check, open.
struct Earlier {
    trace: Trace,
    header: Header,
}

/// The earlier checks that were made the same way as the present one; oldest first.
pub(super) struct OwnPast(Vec<Earlier>);

impl OwnPast {
    /// Those before this one. A damaged file is passed over: the verdict doesn't depend on it. A check that was cut short
    /// has none.
    pub(super) fn before(spool: &Spool, now: &Header) -> Self {
        if now.outcome != Outcome::Complete {
            return Self(Vec::new());
        }
        let found = kept::all(spool).unwrap_or_default();
        let before =
            found.iter().rev().filter(|one| one.waiting.name.sequence < now.sequence).take(OPENED_MAX);
        let open = |one| opened(&kept::read(spool, one).ok()?).filter(|e| compares(&e.header, now));
        let mut earlier: Vec<Earlier> = before.filter_map(open).take(PAST_MAX).collect();
        earlier.reverse();
        Self(earlier)
    }

    /// What changed since. `None`: there are none, or they don't compare.
    pub(super) fn change(&self, now: &Header, trace: &Trace) -> Option<Change> {
        let past: Vec<Run<'_>> = self.0.iter().map(|e| run(&e.header, &e.trace)).collect();
        compare(&run(now, trace), &past)
    }

    /// How the laptop stands beside others of its model. `None` for a check that was cut short, or cannot be fitted.
    pub(super) fn beside(
        &self,
        reference: &PublishedReference,
        now: &Header,
        trace: &Trace,
    ) -> Option<AgainstPeers> {
        if now.outcome != Outcome::Complete {
            return None;
        }
        let past: Vec<OwnRun<'_>> = self.0.iter().filter_map(|e| own_run(&e.header, &e.trace)).collect();
        against_peers(reference, &now.device_id, &own_run(now, trace)?, &past)
    }
}

fn opened(received: &ReceivedRecord) -> Option<Earlier> {
    let record = received.record();
    let trace = Trace::from_wire(record.trace.as_ref()?).ok()?;
    Some(Earlier { trace, header: record.header.clone() })
}

/// The same unit, loaded by the same work to the end.
fn compares(then: &Header, now: &Header) -> bool {
    let same_unit = then.device_id == now.device_id
        && then.provenance == now.provenance
        && then.model.product == now.model.product
        && then.model.cpu == now.model.cpu;
    let same_work =
        then.load_mix.version == now.load_mix.version && then.load_mix.target == now.load_mix.target;
    same_unit && same_work && then.outcome == Outcome::Complete
}

fn run<'a>(header: &Header, trace: &'a Trace) -> Run<'a> {
    let metrics = header.metrics.as_ref();
    let fan_rpm_per_k = metrics.map_or(Measured::no(Reason::NoChannel), |m| m.fan_gain_rpm_per_k);
    Run { trace, ambient: header.context.ambient, on_mains: header.context.on_ac, fan_rpm_per_k }
}

fn own_run<'a>(header: &'a Header, trace: &'a Trace) -> Option<OwnRun<'a>> {
    let began_at = DateTime::parse_from_rfc3339(&header.started_at).ok()?;
    Some(OwnRun {
        trace,
        day: began_at.timestamp_millis() as f64 / DAY_MS,
        ambient: header.context.ambient,
        on_mains: header.context.on_ac,
        firmware: &header.model.firmware,
    })
}
