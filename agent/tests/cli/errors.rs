//! Errors say what, where and why, and below it what to do; nothing is left behind.

use std::process::Stdio;

use crate::runner::Runner;

#[test]
fn errors_and_their_remedies() {
    let runner = Runner::new();
    std::fs::write(runner.folder().join("bad.csv"), "time_s,load_pct,cpu_temp_c\n0,0,40\n0,0,warm\n")
        .unwrap();
    std::fs::write(runner.folder().join("idle.csv"), "time_s,load_pct,cpu_temp_c\n0,0,40\n1,0,40\n").unwrap();
    let commands: [&[&str]; 15] = [
        &["check", "--emulate", "dust=3"],
        &["check", "--emulate", "--model-like", "Nimbus 99"],
        &["check", "--emulate", "--ambient", "warm"],
        &["check", "--emulate", "--phases", "1,2"],
        &["check", "--emulate", "--report", "missing/page.html"],
        &["check", "--emulate", "--hub", "http://hub.example"],
        &["check", "--emulate", "--hub", "hub.example"],
        &["check", "--real-time"],
        &["send"],
        &["join", "http://192.0.2.1", "--invite", "x"],
        &["join", "http://127.0.0.1:1", "--invite", ""],
        &["past", "7"],
        &["replay", "missing.csv"],
        &["replay", "bad.csv"],
        &["replay", "idle.csv"],
    ];
    let all: Vec<String> = commands.iter().map(|args| runner.snapshot(args)).collect();
    insta::assert_snapshot!(all.join("\n\n"));
    let left: Vec<_> = std::fs::read_dir(runner.folder()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left.len(), 3, "the two traces and the state folder: {left:?}");
    assert_eq!(runner.spool().waiting().unwrap().len(), 0);
}

#[test]
fn a_folder_that_cannot_be_made_is_told_before_anything() {
    let runner = Runner::new();
    let args = ["--state-dir", "/sys/windrow", "check", "--emulate"];
    insta::assert_snapshot!(runner.snapshot(&args));
}

#[test]
fn without_a_home_the_folder_must_be_named() {
    let runner = Runner::new();
    let output =
        runner.command(&["past"]).env_remove("WINDROW_STATE_DIR").env_remove("HOME").output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(said.contains("do this: name one with `--state-dir FOLDER`"), "{said}");
}

#[test]
fn a_closed_pipe_is_quiet_and_the_record_is_kept() {
    let runner = Runner::new();
    let mut child = runner
        .command(&["check", "--emulate", "--keep"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    let stderr = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(0), "{stderr}");
    assert!(!stderr.contains("error") && !stderr.contains("panicked"), "{stderr}");
    assert_eq!(runner.spool().waiting().unwrap().len(), 1);
}

#[test]
fn two_at_once_are_one_too_many() {
    let runner = Runner::new();
    let held = runner.state().lock().unwrap();
    let said = runner.expect(&["check", "--emulate"], 1);
    assert!(said.stderr.contains("another `windrow` is at work"), "{}", said.stderr);
    drop(held);
    runner.expect(&["check", "--emulate"], 0);
}

#[test]
fn no_colour_where_nobody_looks() {
    let runner = Runner::new();
    for args in [&["--help"][..], &["nonsense"], &["check", "--emulate"]] {
        let output = runner.run(args);
        assert!(!output.stdout.contains(&0x1b) && !output.stderr.contains(&0x1b), "{args:?}");
    }
}
