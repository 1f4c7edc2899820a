//! The model's reference: from the hub that learned it to the verdict of a laptop, and to nobody else.

use chrono::{SecondsFormat, TimeDelta, Utc};
use serde_json::{Value, json};

use crate::support::agent::Agent;
use crate::support::hub::{Hub, Serving};
use crate::support::laptop::Laptop;
use crate::support::raw_http::{Answer, get, post};
use crate::support::wait_for;

const JSON: &str = "Content-Type: application/json";
/// Healthy laptops from which the hub learns.
const PEERS: u64 = 5;
const MODEL: &str = "Tamsel 14";

fn joined(hub: &Hub, serving: &Serving) -> Agent {
    let agent = Agent::new();
    agent.run_to(0, &["join", &serving.url, "--invite", &hub.invite(1)]);
    agent
}

/// A check in a room whose temperature is told; its standard output.
#[track_caller]
fn check(agent: &Agent, codes: &[i32], faults: &str, seed: u64) -> (String, String) {
    check_model(agent, codes, (MODEL, faults), seed)
}

/// The same as another model.
#[track_caller]
fn check_model(agent: &Agent, codes: &[i32], (model, faults): (&str, &str), seed: u64) -> (String, String) {
    let faults = if faults.is_empty() { "ambient=23".to_owned() } else { format!("{faults},ambient=23") };
    let seed = seed.to_string();
    let output = agent.run(&[
        "check",
        "--emulate",
        &faults,
        "--model-like",
        model,
        "--seed",
        &seed,
        "--ambient",
        "23",
    ]);
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).split_whitespace().collect::<Vec<_>>().join(" ");
    let (said, shown) = (text(&output.stderr), text(&output.stdout));
    assert!(
        output.status.code().is_some_and(|code| codes.contains(&code)),
        "{:?}: {shown} {said}",
        output.status
    );
    (shown, said)
}

/// A hub that has learned from healthy laptops, serving.
fn learned(model: &str) -> (Hub, Serving) {
    let hub = Hub::new();
    let serving = hub.serve();
    for seed in 1..=PEERS {
        check_model(&joined(&hub, &serving), &[0], (model, ""), seed);
    }
    assert!(serving.terminate().success());
    // Learned while they came in one by one; now from all of them.
    hub.run_well(&["recompute"]);
    hub.rank();
    let serving = hub.serve();
    (hub, serving)
}

/// All models as a program with a grant sees them, once the hub has judged.
fn models(serving: &Serving, token: &str) -> Value {
    let bearer = format!("Authorization: Bearer {token}");
    wait_for("the hub to judge", || {
        let answer = get(serving.address, "/v1/models", &[&bearer]).expect("an answer");
        (answer.status == 200).then(|| answer.json())
    })
}

fn auditor(hub: &Hub) -> String {
    let file = hub.database.with_file_name("auditor.token");
    hub.run_well(&["grant", "--role", "auditor", "--name", "test", "--to", file.to_str().expect("UTF-8")]);
    std::fs::read_to_string(file).expect("a token").trim().to_owned()
}

#[test]
fn a_check_is_judged_beside_other_laptops_and_from_the_kept_reference_without_the_hub() {
    let (hub, serving) = learned(MODEL);
    let listed = models(&serving, &auditor(&hub));
    assert_eq!(listed["models"][0]["kinds"][0]["reference"]["laptops"], json!(PEERS), "{listed}");
    let agent = joined(&hub, &serving);
    // The hub knows its model from its first record: that goes out first, and the verdict rests on the reference.
    let (shown, said) = check(&agent, &[3], "airflow=0.45", 71);
    assert!(shown.contains("compared with 5 other laptops of this model"), "{shown} {said}");
    assert!(shown.contains("The air takes less heat away than on other laptops"), "{shown}");
    assert!(shown.contains("odds to be below 0.7"), "{shown}");
    assert!(said.contains("Sent 1 record"), "{said}");
    assert!(agent.state().join("reference.json").is_file());
    assert!(agent.records("spool").is_empty() && agent.records("past").len() == 1);
    // Its second check in the same words, over both; without the hub the kept reference serves, with its date.
    serving.kill();
    let (shown, said) = check(&agent, &[3], "airflow=0.45", 72);
    assert!(
        shown.contains("compared with 5 other laptops of this model, over its own last 2 checks"),
        "{shown}"
    );
    let today = Utc::now().format("%Y-%m-%d").to_string();
    assert!(
        said.contains(&format!("Compared with the model's reference of {today}; no newer one came")),
        "{said}"
    );
    let past = agent.run_to(0, &["past", "1"]);
    assert!(past.contains("other laptops"), "{past}");
    // Another model has no reference here, and says so as before.
    let other = agent.run(&["check", "--emulate", "ambient=23", "--model-like", "Velden 14", "--keep"]);
    let other = String::from_utf8_lossy(&other.stdout).into_owned();
    assert!(!other.contains("other laptops of this model") && other.contains("windrow join"), "{other}");
}

