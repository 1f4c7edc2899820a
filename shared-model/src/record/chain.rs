//! Each device's records form a chain: a record names the digest of the one before it, the first one a root that
//! is bound to the device id and its enrolled key. A gap or a fork is a state to show, not a reason to refuse.

use super::wire::Header;
use super::{Digest, PublicKey, Refusal};

/// First bytes of what the root hashes.
pub const ROOT_PREFIX: &[u8] = b"windrow-chain/1\n";

/// The first record's `previous_digest`: SHA-256 over the prefix, the device id's 32 characters, a line feed and the
/// key's 32 bytes.
pub fn root(device_id: &str, key: &PublicKey) -> Digest {
    Digest::of_parts(&[ROOT_PREFIX, device_id.as_bytes(), b"\n", &key.to_bytes()])
}

/// A stored record as the chain sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stored {
    /// Its sequence number.
    pub sequence: u64,
    /// Its digest.
    pub digest: Digest,
    /// What it names as the one before it.
    pub previous: Digest,
}

impl Stored {
    /// The chain's view of a record whose digest was verified.
    ///
    /// # Errors
    /// If `previous_digest` isn't a digest; a parsed record's is.
    pub fn of(header: &Header, digest: Digest) -> Result<Self, Refusal> {
        let previous = Digest::from_hex(&header.previous_digest, "header.previous_digest")?;
        Ok(Self { sequence: header.sequence, digest, previous })
    }
}

/// What the store holds around a record's place in its device's chain.
#[derive(Debug, Clone, Copy, Default)]
pub struct Neighbours {
    /// The stored record with the largest smaller sequence number.
    pub before: Option<Stored>,
    /// Another record with the same sequence number.
    pub same: Option<Stored>,
    /// The stored record with the next sequence number, where records arrived out of order.
    pub next: Option<Stored>,
}

/// How a record stands in its device's chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Link {
    /// The first record, from the enrolment's root.
    First,
    /// It follows the record before it.
    Follows,
    /// Records before it are missing here; they may still come.
    Gap {
        /// How many.
        n_missing: u64,
    },
    /// It contradicts a stored record, or the enrolment: a copied identity, or a machine set back to an old state.
    Fork,
}

impl Link {
    /// Its name for programs.
    pub const fn name(self) -> &'static str {
        match self {
            Self::First => "first",
            Self::Follows => "follows",
            Self::Gap { .. } => "gap",
            Self::Fork => "fork",
        }
    }
}

/// Where `record` stands. The same record posted again is the caller's to notice, by its digest, before.
pub fn link_of(record: &Stored, root: Digest, around: &Neighbours) -> Link {
    let place_taken = around.same.is_some_and(|same| same.digest != record.digest);
    let next_disowns = around.next.is_some_and(|next| next.previous != record.digest);
    if place_taken || next_disowns {
        return Link::Fork;
    }
    let (last_sequence, expected) = around.before.map_or((0, root), |b| (b.sequence, b.digest));
    let n_missing = record.sequence.saturating_sub(last_sequence.saturating_add(1));
    match (n_missing, record.previous == expected) {
        (0, true) if around.before.is_none() => Link::First,
        (0, true) => Link::Follows,
        (0, false) => Link::Fork,
        (n_missing, _) => Link::Gap { n_missing },
    }
}
