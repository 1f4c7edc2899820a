//! Runs the binary in a folder of its own and gives back what it said, with what differs from run to run taken out.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;
use windrow::spool::Spool;
use windrow::state::StateDir;

pub(crate) struct Runner {
    folder: TempDir,
}

impl Runner {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    pub(crate) fn state_path(&self) -> PathBuf {
        self.folder().join("state")
    }

    pub(crate) fn state(&self) -> StateDir {
        StateDir::open(self.state_path()).unwrap()
    }

    pub(crate) fn spool(&self) -> Spool {
        Spool::new(&self.state())
    }

    /// The binary with a clean environment, nobody at its standard input, and its own state folder.
    pub(crate) fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_windrow"));
        command
            .args(args)
            .current_dir(self.folder())
            .env_clear()
            .env("WINDROW_STATE_DIR", self.state_path())
            .env("HOME", self.folder())
            .env("COLUMNS", "100")
            .stdin(Stdio::null());
        command
    }

    pub(crate) fn run(&self, args: &[&str]) -> Output {
        self.command(args).output().unwrap()
    }

    /// Runs and demands this exit code.
    #[track_caller]
    pub(crate) fn expect(&self, args: &[&str], code: i32) -> Said {
        let said = Said::of(&self.run(args), self.folder());
        assert_eq!(said.code, Some(code), "windrow {}\n{}", args.join(" "), said.whole());
        said
    }

    /// Exit code, stdout and stderr together.
    pub(crate) fn snapshot(&self, args: &[&str]) -> String {
        let said = Said::of(&self.run(args), self.folder());
        format!("$ windrow {}\n{}", args.join(" "), said.whole())
    }

    /// Fills the spool with so many records.
    pub(crate) fn records(&self, n: usize) {
        for seed in 1..=n {
            self.expect(&["check", "--quick", "--emulate", "--keep", "--seed", &seed.to_string()], 0);
        }
    }
}

pub(crate) struct Said {
    pub(crate) code: Option<i32>,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

impl Said {
    pub(crate) fn of(output: &Output, folder: &Path) -> Self {
        let text = |bytes: &[u8]| without_variation(std::str::from_utf8(bytes).unwrap(), folder);
        Self { code: output.status.code(), stdout: text(&output.stdout), stderr: text(&output.stderr) }
    }

    pub(crate) fn whole(&self) -> String {
        let code = self.code.map_or("killed".to_owned(), |c| c.to_string());
        format!("exit {code}\n--- stdout\n{}--- stderr\n{}", self.stdout, self.stderr)
    }
}

/// Paths, times and long hex strings differ from run to run.
fn without_variation(text: &str, folder: &Path) -> String {
    let text = text.replace(&folder.display().to_string(), "[FOLDER]");
    let mut out = String::with_capacity(text.len());
    let mut word = String::new();
    for c in text.chars() {
        if c.is_ascii_alphanumeric() || matches!(c, '-' | ':' | '.') {
            word.push(c);
        } else {
            out.push_str(&stable(&word));
            word.clear();
            out.push(c);
        }
    }
    out.push_str(&stable(&word));
    out
}

fn stable(word: &str) -> String {
    let is_time =
        word.len() >= 20 && word.ends_with('Z') && chrono::DateTime::parse_from_rfc3339(word).is_ok();
    let is_hex = |w: &str| w.len() >= 16 && w.bytes().all(|b| b.is_ascii_hexdigit());
    if is_time {
        return "[TIME]".into();
    }
    if chrono::NaiveDate::parse_from_str(word, "%Y-%m-%d").is_ok() {
        return "[DATE]".into();
    }
    if chrono::NaiveTime::parse_from_str(word, "%H:%M").is_ok() && word.len() == 5 {
        return "[CLOCK]".into();
    }
    if is_hex(word) {
        return "[HEX]".into();
    }
    // A record's file name.
    match word.strip_suffix(".json").map(|w| w.split('-').collect::<Vec<_>>()) {
        Some(parts) if parts.len() == 3 && is_hex(parts[2]) => format!("[DEVICE]-{}-[HEX].json", parts[1]),
        _ => word.to_owned(),
    }
}
