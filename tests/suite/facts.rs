//! What people say, with both programs: the scope list, visits, and a hold that must reach the laptop.

use serde_json::{Value, json};

use crate::support::agent::Agent;
use crate::support::hub::{Hub, Serving};
use crate::support::wait_for;

/// A program with an administrator's token.
struct Program {
    client: reqwest::blocking::Client,
    url: String,
    token: String,
}

impl Program {
    fn new(hub: &Hub, serving: &Serving) -> Self {
        let file = hub.database.with_file_name("admin.token");
        hub.run_well(&["grant", "--first-admin", "--to", file.to_str().expect("UTF-8")]);
        let token = std::fs::read_to_string(file).expect("a token").trim().to_owned();
        // The client wants a provider even for plain HTTP; that another test was first is as good.
        let _ = rustls::crypto::ring::default_provider().install_default();
        Self { client: reqwest::blocking::Client::new(), url: serving.url.clone(), token }
    }

    fn get(&self, path: &str) -> (u16, Value) {
        let request = self.client.get(format!("{}{path}", self.url)).bearer_auth(&self.token);
        answer(request.send().expect("an answer"))
    }

    fn post(&self, path: &str, body: &Value) -> (u16, Value) {
        let request = self.client.post(format!("{}{path}", self.url)).bearer_auth(&self.token).json(body);
        answer(request.send().expect("an answer"))
    }
}

fn answer(response: reqwest::blocking::Response) -> (u16, Value) {
    let status = response.status().as_u16();
    (status, response.json().expect("JSON"))
}

/// A hub whose list has two tags, and a laptop that joined with the first.
fn beginning() -> (Hub, Serving, Agent, Program) {
    let hub = Hub::new();
    let list = hub.database.with_file_name("assets.csv");
    std::fs::write(
        &list,
        "tag,site,place,excluded,why\nLF-1,Lowfield,bay 3,,\nLF-2,Lowfield,,,\nLF-3,Lowfield,,yes,lent\n",
    )
    .expect("a file");
    let said = hub.run_well(&["scope", "import", list.to_str().expect("UTF-8")]);
    assert_eq!(said.trim(), "3 new, 0 changed, 0 as before");
    let serving = hub.serve();
    let program = Program::new(&hub, &serving);
    let invite = hub.run_well(&["invite", "--site", "Quay", "--asset-tag", "LF-1"]);
    let agent = Agent::new();
    agent.run_to(0, &["join", &serving.url, "--invite", invite.trim()]);
    (hub, serving, agent, program)
}

#[test]
fn coverage_counts_against_the_list() {
    let (hub, _serving, agent, program) = beginning();
    let coverage = |hub: &Hub| -> Value {
        serde_json::from_str(&hub.run_well(&["scope", "coverage", "--json"])).expect("JSON")
    };
    let before = coverage(&hub);
    assert_eq!(before["all"]["not_checked"], json!({"not_joined": 1, "never_checked": 1}), "{before}");
    agent.run_to(0, &["check", "--emulate", "ambient=24"]);
    let after = coverage(&hub);
    assert_eq!(after["all"]["not_checked"], json!({"not_joined": 1}), "{after}");
    let checked =
        |of: &Value| of["n_checked"].as_u64().unwrap_or(0) + of["n_cannot_tell"].as_u64().unwrap_or(0);
    assert_eq!((checked(&after["all"]), &after["all"]["n_excluded"]), (1, &json!(1)));
    // The list says where it stands, not the invite.
    let row = &hub.rank()["laptops"][0];
    assert_eq!((&row["site"], &row["asset_tag"]), (&json!("Lowfield"), &json!("LF-1")));
    assert!(["checked", "cannot_tell"].contains(&row["coverage_state"].as_str().expect("a state")), "{row}");

    // The running hub says the same over HTTP, once it has judged the new run.
    let sites = wait_for("the hub to judge the check", || {
        let (status, sites) = program.get("/v1/sites");
        (status == 200 && checked(&sites["sites"][0]["coverage"]) == 1).then_some(sites)
    });
    assert_eq!(sites["sites"].as_array().map(Vec::len), Some(1), "{sites}");
    assert_eq!((&sites["sites"][0]["site"], &sites["sites"][0]["n_due"]), (&json!("Lowfield"), &json!(2)));
    let (_, list) = program.get("/v1/scope?limit=2");
    assert_eq!((&list["entries"][1]["tag"], &list["next"]), (&json!("LF-2"), &json!("LF-2")));
    assert_eq!(list["entries"][1]["not_checked_why"], json!("not_joined"));
    let (_, rest) = program.get("/v1/scope?limit=2&after=LF-2");
    assert_eq!((&rest["entries"][0]["coverage_state"], &rest["next"]), (&json!("excluded"), &json!(null)));
    let (_, fleet) = program.get("/v1/fleet");
    assert_eq!((&fleet["n_fitting"], &fleet["laptops"][0]["place"]), (&json!(1), &json!("bay 3")), "{fleet}");
    assert_eq!(fleet["laptops"][0]["coverage_state"], row["coverage_state"]);

    // It moves, by a program; the history has both.
    let moved = json!({"act": "move", "tag": "LF-1", "site": "Quay", "place": "shelf"});
    assert_eq!(program.post("/v1/scope", &moved), (200, json!({"changed": true})));
    assert_eq!(program.post("/v1/scope", &moved), (200, json!({"changed": false})));
    let (_, history) = program.get("/v1/scope/LF-1");
    assert_eq!(history["versions"][1]["change"], json!("moved"), "{history}");
    let said = hub.run_well(&["scope", "history", "LF-1"]);
    assert!(said.contains("listed") && said.contains("moved") && said.contains("shelf"), "{said}");
    let (status, detail) = program.get("/v1/devices/LF-1");
    assert_eq!((status, &detail["site"], &detail["place"]), (200, &json!("Quay"), &json!("shelf")));
}

