//! The agent's own folder: identity, chain, spool, past checks, and the hub that was joined.
//!
//! ```text
//! device.json   device id and the fingerprint of the machine it was made on      device.key   secret, 0600
//! chain.json    last sequence number and digest (a shadow; the record files decide)
//! hub.json      the hub that was joined
//! reference.json the model's reference from the hub, with its date
//! spool/        records not yet acknowledged      past/    acknowledged ones      aside/   refused for good
//! ```

use std::env;
use std::ffi::OsString;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};

use crate::failure::Failure;
use crate::files;

/// The variable that names another folder.
pub const VARIABLE: &str = "WINDROW_STATE_DIR";

/// The agent's folder, open and its parts made.
#[derive(Debug, Clone)]
pub struct StateDir {
    root: PathBuf,
}

/// Held while a command changes the folder; two checks at once would also load the machine twice.
#[derive(Debug)]
pub struct StateLock {
    _file: File,
}

/// The variables that decide where the folder lies.
#[derive(Debug, Clone, Default)]
pub struct Surroundings {
    /// `WINDROW_STATE_DIR`.
    pub own: Option<OsString>,
    /// `XDG_STATE_HOME`.
    pub xdg: Option<OsString>,
    /// `HOME`.
    pub home: Option<OsString>,
}

impl Surroundings {
    /// The process's own.
    pub fn of_process() -> Self {
        let var = |name| env::var_os(name).filter(|v| !v.is_empty());
        Self { own: var(VARIABLE), xdg: var("XDG_STATE_HOME"), home: var("HOME") }
    }
}

/// Where the folder lies: as told, else by the XDG base directory specification (a relative path there is ignored,
/// as it asks).
///
/// # Errors
/// Where no variable tells.
pub fn place(told: Option<&Path>, around: &Surroundings) -> Result<PathBuf, Failure> {
    if let Some(told) = told.map(Path::to_owned).or_else(|| around.own.clone().map(PathBuf::from)) {
        return Ok(told);
    }
    let absolute = |v: &Option<OsString>| v.clone().map(PathBuf::from).filter(|p| p.is_absolute());
    absolute(&around.xdg)
        .or_else(|| absolute(&around.home).map(|h| h.join(".local/state")))
        .map(|base| base.join("windrow"))
        .ok_or_else(|| {
            Failure::new("no folder for identity and records: neither HOME nor XDG_STATE_HOME is set")
                .remedy(format!("name one with `--state-dir FOLDER` or {VARIABLE}"))
        })
}

impl StateDir {
    /// Opens the folder and makes what is missing in it.
    ///
    /// # Errors
    /// A folder that cannot be made.
    pub fn open(root: PathBuf) -> Result<Self, Failure> {
        let state = Self { root };
        for folder in [state.root.clone(), state.spool(), state.past(), state.aside()] {
            files::make_folder(&folder).map_err(|e| {
                Failure::at("make the folder", &folder, e).remedy(format!(
                    "make it writable, or name another with `--state-dir FOLDER` or {VARIABLE}"
                ))
            })?;
        }
        Ok(state)
    }

    /// The folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Records that no hub has acknowledged yet.
    pub fn spool(&self) -> PathBuf {
        self.root.join("spool")
    }

    /// Acknowledged records.
    pub fn past(&self) -> PathBuf {
        self.root.join("past")
    }

    /// Records that a hub refused for good, each with the reason beside it.
    pub fn aside(&self) -> PathBuf {
        self.root.join("aside")
    }

    /// A file of the folder.
    pub fn file(&self, name: &str) -> PathBuf {
        self.root.join(name)
    }

    /// Takes the lock.
    ///
    /// # Errors
    /// When another `windrow` holds it.
    pub fn lock(&self) -> Result<StateLock, Failure> {
        let path = self.file("lock");
        let open = fs::OpenOptions::new().write(true).create(true).truncate(false).open(&path);
        let file = open.map_err(|e| {
            Failure::at("open the lock", &path, e)
                .remedy("make the folder writable for the user who runs `windrow`")
        })?;
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => Ok(StateLock { _file: file }),
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => {
                Err(Failure::new(format!("another `windrow` is at work with `{}`", self.root.display()))
                    .remedy("wait until it is done, then try again"))
            }
            Err(e) => Err(Failure::at("lock", &path, e)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_folder_is_found_as_told_then_by_variable_then_by_the_base_directories() {
        let all = Surroundings {
            own: Some("/own".into()),
            xdg: Some("/xdg".into()),
            home: Some("/someone".into()),
        };
        let xdg = Surroundings { own: None, ..all.clone() };
        let home = Surroundings { xdg: Some("not/absolute".into()), ..xdg.clone() };
        let at = |told: Option<&str>, around: &Surroundings| place(told.map(Path::new), around).unwrap();
        assert_eq!(at(Some("told"), &all), Path::new("told"));
        assert_eq!(at(None, &all), Path::new("/own"));
        assert_eq!(at(None, &xdg), Path::new("/xdg/windrow"));
        assert_eq!(at(None, &home), Path::new("/someone/.local/state/windrow"));
        assert!(place(None, &Surroundings::default()).unwrap_err().advice().unwrap().contains("--state-dir"));
    }

    #[test]
    fn the_lock_is_held_by_one() {
        let folder = tempfile::tempdir().unwrap();
        let state = StateDir::open(folder.path().join("a/b")).unwrap();
        let held = state.lock().unwrap();
        assert!(state.lock().unwrap_err().to_string().contains("another `windrow`"));
        drop(held);
        state.lock().unwrap();
    }
}
