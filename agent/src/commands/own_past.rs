//! The laptop's own earlier checks, to compare the present one with.

use windrow_model::history::{Change, PAST_MAX, Run, compare};
use windrow_model::measured::{Measured, Reason};
use windrow_model::record::ReceivedRecord;
use windrow_model::record::wire::{Header, Outcome};
use windrow_model::trace::Trace;

use super::kept;
use crate::spool::Spool;

/// Most kept records that are opened in the search for comparable ones.
const OPENED_MAX: usize = 40;

/// An earlier check, open.
struct Earlier {
    trace: Trace,
    header: Header,
}

/// What changed since the earlier checks that were made the same way. `None`: there are none, or they don't compare.
/// A damaged file is passed over: the verdict doesn't depend on it.
pub(super) fn change(spool: &Spool, now: &Header, trace: &Trace) -> Option<Change> {
    if now.outcome != Outcome::Complete {
        return None;
    }
    let earlier = earlier(spool, now);
    let past: Vec<Run<'_>> = earlier.iter().map(|e| run(&e.header, &e.trace)).collect();
    compare(&run(now, trace), &past)
}

fn earlier(spool: &Spool, now: &Header) -> Vec<Earlier> {
    let found = kept::all(spool).unwrap_or_default();
    let before = found.iter().rev().filter(|one| one.waiting.name.sequence < now.sequence).take(OPENED_MAX);
    let open = |one| opened(&kept::read(spool, one).ok()?).filter(|e| compares(&e.header, now));
    let mut earlier: Vec<Earlier> = before.filter_map(open).take(PAST_MAX).collect();
    earlier.reverse();
    earlier
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
    Run { trace, ambient: header.context.ambient, fan_rpm_per_k }
}
