//! The spool: every record is safely on disk before anything is sent.
//!
//! A record's file name tells its place in its device's chain, so that the files themselves are the chain: writing
//! the record is the one act that moves it on. After a crash there is the record, or there is not; no counter can
//! disagree with it for good.

mod chain;
mod name;
mod room;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use windrow_model::record::limits::MAX_DOCUMENT_BYTES;
use windrow_model::record::{SignedRecord, SigningIdentity};

pub use chain::ChainHead;
pub use name::RecordName;
pub use room::{ROOM_BYTES, check_room};

use crate::failure::Failure;
use crate::files;
use crate::state::StateDir;

/// Most records that may wait: a daily check for almost three years.
pub const RECORDS_MAX: usize = 1000;
/// Acknowledged records that are kept to look back at; older ones are with the hub.
const PAST_MAX: usize = 200;

/// A record that waits.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Waiting {
    /// Its name.
    pub name: RecordName,
    /// Its file.
    pub path: PathBuf,
}

/// The spool with its neighbours.
#[derive(Debug, Clone)]
pub struct Spool {
    state: StateDir,
}

impl Spool {
    /// The spool of a folder.
    pub fn new(state: &StateDir) -> Self {
        Self { state: state.clone() }
    }

    /// The last link of a device's chain: the next record follows it.
    ///
    /// # Errors
    /// A folder or file that cannot be read.
    pub fn chain_head(&self, identity: &SigningIdentity) -> Result<ChainHead, Failure> {
        let mut head = chain::read_shadow(&self.state, identity)?;
        for folder in [self.state.spool(), self.state.past(), self.state.aside()] {
            for waiting in list(&folder)? {
                if waiting.name.is_of(identity.device_id()) && waiting.name.sequence > head.sequence {
                    head = chain::head_of_file(&waiting)?;
                }
            }
        }
        Ok(head)
    }

    /// Writes a signed record so that it outlives a crash. From here on it is part of the chain.
    ///
    /// # Errors
    /// Whatever the file system says; then the chain hasn't moved.
    pub fn append(&self, record: &SignedRecord) -> Result<Waiting, Failure> {
        let name = RecordName::of(&record.record.header);
        let path = self.state.spool().join(name.to_string());
        files::write_atomically(&path, &record.bytes).map_err(|e| {
            Failure::at("write the record to", &path, e).remedy(format!(
                "free some space or make the folder writable; the check was made but its record of {} bytes is not kept",
                record.bytes.len()
            ))
        })?;
        chain::write_shadow(&self.state, record);
        Ok(Waiting { name, path })
    }

    /// Records that wait, oldest first.
    ///
    /// # Errors
    /// A folder that cannot be read.
    pub fn waiting(&self) -> Result<Vec<Waiting>, Failure> {
        list(&self.state.spool())
    }

    /// Acknowledged records, oldest first.
    ///
    /// # Errors
    /// A folder that cannot be read.
    pub fn past(&self) -> Result<Vec<Waiting>, Failure> {
        list(&self.state.past())
    }

    /// Records that were set aside, oldest first.
    ///
    /// # Errors
    /// A folder that cannot be read.
    pub fn aside(&self) -> Result<Vec<Waiting>, Failure> {
        list(&self.state.aside())
    }

    /// The bytes of a record.
    ///
    /// # Errors
    /// A file that cannot be read or is larger than any record.
    pub fn read(&self, waiting: &Waiting) -> Result<Vec<u8>, Failure> {
        let bytes = files::read_limited(&waiting.path, MAX_DOCUMENT_BYTES)
            .map_err(|e| Failure::at("read the record", &waiting.path, e))?;
        bytes.ok_or_else(|| Failure::at("read the record", &waiting.path, "it is gone"))
    }

    /// A hub has it: it moves to the past checks.
    ///
    /// # Errors
    /// Whatever the file system says. The record then stays and is posted again, which is harmless.
    pub fn acknowledge(&self, waiting: &Waiting) -> Result<(), Failure> {
        let to = self.state.past().join(waiting.name.to_string());
        files::move_durably(&waiting.path, &to).map_err(|e| Failure::at("move the record to", &to, e))?;
        self.forget_oldest_past();
        Ok(())
    }

    /// A hub refused it for good: it moves aside, with the reason beside it, and the rest goes on.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn set_aside(&self, waiting: &Waiting, why: &str) -> Result<PathBuf, Failure> {
        let to = self.state.aside().join(waiting.name.to_string());
        let reason = to.with_extension("reason.txt");
        files::write_atomically(&reason, why.as_bytes())
            .and_then(|()| files::move_durably(&waiting.path, &to))
            .map_err(|e| Failure::at("set the record aside at", &to, e))?;
        Ok(to)
    }

    /// Keeps the newest; never the last link of a chain, since the newest of each device stays. A file that cannot
    /// be removed costs space and nothing else.
    fn forget_oldest_past(&self) {
        let Ok(past) = self.past() else { return };
        for old in past.iter().take(past.len().saturating_sub(PAST_MAX)) {
            let newest_of_device =
                past.iter().filter(|p| p.name.device == old.name.device).max_by_key(|p| p.name.sequence);
            if newest_of_device != Some(old) {
                let _ = fs::remove_file(&old.path);
            }
        }
    }
}

/// Records of a folder by name; other files are not ours.
fn list(folder: &Path) -> Result<Vec<Waiting>, Failure> {
    let all = || -> io::Result<Vec<Waiting>> {
        let mut found = Vec::new();
        for entry in fs::read_dir(folder)? {
            let entry = entry?;
            if let Some(name) = entry.file_name().to_str().and_then(RecordName::parse) {
                found.push(Waiting { name, path: entry.path() });
            }
        }
        found.sort();
        Ok(found)
    };
    all().map_err(|e| Failure::at("list", folder, e))
}
