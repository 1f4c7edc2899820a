//! SHA-256 digests and the ledger's leaf.

use std::fmt;

use sha2::{Digest as _, Sha256};

use super::{Refusal, RefusalCode};

/// A SHA-256 digest; printed as 64 lower-case hex digits.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Digest(pub [u8; 32]);

impl Digest {
    /// Digest of these bytes, one part after the other.
    pub fn of_parts(parts: &[&[u8]]) -> Self {
        let mut hash = Sha256::new();
        for part in parts {
            hash.update(part);
        }
        Self(hash.finalize().into())
    }

    /// Digest of these bytes.
    pub fn of(bytes: &[u8]) -> Self {
        Self::of_parts(&[bytes])
    }

    /// From 64 lower-case hex digits; `field` is named in the refusal.
    pub fn from_hex(text: &str, field: &str) -> Result<Self, Refusal> {
        fixed_hex(text, field).map(Self)
    }

    /// As 64 lower-case hex digits.
    pub fn to_hex(self) -> String {
        hex::encode(self.0)
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.to_hex())
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Digest({self})")
    }
}

/// `N` bytes from exactly `2 N` lower-case hex digits. Upper case is refused: one value, one spelling.
pub(super) fn fixed_hex<const N: usize>(text: &str, field: &str) -> Result<[u8; N], Refusal> {
    let mut bytes = [0_u8; N];
    let is_lower = !text.bytes().any(|b| b.is_ascii_uppercase());
    if is_lower && hex::decode_to_slice(text, &mut bytes).is_ok() {
        return Ok(bytes);
    }
    let why = format!("needs exactly {} lower-case hex digits", 2 * N);
    Err(Refusal::new(RefusalCode::BadFormat, field, why))
}

/// First bytes of the ledger's leaf input.
pub const LEAF_PREFIX: &[u8] = b"windrow-leaf/1\n";

/// First byte of a leaf's hash, RFC 6962 section 2.1.
const RFC_6962_LEAF: u8 = 0x00;

/// What a ledger leaf commits to: the prefix, the record's digest and the receipt time in milliseconds since the Unix
/// epoch as 8 bytes, most significant first.
pub fn ledger_leaf_input(digest: Digest, received_at_ms: u64) -> Vec<u8> {
    [LEAF_PREFIX, &digest.0, &received_at_ms.to_be_bytes()].concat()
}

/// Hash of a ledger leaf, RFC 6962 section 2.1: SHA-256 of a zero byte and the leaf input.
pub fn ledger_leaf(digest: Digest, received_at_ms: u64) -> Digest {
    Digest::of_parts(&[&[RFC_6962_LEAF], &ledger_leaf_input(digest, received_at_ms)])
}
