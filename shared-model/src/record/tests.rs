//! What is refused, and that nothing else is.

use proptest::prelude::*;
use serde_json::{Value, json};

use super::chain::{Link, Neighbours, Stored};
use super::enrol::EnrolmentRequest;
use super::*;

/// The fixture's document with one change.
fn changed(change: impl FnOnce(&mut Value)) -> Vec<u8> {
    let mut document = serde_json::from_slice(&fixture::signed().bytes).expect("JSON");
    change(&mut document);
    document.to_string().into_bytes()
}

/// Puts `value` at a JSON pointer, new or not.
fn put(pointer: &str, value: Value) -> Vec<u8> {
    changed(|document| {
        let (outer, name) = pointer.rsplit_once('/').expect("a pointer");
        let outer = document.pointer_mut(outer).expect("a place in the fixture");
        match outer {
            Value::Object(fields) => drop(fields.insert(name.to_owned(), value)),
            Value::Array(values) => values[name.parse::<usize>().expect("an index")] = value,
            _ => panic!("{pointer} leads into a plain value"),
        }
    })
}

#[track_caller]
fn refused(bytes: &[u8], code: RefusalCode, field: &str) {
    let refusal = ReceivedRecord::parse(bytes).expect_err("a refusal");
    assert_eq!((refusal.code, refusal.field.as_str()), (code, field), "{refusal}");
}

#[test]
fn what_is_signed_verifies_and_says_the_same() {
    let signed = fixture::signed();
    let verified = ReceivedRecord::parse(&signed.bytes)
        .and_then(|r| r.verify(&fixture::identity().public_key()))
        .expect("a good record");
    assert_eq!(verified.record, signed.record);
    assert_eq!(verified.digest, signed.digest);
}

#[test]
fn each_wrong_field_is_named() {
    use RefusalCode::*;
    let cases = [
        ("/header/sequence", json!(0), OutOfRange, "header.sequence"),
        ("/header/sequence", json!(-1), WrongType, "header.sequence"),
        ("/header/sequence", json!(1.5), WrongType, "header.sequence"),
        ("/header/sequence", json!(9_007_199_254_740_992_u64), NumberTooLarge, "header.sequence"),
        ("/header/schema", json!("windrow-record/9"), UnsupportedSchema, "header.schema"),
        ("/header/schema", json!(1), WrongType, "header.schema"),
        ("/header/serial_number", json!("x"), UnknownField, "header.serial_number"),
        ("/extra", json!(1), UnknownField, "extra"),
        ("/header/model/host_name", json!("x"), UnknownField, "header.model.host_name"),
        ("/header/device_id", json!("00112233"), BadFormat, "header.device_id"),
        ("/header/device_id", json!("00112233445566778899AABBCCDDEEFF"), BadFormat, "header.device_id"),
        ("/header/signature", json!("zz"), BadFormat, "header.signature"),
        ("/header/previous_digest", json!(""), BadFormat, "header.previous_digest"),
        ("/header/started_at", json!("2026-01-31 08:15"), BadFormat, "header.started_at"),
        ("/header/started_at", json!("2026-01-31T08:15:00+01:00"), BadFormat, "header.started_at"),
        ("/header/provenance", json!("imported"), WrongType, "header.provenance"),
        ("/header/provenance", json!("emulated"), Contradiction, "header.emulation"),
        ("/header/model/product", json!("a\u{1b}[31m"), BadText, "header.model.product"),
        ("/header/model/product", json!("x".repeat(257)), TextTooLong, "header.model.product"),
        ("/header/model/product", json!("x".repeat(1025)), TextTooLong, "header.model.product"),
        ("/header/model/logical_cpus", json!(0), OutOfRange, "header.model.logical_cpus"),
        ("/header/protocol/load_s", json!(1e9), OutOfRange, "header.protocol.load_s"),
        ("/header/protocol/sample_hz", json!(0), OutOfRange, "header.protocol.sample_hz"),
        ("/header/protocol/settle_min_s", json!(1000), Contradiction, "header.protocol.settle_min_s"),
        ("/header/context/battery_pct", json!(101), OutOfRange, "header.context.battery_pct"),
        ("/header/context/ambient/value_c", json!(294.65), OutOfRange, "header.context.ambient.value_c"),
        ("/header/context/settled", json!("yes"), WrongType, "header.context.settled"),
        ("/header/sources/0/channel", json!("gpu_temp_c"), WrongType, "header.sources[0].channel"),
        ("/header/limit/limit_c", json!(373.15), OutOfRange, "header.limit.limit_c"),
        ("/header/events/0/at_ms", json!(1_000_000_000_000_i64), OutOfRange, "header.events[0].at_ms"),
        ("/header/metrics/peak_c/se", json!(-1), OutOfRange, "header.metrics.peak_c.se"),
        ("/header/metrics/peak_c/value", json!(341), OutOfRange, "header.metrics.peak_c.value"),
        ("/trace/time_ms/1", json!(0), NotIncreasing, "trace.time_ms[1]"),
        ("/trace/time_ms/2", json!(-5), NotIncreasing, "trace.time_ms[2]"),
        ("/trace/time_ms/2", json!(1_700_000_000_000_i64), OutOfRange, "trace.time_ms[2]"),
        ("/trace/time_ms/2", json!(null), WrongType, "trace.time_ms[2]"),
        ("/trace/columns/cpu_temp_c/1", json!(125_001), OutOfRange, "trace.columns.cpu_temp_c[1]"),
        ("/trace/columns/cpu_temp_c/1", json!(341_150), OutOfRange, "trace.columns.cpu_temp_c[1]"),
        ("/trace/columns/cpu_temp_c/1", json!(68.5), WrongType, "trace.columns.cpu_temp_c[1]"),
        ("/trace/columns/fan1_rpm/1", json!(65_535), OutOfRange, "trace.columns.fan1_rpm[1]"),
        ("/trace/columns/fan1_rpm", json!([1, 2]), WrongLength, "trace.columns.fan1_rpm"),
        ("/trace/columns/fan9_rpm", json!([1, 2, 3]), UnknownField, "trace.columns.fan9_rpm"),
        ("/trace/phases/0/from_sample", json!(1), BadPhases, "trace.phases[0]"),
        ("/trace/phases/1/from_sample", json!(0), BadPhases, "trace.phases[1]"),
        ("/trace/phases/2/from_sample", json!(3), BadPhases, "trace.phases[2]"),
        ("/trace/phases/2/phase", json!("load"), BadPhases, "trace.phases[2]"),
        ("/trace/phases/2/phase", json!("rest"), WrongType, "trace.phases[2].phase"),
    ];
    for (pointer, value, code, field) in cases {
        refused(&put(pointer, value), code, field);
    }
}

