//! From a posted document to a durable record: read, find the device, prove, append.
//!
//! Knows no HTTP. What is refused is refused before anything is written; a gap or fork in the chain is a state.

use chrono::DateTime;
use serde_json::Value;
use windrow_model::record::wire::{AmbientSource, Provenance, WireTrace};
use windrow_model::record::{Digest, ReceivedRecord, Refusal, RefusalCode, VerifiedRecord, canonical, chain};

use crate::store::{Appended, Device, EpochMs, NewRecord, RunFacts, Store, StoreError};

/// zstd level of stored traces: the default; higher ones cost more time than they save.
const TRACE_ZSTD_LEVEL: i32 = 3;

/// Why a document was not taken.
#[derive(Debug, thiserror::Error)]
pub enum NotTaken {
    /// It is not a good record.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// The device never joined.
    #[error("the device `{0}` has not joined this hub")]
    UnknownDevice(String),
    /// The device's key was revoked.
    #[error("the device `{0}` was revoked")]
    Revoked(String),
    /// The store could not; the document is to be posted again.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// A document that was taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Taken {
    /// The record's digest.
    pub digest: Digest,
    /// Stored now, or known from before.
    pub appended: Appended,
}

/// What became of a post.
#[derive(Debug)]
pub struct Outcome {
    /// One answer a document, in their order.
    pub answers: Vec<Result<Taken, NotTaken>>,
    /// A check that the hub asked of the (last) device.
    pub check_wanted_by_ms: Option<EpochMs>,
    /// Why the (last) device is held back from load; `None`: it isn't.
    pub held_why: Option<String>,
}

/// Takes documents: all good ones are appended in one unit of work, and are durable when this returns.
pub async fn take<S: Store>(store: &S, documents: Vec<Vec<u8>>, now_ms: EpochMs) -> Outcome {
    let mut answers: Vec<Option<Result<Taken, NotTaken>>> = Vec::with_capacity(documents.len());
    let mut records = Vec::new();
    let mut places = Vec::new();
    let (mut check_wanted_by_ms, mut held_why) = (None, None);
    for (idx, document) in documents.into_iter().enumerate() {
        match prove(store, document, now_ms).await {
            Ok((record, device)) => {
                (check_wanted_by_ms, held_why) = (device.check_wanted_by_ms, device.held_why);
                places.push((idx, record.facts.digest));
                records.push(record);
                answers.push(None);
            }
            Err(why) => answers.push(Some(Err(why))),
        }
    }
    let appended = if records.is_empty() { Ok(Vec::new()) } else { store.record_append_batch(records).await };
    match appended {
        Ok(appended) => {
            for ((idx, digest), appended) in places.into_iter().zip(appended) {
                answers[idx] = Some(Ok(Taken { digest, appended }));
            }
        }
        Err(e) => {
            tracing::error!(error = &e as &dyn std::error::Error, "records could not be stored");
            for (idx, _) in places {
                answers[idx] = Some(Err(NotTaken::Store(StoreError::Busy)));
            }
        }
    }
    Outcome { answers: answers.into_iter().flatten().collect(), check_wanted_by_ms, held_why }
}

async fn prove<S: Store>(
    store: &S,
    document: Vec<u8>,
    now_ms: EpochMs,
) -> Result<(NewRecord, Device), NotTaken> {
    let (received, document) =
        off_the_reactor(move || Ok((ReceivedRecord::parse(&document)?, document))).await?;
    let device_id = received.record().header.device_id.clone();
    let device = store.device_get(device_id.clone()).await?.ok_or(NotTaken::UnknownDevice(device_id))?;
    if device.revoked_at_ms.is_some() {
        return Err(NotTaken::Revoked(device.device_id));
    }
    let key = device.public_key;
    let record = off_the_reactor(move || {
        let verified = received.verify(&key)?;
        new_record(&verified, &document, chain::root(&verified.record.header.device_id, &key), now_ms)
    })
    .await?;
    Ok((record, device))
}

/// Parsing, hashing and packing take a millisecond or more: not on the threads that serve sockets.
async fn off_the_reactor<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
) -> Result<T, NotTaken> {
    let done = tokio::task::spawn_blocking(work).await;
    Ok(done.map_err(|_| StoreError::Closing)??)
}

fn new_record(
    verified: &VerifiedRecord,
    document: &[u8],
    root: Digest,
    now_ms: EpochMs,
) -> Result<NewRecord, Refusal> {
    let header = &verified.record.header;
    let previous = Digest::from_hex(&header.previous_digest, "header.previous_digest")?;
    let (header_json, trace_json) = parts_as_received(document)?;
    Ok(NewRecord {
        facts: facts(verified, &trace_json, now_ms)?,
        sequence: header.sequence,
        previous,
        root,
        header_json,
    })
}

/// Header and trace in canonical form, from the document and not from a struct: what is stored still proves the digest.
fn parts_as_received(document: &[u8]) -> Result<(Vec<u8>, Vec<u8>), Refusal> {
    let value: Value = serde_json::from_slice(document)
        .map_err(|e| Refusal::new(RefusalCode::Syntax, "document", e.to_string()))?;
    Ok((canonical::to_bytes(&value["header"])?, canonical::to_bytes(&value["trace"])?))
}

/// What the store keeps of a record in columns of their own.
///
/// # Errors
/// A start time that is none.
pub(crate) fn facts(
    verified: &VerifiedRecord,
    trace_json: &[u8],
    now_ms: EpochMs,
) -> Result<RunFacts, Refusal> {
    let header = &verified.record.header;
    let started = DateTime::parse_from_rfc3339(&header.started_at)
        .map_err(|e| Refusal::new(RefusalCode::BadFormat, "header.started_at", e.to_string()))?;
    // The indoor prior is no measurement: the hub has its own.
    let ambient = header.context.ambient.filter(|a| a.source != AmbientSource::Prior);
    Ok(RunFacts {
        device_id: header.device_id.clone(),
        digest: verified.digest,
        provenance: match header.provenance {
            Provenance::Measured => "measured",
            Provenance::Emulated => "emulated",
        },
        model_key: header.model.key(),
        model_name: header.model.product.clone(),
        firmware: header.model.firmware.clone(),
        site: String::new(),
        load_mix: format!("{} {}", header.load_mix.version, header.load_mix.target),
        protocol: name_of(&header.protocol.kind),
        outcome: name_of(&header.outcome),
        channels: verified.record.trace.as_ref().map(channels_read).unwrap_or_default(),
        ambient_c: ambient.map(|a| a.value_c),
        ambient_sd_k: ambient.map(|a| a.sd_k),
        on_ac: header.context.on_ac,
        tested_at_ms: started.timestamp_millis(),
        received_at_ms: now_ms,
        trace_zstd: pack(trace_json),
    })
}

/// The wire name of a unit variant.
fn name_of<T: serde::Serialize>(value: &T) -> String {
    serde_json::to_value(value).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

/// The columns in which something was read, with a space between them.
pub fn channels_read(trace: &WireTrace) -> String {
    let read = trace.columns.iter().filter(|(_, cells)| cells.iter().any(Option::is_some));
    read.map(|(column, _)| column.as_str()).collect::<Vec<_>>().join(" ")
}

/// Packs a trace for the store.
pub fn pack(trace_json: &[u8]) -> Vec<u8> {
    // Writing to memory cannot fail, and the level is one that zstd has.
    zstd::bulk::compress(trace_json, TRACE_ZSTD_LEVEL).unwrap_or_default()
}
