//! Who is told when a laptop's band changes: the real hub, a real TLS receiver, and signatures worked out here.

use std::fmt::Write as _;
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt as _;
use std::path::PathBuf;

use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use crate::support::agent::Agent;
use crate::support::certificates::{Certificates, text};
use crate::support::hub::{Hub, Serving};
use crate::support::receiver::{Posted, Receiver, answer};
use crate::support::wait_for;

const SECRET: &str = "a secret of forty bytes, for tests alone";

/// HMAC by its definition (RFC 2104, section 2), with SHA-256: the hub's own comes from a library.
fn hmac_sha256(key: &[u8], message: &[u8]) -> [u8; 32] {
    const BLOCK: usize = 64;
    let mut block = [0_u8; BLOCK];
    if key.len() > BLOCK {
        block[..32].copy_from_slice(&Sha256::digest(key));
    } else {
        block[..key.len()].copy_from_slice(key);
    }
    let hash = |pad: u8, message: &[u8]| {
        let padded = block.map(|b| b ^ pad);
        let digest: [u8; 32] = Sha256::digest([&padded[..], message].concat()).into();
        digest
    };
    hash(0x5c, &hash(0x36, message))
}

#[test]
fn the_second_opinion_is_that_of_rfc_4231() {
    let check = |key: &[u8], message: &[u8], expected: &str| {
        assert_eq!(hex::encode(hmac_sha256(key, message)), expected);
    };
    // RFC 4231, test cases 2 and 6.
    check(
        b"Jefe",
        b"what do ya want for nothing?",
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
    );
    check(
        &[0xaa; 131],
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    );
}

/// A notify file beside a hub's database.
struct Notify {
    path: PathBuf,
}

impl Notify {
    /// `(name, url)`; all have the same secret, and the certificates' authority where there is one.
    fn new(hub: &Hub, receivers: &[(&str, &str)], certificates: Option<&Certificates>) -> Self {
        let secret = hub.database.with_file_name("notify.secret");
        std::fs::write(&secret, format!("{SECRET}\n")).expect("written");
        std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(0o600)).expect("set");
        let mut lines = String::new();
        for (name, url) in receivers {
            let entry = format!("name = \"{name}\"\nurl = \"{url}\"\nsecret_file = \"notify.secret\"");
            writeln!(lines, "[[receiver]]\n{entry}").expect("a string");
            if let Some(certificates) = certificates {
                writeln!(lines, "ca_file = \"{}\"", certificates.authority()).expect("a string");
            }
        }
        let path = hub.database.with_file_name("notify.toml");
        std::fs::write(&path, lines).expect("written");
        Self { path }
    }

    fn serve(&self, hub: &Hub) -> Serving {
        hub.serve_with(&["--notify", &text(&self.path)])
    }

    /// `windrow-hub notify --try`: whether all took it, and what was printed on both streams.
    fn trial(&self, hub: &Hub) -> (Option<i32>, String) {
        let output = hub.run(&["notify", "--try", &text(&self.path)]);
        let said = [output.stdout, output.stderr].concat();
        (output.status.code(), String::from_utf8(said).expect("UTF-8"))
    }
}

/// A laptop that joined, checked well, and is known to all receivers by now.
fn known_laptop(hub: &Hub, serving: &Serving, n_receivers: usize) -> Agent {
    let agent = Agent::new();
    let invite = hub.run_well(&["invite", "--site", "Quay", "--asset-tag", "QU-7"]);
    agent.run_to(0, &["join", &serving.url, "--invite", invite.trim()]);
    agent.run_to(0, &["check", "--emulate", "ambient=23", "--model-like", "Marlow 15"]);
    wait_for("the receivers' beginning", || (waiting(hub).len() == n_receivers).then_some(()));
    agent
}

/// The fan stands from now on.
fn fan_stops(agent: &Agent) {
    agent.run_to(3, &["check", "--emulate", "fan=0", "--model-like", "Marlow 15", "--seed", "2"]);
}

fn waiting(hub: &Hub) -> Vec<Value> {
    serde_json::from_str(&hub.run_well(&["notify", "--json"])).expect("JSON")
}

