//! What a command says when it cannot go on: what, where, why, and below it what to do.

use std::fmt;
use std::path::Path;

use crate::exit::Exit;

/// A failure of a command, ready to be printed once, in `run`.
#[derive(Debug)]
pub struct Failure {
    what: String,
    remedy: Option<String>,
    exit: Exit,
}

/// What commands return.
pub type Outcome<T = Exit> = Result<T, Failure>;

impl Failure {
    /// A failure; `what` says what, where and why, in lower case and without a full stop.
    pub fn new(what: impl Into<String>) -> Self {
        Self { what: what.into(), remedy: None, exit: Exit::Failed }
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

    /// Another exit code than 1.
    #[must_use]
    pub fn exit(mut self, exit: Exit) -> Self {
        self.exit = exit;
        self
    }

    /// The exit code.
    pub fn code(&self) -> Exit {
        self.exit
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

impl std::error::Error for Failure {}
