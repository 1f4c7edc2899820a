//! Proves that docs/ says what the code does. With `WINDROW_UPDATE_DOCS=1` the tests write instead of compare.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::{canonical, chain, fixture, json_schema, ledger_leaf, ledger_leaf_input, limits};
use crate::channel::CHANNELS;

const UPDATE: &str = "WINDROW_UPDATE_DOCS";

fn docs(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs").join(name)
}

/// Compares a committed text with what the code generates, or writes it.
#[track_caller]
fn is_current(name: &str, generated: &str) {
    let path = docs(name);
    if std::env::var_os(UPDATE).is_some() {
        std::fs::write(&path, generated).unwrap_or_else(|e| panic!("docs/{name}: {e}"));
    }
    let committed = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("docs/{name}: {e}"));
    assert!(committed == generated, "docs/{name} is out of date: run this test once with {UPDATE}=1");
}

#[test]
fn the_published_schema_is_current() {
    is_current("record.schema.json", &format!("{:#}\n", json_schema()));
}

#[test]
fn the_worked_example_s_files_are_current() {
    let signed = fixture::signed();
    let document: serde_json::Value = serde_json::from_slice(&signed.bytes).expect("JSON");
    let mut header = document["header"].clone();
    for outside in super::parse::OUTSIDE_DIGEST {
        header.as_object_mut().expect("an object").remove(outside);
    }
    let text = |value| String::from_utf8(canonical::to_bytes(value).expect("canonical")).expect("UTF-8");
    let enrolment = fixture::identity().enrolment_request(INVITE).expect("a good invite");
    is_current("example/record.json", &text(&document));
    is_current("example/header-signed.json", &text(&header));
    is_current("example/trace.json", &text(&document["trace"]));
    is_current("example/enrolment.json", &String::from_utf8(enrolment).expect("UTF-8"));
}

#[test]
fn the_tables_and_values_in_the_text_are_current() {
    let path = docs("record.md");
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("docs/record.md: {e}"));
    let mut current = text.clone();
    for (name, generated) in [("channels", channels()), ("limits", limits_table()), ("values", values())] {
        current = with_block(&current, name, &generated);
    }
    is_current("record.md", &current);
}

const INVITE: &str = "heron-42";
const RECEIVED_AT_MS: u64 = 1_769_847_600_000;

/// The text with the block between its two marks replaced.
fn with_block(text: &str, name: &str, generated: &str) -> String {
    let (begin, end) = (format!("<!-- begin {name} -->\n"), format!("<!-- end {name} -->"));
    let before = text.find(&begin).unwrap_or_else(|| panic!("docs/record.md has no mark `{name}`"));
    let from = before + begin.len();
    let to = from + text[from..].find(&end).unwrap_or_else(|| panic!("no end of `{name}`"));
    format!("{}{generated}{}", &text[..from], &text[to..])
}

fn channels() -> String {
    let mut table =
        "| column | what | integer units per unit | from | to |\n|---|---|---|---|---|\n".to_owned();
    for s in &CHANNELS {
        let _ =
            writeln!(table, "| `{}` | {} | {} | {} | {} |", s.column, s.label, s.wire_scale, s.min, s.max);
    }
    table
}

fn limits_table() -> String {
    use limits::*;
    let rows = [
        ("document", MAX_DOCUMENT_BYTES.to_string(), "bytes"),
        ("enrolment request", MAX_ENROLMENT_BYTES.to_string(), "bytes"),
        ("nesting", MAX_DEPTH.to_string(), "levels"),
        ("a text", MAX_STRING_BYTES.to_string(), "bytes of UTF-8, no control characters"),
        ("names, versions, model and platform texts", MAX_SHORT_TEXT_BYTES.to_string(), "bytes of UTF-8"),
        ("a field's name", MAX_NAME_BYTES.to_string(), "bytes of UTF-8"),
        ("fields of one object", MAX_FIELDS.to_string(), ""),
        ("any number's magnitude", format!("{MAX_NUMBER}"), "= 2^53 − 1"),
        ("samples", MAX_SAMPLES.to_string(), ""),
        ("a sample's or event's distance from the run's zero", MAX_TIME_MS.to_string(), "ms = a week"),
        ("pre-checks", MAX_PRE_CHECKS.to_string(), ""),
        ("sources", MAX_SOURCES.to_string(), ""),
        ("events", MAX_EVENTS.to_string(), "in time order"),
        ("power limits", MAX_POWER_LIMITS.to_string(), ""),
        ("entries of `metrics.quality`", MAX_QUALITY.to_string(), ""),
        ("`ext` in canonical form", MAX_EXT_BYTES.to_string(), "bytes"),
        ("a phase asked for", MAX_PHASE_S.to_string(), "s"),
        ("`sample_hz`", MAX_SAMPLE_HZ.to_string(), "Hz"),
        ("`logical_cpus`", MAX_LOGICAL_CPUS.to_string(), "at least 1"),
        ("an invite", MAX_INVITE_BYTES.to_string(), "bytes, at least 1"),
    ];
    let mut table = "| what | at most | |\n|---|---|---|\n".to_owned();
    for (what, most, unit) in rows {
        let _ = writeln!(table, "| {what} | {most} | {unit} |");
    }
    table
}

fn values() -> String {
    let signed = fixture::signed();
    let identity = fixture::identity();
    let key = identity.public_key();
    let header = &signed.record.header;
    let leaf_input = ledger_leaf_input(signed.digest, RECEIVED_AT_MS);
    let rows = [
        ("secret key", hex::encode(fixture::test_secret())),
        ("public key", key.to_hex()),
        ("key id", key.key_id()),
        ("device id", identity.device_id().to_owned()),
        ("chain root", chain::root(identity.device_id(), &key).to_hex()),
        ("trace digest", header.trace_digest.clone()),
        ("digest", header.digest.clone()),
        ("signature", header.signature.clone()),
        ("received at, ms", RECEIVED_AT_MS.to_string()),
        ("leaf input", hex::encode(leaf_input)),
        ("leaf hash", ledger_leaf(signed.digest, RECEIVED_AT_MS).to_hex()),
    ];
    let mut table = "| value | |\n|---|---|\n".to_owned();
    for (name, value) in rows {
        let _ = writeln!(table, "| {name} | `{value}` |");
    }
    table
}
