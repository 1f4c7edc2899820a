//! The hub's program under a stranger's client: what it takes, what it refuses and how, and what a killed hub still has.

use std::collections::BTreeSet;
use std::io::Write;
use std::net::{SocketAddr, TcpStream};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use serde_json::{Value, json};

use crate::support::hub::{Hub, Serving};
use crate::support::laptop::Laptop;
use crate::support::raw_http::{Answer, post};
use crate::support::wait_for;

const JSON: &str = "Content-Type: application/json";
const NDJSON: &str = "Content-Type: application/x-ndjson";

fn post_record(to: SocketAddr, bytes: &[u8]) -> Answer {
    post(to, "/v1/records", &[JSON], bytes).expect("an answer")
}

#[track_caller]
fn join(hub: &Hub, serving: &Serving, laptop: &Laptop) {
    let request = laptop.enrolment(&hub.invite(1));
    let answer = post(serving.address, "/v1/devices", &[JSON], &request).expect("an answer");
    assert_eq!(answer.status, 201, "{}", answer.json());
}

#[track_caller]
fn problem(answer: &Answer, status: u16, code: &str, field: &str) {
    let body = answer.json();
    assert_eq!((answer.status, body["status"].clone()), (status, json!(status)), "{body}");
    assert_eq!(body["type"], json!(format!("urn:windrow:problem:{code}")), "{body}");
    assert_eq!(body["field"], json!(field), "{body}");
    assert!(answer.head.to_lowercase().contains("content-type: application/problem+json"), "{}", answer.head);
}

#[test]
fn the_same_record_twice_is_the_same_answer_and_one_row() {
    let hub = Hub::new();
    let serving = hub.serve();
    let mut laptop = Laptop::new(1);
    join(&hub, &serving, &laptop);
    let record = laptop.next_record();
    let first = post_record(serving.address, &record.bytes).json();
    let again = post_record(serving.address, &record.bytes).json();
    assert_eq!(first["results"][0]["digest"], json!(record.digest.to_hex()));
    assert_eq!(again["results"][0]["digest"], first["results"][0]["digest"]);
    assert_eq!(
        (&first["results"][0]["state"], &again["results"][0]["state"]),
        (&json!("stored"), &json!("known"))
    );
    let (runs, n_leaves) = hub.stored();
    assert_eq!((runs.len(), n_leaves), (1, 1));
}

#[test]
fn many_records_come_packed_as_lines() {
    let hub = Hub::new();
    let serving = hub.serve();
    let mut laptop = Laptop::new(2);
    join(&hub, &serving, &laptop);
    let mut lines = |n: usize| -> Vec<u8> {
        (0..n).flat_map(|_| [laptop.next_record().bytes, b"\n".to_vec()].concat()).collect()
    };
    let (in_zstd, in_gzip) = (lines(3), lines(2));
    let packed = zstd::encode_all(in_zstd.as_slice(), 3).expect("zstd");
    let answer = post(serving.address, "/v1/records", &[NDJSON, "Content-Encoding: zstd"], &packed)
        .expect("an answer");
    assert_eq!(states(&answer.json()), ["stored", "stored", "stored"]);
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    gzip.write_all(&in_gzip).expect("memory");
    let packed = gzip.finish().expect("memory");
    let answer = post(serving.address, "/v1/records", &[NDJSON, "Content-Encoding: gzip"], &packed)
        .expect("an answer");
    assert_eq!(states(&answer.json()), ["stored", "stored"]);
    assert_eq!(hub.stored().0.len(), 5);
}

fn states(acknowledgement: &Value) -> Vec<&str> {
    let results = acknowledgement["results"].as_array().expect("results");
    results.iter().map(|r| r["state"].as_str().unwrap_or("refused")).collect()
}

#[test]
fn what_was_tampered_with_is_refused_by_the_name_of_its_field() {
    let hub = Hub::new();
    let serving = hub.serve();
    let mut laptop = Laptop::new(3);
    join(&hub, &serving, &laptop);
    let record = laptop.next_record();
    let changed = |change: &dyn Fn(&mut Value)| {
        let mut document: Value = serde_json::from_slice(&record.bytes).expect("JSON");
        change(&mut document);
        post_record(serving.address, document.to_string().as_bytes())
    };
    let colder = changed(&|d| d["trace"]["columns"]["cpu_temp_c"][50] = json!(30_000));
    problem(&colder, 422, "trace_digest_mismatch", "header.trace_digest");
    let other_place = changed(&|d| d["header"]["started_at"] = json!("2026-03-02T09:00:00.001Z"));
    problem(&other_place, 422, "digest_mismatch", "header.digest");
    let forged = changed(&|d| d["header"]["signature"] = json!("00".repeat(64)));
    problem(&forged, 403, "bad_signature", "header.signature");
    let named = changed(&|d| d["header"]["host_name"] = json!("front-desk"));
    problem(&named, 400, "unknown_field", "header.host_name");
    problem(&post_record(serving.address, b"{\"header\":"), 400, "syntax", "header");
    assert_eq!(hub.stored().1, 0, "nothing of it was kept");
    assert_eq!(post_record(serving.address, &record.bytes).status, 200, "the record itself is good");
}

