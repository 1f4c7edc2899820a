//! What a notice is signed with, and the signature: HMAC-SHA256 (RFC 2104, FIPS 198-1).

use std::fmt;
use std::io::Read as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use hmac::{Hmac, KeyInit as _, Mac as _};
use sha2::Sha256;
use zeroize::Zeroizing;

/// Shortest secret, bytes: as long as the hash. RFC 2104, section 3, discourages less.
pub const MIN_BYTES: usize = 32;
/// Longest.
pub const MAX_BYTES: usize = 1024;
/// Permission bits of anybody but the owner.
const OTHERS: u32 = 0o077;

/// A secret that a receiver shares with the hub. It doesn't print.
#[derive(Clone)]
pub struct NoticeSecret(Zeroizing<Vec<u8>>);

impl NoticeSecret {
    /// From a file that its owner alone may read; a line feed at its end doesn't belong to it.
    ///
    /// # Errors
    /// Why it cannot be used, in words.
    pub fn from_file(path: &Path) -> Result<Self, String> {
        let why = |e: std::io::Error| format!("cannot read `{}`: {e}", path.display());
        let file = std::fs::File::open(path).map_err(why)?;
        // Of the open file, so that what is checked is what is read.
        let known = file.metadata().map_err(why)?;
        if !known.is_file() {
            return Err(format!("`{}` is not a file", path.display()));
        }
        let mode = known.permissions().mode() & 0o777;
        if mode & OTHERS != 0 {
            return Err(format!(
                "others than its owner may use `{0}` (mode {mode:04o}): run `chmod 600 {0}`",
                path.display()
            ));
        }
        let mut bytes = Zeroizing::new(Vec::with_capacity(MAX_BYTES + 2));
        file.take(MAX_BYTES as u64 + 2).read_to_end(&mut bytes).map_err(why)?;
        Self::of(&bytes).map_err(|e| format!("`{}` {e}", path.display()))
    }

    /// From the bytes of such a file.
    ///
    /// # Errors
    /// What they are, if that is no secret.
    pub fn of(bytes: &[u8]) -> Result<Self, String> {
        let bytes = bytes.strip_suffix(b"\n").unwrap_or(bytes);
        let bytes = bytes.strip_suffix(b"\r").unwrap_or(bytes);
        match bytes.len() {
            n if n < MIN_BYTES => Err(format!("has {n} bytes; a secret has at least {MIN_BYTES}")),
            n if n > MAX_BYTES => Err(format!("is longer than {MAX_BYTES} bytes")),
            _ => Ok(Self(Zeroizing::new(bytes.to_vec()))),
        }
    }

    /// The signature of a body that is posted at a time, as its header carries it.
    pub fn signature(&self, time_s: i64, body: &[u8]) -> String {
        let time = format!("{time_s}.");
        format!("v1={}", hex::encode(hmac_sha256(&self.0, &[time.as_bytes(), body])))
    }
}

impl fmt::Debug for NoticeSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("NoticeSecret(…)")
    }
}

/// HMAC-SHA256 of the parts, one after the other.
fn hmac_sha256(key: &[u8], parts: &[&[u8]]) -> [u8; 32] {
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("HMAC takes a key of any length");
    for part in parts {
        mac.update(part);
    }
    mac.finalize().into_bytes().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(case: u32, key: &[u8], data: &[u8], expected: &str) {
        assert_eq!(hex::encode(hmac_sha256(key, &[data])), expected, "RFC 4231, 4.{}", case + 1);
        // However it is cut.
        let (one, other) = data.split_at(data.len() / 2);
        assert_eq!(hex::encode(hmac_sha256(key, &[one, other])), expected);
    }

    /// RFC 4231, sections 4.2 to 4.8 without 4.6, whose output is truncated.
    #[test]
    fn hmac_is_that_of_rfc_4231() {
        let counted: Vec<u8> = (1..=25).collect();
        check(
            1,
            &[0x0b; 20],
            b"Hi There",
            "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
        );
        check(
            2,
            b"Jefe",
            b"what do ya want for nothing?",
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
        );
        check(
            3,
            &[0xaa; 20],
            &[0xdd; 50],
            "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe",
        );
        check(4, &counted, &[0xcd; 50], "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b");
        check(
            6,
            &[0xaa; 131],
            b"Test Using Larger Than Block-Size Key - Hash Key First",
            "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
        );
        check(
            7,
            &[0xaa; 131],
            b"This is a test using a larger than block-size key and a larger than block-size data. \
              The key needs to be hashed before being used by the HMAC algorithm.",
            "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
        );
    }

    #[test]
    fn a_secret_is_long_enough_its_owner_s_alone_and_does_not_print() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("desk.secret");
        let read = |text: &[u8], mode: u32| {
            std::fs::write(&path, text).unwrap();
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
            NoticeSecret::from_file(&path)
        };
        let long = "s".repeat(MIN_BYTES);
        let secret = read(format!("{long}\r\n").as_bytes(), 0o600).unwrap();
        assert_eq!(*secret.0, long.as_bytes());
        assert_eq!(format!("{secret:?}"), "NoticeSecret(…)");
        assert!(read(long.as_bytes(), 0o400).is_ok());
        for mode in [0o640, 0o604, 0o666] {
            assert!(read(long.as_bytes(), mode).unwrap_err().contains("chmod 600"), "{mode:o}");
        }
        assert!(read(&long.as_bytes()[1..], 0o600).unwrap_err().contains("has 31 bytes"));
        assert!(read(&[b's'; MAX_BYTES], 0o600).is_ok());
        assert!(read(&[b's'; MAX_BYTES + 1], 0o600).unwrap_err().contains("longer than 1024 bytes"));
        assert!(NoticeSecret::from_file(folder.path()).unwrap_err().contains("is not a file"));
        std::fs::remove_file(&path).unwrap();
        assert!(NoticeSecret::from_file(&path).unwrap_err().contains("No such file"));
    }

    #[test]
    fn the_signature_covers_time_and_body() {
        let secret = NoticeSecret::of(&[b'k'; 32]).unwrap();
        let of = |time, body: &[u8]| secret.signature(time, body);
        // Python: hmac.new(b"k" * 32, b"1769846400.{}", "sha256").hexdigest()
        assert_eq!(
            of(1_769_846_400, b"{}"),
            "v1=b94a3b8ef228102def4122ba53a01f5f4c1d883ed6b0aa7e4c3905d15a201aba"
        );
        assert_ne!(of(1_769_846_400, b"{}"), of(1_769_846_401, b"{}"));
        assert_ne!(of(1_769_846_400, b"{}"), of(1_769_846_400, b"{ }"));
    }
}
