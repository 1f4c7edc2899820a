//! What a notice says: from what a receiver was told and how the fleet is judged, to the changes and their posts. Pure.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, SecondsFormat};
use schemars::JsonSchema;
use serde::Serialize;
use sha2::{Digest as _, Sha256};
use windrow_model::METHOD_VERSION;

use super::MAX_CHANGES;
use crate::scoring::{Band, ReasonCode, Standing};
use crate::store::EpochMs;
use crate::store::notices::{LaptopKey, NewNotice, ToldBand};

/// The body's name and version.
pub const SCHEMA: &str = "windrow-notice/1";
/// Bytes of an id.
const ID_BYTES: usize = 16;

/// The body of a post.
#[derive(Debug, Serialize, JsonSchema)]
#[schemars(rename = "Notice")]
pub struct Notice {
    /// `windrow-notice/1`.
    pub schema: &'static str,
    /// The notice's name for ever, as in the header: whoever has seen it may drop it.
    pub id: String,
    /// Sent by hand to try the receiver: no laptop's band changed.
    pub trial: bool,
    /// When the fleet was judged, RFC 3339.
    pub judged_at: String,
    /// Method version of that judgement.
    pub method_version: &'static str,
    /// At most 500; the most urgent first.
    pub changes: Vec<Change>,
}

/// A laptop's band changed.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "BandChange")]
pub struct Change {
    /// The change's name for ever, the same to every receiver.
    pub id: String,
    /// The laptop.
    pub device_id: String,
    /// Asset tag; empty where none is known.
    pub asset_tag: String,
    /// What a person calls the model.
    pub model: String,
    /// Site; empty where none is known.
    pub site: String,
    /// `measured`, `emulated` or `imported`.
    pub provenance: String,
    /// Its band before; `null`: it is judged for the first time.
    pub from_band: Option<Band>,
    /// Its band now.
    pub to_band: Band,
    /// Why, for programs.
    pub reason_code: ReasonCode,
    /// Why, in words.
    pub reason: String,
    /// By when it should be seen to.
    pub due_on: Option<NaiveDate>,
}

/// What is new to a receiver.
#[derive(Debug, Default)]
pub struct News {
    /// To be told.
    pub changes: Vec<Change>,
    /// Taken as told without a notice: laptops that are new and ask for nothing.
    pub silent: Vec<ToldBand>,
}

impl News {
    /// By comparing how the laptops stand with what a receiver was told of them.
    pub fn between(told: &HashMap<LaptopKey, String>, standings: &[Standing], judged_at_ms: EpochMs) -> Self {
        let mut news = Self::default();
        for standing in standings {
            let key = (standing.device_id().to_owned(), standing.last.kind.of.provenance.clone());
            match told.get(&key).map(String::as_str) {
                Some(before) if before == standing.band.name() => {}
                None if !standing.band.is_visit() => news.silent.push(told_band(standing)),
                before => news.changes.push(change(standing, before, judged_at_ms)),
            }
        }
        news
    }
}

/// The band of a laptop as a receiver knows it from now on.
pub fn told_band(standing: &Standing) -> ToldBand {
    ToldBand {
        device_id: standing.device_id().to_owned(),
        provenance: standing.last.kind.of.provenance.clone(),
        band: standing.band.name().to_owned(),
    }
}

fn change(standing: &Standing, before: Option<&str>, judged_at_ms: EpochMs) -> Change {
    let run = &standing.last;
    let to = standing.band.name();
    let at = judged_at_ms.to_string();
    Change {
        id: id_of(&[&run.device_id, &run.kind.of.provenance, before.unwrap_or_default(), to, &at]),
        device_id: run.device_id.to_string(),
        asset_tag: run.asset_tag.to_string(),
        model: run.kind.model_name.clone(),
        site: run.kind.site.clone(),
        provenance: run.kind.of.provenance.clone(),
        // A band that only another version of the hub knows is none here.
        from_band: before.and_then(Band::from_name),
        to_band: standing.band,
        reason_code: standing.reason_code,
        reason: standing.reason.to_string(),
        due_on: standing.due_on,
    }
}

/// The notices that tell these changes, each within [`MAX_CHANGES`].
pub fn notices(changes: Vec<Change>, judged_at_ms: EpochMs) -> impl Iterator<Item = NewNotice> {
    let mut rest = changes.into_iter();
    std::iter::from_fn(move || {
        let some: Vec<Change> = rest.by_ref().take(MAX_CHANGES).collect();
        (!some.is_empty()).then(|| notice(some, judged_at_ms))
    })
}

fn notice(changes: Vec<Change>, judged_at_ms: EpochMs) -> NewNotice {
    let ids: Vec<&str> = changes.iter().map(|c| c.id.as_str()).collect();
    let notice_id = id_of(&ids);
    let told = changes
        .iter()
        .map(|c| ToldBand {
            device_id: c.device_id.clone(),
            provenance: c.provenance.clone(),
            band: c.to_band.name().to_owned(),
        })
        .collect();
    let body = body(&notice_id, false, judged_at_ms, changes);
    NewNotice { notice_id, body, told, made_at_ms: judged_at_ms }
}

/// A notice that tells of no laptop, to try a receiver: its id and its body.
pub fn trial(now_ms: EpochMs, id: &str) -> String {
    let change = Change {
        id: id_of(&[id]),
        device_id: "0".repeat(32),
        asset_tag: "TRIAL".to_owned(),
        model: "no laptop".to_owned(),
        site: String::new(),
        provenance: "emulated".to_owned(),
        from_band: Some(Band::NoVisit),
        to_band: Band::NextRound,
        reason_code: ReasonCode::NothingSeen,
        reason: "this is a trial: no laptop's band changed".to_owned(),
        due_on: None,
    };
    body(id, true, now_ms, vec![change])
}

fn body(id: &str, trial: bool, judged_at_ms: EpochMs, changes: Vec<Change>) -> String {
    let judged_at = DateTime::from_timestamp_millis(judged_at_ms).unwrap_or_default();
    let notice = Notice {
        schema: SCHEMA,
        id: id.to_owned(),
        trial,
        judged_at: judged_at.to_rfc3339_opts(SecondsFormat::Millis, true),
        method_version: METHOD_VERSION,
        changes,
    };
    serde_json::to_string(&notice).expect("texts, bands and dates are JSON")
}

/// A name that follows from these words and from nothing else.
fn id_of(words: &[&str]) -> String {
    let mut hash = Sha256::new();
    for word in words {
        hash.update((word.len() as u64).to_be_bytes());
        hash.update(word.as_bytes());
    }
    hex::encode(&hash.finalize()[..ID_BYTES])
}
