//! The signed head: what the ledger was at a time, signed by the hub's head key.
//!
//! A log is named by its first key: the log id is that key's SHA-256. A later key is endorsed by the one before it, and
//! a head carries the whole line of keys, so that whoever knows the log id can check any head without asking anybody.

use std::fmt;

use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use serde::{Deserialize, Serialize};
use windrow_model::record::{Digest, PublicKey};

/// Name of the document's form.
pub const HEAD_SCHEMA: &str = "windrow-head/1";
/// First bytes of the message that a head's signature covers.
const HEAD_PREFIX: &[u8] = b"windrow-head/1\n";
/// First bytes of the message that an endorsement covers.
const KEY_PREFIX: &[u8] = b"windrow-head-key/1\n";
/// Most keys in a line. One a month for eighty years is less.
pub const MAX_KEYS: usize = 1000;
/// Largest document of a head: all keys and the rest.
pub const MAX_HEAD_BYTES: usize = 512 * 1024;

/// What a head says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// Names the log.
    pub log_id: Digest,
    /// Number of leaves.
    pub tree_size: u64,
    /// Root over them.
    pub root_hash: Digest,
    /// When it was signed, milliseconds since the Unix epoch.
    pub at_ms: u64,
}

impl Head {
    /// The message that is signed: the prefix, log id, time and size as 8 bytes each, most significant first, and root.
    pub fn message(&self) -> Vec<u8> {
        let (at, size) = (self.at_ms.to_be_bytes(), self.tree_size.to_be_bytes());
        [HEAD_PREFIX, &self.log_id.0, &at, &size, &self.root_hash.0].concat()
    }
}

/// A key of the log and who let it in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct KeyLink {
    /// The key, hex.
    pub public_key: String,
    /// The key that endorsed it, hex; none of the first.
    pub endorsed_by: Option<String>,
    /// That key's signature over `windrow-head-key/1`, a line feed, the log id and the key; hex.
    pub endorsement: Option<String>,
}

/// The document: a head with its signature and the line of keys up to the one that signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SignedHead {
    /// [`HEAD_SCHEMA`].
    pub schema: String,
    /// SHA-256 of the log's first public key, hex.
    pub log_id: String,
    /// Number of leaves.
    pub tree_size: u64,
    /// Root over them, hex.
    pub root_hash: String,
    /// When it was signed, milliseconds since the Unix epoch.
    pub timestamp_ms: u64,
    /// By the last key of `keys`, hex.
    pub signature: String,
    /// From the log's first key to the one that signed.
    pub keys: Vec<KeyLink>,
}

/// Why a head proves nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadHead {
    /// Not the document of a head.
    #[error("it is no head of a ledger: {0}")]
    Form(String),
    /// The keys don't lead from the log's name to the signer.
    #[error("its line of keys is broken: {0}")]
    Keys(String),
    /// The signature isn't the last key's over what it says.
    #[error("its signature is not that of the key it names: what it says was altered, or another signed it")]
    Signature,
}

/// The secret that signs heads. Wiped from memory when it is dropped, never printed.
pub struct HeadKey(SigningKey);

impl HeadKey {
    /// From 32 secret random bytes.
    pub fn from_secret(secret: &[u8; 32]) -> Self {
        Self(SigningKey::from_bytes(secret))
    }

    /// Its public key, hex.
    pub fn public_hex(&self) -> String {
        hex::encode(self.public_bytes())
    }

    /// Its public key.
    pub fn public_bytes(&self) -> [u8; 32] {
        self.0.verifying_key().to_bytes()
    }

    /// Signs any message.
    pub fn sign(&self, message: &[u8]) -> [u8; 64] {
        self.0.sign(message).to_bytes()
    }

    /// Lets another key in after this one.
    pub fn endorse(&self, log_id: Digest, next: &HeadKey) -> KeyLink {
        KeyLink {
            public_key: next.public_hex(),
            endorsed_by: Some(self.public_hex()),
            endorsement: Some(hex::encode(self.sign(&endorsement_message(log_id, next.public_bytes())))),
        }
    }

    /// Its link as the first key of a log.
    pub fn first_link(&self) -> KeyLink {
        KeyLink { public_key: self.public_hex(), endorsed_by: None, endorsement: None }
    }
}

impl fmt::Debug for HeadKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "HeadKey({})", self.public_hex())
    }
}

/// The id of the log that begins with this key.
pub fn log_id_of(first_key: [u8; 32]) -> Digest {
    Digest::of(&first_key)
}

fn endorsement_message(log_id: Digest, key: [u8; 32]) -> Vec<u8> {
    [KEY_PREFIX, &log_id.0, &key].concat()
}

impl SignedHead {
    /// The document of a head.
    pub fn new(head: &Head, signature: [u8; 64], keys: Vec<KeyLink>) -> Self {
        Self {
            schema: HEAD_SCHEMA.to_owned(),
            log_id: head.log_id.to_hex(),
            tree_size: head.tree_size,
            root_hash: head.root_hash.to_hex(),
            timestamp_ms: head.at_ms,
            signature: hex::encode(signature),
            keys,
        }
    }

