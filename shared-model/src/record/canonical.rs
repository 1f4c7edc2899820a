//! The canonical form of RFC 8785 (JSON Canonicalization Scheme).

use serde::Serialize;
use serde_json::Value;

use super::{Refusal, RefusalCode, json};

/// Canonical bytes of anything that serialises.
///
/// # Errors
/// A number that isn't finite, which JSON cannot hold.
pub fn to_bytes<T: Serialize>(value: &T) -> Result<Vec<u8>, Refusal> {
    serde_json_canonicalizer::to_vec(value)
        .map_err(|e| Refusal::new(RefusalCode::Syntax, json::WHOLE, format!("no canonical form: {e}")))
}

/// Canonical bytes of an object without some of its fields.
pub(super) fn without(
    object: &serde_json::Map<String, Value>,
    left_out: &[&str],
) -> Result<Vec<u8>, Refusal> {
    let kept: std::collections::BTreeMap<&String, &Value> =
        object.iter().filter(|(name, _)| !left_out.contains(&name.as_str())).collect();
    to_bytes(&kept)
}
