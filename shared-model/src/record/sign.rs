//! Ed25519 (RFC 8032): a device's identity, its signature over a record, and the key that verifies it.

use std::fmt;

use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};

use super::digest::{Digest, fixed_hex};
use super::parse::{ReceivedRecord, header_digest};
use super::wire::{Header, Record, SCHEMA, WireTrace};
use super::{Refusal, RefusalCode, canonical, json};

/// First bytes of the message that a record's signature covers; the digest's 32 bytes follow.
pub const SIGNATURE_PREFIX: &[u8] = b"windrow-record/1\n";

/// Bytes of a key id: 128 bits of the key's SHA-256.
const KEY_ID_BYTES: usize = 16;

/// The message that a record's signature covers.
pub(super) fn signed_message(digest: Digest) -> Vec<u8> {
    [SIGNATURE_PREFIX, &digest.0].concat()
}

/// A device's public key, of which it is known that it can prove something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PublicKey(VerifyingKey);

impl PublicKey {
    /// From its 32 bytes; `field` is named in the refusal.
    ///
    /// # Errors
    /// [`RefusalCode::WeakKey`] for a point of small order (some signature holds for every message) or an encoding
    /// that isn't the point's own (one key, one id); [`RefusalCode::BadFormat`] for no point at all.
    pub fn from_bytes(bytes: &[u8; 32], field: &str) -> Result<Self, Refusal> {
        let no_point = |_| Refusal::new(RefusalCode::BadFormat, field, "not an Ed25519 public key");
        let key = VerifyingKey::from_bytes(bytes).map_err(no_point)?;
        let is_canonical = key.to_edwards().compress().to_bytes() == *bytes;
        if key.is_weak() || !is_canonical {
            return Err(Refusal::new(RefusalCode::WeakKey, field, "a key that proves nothing"));
        }
        Ok(Self(key))
    }

    /// From 64 lower-case hex digits; `field` is named in the refusal.
    ///
    /// # Errors
    /// As [`Self::from_bytes`], and [`RefusalCode::BadFormat`] for another spelling.
    pub fn from_hex(text: &str, field: &str) -> Result<Self, Refusal> {
        Self::from_bytes(&fixed_hex(text, field)?, field)
    }

    /// Its 32 bytes.
    pub fn to_bytes(&self) -> [u8; 32] {
        self.0.to_bytes()
    }

    /// As 64 lower-case hex digits.
    pub fn to_hex(&self) -> String {
        hex::encode(self.to_bytes())
    }

    /// First 16 bytes, in hex, of the SHA-256 of its 32 bytes.
    pub fn key_id(&self) -> String {
        hex::encode(&Digest::of(&self.to_bytes()).0[..KEY_ID_BYTES])
    }

    /// Verifies a signature, strictly: malleable and small-order forms are refused.
    pub(super) fn verify(&self, message: &[u8], signature: &[u8; 64], field: &str) -> Result<(), Refusal> {
        let wrong = |_| Refusal::new(RefusalCode::BadSignature, field, "not this key's signature");
        self.0.verify_strict(message, &Signature::from_bytes(signature)).map_err(wrong)
    }
}

/// A device's id and signing key. The key is wiped from memory when this is dropped, and never printed.
pub struct SigningIdentity {
    device_id: String,
    key: SigningKey,
}

/// A record that was just signed.
#[derive(Debug, Clone)]
pub struct SignedRecord {
    /// The document, in canonical form: what is spooled and posted.
    pub bytes: Vec<u8>,
    /// The same as a value.
    pub record: Record,
    /// Its digest, the next record's `previous_digest`.
    pub digest: Digest,
}

impl SigningIdentity {
    /// From a device id (32 lower-case hex digits) and 32 secret random bytes.
    ///
    /// # Errors
    /// [`RefusalCode::BadFormat`] for another spelling of the id.
    pub fn from_secret(device_id: &str, secret: &[u8; 32]) -> Result<Self, Refusal> {
        fixed_hex::<16>(device_id, "device_id")?;
        Ok(Self { device_id: device_id.to_owned(), key: SigningKey::from_bytes(secret) })
    }

    /// The device id.
    pub fn device_id(&self) -> &str {
        &self.device_id
    }

    /// The public key.
    pub fn public_key(&self) -> PublicKey {
        PublicKey(self.key.verifying_key())
    }

    /// Signs a run. `schema`, `device_id`, `key_id`, `trace_digest`, `digest` and `signature` of the header are
    /// filled in here, whatever stands there; sequence and previous digest are the caller's, see
    /// [`super::chain::root`].
    ///
    /// # Errors
    /// What a hub would refuse is never signed: the same refusals as [`ReceivedRecord::parse`].
    pub fn sign_record(&self, header: Header, trace: WireTrace) -> Result<SignedRecord, Refusal> {
        let mut record = Record { header, trace: Some(trace) };
        let header = &mut record.header;
        SCHEMA.clone_into(&mut header.schema);
        self.device_id.clone_into(&mut header.device_id);
        header.key_id = self.public_key().key_id();
        header.trace_digest = Digest::of(&canonical::to_bytes(&record.trace)?).to_hex();
        // Through the document's bytes, as its reader will: one way to take a digest.
        let unsigned = json::read(&canonical::to_bytes(&record)?, super::limits::MAX_DOCUMENT_BYTES)?;
        let digest = header_digest(&unsigned)?;
        record.header.digest = digest.to_hex();
        record.header.signature = hex::encode(self.sign(&signed_message(digest)));
        let bytes = canonical::to_bytes(&record)?;
        ReceivedRecord::parse(&bytes)?.verify(&self.public_key())?;
        Ok(SignedRecord { bytes, record, digest })
    }

    pub(super) fn sign(&self, message: &[u8]) -> [u8; 64] {
        self.key.sign(message).to_bytes()
    }
}

impl fmt::Debug for SigningIdentity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let key_id = self.public_key().key_id();
        f.debug_struct("SigningIdentity")
            .field("device_id", &self.device_id)
            .field("key_id", &key_id)
            .finish_non_exhaustive()
    }
}
