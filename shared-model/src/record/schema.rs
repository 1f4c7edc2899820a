//! The JSON Schema of the record, generated from the wire types, the channel table and the limits.

use serde_json::{Map, Value, json};

use super::limits::{
    MAX_EVENTS, MAX_NUMBER, MAX_POWER_LIMITS, MAX_PRE_CHECKS, MAX_SAMPLES, MAX_SOURCES, MAX_STRING_BYTES,
    MAX_TIME_MS,
};
use super::wire::{Record, SCHEMA};
use crate::channel::CHANNELS;

/// JSON Schema (draft 2020-12) of a record. What a schema cannot say (equal lengths, increasing time, order of the
/// phases, lengths in bytes) stands in docs/record.md.
pub fn json_schema() -> Value {
    let mut schema = schemars::schema_for!(Record).to_value();
    schema["title"] = json!(SCHEMA);
    let header = &mut schema["$defs"]["Header"]["properties"];
    header["schema"]["const"] = json!(SCHEMA);
    header["sequence"]["minimum"] = json!(1);
    header["sequence"]["maximum"] = json!(MAX_NUMBER as u64);
    for (name, n_digits) in HEX_FIELDS {
        header[name]["pattern"] = json!(format!("^[0-9a-f]{{{n_digits}}}$"));
    }
    for (name, most) in LISTS {
        header[name]["maxItems"] = json!(most);
    }
    schema["$defs"]["PreCheck"]["properties"]["detail"]["maxLength"] = json!(MAX_STRING_BYTES);
    schema["$defs"]["Event"]["properties"]["detail"]["maxLength"] = json!(MAX_STRING_BYTES);
    schema["$defs"]["Context"]["properties"]["power_limits"]["maxItems"] = json!(MAX_POWER_LIMITS);
    constrain_trace(&mut schema["$defs"]["WireTrace"]["properties"]);
    schema
}

/// Fields of the header in lower-case hex, and their digits.
const HEX_FIELDS: [(&str, usize); 6] = [
    ("device_id", 32),
    ("key_id", 32),
    ("previous_digest", 64),
    ("trace_digest", 64),
    ("digest", 64),
    ("signature", 128),
];

const LISTS: [(&str, usize); 3] =
    [("pre_checks", MAX_PRE_CHECKS), ("sources", MAX_SOURCES), ("events", MAX_EVENTS)];

fn constrain_trace(trace: &mut Value) {
    trace["time_ms"]["maxItems"] = json!(MAX_SAMPLES);
    trace["time_ms"]["items"]["minimum"] = json!(-MAX_TIME_MS);
    trace["time_ms"]["items"]["maximum"] = json!(MAX_TIME_MS);
    let columns = &mut trace["columns"];
    columns["properties"] = Value::Object(columns_by_name());
    columns["additionalProperties"] = json!(false);
}

fn columns_by_name() -> Map<String, Value> {
    let cells = CHANNELS.iter().map(|s| {
        let items = json!({
            "type": ["integer", "null"],
            "minimum": (s.min * s.wire_scale) as i64,
            "maximum": (s.max * s.wire_scale) as i64,
        });
        let description = format!("{}, {} integer units per unit of the column", s.label, s.wire_scale);
        let column = json!({
            "description": description, "type": "array", "maxItems": MAX_SAMPLES, "items": items,
        });
        (s.column.to_owned(), column)
    });
    cells.collect()
}
