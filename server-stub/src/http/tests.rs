use std::time::Duration;

use serde_json::{Value, json};
use tokio::io::AsyncWriteExt;
use windrow_model::record::{Digest, SignedRecord};

use super::{Limits, ROUTES};
use crate::store::{LedgerStore, Store};
use crate::testing::{Laptop, START_MS, TestHub, new_invite, read_answer, request_head};

const JSON: &str = "Content-Type: application/json";
const NDJSON: &str = "Content-Type: application/x-ndjson";

/// Limits that end a slow caller soon.
fn impatient() -> Limits {
    let soon = Duration::from_millis(200);
    Limits { header: soon, body_idle: soon, drain: Duration::from_secs(5), ..Limits::default() }
}

#[tokio::test]
async fn every_route_in_the_list_exists_and_nothing_else() {
    let hub = TestHub::start(Limits::default()).await;
    for (method, path, _) in ROUTES {
        let answer = hub.request(method, path, &[], b"").await;
        assert!(answer.status != 404 && answer.status != 405, "{method} {path}: {answer:?}");
        let answer = hub.request("PATCH", path, &[], b"").await;
        assert_eq!((answer.status, answer.problem().as_str()), (405, "method_not_allowed"), "{path}");
    }
    for path in ["/v1", "/assets/x", "/v1/records/", "/v1/device", "/metric"] {
        let answer = hub.get(path).await;
        assert_eq!((answer.status, answer.problem().as_str()), (404, "not_found"), "{path}");
    }
    hub.stop().await;
}

#[tokio::test]
async fn every_route_is_documented() {
    let docs = include_str!("../../../docs/http.md");
    for (method, path, _) in ROUTES {
        assert!(docs.contains(&format!("`{method} {path}`")), "{method} {path}");
    }
}

#[tokio::test]
async fn a_record_is_stored_once_however_often_it_is_posted() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    let record = laptop.check();
    let answer = hub.post_record(&record.bytes).await;
    assert_eq!(answer.status, 200, "{answer:?}");
    assert_eq!(
        answer.json(),
        json!({"results": [{"digest": record.digest.to_hex(), "state": "stored", "link": "first"}],
               "accepts": ["windrow-record/1"], "check_wanted_by": null, "held": null})
    );
    for _ in 0..2 {
        let again = hub.post_record(&record.bytes).await;
        assert_eq!(again.json()["results"][0]["state"], "known");
    }
    assert_eq!(hub.store.ledger_size().await.unwrap(), 2, "the enrolment and the record");
    hub.stop().await;
}

#[tokio::test]
async fn one_bad_record_does_not_lose_the_others() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    let (first, second, stranger) = (laptop.check(), laptop.check(), Laptop::new(9).check());
    let lines: [&[u8]; 5] = [&first.bytes, b"{", &stranger.bytes, b"  ", &second.bytes];
    let answer = hub.post("/v1/records", &[NDJSON], &lines.join(&b'\n')).await;
    assert_eq!(answer.status, 200, "{answer:?}");
    let results = answer.json()["results"].clone();
    assert_eq!(results[0]["state"], "stored");
    assert_eq!(results[1]["problem"]["type"], "urn:windrow:problem:syntax");
    assert_eq!(results[2]["problem"]["type"], "urn:windrow:problem:unknown_device");
    assert_eq!((&results[3]["state"], &results[3]["link"]), (&json!("stored"), &json!("follows")));
    assert_eq!(results.as_array().unwrap().len(), 4, "{results}");
    let counts = hub.store.refusal_list().await.unwrap();
    assert_eq!(counts, [("syntax".to_owned(), 1), ("unknown_device".to_owned(), 1)]);
    hub.stop().await;
}

/// A signed document with a change made after it was signed.
fn tampered(record: &SignedRecord, change: impl FnOnce(&mut Value)) -> Vec<u8> {
    let mut document: Value = serde_json::from_slice(&record.bytes).unwrap();
    change(&mut document);
    document.to_string().into_bytes()
}

