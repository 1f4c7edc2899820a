//! A throw-away PostgreSQL server for tests: a fresh cluster in a folder of its own, reached by its socket alone, gone when
//! dropped.

use std::fs;
use std::os::unix::fs::chown;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::thread::sleep;
use std::time::Duration;

use tempfile::TempDir;

/// Owner of everything in the cluster.
const USER: &str = "windrow";
/// Looks whether the server is up, 0.1 s apart.
const N_LOOKS: usize = 600;

/// A running server. Its settings are the default ones: it keeps what it has committed, as the hub wants it.
#[derive(Debug)]
pub struct Cluster {
    server: Child,
    programs: Programs,
    folder: TempDir,
}

/// PostgreSQL's own programs, and who runs them.
#[derive(Debug, Clone)]
struct Programs {
    folder: PathBuf,
    /// User and group, where this process is root: the server refuses to run as that.
    as_user: Option<(u32, u32)>,
}

impl Programs {
    /// Those of this machine, or what is missing.
    fn find() -> Result<Self, String> {
        let folder = folders()
            .into_iter()
            .find(|folder| {
                ["initdb", "postgres", "psql"].iter().all(|program| folder.join(program).is_file())
            })
            .ok_or(
                "there is no PostgreSQL server on this machine; the Debian package `postgresql` brings one",
            )?;
        let is_root = fs::metadata("/proc/self").is_ok_and(|m| std::os::unix::fs::MetadataExt::uid(&m) == 0);
        let as_user = match (is_root, user_of_debian()) {
            (true, None) => {
                return Err("PostgreSQL doesn't run as root, and there is no user `postgres`".into());
            }
            (true, user) => user,
            (false, _) => None,
        };
        Ok(Self { folder, as_user })
    }

    fn command(&self, program: &Path) -> Command {
        let mut command = Command::new(program);
        if let Some((user, group)) = self.as_user {
            command.uid(user).gid(group);
        }
        command.current_dir("/").stdin(Stdio::null());
        command
    }

    fn named(&self, name: &str) -> Command {
        self.command(&self.folder.join(name))
    }
}

/// Where the programs may stand: on the PATH, then where Debian keeps them, the newest version first.
fn folders() -> Vec<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let mut folders: Vec<PathBuf> = std::env::split_paths(&path).collect();
    let versions = fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let mut versions: Vec<(u32, PathBuf)> = versions
        .filter_map(|entry| Some((entry.file_name().to_str()?.parse().ok()?, entry.path().join("bin"))))
        .collect();
    versions.sort_unstable_by(|a, b| b.cmp(a));
    folders.extend(versions.into_iter().map(|(_, folder)| folder));
    folders
}

/// The user and group under which Debian's package runs the server.
fn user_of_debian() -> Option<(u32, u32)> {
    let users = fs::read_to_string("/etc/passwd").ok()?;
    let line = users.lines().find(|line| line.starts_with("postgres:"))?;
    let mut fields = line.split(':').skip(2);
    Some((fields.next()?.parse().ok()?, fields.next()?.parse().ok()?))
}

impl Cluster {
    /// Makes a cluster and starts its server. `Err`: this machine has no PostgreSQL, and why that is.
    ///
    /// # Panics
    /// If there is one and it doesn't start.
    pub fn start() -> Result<Self, String> {
        let programs = Programs::find()?;
        // A socket's path has at most 107 bytes: a temporary folder may already be longer.
        let folder = tempfile::Builder::new().prefix("windrow-pg-").tempdir_in("/tmp").expect("a folder");
        if let Some((user, group)) = programs.as_user {
            chown(folder.path(), Some(user), Some(group)).expect("root may give a folder away");
        }
        let data = folder.path().join("data");
        let mut initdb = programs.named("initdb");
        initdb.arg("--pgdata").arg(&data).args(["--username", USER, "--auth", "trust", "--encoding", "UTF8"]);
        // A language's order of text, as most servers have it, and none of the bytes'.
        initdb.args(["--no-sync", "--locale", "C.UTF-8", "--locale-provider", "icu", "--icu-locale", "en"]);
        succeed(&mut initdb);
        let server = programs
            // The server ends when this process closes the pipe, however it ends itself.
            .command(Path::new("/bin/sh"))
            .args(["-c", r#""$@" & read _; kill -INT $!; wait $!"#, "sh"])
            .arg(programs.folder.join("postgres"))
            .arg("-D")
            .arg(&data)
            .args(["-c", "listen_addresses=", "-c"])
            .arg(format!("unix_socket_directories={}", folder.path().display()))
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(fs::File::create(folder.path().join("log")).expect("a log file"))
            .spawn()
            .expect("a shell");
        let cluster = Self { server, programs, folder };
        cluster.wait_until_up();
        Ok(cluster)
    }

    fn wait_until_up(&self) {
        for _ in 0..N_LOOKS {
            if self.psql("postgres", "SELECT 1").output().is_ok_and(|output| output.status.success()) {
                return;
            }
            sleep(Duration::from_millis(100));
        }
        let log = fs::read_to_string(self.folder.path().join("log")).unwrap_or_default();
        panic!("the database server did not start: {log}");
    }

    fn psql(&self, database: &str, statement: &str) -> Command {
        let mut psql = self.programs.named("psql");
        psql.args(["--no-psqlrc", "--quiet", "--no-align", "--tuples-only", "--username", USER, "--host"])
            .arg(self.folder.path())
            .args(["--dbname", database, "--command", statement]);
        psql
    }

    /// Carries out a statement by PostgreSQL's own client; gives what it prints.
    ///
    /// # Panics
    /// If it fails.
    pub fn tell(&self, database: &str, statement: &str) -> String {
        let output = succeed(&mut self.psql(database, statement));
        String::from_utf8_lossy(&output.stdout).trim().to_owned()
    }

    /// Makes a database, empty or as a copy of another to which nobody is connected; gives its address.
    ///
    /// # Panics
    /// If it fails.
    pub fn create(&self, name: &str, copy_of: Option<&str>) -> String {
        let template = copy_of.unwrap_or("template0");
        self.tell("postgres", &format!("CREATE DATABASE {name} TEMPLATE {template}"));
        self.address(name)
    }

    /// The address of a database.
    pub fn address(&self, name: &str) -> String {
        format!("postgres:///{name}?host={}&user={USER}", self.folder.path().display())
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        drop(self.server.stdin.take());
        let _ = self.server.wait();
    }
}

fn succeed(command: &mut Command) -> Output {
    let output = command.output().expect("the program starts");
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    output
}
