//! The agent's program with a state folder of its own.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;

use super::binaries;

/// A laptop's agent, as a process for each command.
#[derive(Debug)]
pub(crate) struct Agent {
    folder: tempfile::TempDir,
}

impl Agent {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::Builder::new().prefix("windrow-test-").tempdir().expect("a folder") }
    }

    /// A folder for a test's files; the state folder lies in it.
    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Its state folder.
    pub(crate) fn state(&self) -> PathBuf {
        self.folder.path().join("state")
    }

    /// A command that is not yet run.
    pub(crate) fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(binaries::agent());
        command.args(args).env("WINDROW_STATE_DIR", self.state()).env("NO_COLOR", "1").stdin(Stdio::null());
        command
    }

    /// Runs a command to its end.
    pub(crate) fn run(&self, args: &[&str]) -> Output {
        self.command(args).output().expect("the agent's program starts")
    }

    /// Runs a command that must end with this code; its stdout.
    #[track_caller]
    pub(crate) fn run_to(&self, code: i32, args: &[&str]) -> String {
        let output = self.run(args);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(code), "{args:?}: {said}");
        String::from_utf8(output.stdout).expect("UTF-8")
    }

    /// Records in one of the state folder's parts: `spool`, `past` or `aside`.
    pub(crate) fn records(&self, part: &str) -> Vec<Value> {
        let Ok(entries) = std::fs::read_dir(self.state().join(part)) else { return Vec::new() };
        let mut paths: Vec<PathBuf> = entries.map(|e| e.expect("an entry").path()).collect();
        paths.sort();
        let documents = paths.iter().filter_map(|p| std::fs::read(p).ok());
        documents
            .filter_map(|bytes| serde_json::from_slice::<Value>(&bytes).ok())
            .filter(|v| v["header"].is_object())
            .collect()
    }
}