#[test]
fn each_missing_field_is_named() {
    let document: Value = serde_json::from_slice(&fixture::signed().bytes).expect("JSON");
    // Those that may be absent: `ext` and what this machine doesn't tell.
    let optional = ["emulation", "limit", "metrics", "ext"];
    for name in document["header"].as_object().expect("an object").keys() {
        let without = changed(|d| drop(d["header"].as_object_mut().map(|h| h.remove(name))));
        if optional.contains(&name.as_str()) {
            ReceivedRecord::parse(&without).unwrap_or_else(|e| panic!("{name}: {e}"));
        } else {
            refused(&without, RefusalCode::MissingField, &format!("header.{name}"));
        }
    }
    let without = changed(|d| drop(d.as_object_mut().map(|d| d.remove("trace"))));
    refused(&without, RefusalCode::MissingField, "trace");
    ReceivedRecord::parse_thinned(&without)
        .and_then(|r| r.verify(&fixture::identity().public_key()))
        .expect("a thinned record still proves its header");
    refused(b"{}", RefusalCode::MissingField, "header.schema");
    refused(b"[]", RefusalCode::MissingField, "header.schema");
}

#[test]
fn each_limit_holds_at_its_value_and_not_one_beyond() {
    use super::limits::*;
    let nested = |depth: usize| {
        let mut text = "1".to_owned();
        (0..depth).for_each(|_| text = format!("[{text}]"));
        serde_json::from_str::<Value>(&text).expect("JSON")
    };
    // `header` and `ext` are two of the levels.
    let parses = |bytes: &[u8]| ReceivedRecord::parse(bytes).map(drop);
    assert_eq!(parses(&put("/header/ext/x", nested(MAX_DEPTH - 3))), Ok(()));
    let path = format!("header.ext.x{}", "[0]".repeat(MAX_DEPTH - 3));
    refused(&put("/header/ext/x", nested(MAX_DEPTH - 2)), RefusalCode::TooDeep, &path);

    let text = |n: usize| put("/header/pre_checks/0/detail", json!("x".repeat(n)));
    assert_eq!(parses(&text(MAX_STRING_BYTES)), Ok(()));
    refused(&text(MAX_STRING_BYTES + 1), RefusalCode::TextTooLong, "header.pre_checks[0].detail");

    let event = json!({"at_ms": 1, "kind": "gap"});
    let events = |n: usize| put("/header/events", json!(vec![event.clone(); n]));
    assert_eq!(parses(&events(MAX_EVENTS)), Ok(()));
    refused(&events(MAX_EVENTS + 1), RefusalCode::TooMany, "header.events");

    let long_ext = json!(vec!["x".repeat(MAX_STRING_BYTES); MAX_EXT_BYTES / MAX_STRING_BYTES]);
    refused(&put("/header/ext/x", long_ext), RefusalCode::TooLarge, "header.ext");

    let many: serde_json::Map<_, _> = (0..=MAX_FIELDS).map(|i| (format!("f{i:04}"), json!(1))).collect();
    let last = format!("header.ext.f{MAX_FIELDS:04}");
    refused(&put("/header/ext", Value::Object(many)), RefusalCode::TooMany, &last);

    let mut padded = fixture::signed().bytes;
    padded.resize(MAX_DOCUMENT_BYTES, b' ');
    assert_eq!(parses(&padded), Ok(()));
    padded.push(b' ');
    refused(&padded, RefusalCode::TooLarge, "document");
}

