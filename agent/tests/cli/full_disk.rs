//! A disk that takes no record: a clear error before the load starts.

use std::process::Command;

use crate::runner::Runner;

/// A file-size limit stands for the full disk: it stops the same write in the same place, and needs no root. With the
/// signal ignored the write fails with an error, as on a full disk.
fn with_file_limit(runner: &Runner, kib: u32, args: &str) -> (Option<i32>, String) {
    let script = format!("trap '' XFSZ; ulimit -f {kib}; exec '{}' {args}", env!("CARGO_BIN_EXE_windrow"));
    let output = Command::new("bash")
        .args(["-c", &script])
        .current_dir(runner.folder())
        .env("WINDROW_STATE_DIR", runner.state_path())
        .output()
        .unwrap();
    (output.status.code(), String::from_utf8(output.stderr).unwrap())
}

#[test]
fn a_full_disk_is_told_before_the_load() {
    let runner = Runner::new();
    let (code, stderr) = with_file_limit(&runner, 512, "check --emulate");
    assert_eq!(code, Some(1), "{stderr}");
    assert!(stderr.contains("cannot write a test file of 1 MiB to"), "{stderr}");
    assert!(stderr.contains("do this: free some space"), "{stderr}");
    assert!(!stderr.contains("settle"), "no phase began: {stderr}");
    let left = std::fs::read_dir(runner.state().spool()).unwrap().count();
    assert_eq!(left, 0, "the test file is gone");
}

#[test]
fn with_room_the_same_check_goes_through() {
    let runner = Runner::new();
    let (code, stderr) = with_file_limit(&runner, 2048, "check --emulate");
    assert_eq!(code, Some(0), "{stderr}");
}

#[test]
fn a_spool_that_is_no_folder_is_told() {
    let runner = Runner::new();
    std::fs::create_dir_all(runner.state_path()).unwrap();
    std::fs::write(runner.state_path().join("spool"), "").unwrap();
    let said = runner.expect(&["check", "--emulate"], 1);
    assert!(said.stderr.contains("[FOLDER]/state/spool"), "{}", said.stderr);
}
