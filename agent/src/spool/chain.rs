//! The last link of a device's chain.

use serde::{Deserialize, Serialize};
use windrow_model::record::chain;
use windrow_model::record::limits::MAX_DOCUMENT_BYTES;
use windrow_model::record::{ReceivedRecord, SignedRecord, SigningIdentity};

use super::Waiting;
use crate::failure::Failure;
use crate::files;
use crate::state::StateDir;

const FILE_BYTES_MAX: usize = 4096;

/// The record that the next one follows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChainHead {
    /// Its device.
    pub device_id: String,
    /// Its number; 0 for the chain's root.
    pub sequence: u64,
    /// Its digest, or the root.
    pub digest: String,
}

/// What `chain.json` remembers, for the day when the record files were removed by hand; else the root. A file that
/// cannot be understood is as good as none: the record files decide.
pub(super) fn read_shadow(state: &StateDir, identity: &SigningIdentity) -> Result<ChainHead, Failure> {
    let path = state.file("chain.json");
    let bytes = files::read_limited(&path, FILE_BYTES_MAX).map_err(|e| Failure::at("read", &path, e))?;
    let shadow = bytes.and_then(|b| serde_json::from_slice::<ChainHead>(&b).ok());
    Ok(shadow.filter(|h| h.device_id == identity.device_id()).unwrap_or_else(|| ChainHead {
        device_id: identity.device_id().to_owned(),
        sequence: 0,
        digest: chain::root(identity.device_id(), &identity.public_key()).to_hex(),
    }))
}

/// Written after the record, and only a help: failing costs nothing while the record's file is there.
pub(super) fn write_shadow(state: &StateDir, record: &SignedRecord) {
    let head = ChainHead {
        device_id: record.record.header.device_id.clone(),
        sequence: record.record.header.sequence,
        digest: record.digest.to_hex(),
    };
    if let Ok(json) = serde_json::to_vec(&head) {
        let _ = files::write_atomically(&state.file("chain.json"), &json);
    }
}

/// The link that a record's file is. It was written whole or not at all, so one that cannot be read was damaged
/// later, and going on over it would fork the chain in silence.
pub(super) fn head_of_file(waiting: &Waiting) -> Result<ChainHead, Failure> {
    let damaged = |why: String| {
        Failure::at("take the chain's last link from", &waiting.path, why)
            .remedy("restore the file from a backup, or move it out of the folder; the hub will then note a gap in the chain")
    };
    let bytes = files::read_limited(&waiting.path, MAX_DOCUMENT_BYTES)
        .map_err(|e| damaged(e.to_string()))?
        .ok_or_else(|| damaged("it is gone".into()))?;
    let received = ReceivedRecord::parse(&bytes).map_err(|e| damaged(e.to_string()))?;
    let header = &received.record().header;
    Ok(ChainHead {
        device_id: header.device_id.clone(),
        sequence: header.sequence,
        digest: received.digest().to_hex(),
    })
}
