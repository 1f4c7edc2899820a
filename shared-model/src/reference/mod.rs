//! A model's reference as a hub hands it to a laptop of that model: what a healthy unit does, how widely the units
//! spread, and on how many laptops and runs that rests.
//!
//! [`against_peers`] judges a laptop's own runs with it by the very steps by which the hub judges: same network, same
//! filter, same constants. Of other laptops it holds nothing but what they taught together; the asking laptop's own part
//! ([`Own`]) goes along so that no laptop is measured against itself. Where laptops of the model are measured with
//! different channels, it has a part for each way, and a run is judged by that with its own. docs/http.md describes the
//! document.

mod judge;

use serde::{Deserialize, Serialize};

use crate::METHOD_VERSION;
use crate::condition::constants::{CONSTANTS_VERSION, Constants};
use crate::condition::doubt::Part;
use crate::condition::events::EventStart;
use crate::condition::one_run;
use crate::condition::peers::Band;
use crate::condition::reference::Share;
use crate::condition::standing::{ModelStanding, STANDING_VERSION};
use crate::condition::wear::Action;
use crate::estimate::joint_model::Channels;
use crate::record::Digest;

pub use judge::{AgainstPeers, OwnRun, against_peers};

/// The document's schema.
pub const SCHEMA: &str = "windrow-reference/1";
/// Largest document, bytes.
pub const BYTES_MAX: usize = 256 * 1024;
/// Most firmwares and services that are told; the newest say most.
const TOLD_MAX: usize = 200;
/// Latest day that a service may have, days since 1970-01-01: the year 2243.
const DAY_MAX: f64 = 100_000.0;

/// What names a model in addresses: 16 hex digits of the SHA-256 over provenance, a line feed and the model's key
/// ([`crate::record::wire::Model::key`]).
pub fn model_id(provenance: &str, model_key: &str) -> String {
    hex::encode(&Digest::of(format!("{provenance}\n{model_key}").as_bytes()).0[..8])
}

/// What must fit before the rest is looked at.
#[derive(Deserialize)]
struct Versions {
    schema: String,
    method_version: String,
    standing: StandingVersions,
}

#[derive(Deserialize)]
struct StandingVersions {
    version: String,
    constants_version: String,
}

/// A model's reference on the wire.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PublishedReference {
    /// Always `windrow-reference/1`.
    pub schema: String,
    /// The model's id, see [`model_id`].
    pub model_id: String,
    /// `measured`, `emulated` or `imported`: references never mix them.
    pub provenance: String,
    /// Maker, product, stock-keeping unit and processor.
    pub model: String,
    /// Version of the analysis and the fit. Another version's reader must not use this.
    pub method_version: String,
    /// As of when, RFC 3339.
    pub as_of: String,
    /// With which channels the laptops are measured that the following counts, bands and events are of.
    pub measured: Channels,
    /// Laptops that it was learned from.
    pub laptops: usize,
    /// Their runs.
    pub runs: usize,
    /// Firmwares that the model's laptops ran, in the order in which they came.
    pub firmwares: Vec<String>,
    /// Where the model's laptops lie, for a person.
    pub peers: Peers,
    /// Steps that all of the model's laptops made together.
    pub events: Vec<PublishedEvent>,
    /// The same of the model's laptops that are measured with other channels; `standing` has their parts in the same order.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub others: Vec<PublishedPart>,
    /// Network, fan maps, levels and scatter: what a run is judged by. Its parts belong to their versions, which stand
    /// in it, and may change with them.
    pub standing: ModelStanding,
    /// The asking laptop's own part; absent for people.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub own: Option<Own>,
}

/// What is told of laptops that are measured with other channels than most of their model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PublishedPart {
    /// With which channels they are measured.
    pub measured: Channels,
    /// Laptops that it was learned from.
    pub laptops: usize,
    /// Their runs.
    pub runs: usize,
    /// Where these laptops lie, for a person.
    pub peers: Peers,
    /// Steps that all of them made together.
    pub events: Vec<PublishedEvent>,
}

/// Where a model's laptops lie in what a person asks first.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Peers {
    /// Airflow, share of this model's as-new one.
    pub airflow_fraction: Option<Band>,
    /// Fan speed reached over speed due.
    pub fan_factor: Option<Band>,
    /// Paste and mounting, multiple of as-new.
    pub contact_factor: Option<Band>,
    /// From the load's start to the fan's, s.
    pub fan_start_delay_s: Option<Band>,
    /// Scatter of the fan's speed, share of it.
    pub fan_flutter: Option<Band>,
    /// Temperature at the load's end, °C.
    pub hot_c: Option<Band>,
}

/// A step that all of a model's laptops made together, for a person.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PublishedEvent {
    /// What it moved.
    pub part: Part,
    /// The firmware with which it began; absent where it began on a day.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub firmware: Option<String>,
    /// Median day of the laptops' first run after it, days since 1970-01-01.
    pub day: f64,
    /// By which factor.
    pub factor: f64,
    /// Laptops that show it.
    pub laptops: usize,
}

/// What a laptop is told of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Own {
    /// The laptop.
    pub device_id: String,
    /// What it said when the reference was learned, to be taken out of it; absent where it said nothing.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub share: Option<Share>,
    /// With which channels it was measured then: which part its share belongs to.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub measured: Option<Channels>,
    /// Its services: days since 1970-01-01 and what was done.
    pub services: Vec<(f64, Action)>,
}

