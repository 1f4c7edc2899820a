//! The main job with both programs: join, check, post, rank.

use serde_json::{Value, json};
use windrow_model::record::json_schema;

use crate::support::agent::Agent;
use crate::support::hub::{Hub, Serving};

/// An agent that has joined.
fn joined(hub: &Hub, serving: &Serving) -> Agent {
    let agent = Agent::new();
    agent.run_to(0, &["join", &serving.url, "--invite", &hub.invite(1)]);
    agent
}

/// An address at which nobody listens. The port is bound as long as this lives, so that no other test's hub gets it.
struct Nobody(tokio::net::TcpSocket);

impl Nobody {
    fn new() -> Self {
        let socket = tokio::net::TcpSocket::new_v4().expect("a socket");
        socket.bind(([127, 0, 0, 1], 0).into()).expect("a free port");
        Self(socket)
    }

    fn url(&self) -> String {
        format!("http://{}", self.0.local_addr().expect("an address"))
    }
}

fn json_of(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|e| panic!("{e}: {text}"))
}

#[track_caller]
fn check_json(agent: &Agent, code: i32, faults: &str) -> Value {
    json_of(&agent.run_to(code, &["check", "--emulate", faults, "--json"]))
}

#[test]
fn a_check_reaches_the_rank_marked_as_emulated() {
    let hub = Hub::new();
    let serving = hub.serve();
    let agent = joined(&hub, &serving);
    let page = agent.folder().join("page.html");
    let args = ["check", "--emulate", "fan=0", "--report", page.to_str().expect("UTF-8")];
    // A seized fan asks for attention: exit code 3.
    let verdict = agent.run_to(3, &args);
    assert!(verdict.to_lowercase().contains("emulated"), "{verdict}");
    assert!(verdict.to_lowercase().contains("fan"), "{verdict}");
    let page = std::fs::read_to_string(page).expect("a page");
    assert!(
        page.to_lowercase().contains("emulated") && page.contains("<svg"),
        "the page is not marked, or has no curve"
    );
    for elsewhere in ["src=\"http", "href=\"http", "@import", "url(http"] {
        assert!(!page.contains(elsewhere), "the page asks for `{elsewhere}`: it must stand by itself");
    }

    let record = agent.records("past").swap_remove(0);
    assert_eq!(record["header"]["provenance"], json!("emulated"));
    let rank = hub.rank();
    let row = &rank["laptops"][0];
    assert_eq!(rank["laptops"].as_array().map(Vec::len), Some(1), "{rank}");
    assert_eq!(row["record_digest"], record["header"]["digest"]);
    assert_eq!(row["device_id"], record["header"]["device_id"]);
    assert_eq!(row["provenance"], json!("emulated"));
    assert_eq!(row["site"], json!("Lowfield"));
    let table = hub.run_well(&["rank"]);
    assert!(table.contains("emulated"), "{table}");
    let csv = hub.run_well(&["rank", "--csv"]);
    assert!(csv.starts_with("rank,device_id,asset_tag,model,site,"), "{csv}");
    assert_eq!(csv.lines().count(), 2, "{csv}");
}

#[test]
fn the_agent_s_own_record_is_valid_under_the_published_schema() {
    let agent = Agent::new();
    // A complete check, one that a safety stop ended, and one that never began.
    agent.run_to(0, &["check", "--emulate", "ambient=24", "--keep"]);
    agent.run(&["check", "--emulate", "ac-lost-at=120", "--keep"]);
    agent.run_to(4, &["check", "--emulate", "battery", "--keep"]);
    let records = agent.records("spool");
    let outcomes: Vec<&str> = records.iter().filter_map(|r| r["header"]["outcome"].as_str()).collect();
    assert_eq!(outcomes, ["complete", "stopped_early", "not_started"]);
    let validator = jsonschema::validator_for(&json_schema()).expect("a schema");
    for record in &records {
        let complaints: Vec<String> = validator.iter_errors(record).map(|e| e.to_string()).collect();
        assert_eq!(complaints, Vec::<String>::new());
    }
    // The chain: each names the one before it.
    for pair in records.windows(2) {
        assert_eq!(pair[1]["header"]["previous_digest"], pair[0]["header"]["digest"]);
    }
}

