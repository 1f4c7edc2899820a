//! A record from the bytes that were received, and its proof.

use serde_json::Value;

use super::digest::{Digest, fixed_hex};
use super::limits::{MAX_DOCUMENT_BYTES, MAX_EXT_BYTES};
use super::sign::{PublicKey, signed_message};
use super::wire::{Record, SCHEMA};
use super::{Refusal, RefusalCode, canonical, check, json};

/// Fields of the header that its digest leaves out.
pub(super) const OUTSIDE_DIGEST: [&str; 2] = ["digest", "signature"];

/// A well-formed record, with the digests of what was received. Nothing is proven yet: call [`Self::verify`].
#[derive(Debug, Clone)]
pub struct ReceivedRecord {
    record: Record,
    header_digest: Digest,
    trace_digest: Option<Digest>,
}

/// A record whose digests and signature hold under the key that it was checked against.
#[derive(Debug, Clone)]
pub struct VerifiedRecord {
    /// The record.
    pub record: Record,
    /// Its digest, which is its name everywhere.
    pub digest: Digest,
}

impl ReceivedRecord {
    /// Reads a posted document: header and trace.
    ///
    /// # Errors
    /// The first thing that the format forbids, with the field's name. Never panics.
    pub fn parse(bytes: &[u8]) -> Result<Self, Refusal> {
        let received = Self::parse_thinned(bytes)?;
        if received.trace_digest.is_none() {
            return Err(Refusal::new(
                RefusalCode::MissingField,
                "trace",
                "a posted record carries its trace",
            ));
        }
        Ok(received)
    }

    /// Reads a document whose trace may have been thinned away.
    ///
    /// # Errors
    /// As [`Self::parse`], but for an absent trace.
    pub fn parse_thinned(bytes: &[u8]) -> Result<Self, Refusal> {
        let value = json::read(bytes, MAX_DOCUMENT_BYTES)?;
        check_schema(&value, SCHEMA, "header.schema")?;
        let record: Record = typed(&value)?;
        check::check_header(&record.header)?;
        if let Some(trace) = &record.trace {
            check::check_trace(trace, "trace")?;
        }
        check_ext_size(&record)?;
        Ok(Self { header_digest: header_digest(&value)?, trace_digest: trace_digest(&value)?, record })
    }

    /// What was read. Unproven: for finding the device's key.
    pub const fn record(&self) -> &Record {
        &self.record
    }

    /// Digest of the header as received, whatever the header claims.
    pub const fn digest(&self) -> Digest {
        self.header_digest
    }

    /// Proves the record against the device's key: trace digest, header digest, key id, signature, in this order.
    ///
    /// # Errors
    /// [`RefusalCode::TraceDigestMismatch`], [`RefusalCode::DigestMismatch`], [`RefusalCode::KeyIdMismatch`] or
    /// [`RefusalCode::BadSignature`].
    pub fn verify(self, key: &PublicKey) -> Result<VerifiedRecord, Refusal> {
        let header = &self.record.header;
        if let Some(found) = self.trace_digest {
            let code = RefusalCode::TraceDigestMismatch;
            same_digest(&header.trace_digest, found, "header.trace_digest", code)?;
        }
        same_digest(&header.digest, self.header_digest, "header.digest", RefusalCode::DigestMismatch)?;
        if header.key_id != key.key_id() {
            let why = format!("the device's key has the id `{}`", key.key_id());
            return Err(Refusal::new(RefusalCode::KeyIdMismatch, "header.key_id", why));
        }
        let signature = fixed_hex(&header.signature, "header.signature")?;
        key.verify(&signed_message(self.header_digest), &signature, "header.signature")?;
        Ok(VerifiedRecord { digest: self.header_digest, record: self.record })
    }
}

/// Refuses another schema before anything else: its fields would only confuse the message.
pub(super) fn check_schema(value: &Value, accepted: &str, field: &str) -> Result<(), Refusal> {
    let mut at = Some(value);
    for name in field.split('.') {
        at = at.and_then(|v| v.get(name));
    }
    match at {
        Some(Value::String(schema)) if schema == accepted => Ok(()),
        Some(Value::String(schema)) => {
            let why = format!("`{}`; accepted here: `{accepted}`", json::quotable(schema));
            Err(Refusal::new(RefusalCode::UnsupportedSchema, field, why))
        }
        Some(_) => Err(Refusal::new(RefusalCode::WrongType, field, "needs a text")),
        None => Err(Refusal::new(RefusalCode::MissingField, field, "missing")),
    }
}

/// The value as a wire type; the refusal names the field.
pub(super) fn typed<'de, T: serde::Deserialize<'de>>(value: &'de Value) -> Result<T, Refusal> {
    serde_path_to_error::deserialize(value).map_err(|e| {
        let path = e.path().to_string();
        let path = if path == "." { String::new() } else { path };
        let why = e.inner().to_string();
        let missing = why.strip_prefix("missing field `").and_then(|rest| rest.split('`').next());
        let (code, field) = match missing {
            Some(name) if path.is_empty() => (RefusalCode::MissingField, name.to_owned()),
            Some(name) => (RefusalCode::MissingField, format!("{path}.{name}")),
            None if why.starts_with("unknown field") => (RefusalCode::UnknownField, path),
            None => (RefusalCode::WrongType, path),
        };
        let field = if field.is_empty() { json::WHOLE.to_owned() } else { json::quotable(&field) };
        Refusal::new(code, field, json::quotable(&why))
    })
}

/// Digest of the header as it stands in the document, without `digest` and `signature`.
pub(super) fn header_digest(document: &Value) -> Result<Digest, Refusal> {
    let missing = || Refusal::new(RefusalCode::MissingField, "header", "missing");
    let header = document.get("header").and_then(Value::as_object).ok_or_else(missing)?;
    Ok(Digest::of(&canonical::without(header, &OUTSIDE_DIGEST)?))
}

/// Digest of the trace as it stands in the document.
fn trace_digest(document: &Value) -> Result<Option<Digest>, Refusal> {
    match document.get("trace") {
        None | Some(Value::Null) => Ok(None),
        Some(trace) => Ok(Some(Digest::of(&canonical::to_bytes(trace)?))),
    }
}

fn same_digest(claimed: &str, found: Digest, field: &str, code: RefusalCode) -> Result<(), Refusal> {
    if claimed == found.to_hex() {
        return Ok(());
    }
    Err(Refusal::new(code, field, format!("what was received has the digest `{found}`")))
}

fn check_ext_size(record: &Record) -> Result<(), Refusal> {
    let n_bytes = canonical::to_bytes(&record.header.ext)?.len();
    if n_bytes > MAX_EXT_BYTES {
        let why = format!("{n_bytes} bytes in canonical form, at most {MAX_EXT_BYTES}");
        return Err(Refusal::new(RefusalCode::TooLarge, "header.ext", why));
    }
    Ok(())
}