/// Its one change, once its signature is that of the secret.
#[track_caller]
fn verified(posted: &Posted) -> (String, Value) {
    assert_eq!(posted.asked(), "POST /told?by=windrow HTTP/1.1");
    assert_eq!(posted.header("content-type"), "application/json");
    let time = posted.header("Windrow-Notice-Time");
    let signed = [time.as_bytes(), b".", &posted.body].concat();
    let expected = format!("v1={}", hex::encode(hmac_sha256(SECRET.as_bytes(), &signed)));
    assert_eq!(posted.header("Windrow-Notice-Signature"), expected);
    let age_s = chrono::Utc::now().timestamp() - time.parse::<i64>().expect("seconds");
    assert!((0..600).contains(&age_s), "posted {age_s} s ago");
    let body: Value = serde_json::from_slice(&posted.body).expect("JSON");
    let id = posted.header("Windrow-Notice-Id").to_owned();
    assert_eq!((&body["id"], &body["schema"]), (&json!(id), &json!("windrow-notice/1")));
    assert_eq!(body["changes"].as_array().map(Vec::len), Some(1), "{body}");
    (id, body["changes"][0].clone())
}

fn told_at(receiver: &Receiver) -> String {
    format!("https://{}/told?by=windrow", receiver.address)
}

#[test]
fn a_change_is_told_until_it_is_taken_and_a_dead_receiver_holds_nobody_up() {
    let certificates = Certificates::for_name("127.0.0.1");
    let desk = Receiver::new(&certificates).answering(&[answer(500)]);
    // It takes connections and never says a word.
    let dead = TcpListener::bind("127.0.0.1:0").expect("a port");
    let dead_url = format!("https://{}/", dead.local_addr().expect("an address"));
    let hub = Hub::new();
    let notify = Notify::new(&hub, &[("dead", &dead_url), ("desk", &told_at(&desk))], Some(&certificates));
    let serving = notify.serve(&hub);
    let agent = known_laptop(&hub, &serving, 2);
    let before = hub.rank()["laptops"][0]["band"].clone();
    assert!(desk.posted().is_empty(), "its beginning is silent");

    fan_stops(&agent);
    let posted = desk.wait_for(2);
    let ((id, change), (again, _)) = (verified(&posted[0]), verified(&posted[1]));
    assert_eq!(id, again, "tried again under the same name");
    assert_eq!(posted[0].body, posted[1].body);
    let rank = hub.rank()["laptops"][0].clone();
    assert_eq!((&change["from_band"], &change["to_band"]), (&before, &json!("pull_now")));
    for (said, column) in [
        ("device_id", "device_id"),
        ("asset_tag", "asset_tag"),
        ("model", "model"),
        ("site", "site"),
        ("provenance", "provenance"),
        ("reason_code", "reason_code"),
        ("reason", "reason"),
        ("due_on", "due_on"),
    ] {
        assert_eq!(change[said], rank[column], "{said}");
    }
    let known: Vec<&str> = change.as_object().expect("an object").keys().map(String::as_str).collect();
    assert_eq!(known.len(), 11, "nothing else leaves the hub: {known:?}");

    // A visit changes the band too: it is to be checked again.
    hub.run_well(&["visit", "log", "QU-7", "--action", "fan", "--minutes", "30"]);
    let (third, change) = verified(&desk.wait_for(3)[2]);
    assert_ne!(third, id);
    assert_eq!((&change["from_band"], &change["to_band"]), (&json!("pull_now"), &json!("retest")));

    let of = |name: &str| {
        waiting(&hub).into_iter().find(|r| r["receiver"] == name).unwrap_or_else(|| panic!("no {name}"))
    };
    wait_for("the third notice to be ticked off", || (of("desk")["sent"] == 2).then_some(()));
    assert_eq!((&of("desk")["waiting"], &of("dead")["waiting"]), (&json!(0), &json!(2)));
    assert_eq!(of("dead")["sent"], json!(0));
    drop(serving);
    let log = hub.log();
    assert!(log.contains("it answered 500") && log.contains("a notice was taken"), "{log}");
    assert!(
        !log.contains(SECRET) && !log.contains("/told"),
        "neither secret nor address is for a log: {log}"
    );
}

