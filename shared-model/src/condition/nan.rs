//! Stored form of a number that may be unknown: NaN here, null there, since JSON has no NaN.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

#[expect(clippy::trivially_copy_pass_by_ref, reason = "the signature that serde calls")]
pub(super) fn serialize<S: Serializer>(value: &f64, to: S) -> Result<S::Ok, S::Error> {
    value.is_finite().then_some(*value).serialize(to)
}

pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::<f64>::deserialize(from)?.unwrap_or(f64::NAN))
}

/// As above, for two.
pub(super) mod pair {
    use super::{Deserialize, Deserializer, Serialize, Serializer};

    pub(in super::super) fn serialize<S: Serializer>(values: &[f64; 2], to: S) -> Result<S::Ok, S::Error> {
        values.map(|v| v.is_finite().then_some(v)).serialize(to)
    }

    pub(in super::super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<[f64; 2], D::Error> {
        Ok(<[Option<f64>; 2]>::deserialize(from)?.map(|v| v.unwrap_or(f64::NAN)))
    }
}