#[test]
fn as_many_samples_as_may_be_and_not_one_more() {
    let samples = |n: usize| {
        let mut trace = fixture::trace();
        trace.time_ms = (0..).take(n).collect();
        trace.phases.clear();
        trace.columns.values_mut().for_each(|cells| *cells = vec![Some(1); n]);
        fixture::identity().sign_record(fixture::header(), trace)
    };
    samples(limits::MAX_SAMPLES).expect("the limit itself");
    let refusal = samples(limits::MAX_SAMPLES + 1).expect_err("one more");
    assert_eq!(refusal.code, RefusalCode::TooMany, "{refusal}");
}

#[test]
fn duplicate_names_are_refused_wherever_they_stand() {
    let text = String::from_utf8(fixture::signed().bytes).expect("UTF-8");
    let cases = [
        ("\"sequence\":1", "\"sequence\":1,\"sequence\":1", "header.sequence"),
        ("\"ext\":{}", "\"ext\":{\"a\":1,\"a\":2}", "header.ext.a"),
        ("\"ext\":{}", "\"ext\":{\"a\":1,\"\\u0061\":2}", "header.ext.a"),
        ("\"fan1_rpm\":", "\"fan1_rpm\":[],\"fan1_rpm\":", "trace.columns.fan1_rpm"),
    ];
    for (from, to, field) in cases {
        assert!(text.contains(from), "{from}");
        refused(text.replace(from, to).as_bytes(), RefusalCode::DuplicateField, field);
    }
}

#[test]
fn what_json_does_not_have_is_refused_with_its_place() {
    let text = String::from_utf8(fixture::signed().bytes).expect("UTF-8");
    for not_json in ["NaN", "Infinity", "-Infinity", "+1", "'x'", "", "1e999", "01"] {
        let with = text.replace("\"battery_pct\":87.5", &format!("\"battery_pct\":{not_json}"));
        refused(with.as_bytes(), RefusalCode::Syntax, "header.context.battery_pct");
    }
    for ends_early in ["0x10", "1 2"] {
        let with = text.replace("\"battery_pct\":87.5", &format!("\"battery_pct\":{ends_early}"));
        refused(with.as_bytes(), RefusalCode::Syntax, "header.context");
    }
    let beyond = text.replace("\"battery_pct\":87.5", "\"battery_pct\":1e30");
    refused(beyond.as_bytes(), RefusalCode::NumberTooLarge, "header.context.battery_pct");
    refused(b"", RefusalCode::Syntax, "document");
    refused(b"\xff\xfe", RefusalCode::Syntax, "document");
    refused(format!("{text}{text}").as_bytes(), RefusalCode::Syntax, "document");
    refused(
        &vec![b'['; 100_000],
        RefusalCode::TooDeep,
        &format!("document{}", "[0]".repeat(limits::MAX_DEPTH)),
    );
}

