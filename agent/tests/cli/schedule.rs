//! When a check is due, and that none is made before.

use serde_json::Value;

use crate::runner::Runner;

fn json(runner: &Runner, args: &[&str]) -> Value {
    serde_json::from_str(&runner.expect(args, 0).stdout).unwrap()
}

#[test]
fn a_check_is_made_when_it_is_due_and_not_again() {
    let runner = Runner::new();
    let args = ["check", "--emulate", "--keep", "--if-due", "7"];
    runner.expect(&args, 0);
    let again = runner.expect(&args, 0);
    assert!(again.stderr.contains("No check is due before") && again.stdout.is_empty(), "{}", again.whole());
    assert_eq!(runner.spool().waiting().unwrap().len(), 1);
    // What was not a whole check doesn't count as one.
    let fresh = Runner::new();
    fresh.expect(&["check", "--emulate", "battery", "--keep"], 4);
    fresh.expect(&args, 0);
    assert_eq!(fresh.spool().waiting().unwrap().len(), 2);
}

#[test]
fn the_schedule_tells_what_is_due_and_what_would_look_for_it() {
    let runner = Runner::new();
    // An emulated check is none of this machine.
    runner.expect(&["check", "--emulate", "--keep"], 0);
    let told = json(&runner, &["schedule", "--json", "--every", "14", "--at", "9:05"]);
    assert_eq!((&told["due"], &told["every_days"]), (&Value::Bool(true), &Value::from(14)), "{told}");
    let line = told["cron_line"].as_str().unwrap();
    assert!(line.starts_with("5 9 * * * ") && line.ends_with(" check --yes --if-due 14"), "{line}");
    assert!(line.contains(" --state-dir [FOLDER]/state "), "{line}");
    let said = runner.expect(&["schedule"], 0);
    assert!(said.stdout.starts_with("A check is due: no whole one was made yet."), "{}", said.whole());
    let wrong = runner.expect(&["schedule", "--at", "noon"], 2);
    assert!(wrong.stderr.contains("do this: give it as in `--at [CLOCK]`"), "{}", wrong.whole());
}
