//! What each command says, in full. Read these snapshots as a user.

use crate::runner::Runner;

#[test]
fn help_of_every_command() {
    let runner = Runner::new();
    let all: Vec<String> = ["", "check", "survey", "join", "send", "past", "schedule", "replay"]
        .iter()
        .map(|c| if c.is_empty() { runner.snapshot(&["--help"]) } else { runner.snapshot(&[c, "--help"]) })
        .collect();
    insta::assert_snapshot!(all.join("\n\n"));
}

#[test]
fn a_healthy_emulated_laptop() {
    insta::assert_snapshot!(Runner::new().snapshot(&["check", "--emulate", "--ambient", "23±0.5"]));
}

#[test]
fn a_standing_fan() {
    insta::assert_snapshot!(Runner::new().snapshot(&["check", "--emulate", "fan=0"]));
}

#[test]
fn a_stop_on_the_way() {
    insta::assert_snapshot!(Runner::new().snapshot(&["check", "--emulate", "ac-lost-at=120"]));
}

#[test]
fn a_check_that_is_not_made() {
    insta::assert_snapshot!(Runner::new().snapshot(&["check", "--emulate", "battery"]));
}

#[test]
fn no_sensors_at_all() {
    let runner = Runner::new();
    std::fs::create_dir(runner.folder().join("empty")).unwrap();
    let check = runner.snapshot(&["check", "--root", "empty", "--yes"]);
    let survey = runner.snapshot(&["survey", "--root", "empty"]);
    insta::assert_snapshot!(format!("{check}\n\n{survey}"));
}

#[test]
fn past_checks_and_one_again() {
    let runner = Runner::new();
    runner.expect(&["past"], 0);
    runner.records(2);
    runner.expect(&["check", "--emulate", "fan=0", "--keep"], 3);
    insta::assert_snapshot!(format!("{}\n\n{}", runner.snapshot(&["past"]), runner.snapshot(&["past", "3"])));
}

#[test]
fn json_carries_the_same_words() {
    let runner = Runner::new();
    let said = runner.expect(&["check", "--emulate", "paste=9", "--json", "--keep"], 3);
    let json: serde_json::Value = serde_json::from_str(&said.stdout).unwrap();
    assert_eq!(json["provenance"], "emulated");
    assert_eq!(json["verdict"]["standing"], "suspect");
    assert!(json["verdict"]["notice"].as_str().unwrap().contains("Emulated"));
    let again = runner.expect(&["past", "1", "--json"], 0);
    let again: serde_json::Value = serde_json::from_str(&again.stdout).unwrap();
    assert_eq!(again["verdict"], json["verdict"]);
}

#[test]
fn a_trace_comes_back_with_the_same_figures() {
    let runner = Runner::new();
    let check = runner
        .expect(&["check", "--emulate", "airflow=0.5", "--trace", "t.csv", "--json", "--ambient", "23"], 0);
    let args = ["replay", "t.csv", "--json", "--ambient", "23", "--limit", "100", "--report", "page.html"];
    let replay = runner.expect(&args, 0);
    let [check, replay]: [serde_json::Value; 2] =
        [check, replay].map(|said| serde_json::from_str(&said.stdout).unwrap());
    assert_eq!(replay["provenance"], "imported");
    for figure in ["peak_c", "fan_max_rpm", "power_sustained_w", "recovery_half_s"] {
        let value = |json: &serde_json::Value| json["metrics"][figure]["value"].as_f64();
        let (a, b) = (value(&check).unwrap(), value(&replay).unwrap());
        assert!((a - b).abs() <= 0.01 * a.abs(), "{figure}: {a} in the check, {b} in the replay");
    }
    let page = std::fs::read_to_string(runner.folder().join("page.html")).unwrap();
    assert!(page.contains("nobody vouches"));
}

#[test]
fn the_record_is_shown_as_it_is_sent() {
    let runner = Runner::new();
    let said = runner.run(&["check", "--emulate", "--quick", "--show-record", "--keep"]);
    let spool = runner.spool();
    let waiting = spool.waiting().unwrap();
    let mut shown = said.stdout;
    assert_eq!(shown.pop(), Some(b'\n'));
    assert_eq!(shown, spool.read(&waiting[0]).unwrap());
    for secret in ["host", "user", "serial"] {
        assert!(!String::from_utf8_lossy(&shown).contains(&format!("\"{secret}")), "{secret}");
    }
}