/// What a hub knows of a model, to be published.
#[derive(Debug, Clone, Copy)]
pub struct Source<'a> {
    /// `measured`, `emulated` or `imported`.
    pub provenance: &'a str,
    /// Maker, product, stock-keeping unit and processor.
    pub model_key: &'a str,
    /// As of when, RFC 3339.
    pub as_of: &'a str,
    /// Its firmwares in the order in which they came.
    pub firmwares: &'a [String],
    /// Its standing.
    pub standing: &'a ModelStanding,
}

/// Why a document is no reference that this program can use.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unusable {
    /// Too many bytes.
    #[error("it has more than {BYTES_MAX} bytes")]
    TooLarge,
    /// Not the document that it should be.
    #[error("it cannot be read: {0}")]
    Unreadable(String),
    /// Made by another version.
    #[error("it is of another version ({0}) than this program; update the one that is older")]
    OtherVersion(String),
}

impl PublishedReference {
    /// From what a hub knows, for people.
    pub fn new(source: &Source<'_>) -> Self {
        let mut standing = source.standing.clone();
        standing.clear_shares();
        let part = |part: &ModelStanding| PublishedPart {
            measured: part.fit.channels,
            laptops: part.reference.laptops,
            runs: part.reference.runs,
            peers: Peers::of(part),
            events: events(part, source.firmwares),
        };
        let PublishedPart { measured, laptops, runs, peers, events } = part(&standing);
        Self {
            schema: SCHEMA.to_owned(),
            model_id: model_id(source.provenance, source.model_key),
            provenance: source.provenance.to_owned(),
            model: source.model_key.to_owned(),
            method_version: METHOD_VERSION.to_owned(),
            as_of: source.as_of.to_owned(),
            measured,
            laptops,
            runs,
            firmwares: source.firmwares.iter().take(TOLD_MAX).cloned().collect(),
            peers,
            events,
            others: standing.others.iter().map(part).collect(),
            standing,
            own: None,
        }
    }

    /// The same for one of the model's laptops, with what it said when the references were learned and of which part's
    /// ([`ModelStanding::share_of`]).
    #[must_use]
    pub fn for_laptop(
        self,
        device_id: &str,
        share: Option<(Channels, &Share)>,
        services: &[(f64, Action)],
    ) -> Self {
        let told = services.len().saturating_sub(TOLD_MAX);
        let own = Own {
            device_id: device_id.to_owned(),
            share: share.map(|(_, share)| share.clone()),
            measured: share.map(|(channels, _)| channels),
            services: services[told..].to_vec(),
        };
        Self { own: Some(own), ..self }
    }

    /// Reads a document as it came from a hub or a file.
    ///
    /// # Errors
    /// What this program cannot use, with the reason.
    pub fn read(bytes: &[u8]) -> Result<Self, Unusable> {
        if bytes.len() > BYTES_MAX {
            return Err(Unusable::TooLarge);
        }
        let unreadable = |e: serde_json::Error| Unusable::Unreadable(e.to_string());
        let v: Versions = serde_json::from_slice(bytes).map_err(unreadable)?;
        let found = [&v.schema, &v.method_version, &v.standing.version, &v.standing.constants_version];
        if found.map(String::as_str) != [SCHEMA, METHOD_VERSION, STANDING_VERSION, CONSTANTS_VERSION] {
            return Err(Unusable::OtherVersion(found.map(String::as_str).join(", ")));
        }
        let read: Self = serde_json::from_slice(bytes).map_err(unreadable)?;
        if !read.standing.is_sound(&Constants::default()) {
            return Err(Unusable::Unreadable("its tables cannot be what a hub learned".to_owned()));
        }
        if read.own.iter().flat_map(|own| &own.services).any(|(day, _)| !(0.0..=DAY_MAX).contains(day)) {
            return Err(Unusable::Unreadable("a service's day cannot be one".to_owned()));
        }
        Ok(read)
    }

    /// How many laptops beside the asking one the part for these channels was learned from.
    fn others(&self, part: &ModelStanding) -> usize {
        let own = self.own.as_ref().filter(|o| o.share.is_some()).and_then(|o| o.measured);
        part.reference.laptops.saturating_sub(usize::from(own == Some(part.fit.channels)))
    }

    /// The number of a firmware, by which events are told apart: from 1, the next one for a firmware that no laptop had
    /// yet, 0 where it isn't known.
    fn firmware_number(&self, firmware: &str) -> u32 {
        if firmware.is_empty() {
            return 0;
        }
        let at = self.firmwares.iter().position(|f| f == firmware);
        at.unwrap_or(self.firmwares.len()) as u32 + 1
    }
}

impl Peers {
    /// From what a model's laptops taught, in units of its own as-new level.
    fn of(standing: &ModelStanding) -> Self {
        let [airflow_fraction, fan_factor, contact_factor] =
            one_run::peers(&Constants::default(), &standing.reference);
        let peers = &standing.reference.peers;
        Self {
            airflow_fraction,
            fan_factor,
            contact_factor,
            fan_start_delay_s: peers.start_delay_s,
            fan_flutter: peers.flutter,
            hot_c: peers.hot_c,
        }
    }
}

fn events(standing: &ModelStanding, firmwares: &[String]) -> Vec<PublishedEvent> {
    let named = |number: u32| firmwares.get((number as usize).checked_sub(1)?).cloned();
    standing
        .reference
        .events
        .iter()
        .map(|e| PublishedEvent {
            part: e.part,
            firmware: match e.start {
                EventStart::Firmware(number) => named(number),
                EventStart::Day(_) => None,
            },
            day: e.day,
            factor: e.log_step.exp(),
            laptops: e.laptops,
        })
        .collect()
}

#[cfg(test)]
mod tests;