#[track_caller]
fn refused(answer: &Answer, status: u16, code: &str) {
    let body = answer.json();
    assert_eq!(
        (answer.status, &body["type"]),
        (status, &json!(format!("urn:windrow:problem:{code}"))),
        "{body}"
    );
}

/// A signed request as docs/http.md tells it.
fn asked(serving: &Serving, laptop: &Laptop, path: &str, age: TimeDelta) -> Answer {
    let at = (Utc::now() - age).to_rfc3339_opts(SecondsFormat::Secs, true);
    let signed = laptop.signing.sign_request("GET", path, &at).expect("a signature");
    get(serving.address, path, &[&format!("Authorization: {signed}")]).expect("an answer")
}

#[test]
fn a_laptop_reads_its_own_model_s_reference_and_nobody_without_a_right_reads_any() {
    // The model of which the laptop that signs here is.
    let model = windrow_model::emulate::catalogue().swap_remove(0).model.product;
    let (hub, serving) = learned(&model);
    let token = auditor(&hub);
    let listed = models(&serving, &token);
    let path = listed["models"][0]["kinds"][0]["reference"]["address"].as_str().expect("a path").to_owned();
    let (now, none) = (TimeDelta::zero(), "/v1/models/0000000000000000/reference");

    let mut laptop = Laptop::new(9);
    let join = laptop.enrolment(&hub.invite(1));
    assert_eq!(post(serving.address, "/v1/devices", &[JSON], &join).expect("an answer").status, 201);
    refused(&asked(&serving, &laptop, &path, now), 404, "no_record_yet");
    let record = laptop.next_record();
    assert_eq!(post(serving.address, "/v1/records", &[JSON], &record.bytes).expect("an answer").status, 200);
    refused(&asked(&serving, &laptop, none, now), 403, "not_own_model");
    refused(&asked(&serving, &laptop, &path, TimeDelta::minutes(6)), 401, "stale_request");
    refused(&asked(&serving, &laptop, &path, TimeDelta::minutes(-6)), 401, "stale_request");
    refused(&asked(&serving, &Laptop::new(8), &path, now), 403, "unknown_device");

    let own = asked(&serving, &laptop, &path, now);
    let text = String::from_utf8_lossy(&own.body).into_owned();
    assert_eq!(own.status, 200, "{text}");
    assert!(own.body.len() < 64 * 1024, "{} bytes", own.body.len());
    assert_eq!(own.json()["own"]["device_id"], json!(laptop.signing.device_id()));
    for run in &hub.stored().0 {
        let is_own = run.device_id == laptop.signing.device_id();
        assert!(is_own || !text.contains(&run.device_id), "another laptop's id is told");
    }

    let bearer = format!("Authorization: Bearer {token}");
    let read = get(serving.address, &path, &[&bearer]).expect("an answer");
    assert_eq!((read.status, read.json()["own"].clone()), (200, Value::Null));
    refused(&get(serving.address, none, &[&bearer]).expect("an answer"), 404, "no_reference_yet");
    refused(&get(serving.address, &path, &[]).expect("an answer"), 401, "sign_in_needed");

    // What was signed for one path is good for no other, and a changed signature for none.
    let at = Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true);
    let for_other = laptop.signing.sign_request("GET", none, &at).expect("a signature");
    let with =
        |value: &str| get(serving.address, &path, &[&format!("Authorization: {value}")]).expect("an answer");
    refused(&with(&for_other), 403, "bad_signature");
    refused(&with("Windrow-Device id=\"x\""), 400, "bad_format");

    hub.run_well(&["revoke", laptop.signing.device_id()]);
    refused(&asked(&serving, &laptop, &path, now), 403, "revoked_device");
}
