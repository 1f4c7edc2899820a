//! The hub's wish for a check, as its last acknowledgement told it. The laptop decides when.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::failure::Failure;
use crate::files;
use crate::state::StateDir;

const FILE: &str = "wanted.json";
const FILE_BYTES_MAX: usize = 4 * 1024;

/// `wanted.json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Wanted {
    /// By when.
    pub by: DateTime<Utc>,
    /// When the hub said so.
    pub told_at: DateTime<Utc>,
    /// Which hub.
    pub hub: String,
}

impl Wanted {
    /// Whether a check that began then answers it.
    pub fn is_answered_by(&self, check_began_at: DateTime<Utc>) -> bool {
        check_began_at > self.told_at
    }

    /// As a person reads it.
    pub fn words(&self, now: DateTime<Utc>) -> String {
        let by = self.by.format("%Y-%m-%d %H:%M UTC");
        if self.by < now {
            format!("The hub {} wanted a check by {by}; that has passed.", self.hub)
        } else {
            format!("The hub {} wants a check by {by}.", self.hub)
        }
    }
}

/// The wish, where there is one.
///
/// # Errors
/// A file that cannot be read. One that cannot be understood is no wish: the next acknowledgement writes it anew.
pub fn wanted(state: &StateDir) -> Result<Option<Wanted>, Failure> {
    let path = state.file(FILE);
    let bytes = files::read_limited(&path, FILE_BYTES_MAX).map_err(|e| Failure::at("read", &path, e))?;
    Ok(bytes.and_then(|b| serde_json::from_slice(&b).ok()))
}

/// Keeps what the last acknowledgement said.
///
/// # Errors
/// A file that cannot be written or removed.
pub fn keep(state: &StateDir, wanted: Option<&Wanted>) -> Result<(), Failure> {
    let path = state.file(FILE);
    let done = match wanted {
        Some(wanted) => serde_json::to_vec_pretty(wanted)
            .map_err(std::io::Error::other)
            .and_then(|json| files::write_atomically(&path, &json)),
        None => std::fs::remove_file(&path).or_else(|e| match e.kind() {
            std::io::ErrorKind::NotFound => Ok(()),
            _ => Err(e),
        }),
    };
    done.map_err(|e| Failure::at("keep the hub's wish in", &path, e))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wish_is_kept_and_forgotten() {
        let folder = tempfile::tempdir().unwrap();
        let state = StateDir::open(folder.path().to_owned()).unwrap();
        assert_eq!(wanted(&state).unwrap(), None);
        keep(&state, None).unwrap();
        let told_at = DateTime::from_timestamp(1_780_000_000, 0).unwrap();
        let by = told_at + chrono::TimeDelta::days(3);
        let wish = Wanted { by, told_at, hub: "https://hub.example".into() };
        keep(&state, Some(&wish)).unwrap();
        assert_eq!(wanted(&state).unwrap().as_ref(), Some(&wish));
        assert!(
            wish.words(told_at).contains("wants a check by")
                && wish.words(by + chrono::TimeDelta::days(1)).contains("has passed")
        );
        assert!(!wish.is_answered_by(told_at) && wish.is_answered_by(by));
        std::fs::write(state.file(FILE), "{").unwrap();
        assert_eq!(wanted(&state).unwrap(), None);
        keep(&state, None).unwrap();
        assert!(!state.file(FILE).exists());
    }
}
