//! Enrolment: a device shows its invite and proves that it holds its key.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::digest::fixed_hex;
use super::limits::{MAX_ENROLMENT_BYTES, MAX_INVITE_BYTES};
use super::parse::{check_schema, typed};
use super::{Digest, PublicKey, Refusal, RefusalCode, SigningIdentity, canonical, json};

/// The schema's name.
pub const SCHEMA: &str = "windrow-enrolment/1";
/// First bytes of the message that the proof covers; SHA-256 over the canonical request without `signature` follows.
pub const PROOF_PREFIX: &[u8] = b"windrow-enrolment/1\n";

/// An enrolment request on the wire.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct EnrolmentRequest {
    /// Always `windrow-enrolment/1`.
    pub schema: String,
    /// The invite, as the administrator gave it.
    pub invite: String,
    /// Random device id, 32 lower-case hex digits.
    pub device_id: String,
    /// Ed25519 public key, 64 lower-case hex digits.
    pub public_key: String,
    /// Proof of possession, 128 lower-case hex digits.
    pub signature: String,
}

/// An enrolment whose proof holds. Whether the invite is good is the hub's to know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Enrolment {
    /// The invite.
    pub invite: String,
    /// The device id.
    pub device_id: String,
    /// The key whose possession was proven.
    pub public_key: PublicKey,
}

impl SigningIdentity {
    /// The enrolment request for an invite, in canonical form.
    ///
    /// # Errors
    /// An invite that a hub would refuse: empty, too long, or with control characters.
    pub fn enrolment_request(&self, invite: &str) -> Result<Vec<u8>, Refusal> {
        let mut request = EnrolmentRequest {
            schema: SCHEMA.to_owned(),
            invite: invite.to_owned(),
            device_id: self.device_id().to_owned(),
            public_key: self.public_key().to_hex(),
            signature: String::new(),
        };
        let unsigned = json::read(&canonical::to_bytes(&request)?, MAX_ENROLMENT_BYTES)?;
        request.signature = hex::encode(self.sign(&proof_message(&unsigned)?));
        let bytes = canonical::to_bytes(&request)?;
        EnrolmentRequest::parse_and_verify(&bytes)?;
        Ok(bytes)
    }
}

impl EnrolmentRequest {
    /// Reads a request as strictly as a record and verifies its proof of possession.
    ///
    /// # Errors
    /// What the format forbids, a weak key or a wrong proof, with the field's name.
    pub fn parse_and_verify(bytes: &[u8]) -> Result<Enrolment, Refusal> {
        let value = json::read(bytes, MAX_ENROLMENT_BYTES)?;
        check_schema(&value, SCHEMA, "schema")?;
        let request: Self = typed(&value)?;
        check_invite(&request.invite)?;
        fixed_hex::<16>(&request.device_id, "device_id")?;
        let public_key = PublicKey::from_hex(&request.public_key, "public_key")?;
        let signature = fixed_hex(&request.signature, "signature")?;
        public_key.verify(&proof_message(&value)?, &signature, "signature")?;
        Ok(Enrolment { invite: request.invite, device_id: request.device_id, public_key })
    }
}

fn check_invite(invite: &str) -> Result<(), Refusal> {
    if invite.is_empty() {
        return Err(Refusal::new(RefusalCode::BadText, "invite", "empty"));
    }
    if invite.len() > MAX_INVITE_BYTES {
        let why = format!("{} bytes, at most {MAX_INVITE_BYTES}", invite.len());
        return Err(Refusal::new(RefusalCode::TextTooLong, "invite", why));
    }
    Ok(())
}

fn proof_message(request: &Value) -> Result<Vec<u8>, Refusal> {
    let not_object = || Refusal::new(RefusalCode::WrongType, json::WHOLE, "needs an object");
    let fields = request.as_object().ok_or_else(not_object)?;
    let digest = Digest::of(&canonical::without(fields, &["signature"])?);
    Ok([PROOF_PREFIX, &digest.0].concat())
}
