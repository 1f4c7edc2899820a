//! A laptop whose records are signed here, many of one run, to be posted by hand.

use std::sync::OnceLock;

use chrono::{TimeDelta, TimeZone, Utc};
use windrow::check::{self, CheckRequest, CheckRun, Observer, StopFlag};
use windrow::emulated::{Emulated, in_virtual_time};
use windrow::machine::Reading;
use windrow::record::{self, Measured};
use windrow::spool::ChainHead;
use windrow_model::emulate::{Faults, Room, Start, catalogue};
use windrow_model::protocol::{Phase, Protocol};
use windrow_model::record::wire::{Event, PreCheck};
use windrow_model::record::{SignedRecord, SigningIdentity, chain};

/// The laptop: an identity and the last link of its chain.
pub(crate) struct Laptop {
    pub(crate) signing: SigningIdentity,
    head: ChainHead,
}

impl Laptop {
    /// The laptop of a number.
    pub(crate) fn new(number: u8) -> Self {
        let signing = SigningIdentity::from_secret(&hex::encode([number; 16]), &[number; 32]).expect("an id");
        let root = chain::root(signing.device_id(), &signing.public_key());
        let head =
            ChainHead { device_id: signing.device_id().to_owned(), sequence: 0, digest: root.to_hex() };
        Self { signing, head }
    }

    /// The request with which it joins.
    pub(crate) fn enrolment(&self, invite: &str) -> Vec<u8> {
        self.signing.enrolment_request(invite).expect("an invite")
    }

    /// Its next record.
    pub(crate) fn next_record(&mut self) -> SignedRecord {
        let (run, measured) = one_run();
        let mut run = run.clone();
        // Else two laptops' records would differ by their keys alone.
        run.started_at += TimeDelta::minutes(self.head.sequence.cast_signed());
        let signed = record::sign(&run, measured, &self.head, &self.signing).expect("a record");
        self.head.sequence += 1;
        self.head.digest = signed.digest.to_hex();
        signed
    }
}

fn one_run() -> &'static (CheckRun, Measured) {
    static RUN: OnceLock<(CheckRun, Measured)> = OnceLock::new();
    RUN.get_or_init(|| {
        let what = Emulated {
            spec: catalogue().swap_remove(0),
            faults: Faults::NONE,
            room: Room::default(),
            start: Start::Idle,
            seed: 7,
        };
        let request = CheckRequest {
            protocol: Protocol::QUICK,
            ambient: None,
            hard_surface: None,
            bulging: None,
            attended: false,
            hold: None,
            busy_max_pct: None,
        };
        let began_at = Utc.with_ymd_and_hms(2026, 3, 2, 9, 0, 0).single().expect("a time");
        let mut machine = in_virtual_time(&what, began_at);
        let run = check::run(&mut machine, &request, &StopFlag::new(), &mut Unwatched);
        let measured = record::measure(&run).expect("a trace");
        (run, measured)
    })
}

struct Unwatched;

impl Observer for Unwatched {
    fn pre_check(&mut self, _: &PreCheck) {}
    fn phase(&mut self, _: Phase, _: f64) {}
    fn sample(&mut self, _: Phase, _: f64, _: &Reading) {}
    fn event(&mut self, _: &Event) {}
}
