//! The agents' side: each laptop joins and is checked by the agent's own code, in virtual time.

use std::path::Path;

use anyhow::{Context, Result, anyhow};
use chrono::{DateTime, Days, Utc};
use windrow::check::{self, CheckRequest, Observer, StopFlag};
use windrow::emulated::{Emulated, in_virtual_time};
use windrow::failure::Failure;
use windrow::hub::HubAddress;
use windrow::identity;
use windrow::machine::Reading;
use windrow::post::enrol::enrol;
use windrow::post::{Http, Patience, RealWait, send_all};
use windrow::record;
use windrow::spool::Spool;
use windrow::state::StateDir;
use windrow_model::emulate::Start;
use windrow_model::protocol::{Phase, Protocol};
use windrow_model::record::wire::{Event, PreCheck};

use super::scenario::{PlantedLaptop, faults_then};

/// Days between a laptop's checks.
pub const DAYS_BETWEEN: u64 = 30;

/// What a laptop's checks came to.
#[derive(Debug, Clone)]
pub struct Checked {
    /// The id that the agent gave it.
    pub device_id: String,
    /// Records that the hub acknowledged.
    pub n_sent: usize,
}

/// Checks one laptop `n_checks` times, a month apart, the last time now, and posts the records.
///
/// # Errors
/// What a user of the agent would be told.
pub fn check_laptop(
    laptop: &PlantedLaptop,
    n_checks: u32,
    now: DateTime<Utc>,
    state_root: &Path,
    hub: &HubAddress,
    invite: &str,
) -> Result<Checked> {
    let state = StateDir::open(state_root.to_owned()).map_err(|e| told(&e))?;
    let identity = identity::load_or_make(&state, &laptop.asset_tag, now).map_err(|e| told(&e))?;
    let mut transport = Http::new(hub).map_err(|e| told(&e))?;
    enrol(&identity.signing, invite, &mut transport, &mut RealWait::default(), Patience::AFTER_CHECK)
        .map_err(|e| told(&e))?;
    let spool = Spool::new(&state);
    for months_ago in (0..n_checks).rev() {
        let began_at = now
            .checked_sub_days(Days::new(DAYS_BETWEEN * u64::from(months_ago)))
            .context("the calendar doesn't go back that far")?;
        let run = check_once(laptop, months_ago, began_at);
        let head = spool.chain_head(&identity.signing).map_err(|e| told(&e))?;
        let measured = record::measure(&run)?;
        let signed = record::sign(&run, &measured, &head, &identity.signing)?;
        spool.append(&signed).map_err(|e| told(&e))?;
    }
    let report = send_all(&spool, &mut transport, &mut RealWait::default(), Patience::AFTER_CHECK)
        .map_err(|e| told(&e))?;
    match (report.gave_up, report.set_aside.first()) {
        (Some(why), _) => Err(anyhow!("the hub did not take the records of {}: {why}", laptop.asset_tag)),
        (None, Some(aside)) => Err(anyhow!("a record of {} was refused: {}", laptop.asset_tag, aside.why)),
        (None, None) => {
            Ok(Checked { device_id: identity.signing.device_id().to_owned(), n_sent: report.n_sent })
        }
    }
}

fn check_once(laptop: &PlantedLaptop, months_ago: u32, began_at: DateTime<Utc>) -> check::CheckRun {
    let what = Emulated {
        spec: laptop.unit.clone(),
        faults: faults_then(laptop, months_ago),
        room: laptop.room,
        start: Start::Idle,
        seed: laptop.seed + u64::from(months_ago),
    };
    let request = CheckRequest {
        protocol: Protocol::STANDARD,
        ambient: None,
        hard_surface: None,
        bulging: None,
        attended: false,
        hold: None,
        busy_max_pct: None,
    };
    check::run(&mut in_virtual_time(&what, began_at), &request, &StopFlag::new(), &mut Unwatched)
}

/// Nobody looks on.
struct Unwatched;

impl Observer for Unwatched {
    fn pre_check(&mut self, _: &PreCheck) {}
    fn phase(&mut self, _: Phase, _: f64) {}
    fn sample(&mut self, _: Phase, _: f64, _: &Reading) {}
    fn event(&mut self, _: &Event) {}
}

/// A failure of the agent as it tells it, remedy included.
fn told(failure: &Failure) -> anyhow::Error {
    match failure.advice() {
        Some(remedy) => anyhow!("{failure}\ndo this: {remedy}"),
        None => anyhow!("{failure}"),
    }
}