#[test]
fn each_tampering_is_refused_as_what_it_is() {
    use RefusalCode::*;
    let key = fixture::identity().public_key();
    let other_key =
        SigningIdentity::from_secret("00112233445566778899aabbccddeeff", &[7; 32]).expect("an id");
    let verify = |bytes: &[u8], key: &PublicKey| {
        let parsed = ReceivedRecord::parse(bytes).expect("well-formed");
        let refusal = parsed.verify(key).expect_err("a refusal");
        (refusal.code, refusal.field)
    };
    let zeros = |n: usize| json!("0".repeat(n));
    let cases = [
        (put("/trace/columns/cpu_temp_c/1", json!(60_000)), TraceDigestMismatch, "header.trace_digest"),
        (put("/header/trace_digest", zeros(64)), TraceDigestMismatch, "header.trace_digest"),
        (put("/header/sequence", json!(2)), DigestMismatch, "header.digest"),
        (put("/header/ext/note", json!("added")), DigestMismatch, "header.digest"),
        (put("/header/digest", zeros(64)), DigestMismatch, "header.digest"),
        (put("/header/signature", zeros(128)), BadSignature, "header.signature"),
    ];
    for (bytes, code, field) in cases {
        assert_eq!(verify(&bytes, &key), (code, field.to_owned()));
    }
    let signed = fixture::signed();
    let field = "header.key_id".to_owned();
    assert_eq!(verify(&signed.bytes, &other_key.public_key()), (KeyIdMismatch, field));
}

#[test]
fn a_rounded_reading_of_the_document_does_not_count() {
    // The digest is of what was received: spaces and the order of names don't matter, values inside `ext` do.
    let mut header = fixture::header();
    header.ext.insert("later".to_owned(), json!({"b": [1.5, "ä"], "a": null}));
    let signed = fixture::identity().sign_record(header, fixture::trace()).expect("a good record");
    let document: Value = serde_json::from_slice(&signed.bytes).expect("JSON");
    let pretty = serde_json::to_vec_pretty(&document).expect("JSON");
    assert_ne!(pretty, signed.bytes);
    let verified = ReceivedRecord::parse(&pretty).and_then(|r| r.verify(&fixture::identity().public_key()));
    assert_eq!(verified.expect("the same record").digest, signed.digest);
}

#[test]
fn what_a_hub_would_refuse_is_not_signed() {
    let mut header = fixture::header();
    header.context.ambient.as_mut().expect("told").value_c = f64::NAN;
    fixture::identity().sign_record(header, fixture::trace()).expect_err("NaN");
    let mut trace = fixture::trace();
    trace.time_ms[2] = 250;
    let refusal = fixture::identity().sign_record(fixture::header(), trace).expect_err("a time that stands");
    assert_eq!(refusal.field, "trace.time_ms[2]");
}

#[test]
fn a_record_of_no_samples_is_a_good_attempt() {
    let empty = wire::WireTrace { time_ms: vec![], phases: vec![], columns: [].into() };
    let mut header = fixture::header();
    header.outcome = wire::Outcome::NotStarted;
    header.metrics = None;
    fixture::identity().sign_record(header, empty).expect("an attempt");
}

#[test]
fn secrets_are_not_printed() {
    let shown = format!("{:?}", fixture::identity());
    assert!(!shown.contains(&hex::encode(fixture::test_secret())), "{shown}");
    assert!(!shown.contains("[0, 1, 2"), "{shown}");
    assert!(shown.contains(&fixture::identity().public_key().key_id()), "{shown}");
}

#[test]
fn the_signing_key_is_wiped_when_dropped() {
    // A compile-time promise of the library's feature `zeroize`, which must stay on.
    fn is_wiped<T: zeroize::ZeroizeOnDrop>() {}
    is_wiped::<ed25519_dalek::SigningKey>();
}

#[test]
fn a_seed_that_a_double_cannot_hold_is_not_signed() {
    let with_seed = |seed: u64| {
        let mut header = fixture::header();
        header.provenance = wire::Provenance::Emulated;
        header.emulation = Some(wire::Emulation { faults: String::new(), seed, virtual_time: true });
        fixture::identity().sign_record(header, fixture::trace())
    };
    with_seed(9_007_199_254_740_991).expect("2^53 − 1");
    let refusal = with_seed(9_007_199_254_740_992).expect_err("2^53");
    assert_eq!((refusal.code, &*refusal.field), (RefusalCode::NumberTooLarge, "header.emulation.seed"));
}