#[test]
fn a_notice_that_waits_is_posted_after_a_kill_under_the_same_name() {
    let certificates = Certificates::for_name("127.0.0.1");
    let desk = Receiver::new(&certificates);
    desk.answer_from_now_on(answer(503));
    let hub = Hub::new();
    let notify = Notify::new(&hub, &[("desk", &told_at(&desk))], Some(&certificates));
    let serving = notify.serve(&hub);
    let agent = known_laptop(&hub, &serving, 1);
    fan_stops(&agent);
    let (id, change) = verified(&desk.wait_for(1)[0]);
    serving.kill();

    let shown = hub.run_well(&["notify"]);
    assert!(shown.contains("desk: 1 waiting, 0 taken") && shown.contains(&id), "{shown}");
    let n_before = desk.posted().len();
    desk.answer_from_now_on(answer(200));
    let serving = notify.serve(&hub);
    let posted = desk.wait_for(n_before + 1);
    assert_eq!(verified(&posted[n_before]), (id, change));
    wait_for("it to be ticked off", || (waiting(&hub)[0]["waiting"] == 0).then_some(()));
    assert!(serving.terminate().success());
    assert_eq!(desk.posted().len(), n_before + 1, "once, and no other");
    let shown = hub.run_well(&["notify"]);
    assert!(shown.contains("desk: 0 waiting, 1 taken"), "{shown}");
}

#[test]
fn a_trial_says_what_each_receiver_answered() {
    let certificates = Certificates::for_name("127.0.0.1");
    let (desk, elsewhere) = (Receiver::new(&certificates), Receiver::new(&certificates));
    let hub = Hub::new();
    let notify = Notify::new(&hub, &[("desk", &told_at(&desk))], Some(&certificates));
    let (code, said) = notify.trial(&hub);
    assert_eq!((code, said.trim()), (Some(0), &*format!("desk at {}: taken: it answered 200", desk.address)));
    let (_, change) = verified(&desk.posted()[0]);
    let body: Value = serde_json::from_slice(&desk.posted()[0].body).expect("JSON");
    assert_eq!((&body["trial"], &change["asset_tag"]), (&json!(true), &json!("TRIAL")));
    assert!(!hub.database.exists(), "a trial needs no database");

    let moved = format!(
        "HTTP/1.1 307 Over there\r\nLocation: https://{}/\r\nContent-Length: 0\r\nConnection: close\r\n\r\n",
        elsewhere.address
    );
    desk.answer_from_now_on(moved);
    let (code, said) = notify.trial(&hub);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("not taken: it answered 307; redirects are not followed"), "{said}");
    assert!(said.contains("do this: "), "{said}");
    assert!(elsewhere.posted().is_empty(), "a redirect is not followed");

    // Without the authority, or with a certificate for another name, nothing is posted.
    let n_before = desk.posted().len();
    let (code, said) = Notify::new(&hub, &[("desk", &told_at(&desk))], None).trial(&hub);
    assert!(code == Some(1) && said.contains("certificate"), "{said}");
    let by_name = format!("https://localhost:{}/", desk.address.port());
    let (code, said) = Notify::new(&hub, &[("desk", &by_name)], Some(&certificates)).trial(&hub);
    assert!(code == Some(1) && said.contains("certificate"), "{said}");
    assert_eq!(desk.posted().len(), n_before);
}

#[test]
fn a_bad_notify_file_is_refused_before_anything_is_served() {
    let hub = Hub::new();
    let notify = Notify::new(&hub, &[("desk", "http://127.0.0.1:1/")], None);
    let secret = hub.database.with_file_name("notify.secret");
    std::fs::set_permissions(secret, std::fs::Permissions::from_mode(0o644)).expect("set");
    let path = text(&notify.path);
    for args in [&["serve", "--listen", "127.0.0.1:0", "--notify", &path][..], &["notify", "--try", &path]] {
        let output = hub.run(args);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(1), "{said}");
        for words in [
            "line 3, column 7: an address begins with `https://`",
            "line 4, column 15: others than its owner may use",
            "chmod 600",
            "do this: ",
        ] {
            assert!(said.contains(words), "`{words}` is not in: {said}");
        }
    }
    assert!(!hub.database.exists(), "nothing was begun");
}