    /// Reads a document and checks its keys and signature.
    ///
    /// # Errors
    /// What of it proves nothing.
    pub fn read(json: &[u8]) -> Result<(Self, Head), BadHead> {
        if json.len() > MAX_HEAD_BYTES {
            return Err(BadHead::Form(format!("larger than {MAX_HEAD_BYTES} bytes")));
        }
        let signed: Self = serde_json::from_slice(json).map_err(|e| BadHead::Form(e.to_string()))?;
        let head = signed.verify()?;
        Ok((signed, head))
    }

    /// What it says, once keys and signature are checked.
    ///
    /// # Errors
    /// What of it proves nothing.
    pub fn verify(&self) -> Result<Head, BadHead> {
        let form = |e: windrow_model::record::Refusal| BadHead::Form(e.to_string());
        if self.schema != HEAD_SCHEMA {
            return Err(BadHead::Form(format!("its schema is `{}`, not `{HEAD_SCHEMA}`", self.schema)));
        }
        let head = Head {
            log_id: Digest::from_hex(&self.log_id, "log_id").map_err(form)?,
            tree_size: self.tree_size,
            root_hash: Digest::from_hex(&self.root_hash, "root_hash").map_err(form)?,
            at_ms: self.timestamp_ms,
        };
        let signer = last_key(head.log_id, &self.keys)?;
        if is_signed(signer, &head.message(), &self.signature) { Ok(head) } else { Err(BadHead::Signature) }
    }

    /// The key that signed, hex; empty only in a document without keys, which proves nothing.
    pub fn signer(&self) -> &str {
        self.keys.last().map_or("", |link| link.public_key.as_str())
    }
}

/// The last key of a line that leads to it from the log's name.
///
/// # Errors
/// Where it doesn't.
pub fn last_key(log_id: Digest, keys: &[KeyLink]) -> Result<[u8; 32], BadHead> {
    let broken = |why: &str| BadHead::Keys(why.to_owned());
    if keys.len() > MAX_KEYS {
        return Err(broken("it is longer than any log's"));
    }
    let mut last: Option<[u8; 32]> = None;
    for link in keys {
        let key = PublicKey::from_hex(&link.public_key, "public_key").map_err(|e| broken(&e.to_string()))?;
        let key = key.to_bytes();
        let Some(before) = last else {
            if log_id_of(key) != log_id {
                return Err(broken("the log id is not that of the first key"));
            }
            last = Some(key);
            continue;
        };
        let by_the_one_before = link.endorsed_by.as_deref() == Some(hex::encode(before).as_str());
        let endorsement = link.endorsement.as_deref().unwrap_or_default();
        if !by_the_one_before || !is_signed(before, &endorsement_message(log_id, key), endorsement) {
            return Err(broken("a key is not endorsed by the one before it"));
        }
        last = Some(key);
    }
    last.ok_or_else(|| broken("there is no key"))
}

/// Whether this is that key's signature; strictly, and never for a key that proves nothing.
pub fn is_signed(key: [u8; 32], message: &[u8], signature_hex: &str) -> bool {
    let mut signature = [0; 64];
    let is_lower = !signature_hex.bytes().any(|b| b.is_ascii_uppercase());
    if !is_lower || hex::decode_to_slice(signature_hex, &mut signature).is_err() {
        return false;
    }
    let Ok(key) = VerifyingKey::from_bytes(&key) else { return false };
    key.verify_strict(message, &Signature::from_bytes(&signature)).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signed(key: &HeadKey, keys: Vec<KeyLink>, log_id: Digest) -> SignedHead {
        let head = Head { log_id, tree_size: 3, root_hash: Digest([9; 32]), at_ms: 17 };
        SignedHead::new(&head, key.sign(&head.message()), keys)
    }

    #[test]
    fn a_head_holds_until_anything_of_it_is_altered() {
        let key = HeadKey::from_secret(&[1; 32]);
        let log_id = log_id_of(key.public_bytes());
        let good = signed(&key, vec![key.first_link()], log_id);
        let json = serde_json::to_vec(&good).unwrap();
        assert_eq!(SignedHead::read(&json).unwrap().1.tree_size, 3);
        for idx in 0..json.len() {
            let mut altered = json.clone();
            altered[idx] ^= 1;
            assert!(SignedHead::read(&altered).is_err(), "byte {idx} of {}", String::from_utf8_lossy(&json));
        }
    }

    #[test]
    fn a_new_key_is_good_once_the_old_one_endorsed_it() {
        let [old, new, stranger] = [1, 2, 3].map(|n| HeadKey::from_secret(&[n; 32]));
        let log_id = log_id_of(old.public_bytes());
        let line = vec![old.first_link(), old.endorse(log_id, &new)];
        assert!(signed(&new, line.clone(), log_id).verify().is_ok());
        assert_eq!(signed(&old, line, log_id).verify(), Err(BadHead::Signature));
        let taken_over = vec![old.first_link(), stranger.endorse(log_id, &stranger)];
        assert!(matches!(signed(&stranger, taken_over, log_id).verify(), Err(BadHead::Keys(_))));
        let of_another_log = vec![old.first_link(), old.endorse(Digest([0; 32]), &new)];
        assert!(matches!(signed(&new, of_another_log, log_id).verify(), Err(BadHead::Keys(_))));
        assert!(matches!(signed(&new, vec![new.first_link()], log_id).verify(), Err(BadHead::Keys(_))));
        assert!(matches!(signed(&new, vec![], log_id).verify(), Err(BadHead::Keys(_))));
    }
}
