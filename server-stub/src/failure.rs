//! What a command says when it cannot go on: what, where, why, and below it what to do.

use std::error::Error;
use std::fmt;
use std::path::Path;

use crate::store::StoreError;

/// A failure of a command, printed once, where commands are run.
#[derive(Debug)]
pub struct Failure {
    what: String,
    remedy: Option<String>,
}

impl Failure {
    /// A failure; `what` says what, where and why, in lower case and without a full stop.
    pub fn new(what: impl Into<String>) -> Self {
        Self { what: what.into(), remedy: None }
    }

    /// A failure at a file or folder: "cannot `doing` `path`: why".
    pub fn at(doing: &str, path: &Path, why: impl fmt::Display) -> Self {
        Self::new(format!("cannot {doing} `{}`: {why}", path.display()))
    }

    /// What to do about it.
    #[must_use]
    pub fn remedy(mut self, remedy: impl Into<String>) -> Self {
        self.remedy = Some(remedy.into());
        self
    }

    /// The remedy, where there is one.
    pub fn advice(&self) -> Option<&str> {
        self.remedy.as_deref()
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.what)
    }
}

impl Error for Failure {}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        let mut what = error.to_string();
        let mut cause: Option<&dyn Error> = error.source();
        while let Some(inner) = cause {
            let words = inner.to_string();
            // The database library repeats its cause in its own words.
            if !what.contains(&words) {
                what = format!("{what}: {words}");
            }
            cause = inner.source();
        }
        let remedy = match error {
            StoreError::LogInUse => "try again when nothing else reads it",
            StoreError::Open { .. } => {
                "check the path and its permissions, or name another file with `--database`"
            }
            StoreError::Reach { .. } => {
                "check that the server runs and lets this user in; a password belongs into `PGPASSWORD` or `~/.pgpass`"
            }
            StoreError::Empty { .. } => {
                "name the hub's database with `--database`, or begin with `windrow-hub serve` or `windrow-hub import`"
            }
            StoreError::Setting { .. } => "set it so on the server, or use a server that keeps it",
            StoreError::Pragma { .. } => "keep the database on a local disk, not on a network share",
            StoreError::Busy | StoreError::Closing | StoreError::Overtaken => "run the command again",
            StoreError::NoRandomness(_) => "run it where the operating system's random source can be read",
            StoreError::Database(_) => "check that the disk has room and that the database can be written",
            StoreError::Corrupt { .. } => {
                "restore the database from a backup, or use the version that wrote it"
            }
        };
        Self::new(what).remedy(remedy)
    }
}