#[test]
fn weak_and_disguised_keys_are_refused() {
    let mut identity_point = [0; 32];
    identity_point[0] = 1;
    // The field's prime is 2^255 − 19, so that 2^255 − 18 is the identity's y = 1 spelt another way (RFC 8032 5.1.3).
    let mut disguised = [0xff; 32];
    disguised[0] = 0xee;
    disguised[31] = 0x7f;
    for bytes in [identity_point, [0; 32], disguised] {
        let refusal = PublicKey::from_bytes(&bytes, "public_key").expect_err("a weak key");
        assert_eq!(refusal.code, RefusalCode::WeakKey, "{bytes:02x?}");
    }
    let mut no_point = [0; 32];
    no_point[0] = 2;
    let refusal = PublicKey::from_bytes(&no_point, "public_key").expect_err("no point has y = 2");
    assert_eq!(refusal.code, RefusalCode::BadFormat);
}

#[test]
fn enrolment_proves_the_key_and_nothing_else_passes() {
    let identity = fixture::identity();
    let bytes = identity.enrolment_request("heron-42").expect("a good invite");
    let enrolment = EnrolmentRequest::parse_and_verify(&bytes).expect("a good request");
    assert_eq!(enrolment.invite, "heron-42");
    assert_eq!(enrolment.device_id, identity.device_id());
    assert_eq!(enrolment.public_key, identity.public_key());

    let text = String::from_utf8(bytes).expect("UTF-8");
    let weak_key = format!("01{}", "0".repeat(62));
    let other_device = "f".repeat(32);
    let cases = [
        ("heron-42", "heron-43", RefusalCode::BadSignature, "signature"),
        (identity.device_id(), &other_device, RefusalCode::BadSignature, "signature"),
        (&identity.public_key().to_hex(), &weak_key, RefusalCode::WeakKey, "public_key"),
        ("\"heron-42\"", "\"heron-42\",\"invite\":\"x\"", RefusalCode::DuplicateField, "invite"),
        ("\"heron-42\"", "\"heron-42\",\"user\":\"x\"", RefusalCode::UnknownField, "user"),
        ("heron-42", "", RefusalCode::BadText, "invite"),
        ("\"invite\":\"heron-42\",", "", RefusalCode::MissingField, "invite"),
        ("enrolment/1", "enrolment/2", RefusalCode::UnsupportedSchema, "schema"),
    ];
    for (from, to, code, field) in cases {
        assert!(text.contains(from), "{from}");
        let refusal = EnrolmentRequest::parse_and_verify(text.replacen(from, to, 1).as_bytes());
        let refusal = refusal.expect_err("a refusal");
        assert_eq!((refusal.code, refusal.field.as_str()), (code, field), "{from} → {to}: {refusal}");
    }
    identity.enrolment_request("").expect_err("no invite");
    identity.enrolment_request(&"x".repeat(limits::MAX_INVITE_BYTES + 1)).expect_err("too long");
}

#[test]
fn the_chain_tells_gap_and_fork_apart() {
    let digest = |n: u8| Digest([n; 32]);
    let root = digest(100);
    let stored = |sequence: u64, own: u8, previous: u8| Stored {
        sequence,
        digest: digest(own),
        previous: digest(previous),
    };
    let first = stored(1, 1, 100);
    let second = stored(2, 2, 1);
    let link = |record: Stored, before: Option<Stored>, same: Option<Stored>, next: Option<Stored>| {
        chain::link_of(&record, root, &Neighbours { before, same, next })
    };
    assert_eq!(link(first, None, None, None), Link::First);
    assert_eq!(link(first, None, None, Some(second)), Link::First, "arrived late");
    assert_eq!(link(stored(1, 1, 7), None, None, None), Link::Fork, "not this enrolment's root");
    assert_eq!(link(second, Some(first), None, None), Link::Follows);
    assert_eq!(link(stored(2, 2, 9), Some(first), None, None), Link::Fork);
    assert_eq!(link(stored(2, 3, 1), Some(first), Some(second), None), Link::Fork, "same place");
    assert_eq!(link(stored(2, 3, 1), Some(first), None, Some(stored(3, 4, 2))), Link::Fork, "disowned");
    assert_eq!(link(stored(5, 5, 4), Some(second), None, None), Link::Gap { n_missing: 2 });
    assert_eq!(link(stored(4, 5, 3), None, None, None), Link::Gap { n_missing: 3 });
    let last = stored(u64::MAX, 5, 3);
    assert_eq!(link(last, Some(stored(u64::MAX - 1, 3, 2)), None, None), Link::Follows);
}