#[test]
fn what_is_shown_before_sending_is_what_is_sent() {
    let agent = Agent::new();
    let shown = agent.run_to(0, &["check", "--emulate", "ambient=24", "--keep", "--show-record"]);
    assert_eq!(agent.records("spool"), [json_of(&shown)]);
    for name in ["HOSTNAME", "USER", "LOGNAME"] {
        let Ok(value) = std::env::var(name) else { continue };
        assert!(value.len() < 5 || !shown.contains(&value), "the record holds the {name}");
    }
}

#[test]
fn a_record_waits_while_the_hub_is_down_and_goes_out_later() {
    let hub = Hub::new();
    let serving = hub.serve();
    let agent = joined(&hub, &serving);
    serving.kill();
    let nobody = Nobody::new();
    let away = nobody.url();
    let first = json_of(&agent.run_to(5, &["check", "--emulate", "ambient=24", "--json", "--hub", &away]));
    agent.run_to(0, &["check", "--emulate", "ambient=24", "--seed", "2", "--keep"]);
    assert_eq!(agent.records("spool").len(), 2);
    assert_eq!(first["sent"]["n_waiting"], json!(1), "{first}");

    let serving = hub.serve();
    let report = json_of(&agent.run_to(0, &["send", "--hub", &serving.url, "--json"]));
    assert_eq!((&report["n_sent"], &report["n_waiting"]), (&json!(2), &json!(0)), "{report}");
    assert_eq!((agent.records("spool").len(), agent.records("past").len()), (0, 2));
    let (runs, n_leaves) = hub.stored();
    assert_eq!((runs.len(), n_leaves), (2, 2));
    agent.run_to(0, &["send", "--hub", &serving.url]);
    assert_eq!(hub.stored().0.len(), 2);
}

#[test]
fn a_hub_that_forgot_the_answer_gives_the_same_again() {
    let hub = Hub::new();
    let serving = hub.serve();
    let agent = joined(&hub, &serving);
    check_json(&agent, 0, "ambient=24");
    // As after a crash between the hub's acknowledgement and the agent's own note of it.
    let past = agent.state().join("past");
    let file =
        std::fs::read_dir(&past).expect("a folder").next().expect("a record").expect("an entry").path();
    std::fs::rename(&file, agent.state().join("spool").join(file.file_name().expect("a name")))
        .expect("moved");
    agent.run_to(0, &["send"]);
    assert_eq!((agent.records("spool").len(), agent.records("past").len()), (0, 1));
    assert_eq!(hub.stored().0.len(), 1);
}

