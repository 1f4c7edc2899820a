//! A laptop's own runs against its model's reference.

use super::PublishedReference;
use crate::condition::constants::Constants;
use crate::condition::judge::Condition;
use crate::condition::laptop::Laptop;
use crate::condition::standing::ModelRun;
use crate::estimate::joint_model::Channels;
use crate::estimate::network_drive::Drive;
use crate::history::room;
use crate::record::wire::Ambient;
use crate::trace::Trace;

/// One of the laptop's runs with what is known beside it.
#[derive(Debug, Clone, Copy)]
pub struct OwnRun<'a> {
    /// Its samples.
    pub trace: &'a Trace,
    /// When it began, days since 1970-01-01.
    pub day: f64,
    /// The room, where it was measured or told.
    pub ambient: Option<Ambient>,
    /// On mains power, where known.
    pub on_mains: Option<bool>,
    /// The firmware that ran; empty where unknown.
    pub firmware: &'a str,
}

/// How a laptop stands among others of its model.
#[derive(Debug, Clone, PartialEq)]
pub struct AgainstPeers {
    /// Its cooling condition after the present run, over all the runs given.
    pub condition: Condition,
    /// Own runs that it rests on, the present one included.
    pub own_runs: usize,
    /// Other laptops of the model that it was compared with, measured as it is.
    pub others: usize,
    /// Runs that their reference rests on.
    pub runs: usize,
    /// With which channels all of these are measured, where the model has laptops that are measured otherwise.
    pub measured: Option<Channels>,
    /// As of when the reference is, RFC 3339.
    pub as_of: String,
}

/// Judges the present run with the laptop's earlier ones. `None` where the present one cannot be fitted: what is older
/// was told already.
pub fn against_peers(
    reference: &PublishedReference,
    device_id: &str,
    now: &OwnRun<'_>,
    past: &[OwnRun<'_>],
) -> Option<AgainstPeers> {
    let k = Constants::default();
    let mut standing = reference.standing.clone();
    let own = reference.own.as_ref().filter(|own| own.device_id == device_id);
    if let Some((channels, share)) = own.and_then(|own| own.measured.zip(own.share.clone())) {
        standing.put_share(channels, device_id.to_owned(), share);
    }
    let evidence = |run: &OwnRun<'_>| {
        let made_ready = ModelRun {
            device: device_id.to_owned(),
            day: run.day,
            room: room(run.ambient),
            on_mains: run.on_mains,
            firmware: reference.firmware_number(run.firmware),
            drive: Drive::from_trace(run.trace)?,
        };
        Some(standing.evidence_of(&k, &made_ready))
    };
    let present = evidence(now)?;
    let mut runs: Vec<_> = past.iter().filter_map(evidence).collect();
    runs.push(present);
    runs.sort_by(|a, b| a.day.total_cmp(&b.day));
    let own_runs = runs.len();
    let laptop = Laptop {
        device: device_id.to_owned(),
        services: own.map(|own| own.services.clone()).unwrap_or_default(),
        as_of: now.day,
        runs,
    };
    let judges = standing.judges(&k);
    // The verdict is on the present run: where others are measured as it is, these are its measure.
    let measured = match standing.part(present.channels()) {
        Some(part) => judges.measured_with(part.fit.channels, laptop),
        None => judges.measured(laptop),
    };
    let part = standing.part(measured.channels)?;
    Some(AgainstPeers {
        condition: measured.condition(),
        own_runs,
        others: reference.others(part),
        runs: part.reference.runs,
        measured: (!standing.others.is_empty()).then_some(measured.channels),
        as_of: reference.as_of.clone(),
    })
}
