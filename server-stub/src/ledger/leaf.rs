//! What a leaf of the ledger commits to, and how free text enters only as a commitment.

use windrow_model::record::{Digest, ledger_leaf_input};

use super::tree;

/// First bytes of the leaf input of everything that isn't a record.
pub const EVENT_PREFIX: &[u8] = b"windrow-event/1\n";
/// Longest name of a kind, bytes.
const MAX_KIND_BYTES: usize = 32;
/// Random bytes in a commitment's salt.
pub const SALT_BYTES: usize = 32;

/// What a leaf stands for. A new kind is a new name here and in docs/ledger.md; a reader takes names that it doesn't know.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LeafKind {
    /// A posted record; the digest is the record's own.
    Record,
    /// A run taken from trace files; the digest is the run's own.
    ImportedRun,
    /// A key that signs heads.
    HeadKey,
    /// A laptop joined.
    Enrolment,
    /// A laptop's key was revoked.
    Revocation,
    /// A service taken from a file.
    Service,
    /// A laptop stands somewhere else, or under another tag.
    Placing,
    /// The list of laptops that should be checked changed.
    Scope,
    /// A visit was logged, or corrected.
    Visit,
    /// A laptop was held back from checks and service, or let go.
    Hold,
    /// A laptop was put off, or taken up again.
    Snooze,
    /// A check was asked for.
    CheckWanted,
    /// A person or program was given a role, or lost it.
    Grant,
    /// Free text was erased; commitments to it stay.
    Erasure,
}

impl LeafKind {
    /// Its name in leaf inputs, exports and the database.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Record => "record",
            Self::ImportedRun => "imported_run",
            Self::HeadKey => "head_key",
            Self::Enrolment => "enrolment",
            Self::Revocation => "revocation",
            Self::Service => "service",
            Self::Placing => "placing",
            Self::Scope => "scope",
            Self::Visit => "visit",
            Self::Hold => "hold",
            Self::Snooze => "snooze",
            Self::CheckWanted => "check_wanted",
            Self::Grant => "grant",
            Self::Erasure => "erasure",
        }
    }
}

/// Whether a text can be the name of a kind: lower-case letters and `_`, at most 32 bytes.
pub fn is_kind_name(text: &str) -> bool {
    let is_plain = text.bytes().all(|b| b.is_ascii_lowercase() || b == b'_');
    is_plain && !text.is_empty() && text.len() <= MAX_KIND_BYTES
}

/// Whether a leaf of this kind has a body: an event's does, a run stands for itself.
pub fn has_body(kind: &str) -> bool {
    kind != LeafKind::Record.name() && kind != LeafKind::ImportedRun.name()
}

/// What a leaf commits to. A record's is that of docs/record.md; any other's is `windrow-event/1`, a line feed, the
/// kind, a line feed, the digest's 32 bytes, and the time in milliseconds since the Unix epoch as 8 bytes, most
/// significant first.
pub fn leaf_input(kind: &str, digest: Digest, at_ms: u64) -> Vec<u8> {
    if kind == LeafKind::Record.name() {
        return ledger_leaf_input(digest, at_ms);
    }
    [EVENT_PREFIX, kind.as_bytes(), b"\n", &digest.0, &at_ms.to_be_bytes()].concat()
}

/// Hash of a leaf, RFC 9162 section 2.1.1.
pub fn leaf_hash(kind: &str, digest: Digest, at_ms: u64) -> Digest {
    tree::leaf_hash(&leaf_input(kind, digest, at_ms))
}

/// A commitment to a text: the ledger holds its digest, the salt stands beside the text. Without the salt the digest
/// says nothing of the text, so that erasing both leaves the ledger provable and the text gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Commitment {
    /// Kept beside the text, erased with it.
    pub salt: [u8; SALT_BYTES],
    /// SHA-256 of the salt's 32 bytes and the text's UTF-8: what the event's body names, in hex.
    pub digest: Digest,
}

impl Commitment {
    /// Commits to a text with a fresh salt.
    ///
    /// # Errors
    /// If the system gives no randomness.
    pub fn new(text: &str) -> Result<Self, getrandom::Error> {
        let mut salt = [0; SALT_BYTES];
        getrandom::fill(&mut salt)?;
        Ok(Self::with_salt(salt, text))
    }

    /// The commitment that a stored salt and text give: equal to the ledger's unless one of them was altered.
    pub fn with_salt(salt: [u8; SALT_BYTES], text: &str) -> Self {
        Self { salt, digest: Digest::of_parts(&[&salt, text.as_bytes()]) }
    }
}

#[cfg(test)]
mod tests {
    use windrow_model::record::ledger_leaf;

    use super::*;

    #[test]
    fn a_record_s_leaf_is_that_of_the_record_format() {
        let digest = Digest([7; 32]);
        assert_eq!(leaf_hash("record", digest, 5), ledger_leaf(digest, 5));
    }

    #[test]
    fn no_two_leaves_have_one_input() {
        let digest = Digest([7; 32]);
        let inputs = [
            leaf_input("record", digest, 5),
            leaf_input("visit", digest, 5),
            leaf_input("hold", digest, 5),
            leaf_input("visit", digest, 6),
            leaf_input("visit", Digest([8; 32]), 5),
        ];
        for (idx, one) in inputs.iter().enumerate() {
            assert!(inputs[..idx].iter().all(|other| other != one), "{idx}");
        }
        // 16 + 5 + 1 + 32 + 8 bytes, as docs/ledger.md says.
        assert_eq!(inputs[1].len(), 62);
    }

    #[test]
    fn a_commitment_holds_for_its_text_and_salt_alone() {
        let one = Commitment::new("north").unwrap();
        assert_eq!(Commitment::with_salt(one.salt, "north"), one);
        assert_ne!(Commitment::with_salt(one.salt, "south").digest, one.digest);
        assert_ne!(Commitment::new("north").unwrap().digest, one.digest);
    }

    #[test]
    fn names_of_kinds_are_plain() {
        assert!(is_kind_name(LeafKind::CheckWanted.name()));
        for bad in ["", "Visit", "a b", "é", &"a".repeat(33)] {
            assert!(!is_kind_name(bad), "{bad}");
        }
    }
}
