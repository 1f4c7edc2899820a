//! Bodies of the ledger's events about laptops. Their fields are a promise: docs/ledger.md lists them.

use serde::Serialize;
use windrow_model::record::canonical;

use crate::ledger::leaf::Commitment;
use crate::store::StoreError;

/// A laptop joined.
#[derive(Serialize)]
pub(super) struct EnrolmentEvent<'a> {
    pub(super) device_id: &'a str,
    pub(super) public_key: String,
    /// Over the canonical form of [`Placing`].
    pub(super) placing_commitment: String,
}

/// Something happened to a laptop that needs no more words.
#[derive(Serialize)]
pub(super) struct DeviceEvent<'a> {
    pub(super) device_id: &'a str,
}

/// A service taken from a file.
#[derive(Serialize)]
pub(super) struct ServiceEvent<'a> {
    pub(super) device_id: &'a str,
    pub(super) serviced_on: String,
    pub(super) action: &'a str,
}

/// A laptop stands elsewhere.
#[derive(Serialize)]
pub(super) struct PlacingEvent<'a> {
    pub(super) device_id: &'a str,
    /// Over the canonical form of [`Placing`].
    pub(super) placing_commitment: String,
}

/// Where a laptop stands: free text, so that the ledger holds only a commitment to it.
#[derive(Serialize)]
pub(super) struct Placing {
    pub(super) asset_tag: String,
    pub(super) place: String,
    pub(super) site: String,
}

impl Placing {
    pub(super) fn commit(&self) -> Result<Commitment, StoreError> {
        let corrupt = |why: String| StoreError::Corrupt { column: "placing", why };
        let bytes = canonical::to_bytes(self).map_err(|e| corrupt(e.to_string()))?;
        let text = std::str::from_utf8(&bytes).map_err(|e| corrupt(e.to_string()))?;
        Commitment::new(text).map_err(|e| StoreError::NoRandomness(e.to_string()))
    }
}
