//! The published JSON Schema against an independent validator: it takes what the parser takes, and refuses what a
//! schema can refuse.

use serde_json::{Value, json};
use windrow_model::record::{ReceivedRecord, json_schema};

fn example() -> Value {
    serde_json::from_str(include_str!("../../docs/example/record.json")).expect("JSON")
}

#[test]
fn the_example_is_valid_under_the_published_schema() {
    let published: Value = serde_json::from_str(include_str!("../../docs/record.schema.json")).expect("JSON");
    jsonschema::meta::validate(&published).expect("the schema is a schema");
    let validator = jsonschema::validator_for(&published).expect("a schema");
    let complaints: Vec<String> = validator.iter_errors(&example()).map(|e| e.to_string()).collect();
    assert_eq!(complaints, Vec::<String>::new());
}

#[test]
fn schema_and_parser_refuse_the_same_changes() {
    let validator = jsonschema::validator_for(&json_schema()).expect("a schema");
    let changes = [
        ("/header", "host_name", json!("x")),
        ("/header", "schema", json!("windrow-record/0")),
        ("/header", "sequence", json!(0)),
        ("/header", "device_id", json!("00112233445566778899AABBCCDDEEFF")),
        ("/header", "provenance", json!("imported")),
        ("/header", "outcome", json!(null)),
        ("/header/metrics", "peak_c", json!({"value": 68})),
        ("/trace", "time_ms", json!([0, 250, "500"])),
        ("/trace/columns", "fan9_rpm", json!([0, 1, 2])),
        ("/trace/columns", "fan1_rpm", json!([0, 1, 65_535])),
        ("/trace/columns", "cpu_temp_c", json!([41_250, 68.5, null])),
    ];
    for (place, name, value) in changes {
        let mut document = example();
        document.pointer_mut(place).expect("a place")[name] = value;
        assert!(!validator.is_valid(&document), "the schema takes {place}/{name}");
        let parsed = ReceivedRecord::parse(document.to_string().as_bytes());
        assert!(parsed.is_err(), "the parser takes {place}/{name}");
    }
}
