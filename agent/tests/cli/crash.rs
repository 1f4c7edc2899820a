//! Killed at a bad moment: nothing lost, nothing doubled, and the chain goes on.

use std::process::Stdio;

use windrow_model::record::ReceivedRecord;

use crate::fake_hub::{FakeHub, STORED, Script};
use crate::runner::Runner;

#[test]
fn killed_before_the_acknowledgement_the_same_record_goes_again() {
    let runner = Runner::new();
    let hub = FakeHub::new(vec![Script::Silence]);
    let mut child = runner
        .command(&["check", "--emulate", "--hub", &hub.url])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let first = hub.asked();
    child.kill().unwrap();
    child.wait().unwrap();
    let hub = FakeHub::new(vec![STORED]);
    runner.expect(&["send", "--hub", &hub.url], 0);
    let again = hub.all_asked();
    assert_eq!(again.len(), 1);
    assert_eq!(again[0].body, first.body);
}

#[test]
fn the_chain_follows_the_files_whatever_the_counter_says() {
    let runner = Runner::new();
    runner.records(1);
    let old_counter = std::fs::read(runner.state().file("chain.json")).unwrap();
    runner.records(1);
    // A crash between the second record and its counter.
    std::fs::write(runner.state().file("chain.json"), old_counter).unwrap();
    runner.records(1);
    std::fs::remove_file(runner.state().file("chain.json")).unwrap();
    runner.records(1);
    std::fs::write(runner.state().file("chain.json"), "{").unwrap();
    runner.records(1);
    assert_is_one_chain(&runner, 5);
}

#[test]
fn the_counter_bridges_records_that_were_taken_away() {
    let runner = Runner::new();
    runner.records(2);
    for waiting in runner.spool().waiting().unwrap() {
        std::fs::remove_file(waiting.path).unwrap();
    }
    runner.records(1);
    assert_eq!(runner.spool().waiting().unwrap()[0].name.sequence, 3);
}

#[test]
fn a_half_written_record_is_no_record() {
    let runner = Runner::new();
    runner.records(1);
    std::fs::write(runner.state().spool().join(".writing-abc"), "{\"header\":").unwrap();
    runner.records(1);
    assert_is_one_chain(&runner, 2);
}

#[test]
fn a_damaged_last_link_is_told_and_not_forked_over() {
    let runner = Runner::new();
    runner.records(1);
    let waiting = runner.spool().waiting().unwrap();
    std::fs::write(&waiting[0].path, "{}").unwrap();
    std::fs::remove_file(runner.state().file("chain.json")).unwrap();
    let said = runner.expect(&["check", "--emulate", "--keep"], 1);
    assert!(said.stderr.contains("cannot take the chain's last link from"), "{}", said.stderr);
    assert!(said.stderr.contains("do this:"), "{}", said.stderr);
}

#[track_caller]
fn assert_is_one_chain(runner: &Runner, n: usize) {
    let spool = runner.spool();
    let waiting = spool.waiting().unwrap();
    assert_eq!(waiting.len(), n);
    let mut previous: Option<String> = None;
    for (idx, one) in waiting.iter().enumerate() {
        let received = ReceivedRecord::parse(&spool.read(one).unwrap()).unwrap();
        let header = &received.record().header;
        assert_eq!(header.sequence, idx as u64 + 1);
        if let Some(previous) = previous {
            assert_eq!(header.previous_digest, previous);
        }
        previous = Some(header.digest.clone());
    }
}
