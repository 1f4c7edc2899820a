//! Rounds with both programs: a laptop whose fan stands is checked, planned, booked, printed, and its visit logged.

use chrono::{Days, NaiveDate, Utc};
use serde_json::Value;

use crate::support::agent::Agent;
use crate::support::hub::Hub;
use crate::support::raw_http::get;

/// A hub with one emulated laptop that asks for a visit, and its first day of hours.
fn hub_with_hours() -> (Hub, NaiveDate, std::path::PathBuf) {
    let hub = Hub::new();
    let serving = hub.serve();
    let agent = Agent::new();
    agent.run_to(0, &["join", &serving.url, "--invite", &hub.invite(1)]);
    agent.run_to(3, &["check", "--emulate", "fan=0", "--model-like", "Marlow 15"]);
    serving.terminate();
    let today = Utc::now().date_naive();
    let hours: Vec<String> = (0..20).map(|n| format!("Lowfield,{},5\n", today + Days::new(n))).collect();
    let file = agent.folder().join("hours.csv");
    std::fs::write(&file, format!("site,date,hours\n{}", hours.concat())).expect("a file");
    // The folder goes with the agent: the hours are taken at once.
    let path = file.to_str().expect("UTF-8");
    hub.run_well(&["rounds", "plan", "--hours", path, "--days", "20"]);
    (hub, today, file)
}

#[track_caller]
fn shown(hub: &Hub) -> Value {
    serde_json::from_str(&hub.run_well(&["rounds", "show", "--json"])).expect("JSON")
}

/// Content lines put together again.
fn unfolded(calendar: &str) -> Vec<String> {
    calendar.replace("\r\n ", "").split("\r\n").map(str::to_owned).collect()
}

fn value<'a>(lines: &'a [String], name: &str) -> Vec<&'a str> {
    lines.iter().filter_map(|l| l.strip_prefix(name)).collect()
}

#[test]
fn rounds_are_planned_booked_moved_and_handed_on() {
    let (hub, today, _) = hub_with_hours();
    let plan = shown(&hub);
    let visit = &plan["visits"][0];
    assert_eq!(plan["visits"].as_array().map(Vec::len), Some(1), "{plan}");
    assert_eq!(visit["actions"], serde_json::json!(["fan"]));
    // No fan is in stock, and an ordered one takes seven days.
    let day: NaiveDate = visit["day"].as_str().expect("a day").parse().expect("a day");
    assert_eq!(day, today + Days::new(7), "{plan}");
    assert_eq!((&plan["orders"][0]["part"], &plan["orders"][0]["n_planned"]), (&"fan".into(), &1.into()));

    let code = visit["code"].as_str().expect("a code");
    let later = today + Days::new(9);
    let (on, moved) = (day.to_string(), later.to_string());
    let sheet = hub.run_well(&["rounds", "sheet", "--site", "Lowfield", "--on", &on]);
    for words in [code, "Replace the fan module", "swollen", "Marlow 15"] {
        assert!(sheet.contains(words), "{words}: {sheet}");
    }
    let before = unfolded(&hub.run_well(&["rounds", "calendar", "--starts", "08:30"]));
    assert_eq!(value(&before, "SEQUENCE:"), ["0"]);
    let uid = value(&before, "UID:")[0].to_owned();

    hub.run_well(&["rounds", "book", &code.to_lowercase(), "--move-to", &moved]);
    hub.run_well(&["rounds", "plan", "--days", "20", "--fresh"]);
    let plan = shown(&hub);
    assert_eq!(
        (&plan["visits"][0]["why"], &plan["visits"][0]["day"]),
        (&"booked".into(), &moved.as_str().into())
    );
    let after = unfolded(&hub.run_well(&["rounds", "calendar", "--starts", "08:30"]));
    assert_eq!(value(&after, "STATUS:"), ["CANCELLED", "CONFIRMED"], "{after:#?}");
    assert_eq!(value(&after, "UID:")[0], uid, "the day that was given up keeps its name");
    assert_eq!(value(&after, "SEQUENCE:"), ["1", "0"]);

    hub.run_well(&["rounds", "release", code]);
    assert_eq!(shown(&hub)["visits"][0]["why"], "benefit");
    let hours = hub.run_well(&["rounds", "hours"]);
    assert!(hours.starts_with(&format!("site,date,hours\nLowfield,{today},5\n")), "{hours}");
    let csv = hub.run_well(&["rounds", "show", "--csv"]);
    assert!(csv.starts_with("day,site,place,asset_tag,device_id,model,actions,minutes,why,"), "{csv}");
}

#[test]
fn costs_that_are_set_count_for_commands_and_for_a_hub_that_runs() {
    let (hub, today, _) = hub_with_hours();
    let folder = tempfile::tempdir().expect("a folder");
    let printed = hub.run_well(&["rounds", "costs"]);
    assert!(printed.contains("technician_minute"), "the defaults, as a file: {printed}");
    let costs = folder.path().join("costs.toml");
    std::fs::write(&costs, format!("currency = \"crowns\"\ndays_off = [{}]\n", today + Days::new(7)))
        .expect("a file");
    let path = costs.to_str().expect("UTF-8");
    let serving = hub.serve();
    hub.run_well(&["rounds", "costs", "--set", path]);
    assert_eq!(
        hub.run_well(&["rounds", "costs"]).trim_end(),
        std::fs::read_to_string(&costs).expect("a file").trim_end()
    );
    let token = folder.path().join("token");
    hub.run_well(&["grant", "--role", "auditor", "--name", "test", "--to", token.to_str().expect("UTF-8")]);
    let bearer =
        format!("Authorization: Bearer {}", std::fs::read_to_string(&token).expect("a token").trim());
    let told = get(serving.address, "/v1/rounds/costs", &[&bearer]).expect("an answer").json();
    assert_eq!((&told["source"], &told["currency"]), (&"set".into(), &"crowns".into()), "{told}");
    serving.terminate();
    hub.run_well(&["rounds", "plan", "--days", "20", "--fresh"]);
    let plan = shown(&hub);
    assert_eq!(plan["currency"], "crowns");
    // The ordered fan is there on the seventh day, which is a day off now.
    assert_eq!(plan["visits"][0]["day"], (today + Days::new(8)).to_string(), "{plan}");
    std::fs::write(&costs, "outage = -1\n").expect("a file");
    let output = hub.run(&["rounds", "costs", "--set", path]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        output.status.code() == Some(1) && said.contains("line 1") && said.contains("do this: "),
        "{said}"
    );
}

#[test]
fn what_cannot_be_planned_says_what_and_where() {
    let hub = Hub::new();
    hub.invite(1);
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("hours.csv");
    std::fs::write(&file, "site,date,hours\nLowfield,2026-02-30,5\n,2026-02-02,5\n").expect("a file");
    let refused = |args: &[&str], words: &[&str]| {
        let output = hub.run(args);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        for word in words {
            assert!(said.contains(word), "{word}: {said}");
        }
    };
    let path = file.to_str().expect("UTF-8");
    refused(&["rounds", "plan", "--hours", path], &["line 2, column 10", "line 3, column 1", "do this: "]);
    refused(&["rounds", "plan"], &["no technician has hours", "--hours hours.csv"]);
    refused(&["rounds", "show"], &["no rounds are planned yet"]);
    refused(&["rounds", "calendar"], &["no rounds are planned yet"]);
    refused(&["rounds", "book"], &["nothing says which visits"]);
}