#[tokio::test]
async fn what_is_not_as_signed_is_refused_with_its_field() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    hub.joined(2).await;
    let record = laptop.check();
    let text = String::from_utf8(record.bytes.clone()).unwrap();
    let doubled = text.replacen("{\"header\":{", "{\"header\":{\"sequence\":7,", 1).into_bytes();
    let cases: Vec<(&str, u16, &str, Vec<u8>)> = vec![
        (
            "bad_signature",
            403,
            "header.signature",
            tampered(&record, |d| d["header"]["signature"] = json!("00".repeat(64))),
        ),
        ("digest_mismatch", 422, "header.digest", tampered(&record, |d| d["header"]["sequence"] = json!(7))),
        (
            "trace_digest_mismatch",
            422,
            "header.trace_digest",
            tampered(&record, |d| d["trace"]["columns"]["cpu_temp_c"][1] = json!(69_000)),
        ),
        ("key_id_mismatch", 403, "header.key_id", {
            // Signed by device 2's owner in device 1's name.
            let thief =
                windrow_model::record::SigningIdentity::from_secret(&laptop.device_id(), &[2; 32]).unwrap();
            let header = record.record.header.clone();
            thief.sign_record(header, record.record.trace.clone().unwrap()).unwrap().bytes
        }),
        ("unknown_field", 400, "header.mood", tampered(&record, |d| d["header"]["mood"] = json!("good"))),
        ("duplicate_field", 400, "header.sequence", doubled),
        (
            "unsupported_schema",
            400,
            "header.schema",
            tampered(&record, |d| d["header"]["schema"] = json!("windrow-record/9")),
        ),
        (
            "missing_field",
            400,
            "trace",
            tampered(&record, |d| {
                d.as_object_mut().unwrap().remove("trace");
            }),
        ),
        ("unknown_device", 403, "header.device_id", Laptop::new(9).check().bytes),
        ("syntax", 400, "document", b"not json".to_vec()),
    ];
    for (code, status, field, document) in &cases {
        let answer = hub.post_record(document).await;
        assert_eq!((answer.problem().as_str(), answer.status), (*code, *status), "{answer:?}");
        assert_eq!(answer.json()["field"], *field, "{answer:?}");
    }
    assert_eq!(hub.store.ledger_size().await.unwrap(), 2, "two enrolments");
    let n_counted: u64 = hub.store.refusal_list().await.unwrap().iter().map(|(_, n)| n).sum();
    assert_eq!(n_counted, cases.len() as u64);
    hub.stop().await;
}

#[tokio::test]
async fn a_revoked_laptop_is_turned_away_and_its_records_stay() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    let (before, after) = (laptop.check(), laptop.check());
    assert_eq!(hub.post_record(&before.bytes).await.status, 200);
    assert!(hub.store.device_revoke(laptop.device_id(), START_MS).await.unwrap());
    let answer = hub.post_record(&after.bytes).await;
    assert_eq!((answer.status, answer.problem().as_str()), (403, "revoked_device"));
    assert_eq!(hub.store.ledger_size().await.unwrap(), 3, "enrolment, record, revocation");
    hub.stop().await;
}

