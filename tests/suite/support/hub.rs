//! A real hub: its program, a free port, a fresh SQLite file or a server's database; killed when dropped.

use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Output, Stdio};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use windrow_hub::store::sql::SqlStore;
use windrow_hub::store::{LedgerStore, MeasuredRun, Store};
use windrow_model::METHOD_VERSION;

use super::{binaries, wait_for};

/// A database, a file unless one on a server is named, and what is done with it by the hub's commands.
#[derive(Debug)]
pub(crate) struct Hub {
    pub(crate) database: PathBuf,
    folder: tempfile::TempDir,
}

/// A hub that serves.
#[derive(Debug)]
pub(crate) struct Serving {
    child: Child,
    pub(crate) address: SocketAddr,
    pub(crate) url: String,
}

impl Hub {
    pub(crate) fn new() -> Self {
        let folder = tempfile::Builder::new().prefix("windrow-hub-test-").tempdir().expect("a folder");
        Self { database: folder.path().join("hub.sqlite"), folder }
    }

    /// A hub over a database on a server.
    pub(crate) fn on(address: &str) -> Self {
        Self { database: address.into(), ..Self::new() }
    }

    /// The user's data folder, for what isn't in the database.
    pub(crate) fn data_folder(&self) -> PathBuf {
        self.folder.path().to_owned()
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(binaries::hub());
        command.args(args).arg("--database").arg(&self.database).stdin(Stdio::null());
        command.env("XDG_DATA_HOME", self.data_folder());
        command
    }

    /// Runs one of the hub's commands to its end.
    pub(crate) fn run(&self, args: &[&str]) -> Output {
        self.command(args).output().expect("the hub's program starts")
    }

    /// Its standard output, where it must end well.
    #[track_caller]
    pub(crate) fn run_well(&self, args: &[&str]) -> String {
        let output = self.run(args);
        assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).expect("UTF-8")
    }

    /// An invite for `uses` laptops.
    #[track_caller]
    pub(crate) fn invite(&self, uses: u32) -> String {
        let args = ["invite", "--site", "Lowfield", "--uses", &uses.to_string()];
        self.run_well(&args).trim().to_owned()
    }

    /// `rank --json`.
    #[track_caller]
    pub(crate) fn rank(&self) -> Value {
        serde_json::from_str(&self.run_well(&["rank", "--json"])).expect("JSON")
    }

    /// Serves on a free port of loopback.
    #[track_caller]
    pub(crate) fn serve(&self) -> Serving {
        self.serve_with(&[])
    }

    /// The same with further options.
    #[track_caller]
    pub(crate) fn serve_with(&self, options: &[&str]) -> Serving {
        let log = std::fs::File::options().create(true).append(true).open(self.folder.path().join("log"));
        let mut child = self
            .command(&["serve", "--json", "--listen", "127.0.0.1:0"])
            .args(options)
            .stdout(Stdio::piped())
            .stderr(log.expect("a log file"))
            .spawn()
            .expect("the hub's program starts");
        let mut line = String::new();
        let stdout = child.stdout.as_mut().expect("it is piped");
        BufReader::new(stdout).read_line(&mut line).expect("its first line");
        let ready: Value =
            serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e}: `{line}`: {}", self.log()));
        let text = |name: &str| ready[name].as_str().expect("a text").to_owned();
        Serving { child, address: text("listening").parse().expect("an address"), url: text("url") }
    }

    /// What all hubs over this database wrote to stderr.
    pub(crate) fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// All runs in the database and the number of records in the ledger, read through the store.
    pub(crate) fn stored(&self) -> (Vec<MeasuredRun>, usize) {
        let runtime = tokio::runtime::Runtime::new().expect("a runtime");
        runtime.block_on(async {
            let store = SqlStore::open_file(&self.database).await.expect("the database opens");
            let runs = store.run_list_measured(METHOD_VERSION).await.expect("runs");
            let leaves = store.ledger_list(0, 1000).await.expect("a ledger");
            let n_leaves = leaves.iter().filter(|leaf| leaf.kind == "record").count();
            store.store_close().await;
            (runs, n_leaves)
        })
    }
}

impl Serving {
    /// Ends it as a power cut would.
    pub(crate) fn kill(mut self) {
        self.child.kill().expect("it is there to be killed");
        self.child.wait().expect("it ends");
    }

    /// Asks it to end, and waits for that.
    #[track_caller]
    pub(crate) fn terminate(mut self) -> ExitStatus {
        signal(&self.child, Signal::TERM);
        wait_for("the hub to stop", || self.child.try_wait().expect("a child"))
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Sends a signal to a child.
pub(crate) fn signal(child: &Child, signal: Signal) {
    let pid = i32::try_from(child.id()).ok().and_then(Pid::from_raw).expect("a process id");
    kill_process(pid, signal).expect("the signal is sent");
}