#[test]
fn a_visit_is_logged_once_and_corrected_by_another_entry() {
    let (hub, _serving, agent, program) = beginning();
    agent.run_to(0, &["check", "--emulate", "ambient=24"]);
    let log = |change: &Value| {
        let mut visit =
            json!({"laptop": "LF-1", "visited_on": "2026-01-05", "actions": ["clean"], "minutes": 40});
        let (into, from) =
            (visit.as_object_mut().expect("an object"), change.as_object().expect("an object"));
        into.extend(from.clone());
        program.post("/v1/visits", &visit)
    };
    let (status, logged) = log(&json!({"found": "felt in the fins"}));
    assert_eq!((status, &logged["visit"]), (201, &json!(1)), "{logged}");
    let problem = |change: Value, status: u16, code: &str| {
        let (found, problem) = log(&change);
        assert_eq!(
            (found, problem["type"].as_str()),
            (status, Some(&*format!("urn:windrow:problem:{code}")))
        );
        problem["detail"].as_str().unwrap_or_default().to_owned()
    };
    assert!(problem(json!({}), 409, "duplicate_visit").contains("as visit 1"));
    assert!(problem(json!({"visited_on": "2999-01-01"}), 422, "bad_body").contains("in the future"));
    problem(json!({"laptop": "LF-2"}), 404, "no_such_laptop");
    problem(json!({"laptop": "nobody"}), 404, "no_such_laptop");
    problem(json!({"actions": []}), 422, "bad_body");
    problem(json!({"actions": ["clean", "none"]}), 422, "bad_body");
    problem(json!({"actions": ["polish"]}), 422, "bad_body");
    problem(json!({"minutes": 5000}), 422, "bad_body");
    problem(json!({"corrects": 9}), 404, "no_such_visit");
    problem(json!({"serial": "x"}), 422, "bad_body");
    let (status, corrected) = log(&json!({"minutes": 25, "corrects": 1}));
    assert_eq!((status, &corrected["visit"]), (201, &json!(2)));
    problem(json!({"minutes": 26, "corrects": 1}), 409, "corrected_before");

    // The command line and HTTP show one log.
    let (_, page) = program.get("/v1/visits?laptop=LF-1");
    let states: Vec<&str> =
        page["visits"].as_array().expect("a list").iter().filter_map(|v| v["state"].as_str()).collect();
    assert_eq!(states, ["corrected", "counts"]);
    assert_eq!(page["visits"][0]["found"], json!("felt in the fins"));
    let listed: Value =
        serde_json::from_str(&hub.run_well(&["visit", "list", "LF-1", "--json"])).expect("JSON");
    assert_eq!(listed[1]["minutes"], json!(25));
    // It was checked after that day, and never before.
    assert_eq!(listed[1]["effect"]["why"], json!("no usable check before it"), "{listed}");
    let learned: Value = serde_json::from_str(&hub.run_well(&["visit", "learned", "--json"])).expect("JSON");
    assert_eq!(learned["minutes"]["n_visits"], json!(1), "the corrected entry doesn't count: {learned}");
}

#[test]
fn a_held_laptop_is_not_loaded_until_it_is_let_go() {
    let (_hub, _serving, agent, program) = beginning();
    agent.run_to(0, &["check", "--emulate", "ambient=24"]);
    let why = "the battery bulges";
    let (status, marks) = program.post("/v1/devices/LF-1/marks", &json!({"act": "hold", "why": why}));
    assert_eq!((status, &marks["marks"][0]["kind"]), (200, &json!("hold")), "{marks}");

    let output = agent.run(&["check", "--emulate", "ambient=24", "--seed", "2"]);
    let said: String =
        String::from_utf8_lossy(&output.stderr).split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(output.status.code(), Some(4), "{said}");
    for words in
        ["on hold", why, "No load is started", "Do not load, charge, press or open it", "qualified person"]
    {
        assert!(said.contains(words), "{words}: {said}");
    }
    let attempt = &agent.records("past")[1]["header"];
    assert_eq!(attempt["outcome"], json!("not_started"), "it is recorded, and was not loaded");
    let failed: Vec<&Value> = attempt["pre_checks"]
        .as_array()
        .expect("a list")
        .iter()
        .filter(|c| c["result"] == "failed")
        .collect();
    assert!(failed.len() == 1 && failed[0]["check"] == "hold", "{failed:?}");

    let (_, marks) = program.post("/v1/devices/LF-1/marks", &json!({"act": "release"}));
    assert_eq!(marks, json!({"marks": []}));
    agent.run_to(0, &["check", "--emulate", "ambient=24", "--seed", "3"]);
    assert_eq!(agent.records("past")[2]["header"]["outcome"], json!("complete"));
}

#[test]
fn without_the_hub_what_it_last_said_of_a_hold_counts() {
    let (_hub, serving, agent, program) = beginning();
    agent.run_to(0, &["check", "--emulate", "ambient=24"]);
    program.post("/v1/devices/LF-1/marks", &json!({"act": "hold", "why": "recall"}));
    agent.run_to(4, &["check", "--emulate", "ambient=24"]);
    serving.kill();
    let output = agent.run(&["check", "--emulate", "ambient=24", "--keep"]);
    assert_eq!(output.status.code(), Some(4), "{}", String::from_utf8_lossy(&output.stderr));
}