#[test]
fn strangers_and_revoked_laptops_are_turned_away() {
    let hub = Hub::new();
    let serving = hub.serve();
    let mut laptop = Laptop::new(4);
    let first = laptop.next_record();
    problem(&post_record(serving.address, &first.bytes), 403, "unknown_device", "header.device_id");
    let uninvited =
        post(serving.address, "/v1/devices", &[JSON], &laptop.enrolment("wi-made-up")).expect("an answer");
    problem(&uninvited, 403, "unknown_invite", "invite");
    join(&hub, &serving, &laptop);
    assert_eq!(post_record(serving.address, &first.bytes).status, 200);
    hub.run_well(&["revoke", laptop.signing.device_id()]);
    let after = laptop.next_record();
    problem(&post_record(serving.address, &after.bytes), 403, "revoked_device", "header.device_id");
    let again =
        post(serving.address, "/v1/devices", &[JSON], &laptop.enrolment(&hub.invite(1))).expect("an answer");
    problem(&again, 403, "revoked_device", "device_id");
    assert_eq!(hub.stored().0.len(), 1, "what it sent before stays");
}

/// Posts records from several laptops at once until the hub is gone, and notes every digest that was acknowledged.
struct Storm {
    acknowledged: Mutex<BTreeSet<String>>,
    n_acknowledged: AtomicUsize,
    is_over: AtomicBool,
}

impl Storm {
    fn post_until_gone(&self, to: SocketAddr, laptop: &mut Laptop, posted: &mut Vec<Vec<u8>>) {
        while !self.is_over.load(Ordering::SeqCst) {
            let record = laptop.next_record();
            posted.push(record.bytes.clone());
            let Ok(answer) = post(to, "/v1/records", &[JSON], &record.bytes) else { return };
            if answer.status == 200 {
                let digest = answer.json()["results"][0]["digest"].as_str().expect("a digest").to_owned();
                self.acknowledged.lock().expect("no panic").insert(digest);
                self.n_acknowledged.fetch_add(1, Ordering::SeqCst);
            }
        }
    }
}

#[test]
fn a_hub_killed_under_load_has_lost_and_doubled_nothing_it_acknowledged() {
    const LAPTOPS: u8 = 6;
    const ACKNOWLEDGED_BEFORE_THE_KILL: usize = 60;
    let hub = Hub::new();
    let serving = hub.serve();
    let mut laptops: Vec<(Laptop, Vec<Vec<u8>>)> =
        (10..10 + LAPTOPS).map(|n| (Laptop::new(n), Vec::new())).collect();
    for (laptop, _) in &laptops {
        join(&hub, &serving, laptop);
    }
    let storm = Storm {
        acknowledged: Mutex::default(),
        n_acknowledged: AtomicUsize::new(0),
        is_over: AtomicBool::new(false),
    };
    let address = serving.address;
    std::thread::scope(|scope| {
        for (laptop, posted) in &mut laptops {
            scope.spawn(|| storm.post_until_gone(address, laptop, posted));
        }
        wait_for("acknowledgements", || {
            (storm.n_acknowledged.load(Ordering::SeqCst) >= ACKNOWLEDGED_BEFORE_THE_KILL).then_some(())
        });
        serving.kill();
        storm.is_over.store(true, Ordering::SeqCst);
    });
    let acknowledged = storm.acknowledged.into_inner().expect("no panic");

    // The file as the kill left it.
    let restarted = hub.serve();
    let (runs, n_leaves) = hub.stored();
    let found: BTreeSet<String> = runs.iter().map(|r| r.digest.to_hex()).collect();
    assert_eq!(found.len(), runs.len(), "a record is there twice");
    assert_eq!(n_leaves, runs.len(), "records and ledger leaves differ");
    let missing: Vec<&String> = acknowledged.difference(&found).collect();
    assert_eq!(missing, Vec::<&String>::new(), "acknowledged and gone");

    // What the laptops would do: send everything again that was ever posted.
    let mut n_posted = 0;
    for bytes in laptops.iter().flat_map(|(_, posted)| posted) {
        let answer = post_record(restarted.address, bytes);
        let result = answer.json()["results"][0].clone();
        let was_there = found.contains(result["digest"].as_str().unwrap_or_default());
        assert_eq!(result["state"], json!(if was_there { "known" } else { "stored" }), "{result}");
        n_posted += 1;
    }
    let (runs, n_leaves) = hub.stored();
    assert_eq!((runs.len(), n_leaves), (n_posted, n_posted));
    let rank = hub.rank();
    let n_ranked: u64 =
        rank["laptops"].as_array().expect("rows").iter().filter_map(|r| r["runs"].as_u64()).sum();
    assert_eq!(n_ranked as usize, n_posted, "the rank counts every run once");
}

#[test]
fn half_a_header_does_not_keep_the_hub_from_stopping() {
    let hub = Hub::new();
    let serving = hub.serve();
    let mut half = TcpStream::connect(serving.address).expect("a connection");
    half.write_all(b"POST /v1/records HTTP/1.1\r\nHost: hub\r\nX-Slow").expect("sent");
    // Others are served meanwhile.
    problem(&post_record(serving.address, b"{}"), 400, "missing_field", "header.schema");
    let status = serving.terminate();
    assert_eq!(status.code(), Some(0), "{}", hub.log());
    drop(half);
}

#[test]
fn plain_http_beyond_loopback_is_refused_unless_told_in_so_many_words() {
    let hub = Hub::new();
    let refused = hub.run(&["serve", "--listen", "0.0.0.0:0"]);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!(refused.status.code(), Some(1), "{said}");
    assert!(
        said.contains("will not serve plain HTTP") && said.contains("do this: give `--tls-cert`"),
        "{said}"
    );
    assert!(!hub.database.exists(), "nothing was begun");
}

#[test]
fn a_mistyped_database_is_not_an_empty_fleet() {
    let hub = Hub::new();
    let refused = hub.run(&["rank"]);
    assert_eq!(refused.status.code(), Some(1));
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(said.contains("there is no database at") && said.contains("do this: "), "{said}");
}