#[tokio::test]
async fn an_invite_is_good_for_its_uses_its_time_and_the_holder_of_the_key() {
    let hub = TestHub::start(Limits::default()).await;
    let (token, invite) = new_invite(1, START_MS + 1000);
    hub.store.invite_create(invite).await.unwrap();
    let join = async |seed: u8, token: &str| {
        let request = Laptop::new(seed).identity.enrolment_request(token).unwrap();
        hub.post("/v1/devices", &[JSON], &request).await
    };
    let first = join(1, &token).await;
    assert_eq!((first.status, &first.json()["state"]), (201, &json!("new")));
    let again = join(1, &token).await;
    assert_eq!((again.status, &again.json()["state"]), (200, &json!("known")));
    let second = join(2, &token).await;
    assert_eq!((second.status, second.problem().as_str()), (403, "unknown_invite"));

    let (late, invite) = new_invite(5, START_MS + 1000);
    hub.store.invite_create(invite).await.unwrap();
    hub.clock.set(START_MS + 1001);
    assert_eq!(join(3, &late).await.problem(), "expired_invite");
    hub.clock.set(START_MS + 1000);
    assert_eq!(join(3, &late).await.status, 201);

    // Another key under the first laptop's id.
    let thief = windrow_model::record::SigningIdentity::from_secret(&"01".repeat(16), &[7; 32]).unwrap();
    let request = thief.enrolment_request(&late).unwrap();
    assert_eq!(hub.post("/v1/devices", &[JSON], &request).await.problem(), "device_id_taken");
    // A request whose proof is another's.
    let mut request: Value = serde_json::from_slice(&request).unwrap();
    request["device_id"] = json!("04".repeat(16));
    let answer = hub.post("/v1/devices", &[JSON], request.to_string().as_bytes()).await;
    assert_eq!((answer.status, answer.problem().as_str()), (403, "bad_signature"));
    hub.stop().await;
}

#[tokio::test]
async fn packed_bodies_are_taken_within_their_limits() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    let record = laptop.check();
    let zstd = zstd::bulk::compress(&record.bytes, 3).unwrap();
    let answer = hub.post("/v1/records", &[JSON, "Content-Encoding: zstd"], &zstd).await;
    assert_eq!(answer.json()["results"][0]["state"], "stored", "{answer:?}");
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    std::io::Write::write_all(&mut gzip, &record.bytes).unwrap();
    let answer = hub.post("/v1/records", &[JSON, "Content-Encoding: gzip"], &gzip.finish().unwrap()).await;
    assert_eq!(answer.json()["results"][0]["state"], "known", "{answer:?}");

    let bomb = zstd::bulk::compress(&vec![b' '; super::body::MAX_UNPACKED_BYTES + 1], 3).unwrap();
    let cases: [(&[&str], &[u8], u16, &str); 5] = [
        (&[JSON, "Content-Encoding: zstd"], &bomb, 413, "body_too_large"),
        (&[JSON, "Content-Encoding: br"], b"x", 415, "unsupported_encoding"),
        (&[JSON, "Content-Encoding: gzip"], b"not gzip", 400, "body_broken"),
        (&["Content-Type: text/plain"], b"x", 415, "unsupported_media_type"),
        (&[NDJSON], b"\n \n", 400, "empty"),
    ];
    for (headers, body, status, code) in cases {
        let answer = hub.post("/v1/records", headers, body).await;
        assert_eq!((answer.status, answer.problem().as_str()), (status, code), "{headers:?}");
    }
    let many = b"{}\n".repeat(257);
    assert_eq!(hub.post("/v1/records", &[NDJSON], &many).await.problem(), "too_many_records");
    hub.stop().await;
}

#[tokio::test]
async fn a_body_that_says_it_is_too_large_is_refused_unread() {
    let hub = TestHub::start(Limits::default()).await;
    let mut stream = hub.connect().await;
    let head = request_head("POST", "/v1/records", &[JSON], super::body::MAX_PACKED_BYTES + 1);
    stream.write_all(head.as_bytes()).await.unwrap();
    let answer = read_answer(&mut stream).await;
    assert_eq!((answer.status, answer.problem().as_str()), (413, "body_too_large"));
    hub.stop().await;
}

#[tokio::test]
async fn half_a_header_holds_a_connection_no_longer_than_its_time() {
    let hub = TestHub::start(impatient()).await;
    let mut stream = hub.connect().await;
    stream.write_all(b"POST /v1/records HTTP/1.1\r\nHost: h").await.unwrap();
    let mut rest = Vec::new();
    let closed = tokio::io::AsyncReadExt::read_to_end(&mut stream, &mut rest);
    tokio::time::timeout(Duration::from_secs(30), closed).await.expect("the hub closes").unwrap();
    hub.stop().await;
}

