//! A record's file name: device, place in its chain, digest.

use std::fmt;

use windrow_model::record::wire::Header;

/// Hex digits of the device id in a name: enough to tell the few identities of one folder apart.
const DEVICE_DIGITS: usize = 8;
/// Hex digits of the digest in a name.
const DIGEST_DIGITS: usize = 16;
const ENDING: &str = ".json";

/// For example `4f0c19aa-000000012-9b1fa06c6d52e3a7.json`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct RecordName {
    /// First digits of the device id.
    pub device: String,
    /// Place in the chain.
    pub sequence: u64,
    /// First digits of the digest.
    pub digest: String,
}

impl RecordName {
    /// The name of a signed record.
    pub fn of(header: &Header) -> Self {
        Self {
            device: header.device_id.chars().take(DEVICE_DIGITS).collect(),
            sequence: header.sequence,
            digest: header.digest.chars().take(DIGEST_DIGITS).collect(),
        }
    }

    /// Reads a file name; `None` for another file.
    pub fn parse(name: &str) -> Option<Self> {
        let mut parts = name.strip_suffix(ENDING)?.split('-');
        let (device, sequence, digest) = (parts.next()?, parts.next()?, parts.next()?);
        let hex =
            |text: &str, digits: usize| text.len() == digits && text.bytes().all(|b| b.is_ascii_hexdigit());
        let ours = parts.next().is_none() && hex(device, DEVICE_DIGITS) && hex(digest, DIGEST_DIGITS);
        let sequence = sequence.parse().ok().filter(|_| sequence.bytes().all(|b| b.is_ascii_digit()))?;
        ours.then(|| Self { device: device.into(), sequence, digest: digest.into() })
    }

    /// Whether it is this device's.
    pub fn is_of(&self, device_id: &str) -> bool {
        device_id.starts_with(&self.device)
    }
}

impl fmt::Display for RecordName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-{:09}-{}{ENDING}", self.device, self.sequence, self.digest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_round_trip_and_sort_by_place() {
        let name = RecordName { device: "4f0c19aa".into(), sequence: 12, digest: "9b1fa06c6d52e3a7".into() };
        assert_eq!(name.to_string(), "4f0c19aa-000000012-9b1fa06c6d52e3a7.json");
        assert_eq!(RecordName::parse(&name.to_string()), Some(name.clone()));
        assert!(name < RecordName { sequence: 1_000_000_000, ..name.clone() });
    }

    #[test]
    fn other_files_are_not_records() {
        for other in [
            "",
            "a.json",
            ".writing-x1",
            "4f0c19aa-12-9b1fa06c6d52e3a7.reason.txt",
            "4f0c19aa-+12-9b1fa06c6d52e3a7.json",
            "4f0c19aa-12-9b1fa06c6d52e3a7-x.json",
            "4f0c19aa-99999999999999999999999-9b1fa06c6d52e3a7.json",
        ] {
            assert_eq!(RecordName::parse(other), None, "{other}");
        }
    }
}