/// Any JSON that a record's `ext` may hold.
fn any_ext() -> impl Strategy<Value = Value> {
    let text = "[\\PC]{0,12}";
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        (-9_007_199_254_740_991_i64..=9_007_199_254_740_991).prop_map(Value::from),
        (-1e15..1e15_f64).prop_map(Value::from),
        (-1e-5..1e-5_f64).prop_map(Value::from),
        text.prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 24, 5, move |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..5).prop_map(Value::from),
            proptest::collection::btree_map("[\\PC]{0,6}", inner, 0..5)
                .prop_map(|fields| Value::Object(fields.into_iter().collect())),
        ]
    })
}

proptest! {
    #[test]
    fn the_canonical_form_is_a_fixed_point(value in any_ext()) {
        let once = canonical::to_bytes(&value).expect("canonical");
        let again = json::read(&once, usize::MAX).expect("I-JSON");
        prop_assert_eq!(canonical::to_bytes(&again).expect("canonical"), once);
    }

    #[test]
    fn a_digest_does_not_depend_on_how_the_document_was_written(ext in any_ext(), at_ms in 0..1_000_000_i64) {
        let mut header = fixture::header();
        header.ext.insert("x".to_owned(), ext);
        header.events[0].at_ms = at_ms;
        let signed = fixture::identity().sign_record(header, fixture::trace()).expect("a good record");
        let document: Value = serde_json::from_slice(&signed.bytes).expect("JSON");
        let pretty = serde_json::to_vec_pretty(&document).expect("JSON");
        let verified = ReceivedRecord::parse(&pretty)
            .and_then(|r| r.verify(&fixture::identity().public_key()))
            .expect("the same record");
        prop_assert_eq!(verified.digest, signed.digest);
        // Compared in canonical form: within `ext`, 0.0 comes back as 0.
        prop_assert_eq!(canonical::to_bytes(&verified.record), canonical::to_bytes(&signed.record));
    }

    #[test]
    fn any_bytes_are_parsed_without_a_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(ReceivedRecord::parse(&bytes).is_err());
        prop_assert!(EnrolmentRequest::parse_and_verify(&bytes).is_err());
    }

    /// Whatever one damaged byte does: either the document says the same, or it is refused, and never with a panic.
    #[test]
    fn a_damaged_document_never_verifies_as_something_else(at in 0..100_000_usize, byte in any::<u8>(), how in 0..3) {
        let signed = fixture::signed();
        let mut bytes = signed.bytes.clone();
        let at = at % bytes.len();
        match how {
            0 => bytes[at] = byte,
            1 => bytes.insert(at, byte),
            _ => bytes.truncate(at),
        }
        let verified = ReceivedRecord::parse(&bytes).and_then(|r| r.verify(&fixture::identity().public_key()));
        if let Ok(verified) = verified {
            prop_assert_eq!(verified.record, signed.record);
        }
    }

    /// Any value at any place of a good document: parsed or refused, and a refusal always names a field.
    #[test]
    fn a_changed_value_is_parsed_or_refused_by_name(which in any::<proptest::sample::Index>(), value in any_ext()) {
        let mut document: Value = serde_json::from_slice(&fixture::signed().bytes).expect("JSON");
        let mut pointers = Vec::new();
        all_pointers(&document, "", &mut pointers);
        let pointer = &pointers[which.index(pointers.len())];
        *document.pointer_mut(pointer).expect("a place") = value;
        if let Err(refusal) = ReceivedRecord::parse(document.to_string().as_bytes()) {
            prop_assert!(!refusal.field.is_empty() && !refusal.why.is_empty(), "{:?}", refusal);
        }
    }
}

fn all_pointers(value: &Value, here: &str, found: &mut Vec<String>) {
    found.push(here.to_owned());
    match value {
        Value::Object(fields) => {
            fields.iter().for_each(|(name, inner)| all_pointers(inner, &format!("{here}/{name}"), found));
        }
        Value::Array(values) => {
            values
                .iter()
                .enumerate()
                .for_each(|(idx, inner)| all_pointers(inner, &format!("{here}/{idx}"), found));
        }
        _ => {}
    }
}
