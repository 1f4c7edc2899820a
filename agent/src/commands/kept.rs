//! The records that this laptop keeps: sent, waiting, set aside.

use chrono::{DateTime, Utc};
use windrow_model::record::ReceivedRecord;
use windrow_model::record::wire::{Header, Outcome as RunOutcome, Provenance};

use crate::failure::Failure;
use crate::spool::{Spool, Waiting};

/// A record's file, and what became of it.
pub(super) struct Found {
    pub(super) waiting: Waiting,
    /// `sent`, `waiting` or `set_aside`.
    pub(super) state: &'static str,
}

/// All of them, oldest first.
///
/// # Errors
/// A folder that cannot be read.
pub(super) fn all(spool: &Spool) -> Result<Vec<Found>, Failure> {
    let mut found = Vec::new();
    for (records, state) in
        [(spool.past()?, "sent"), (spool.waiting()?, "waiting"), (spool.aside()?, "set_aside")]
    {
        found.extend(records.into_iter().map(|waiting| Found { waiting, state }));
    }
    found.sort_by_key(|a| a.waiting.name.sequence);
    Ok(found)
}

/// One of them.
///
/// # Errors
/// A file that cannot be read or is no record.
pub(super) fn read(spool: &Spool, one: &Found) -> Result<ReceivedRecord, Failure> {
    let bytes = spool.read(&one.waiting)?;
    ReceivedRecord::parse(&bytes).map_err(|e| Failure::at("use the record", &one.waiting.path, e))
}

/// When the last whole check of this provenance began. Damaged files are passed over: they are no check.
///
/// # Errors
/// A folder that cannot be read.
pub(super) fn last_whole(spool: &Spool, provenance: Provenance) -> Result<Option<DateTime<Utc>>, Failure> {
    let is_whole = |h: &Header| h.outcome == RunOutcome::Complete && h.provenance == provenance;
    let began = |one: &Found| {
        let received = read(spool, one).ok()?;
        let header = &received.record().header;
        let began_at = DateTime::parse_from_rfc3339(&header.started_at).ok()?;
        is_whole(header).then(|| began_at.to_utc())
    };
    Ok(all(spool)?.iter().rev().find_map(began))
}
