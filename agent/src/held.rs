//! The administrator's hold, as the hub's last acknowledgement told it: this laptop must not be loaded.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use windrow_model::cautions;

use crate::failure::Failure;
use crate::files;
use crate::state::StateDir;

const FILE: &str = "held.json";
const FILE_BYTES_MAX: usize = 8 * 1024;
/// Longest reason that is shown.
const WHY_CHARS_MAX: usize = 400;

/// `held.json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Held {
    /// Why, in the administrator's words.
    pub why: String,
    /// When the hub said so.
    pub told_at: DateTime<Utc>,
    /// Which hub.
    pub hub: String,
}

impl Held {
    /// As a person reads it, with the caution that goes with it.
    pub fn words(&self) -> [String; 2] {
        let told = self.told_at.format("%Y-%m-%d %H:%M UTC");
        [
            format!(
                "Your administrator has put this laptop on hold: {} (the hub {} said so, {told}). No load is started.",
                self.why, self.hub
            ),
            cautions::HELD.to_owned(),
        ]
    }
}

/// A reason from outside, fit to be shown: no control characters, and not endless.
pub fn fit_to_show(why: &str) -> String {
    let plain = why.chars().filter(|c| !c.is_control()).take(WHY_CHARS_MAX).collect::<String>();
    let plain = plain.trim();
    if plain.is_empty() { "no reason given".to_owned() } else { plain.to_owned() }
}

/// The hold, where there is one.
///
/// # Errors
/// A file that cannot be read. One that cannot be understood is a hold all the same: to load a bulging battery is worse
/// than to miss a check, and the next acknowledgement writes it anew.
pub fn held(state: &StateDir) -> Result<Option<Held>, Failure> {
    let path = state.file(FILE);
    let bytes = files::read_limited(&path, FILE_BYTES_MAX).map_err(|e| Failure::at("read", &path, e))?;
    let unreadable = || Held {
        why: "its reason cannot be read".into(),
        told_at: DateTime::UNIX_EPOCH,
        hub: "unknown".into(),
    };
    Ok(bytes.map(|b| serde_json::from_slice(&b).unwrap_or_else(|_| unreadable())))
}

/// Keeps what the last acknowledgement said.
///
/// # Errors
/// A file that cannot be written or removed.
pub fn keep(state: &StateDir, held: Option<&Held>) -> Result<(), Failure> {
    let path = state.file(FILE);
    let done = match held {
        Some(held) => serde_json::to_vec_pretty(held)
            .map_err(std::io::Error::other)
            .and_then(|json| files::write_atomically(&path, &json)),
        None => std::fs::remove_file(&path).or_else(|e| match e.kind() {
            std::io::ErrorKind::NotFound => Ok(()),
            _ => Err(e),
        }),
    };
    done.map_err(|e| Failure::at("keep the administrator's hold in", &path, e))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hold_is_kept_and_let_go() {
        let folder = tempfile::tempdir().unwrap();
        let state = StateDir::open(folder.path().to_owned()).unwrap();
        assert_eq!(held(&state).unwrap(), None);
        let hold = Held {
            why: "bulging battery".into(),
            told_at: DateTime::from_timestamp(1_780_000_000, 0).unwrap(),
            hub: "https://hub.example".into(),
        };
        keep(&state, Some(&hold)).unwrap();
        assert_eq!(held(&state).unwrap().as_ref(), Some(&hold));
        let [what, caution] = hold.words();
        assert!(what.contains("bulging battery") && caution.contains("battery"), "{what} {caution}");
        std::fs::write(state.file(FILE), "{").unwrap();
        assert!(held(&state).unwrap().is_some(), "what cannot be read keeps the load away");
        keep(&state, None).unwrap();
        keep(&state, None).unwrap();
        assert_eq!(held(&state).unwrap(), None);
    }

    #[test]
    fn a_reason_from_outside_cannot_write_on_the_terminal() {
        assert_eq!(fit_to_show("recall\u{1b}[2J of\n March"), "recall[2J of March");
        assert_eq!(fit_to_show(" \n"), "no reason given");
        assert_eq!(fit_to_show(&"é".repeat(500)).chars().count(), WHY_CHARS_MAX);
    }
}
