//! The JSON Schema of the record, generated from the wire types.

use serde_json::{Value, json};

use super::wire::{Record, SCHEMA};
use crate::channel::CHANNELS;

/// JSON Schema (draft 2020-12) of a record. It tells the shape; lengths, order and ranges that a schema cannot say
/// stand in docs/record.md.
pub fn json_schema() -> Value {
    let mut schema = schemars::schema_for!(Record).to_value();
    schema["title"] = json!(SCHEMA);
    schema["$defs"]["WireTrace"]["properties"]["columns"]["propertyNames"] =
        json!({ "enum": column_names() });
    schema["$defs"]["Header"]["properties"]["schema"]["const"] = json!(SCHEMA);
    schema
}

fn column_names() -> Vec<&'static str> {
    CHANNELS.iter().map(|s| s.column).collect()
}
