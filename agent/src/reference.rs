//! The model's reference from the hub: fetched where the hub can be reached, kept with its date for when it cannot.

use chrono::{DateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use windrow_model::record::SigningIdentity;
use windrow_model::record::wire::{Header, Provenance};
use windrow_model::reference::{BYTES_MAX, PublishedReference, model_id};

use crate::failure::Failure;
use crate::files;
use crate::hub::{HubAddress, joined};
use crate::post::{Http, TransportError};
use crate::state::StateDir;
use crate::stop::StopFlag;

const FILE: &str = "reference.json";
/// The document and the few lines around it.
const FILE_BYTES_MAX: usize = BYTES_MAX + 4 * 1024;

/// `reference.json`.
#[derive(Debug, Serialize)]
struct KeptRef<'a> {
    fetched_at: DateTime<Utc>,
    hub: &'a str,
    reference: &'a PublishedReference,
}

/// The same as it is read.
#[derive(Debug, Deserialize)]
struct Kept {
    fetched_at: DateTime<Utc>,
    hub: String,
    reference: serde_json::Value,
}

/// A reference and where it is from.
#[derive(Debug, Clone)]
pub struct Reference {
    /// When it was fetched.
    pub fetched_at: DateTime<Utc>,
    /// From which hub.
    pub hub: String,
    /// The reference.
    pub document: PublishedReference,
}

/// What became of asking for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fetched {
    /// It came and is kept.
    Came,
    /// The hub knows a laptop's model from its first record, and has none of this one yet.
    AfterFirstRecord,
    /// Not now, or there is none; what is kept stays.
    No {
        /// Why.
        why: String,
    },
}

/// What names this record's model at a hub.
fn id_of(header: &Header) -> String {
    let provenance = match header.provenance {
        Provenance::Measured => "measured",
        Provenance::Emulated => "emulated",
    };
    model_id(provenance, &header.model.key())
}

/// The kept reference of this record's model; a file that cannot be used is none, the next fetch replaces it.
pub fn kept(state: &StateDir, header: &Header) -> Option<Reference> {
    let bytes = files::read_limited(&state.file(FILE), FILE_BYTES_MAX).ok()??;
    let kept: Kept = serde_json::from_slice(&bytes).ok()?;
    let document = PublishedReference::read(&serde_json::to_vec(&kept.reference).ok()?).ok()?;
    (document.model_id == id_of(header)).then_some(Reference {
        fetched_at: kept.fetched_at,
        hub: kept.hub,
        document,
    })
}

/// Whether this laptop may ask that hub: it has joined it.
pub fn may_ask(state: &StateDir, hub: &HubAddress, signing: &SigningIdentity) -> bool {
    let joined = joined(state).ok().flatten();
    joined.is_some_and(|j| j.url.trim_end_matches('/') == hub.shown() && j.device_id == signing.device_id())
}

/// Asks the hub once, with little patience, and keeps what comes. Somebody may be waiting for a verdict, which can do
/// without.
///
/// # Errors
/// A file that cannot be written, or no certificate roots.
pub fn fetch(
    state: &StateDir,
    hub: &HubAddress,
    signing: &SigningIdentity,
    header: &Header,
    stop: &StopFlag,
) -> Result<Fetched, Failure> {
    let endpoint = format!("v1/models/{}/reference", id_of(header));
    let at = Utc::now();
    let signed =
        signing.sign_request("GET", &format!("/{endpoint}"), &at.to_rfc3339_opts(SecondsFormat::Secs, true));
    let authorization = signed.map_err(|e| Failure::new(format!("the request cannot be signed: {e}")))?;
    let answer = match Http::hasty(hub)?.stopping_at(stop).get(&endpoint, &authorization, BYTES_MAX) {
        Ok(answer) => answer,
        Err(
            e @ (TransportError::NoAnswer(_) | TransportError::Untrusted(_) | TransportError::Stopped(_)),
        ) => {
            return Ok(Fetched::No { why: e.to_string() });
        }
    };
    if answer.status != 200 {
        return Ok(if answer.is_problem("no_record_yet") {
            Fetched::AfterFirstRecord
        } else {
            Fetched::No { why: answer.words() }
        });
    }
    let document = match PublishedReference::read(&answer.body) {
        Ok(document) => document,
        Err(why) => return Ok(Fetched::No { why: format!("the hub's reference is of no use here: {why}") }),
    };
    keep(state, &KeptRef { fetched_at: at, hub: hub.shown(), reference: &document })?;
    Ok(Fetched::Came)
}

fn keep(state: &StateDir, kept: &KeptRef<'_>) -> Result<(), Failure> {
    let path = state.file(FILE);
    let written = serde_json::to_vec(kept)
        .map_err(std::io::Error::other)
        .and_then(|json| files::write_atomically(&path, &json));
    written.map_err(|e| Failure::at("keep the model's reference in", &path, e))
}