#[tokio::test]
async fn half_a_body_is_answered_once_nothing_more_comes() {
    let hub = TestHub::start(impatient()).await;
    let mut stream = hub.connect().await;
    let head = request_head("POST", "/v1/records", &[JSON], 100);
    stream.write_all(format!("{head}{{\"hea").as_bytes()).await.unwrap();
    let answer = read_answer(&mut stream).await;
    assert_eq!((answer.status, answer.problem().as_str()), (408, "body_too_slow"));
    hub.stop().await;
}

#[tokio::test]
async fn a_full_hub_sends_callers_away_and_stays_alive() {
    let hub = TestHub::start(Limits { max_concurrent: 1, ..Limits::default() }).await;
    let mut laptop = hub.joined(1).await;
    let record = laptop.check();
    let (early, late) = record.bytes.split_at(10);
    let mut busy = hub.connect().await;
    let head = request_head("POST", "/v1/records", &[JSON], record.bytes.len());
    busy.write_all(&[head.as_bytes(), early].concat()).await.unwrap();
    // The first request holds the only place as soon as its header was read: ask until it does.
    let refused = loop {
        let answer = hub.get("/readyz").await;
        if answer.status != 200 {
            break answer;
        }
    };
    assert_eq!((refused.status, refused.problem().as_str()), (503, "overloaded"));
    assert!(refused.head.contains("retry-after: 5"), "{}", refused.head);
    assert_eq!(hub.get("/healthz").await.status, 200);
    busy.write_all(late).await.unwrap();
    let answer = read_answer(&mut busy).await;
    assert_eq!(answer.json()["results"][0]["state"], "stored", "{answer:?}");
    assert_eq!(hub.get("/readyz").await.status, 200);
    hub.stop().await;
}

#[tokio::test]
async fn a_stopping_hub_answers_what_it_began_and_waits_for_nobody_else() {
    let hub = TestHub::start(impatient()).await;
    let mut laptop = hub.joined(1).await;
    let record = laptop.check();
    let (early, late) = record.bytes.split_at(10);
    let mut stalled = hub.connect().await;
    stalled.write_all(b"GET /healthz HT").await.unwrap();
    let mut begun = hub.connect().await;
    let head = request_head("POST", "/v1/records", &[JSON], record.bytes.len());
    begun.write_all(&[head.as_bytes(), early].concat()).await.unwrap();
    // A request is begun once the hub has seen its header; another one after it shows that it has.
    assert_eq!(hub.get("/healthz").await.status, 200);
    let stopping = tokio::spawn(hub.stop());
    begun.write_all(late).await.unwrap();
    let answer = read_answer(&mut begun).await;
    assert_eq!(answer.json()["results"][0]["state"], "stored", "{answer:?}");
    stopping.await.unwrap();
}

#[tokio::test]
async fn a_closed_store_is_a_503_and_nothing_is_acknowledged() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    let record = laptop.check();
    hub.store.store_close().await;
    let answer = hub.post_record(&record.bytes).await;
    assert_eq!((answer.status, answer.problem().as_str()), (503, "overloaded"));
    assert_eq!(hub.get("/readyz").await.status, 503);
    assert_eq!(hub.get("/healthz").await.status, 200);
    hub.stop().await;
}

#[tokio::test]
async fn gaps_and_forks_are_states() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    let (first, second, third) = (laptop.check(), laptop.check(), laptop.check());
    let link = async |record: &SignedRecord| {
        let answer = hub.post_record(&record.bytes).await;
        answer.json()["results"][0]["link"].as_str().unwrap_or("none").to_owned()
    };
    assert_eq!(link(&first).await, "first");
    assert_eq!(link(&third).await, "gap");
    assert_eq!(link(&second).await, "follows");
    let fork = laptop.sign(2, Digest([7; 32]), |_| ());
    assert_eq!(link(&fork).await, "fork");
    assert_eq!(hub.store.ledger_size().await.unwrap(), 5, "the enrolment and four records");
    hub.stop().await;
}