#[test]
fn a_refused_record_is_set_aside_and_the_others_go_on() {
    let hub = Hub::new();
    let serving = hub.serve();
    let agent = joined(&hub, &serving);
    for seed in ["1", "2", "3"] {
        agent.run_to(0, &["check", "--emulate", "ambient=24", "--seed", seed, "--keep"]);
    }
    let spool = agent.state().join("spool");
    let mut files: Vec<_> =
        std::fs::read_dir(&spool).expect("a folder").map(|e| e.expect("an entry").path()).collect();
    files.sort();
    let damaged = std::fs::read_to_string(&files[1])
        .expect("a record")
        .replace("\"agent_version\":\"", "\"agent_version\":\"9");
    std::fs::write(&files[1], damaged).expect("written");
    let output = agent.run(&["send"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(5), "{said}");
    assert!(said.contains("refuses a record for good") && said.contains("digest"), "{said}");
    let there = |part| agent.records(part).len();
    assert_eq!((there("spool"), there("past"), there("aside")), (0, 2, 1));
    assert_eq!(hub.stored().0.len(), 2);
}

#[test]
fn a_revoked_laptop_keeps_its_records_and_says_why() {
    let hub = Hub::new();
    let serving = hub.serve();
    let agent = joined(&hub, &serving);
    check_json(&agent, 0, "ambient=24");
    let device_id = hub.rank()["laptops"][0]["device_id"].as_str().expect("an id").to_owned();
    hub.run_well(&["revoke", &device_id]);
    let output = agent.run(&["check", "--emulate", "ambient=24", "--seed", "2"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(5), "{said}");
    assert!(said.contains("revoked"), "{said}");
    assert_eq!(agent.records("spool").len() + agent.records("aside").len(), 1, "it is not lost");
    assert_eq!(hub.stored().0.len(), 1);
}

#[test]
fn a_used_invite_is_refused_with_a_remedy() {
    let hub = Hub::new();
    let serving = hub.serve();
    let invite = hub.invite(1);
    Agent::new().run_to(0, &["join", &serving.url, "--invite", &invite]);
    let late = Agent::new();
    let output = late.run(&["join", &serving.url, "--invite", &invite]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(
        said.contains("used up") && said.contains("do this: ask the administrator for a new invite"),
        "{said}"
    );
}

#[test]
fn plain_http_to_another_machine_is_refused_before_anything_begins() {
    let agent = Agent::new();
    for args in [
        vec!["join", "http://hub.example:7410", "--invite", "wi-0"],
        vec!["check", "--emulate", "fan=0", "--hub", "http://192.0.2.1:7410"],
    ] {
        let output = agent.run(&args);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{args:?}: {said}");
        assert!(said.contains("plain HTTP") && said.contains("do this: use `https://`"), "{said}");
    }
    assert_eq!(agent.records("spool").len(), 0, "no check was made");
}

#[test]
fn a_folder_that_takes_nothing_is_an_error_before_the_check() {
    let agent = Agent::new();
    let file = agent.folder().join("not-a-folder");
    std::fs::write(&file, "a file").expect("written");
    // A file in the folder's place, and one in the spool's.
    let half = agent.folder().join("half");
    std::fs::create_dir(&half).expect("made");
    std::fs::write(half.join("spool"), "a file").expect("written");
    for state in [&file, &half] {
        let args = ["check", "--emulate", "fan=0", "--state-dir", state.to_str().expect("UTF-8")];
        let output = agent.run(&args);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("error: cannot make the folder") && said.contains("do this: "), "{said}");
        assert!(!said.contains("settle") && output.stdout.is_empty(), "a check was begun: {said}");
    }
}

#[test]
fn faults_that_cannot_be_are_a_usage_error() {
    let output = Agent::new().run(&["check", "--emulate", "airflow=2"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("fault `airflow` must be 0.05 to 1: `2`") && said.contains("do this: "), "{said}");
}

#[test]
fn a_check_s_own_trace_replays_to_the_same_figures() {
    let agent = Agent::new();
    let trace = agent.folder().join("trace.csv");
    let trace = trace.to_str().expect("UTF-8");
    let checked = json_of(
        &agent.run_to(0, &["check", "--emulate", "ambient=24", "--keep", "--json", "--trace", trace]),
    );
    let replayed = json_of(&agent.run_to(0, &["replay", trace, "--json"]));
    for name in ["peak_c", "rise_k", "fan_max_rpm"] {
        let of = |v: &Value| v["metrics"][name]["value"].as_f64();
        assert!(of(&checked).is_some(), "{name}: {checked}");
        assert_eq!(of(&checked), of(&replayed), "{name}");
    }
}

#[test]
fn past_checks_are_listed_with_what_became_of_them() {
    let hub = Hub::new();
    let serving = hub.serve();
    let agent = joined(&hub, &serving);
    check_json(&agent, 0, "ambient=24");
    agent.run_to(3, &["check", "--emulate", "fan=0", "--keep"]);
    let rows = json_of(&agent.run_to(0, &["past", "--json"]));
    let states: Vec<&str> =
        rows.as_array().expect("rows").iter().filter_map(|r| r["state"].as_str()).collect();
    assert_eq!(states, ["sent", "waiting"], "{rows}");
    let text = agent.run_to(0, &["past"]);
    assert_eq!(text.matches("(emulated)").count(), 2, "{text}");
}
