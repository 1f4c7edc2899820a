//! A signed request: how a device says who it is where it sends no document that is signed itself.
//!
//! The header's value names the device and the time, and carries the signature of both with the method and the path:
//!
//! ```text
//! Authorization: Windrow-Device id="…", at="2026-03-02T09:00:00Z", signature="…"
//! ```

use serde::Serialize;

use super::digest::fixed_hex;
use super::{Digest, PublicKey, Refusal, RefusalCode, SigningIdentity, canonical};

/// The scheme's name in `Authorization` (RFC 9110, section 11.4).
pub const SCHEME: &str = "Windrow-Device";
/// First bytes of the message that the signature covers; SHA-256 over the canonical form of what is signed follows.
pub const PREFIX: &[u8] = b"windrow-request/1\n";
/// How far the request's time may be from the hub's, s: for clocks that run apart.
pub const SKEW_MAX_S: i64 = 300;
/// Longest value of the header, bytes.
const VALUE_BYTES_MAX: usize = 512;

/// What is signed; its fields are in RFC 8785's order.
#[derive(Serialize)]
struct Signed<'a> {
    at: &'a str,
    device_id: &'a str,
    method: &'a str,
    path: &'a str,
}

impl Signed<'_> {
    fn message(&self) -> Result<Vec<u8>, Refusal> {
        Ok([PREFIX, &Digest::of(&canonical::to_bytes(self)?).0].concat())
    }
}

/// A header's value as it came: nothing of it is proven before [`RequestProof::verify`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RequestProof {
    /// The device that is said to ask.
    pub device_id: String,
    /// When, as written: RFC 3339.
    pub at: String,
    signature: [u8; 64],
}

impl SigningIdentity {
    /// The header's value for a request; `path` begins at `/v1/`, whatever stands before it at a hub behind a proxy.
    ///
    /// # Errors
    /// Never for text; the canonical form could only fail on numbers.
    pub fn sign_request(&self, method: &str, path: &str, at: &str) -> Result<String, Refusal> {
        let signed = Signed { at, device_id: self.device_id(), method, path };
        let signature = hex::encode(self.sign(&signed.message()?));
        Ok(format!(r#"{SCHEME} id="{}", at="{at}", signature="{signature}""#, self.device_id()))
    }
}

impl RequestProof {
    /// Reads a header's value; `None` where it is of another scheme.
    ///
    /// # Errors
    /// [`RefusalCode::BadFormat`] where it is of this scheme and not written as it should be.
    pub fn parse(value: &str) -> Option<Result<Self, Refusal>> {
        let (scheme, rest) = value.split_once(' ')?;
        scheme.eq_ignore_ascii_case(SCHEME).then(|| Self::of_parameters(rest))
    }

    fn of_parameters(text: &str) -> Result<Self, Refusal> {
        let bad = |why: &str| Refusal::new(RefusalCode::BadFormat, "authorization", why);
        if text.len() > VALUE_BYTES_MAX {
            return Err(bad("too long"));
        }
        let (mut id, mut at, mut signature) = (None, None, None);
        for part in text.split(',') {
            let (name, value) = part.trim().split_once('=').ok_or_else(|| bad("needs name=\"value\""))?;
            let value = value.strip_prefix('"').and_then(|v| v.strip_suffix('"'));
            let value = value.ok_or_else(|| bad("needs name=\"value\""))?;
            let place = match name {
                "id" => &mut id,
                "at" => &mut at,
                "signature" => &mut signature,
                _ => return Err(bad("knows only id, at and signature")),
            };
            if place.replace(value).is_some() {
                return Err(bad("names one of its parts twice"));
            }
        }
        let (Some(id), Some(at), Some(signature)) = (id, at, signature) else {
            return Err(bad("needs id, at and signature"));
        };
        fixed_hex::<16>(id, "authorization")?;
        let signature = fixed_hex::<64>(signature, "authorization")?;
        Ok(Self { device_id: id.to_owned(), at: at.to_owned(), signature })
    }

    /// Whether the device's key signed just this. The caller looks at the time.
    ///
    /// # Errors
    /// [`RefusalCode::BadSignature`].
    pub fn verify(&self, key: &PublicKey, method: &str, path: &str) -> Result<(), Refusal> {
        let signed = Signed { at: &self.at, device_id: &self.device_id, method, path };
        key.verify(&signed.message()?, &self.signature, "authorization")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PATH: &str = "/v1/models/0011223344556677/reference";
    const AT: &str = "2026-03-02T09:00:00Z";

    fn identity(number: u8) -> SigningIdentity {
        SigningIdentity::from_secret(&hex::encode([number; 16]), &[number; 32]).unwrap()
    }

    #[test]
    fn what_was_signed_is_proven_and_nothing_else() {
        let (one, other) = (identity(1), identity(2));
        let value = one.sign_request("GET", PATH, AT).unwrap();
        let proof = RequestProof::parse(&value).unwrap().unwrap();
        assert_eq!((proof.device_id.as_str(), proof.at.as_str()), (one.device_id(), AT));
        proof.verify(&one.public_key(), "GET", PATH).unwrap();
        assert!(proof.verify(&other.public_key(), "GET", PATH).is_err());
        assert!(proof.verify(&one.public_key(), "POST", PATH).is_err());
        assert!(proof.verify(&one.public_key(), "GET", "/v1/models/0011223344556678/reference").is_err());
        let later = RequestProof { at: "2026-03-02T09:00:01Z".into(), ..proof.clone() };
        assert!(later.verify(&one.public_key(), "GET", PATH).is_err());
        let posing = RequestProof { device_id: other.device_id().into(), ..proof };
        assert!(posing.verify(&one.public_key(), "GET", PATH).is_err());
    }

    /// The message is what docs/http.md says: worked out here from the text alone.
    #[test]
    fn the_message_is_as_documented() {
        let id = hex::encode([1_u8; 16]);
        let text = format!(r#"{{"at":"{AT}","device_id":"{id}","method":"GET","path":"{PATH}"}}"#);
        let documented = [b"windrow-request/1\n".as_slice(), &Digest::of(text.as_bytes()).0].concat();
        let signed = Signed { at: AT, device_id: &id, method: "GET", path: PATH };
        assert_eq!(signed.message().unwrap(), documented);
    }

    #[test]
    fn other_schemes_are_not_ours_and_ours_is_read_strictly() {
        assert_eq!(RequestProof::parse("Bearer abc"), None);
        assert_eq!(RequestProof::parse(""), None);
        let good = identity(1).sign_request("GET", PATH, AT).unwrap();
        for bad in [
            "Windrow-Device ",
            "Windrow-Device id=1",
            &good.replace("signature", "sig"),
            &good.replace("at=", "id="),
            &format!("{good}, more=\"1\""),
            &good.to_uppercase().replace("WINDROW-DEVICE", SCHEME),
            &format!("{good}{}", "x".repeat(600)),
        ] {
            assert!(RequestProof::parse(bad).unwrap().is_err(), "{bad}");
        }
    }
}
