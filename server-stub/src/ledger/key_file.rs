//! The file with the head key's secret: beside the database, mode 0600, made at first need.
//!
//! Apart from the database on purpose: whoever may write the one can still not sign for it. It belongs into the backup.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use zeroize::Zeroizing;

use super::head::HeadKey;

/// The secret's 64 hex digits and a line feed.
const MAX_BYTES: u64 = 65;
/// Bits of a file's mode that would let others at it.
const OTHERS: u32 = 0o077;

/// Why there is no key to sign with.
#[derive(Debug, thiserror::Error)]
pub enum KeyFileError {
    /// The ledger has a key, its file is gone.
    #[error("the head key's file `{0}` is missing, though this ledger has one")]
    Missing(PathBuf),
    /// The file is there, but another key than the ledger's last.
    #[error("the key in `{0}` is not the one that this ledger names last")]
    Other(PathBuf),
    /// Others could read it.
    #[error("the head key's file `{0}` can be read by others: its mode is {1:o}")]
    Open(PathBuf, u32),
    /// It holds no key.
    #[error("`{0}` does not hold a head key")]
    NoKey(PathBuf),
    /// The system failed.
    #[error("cannot use the head key's file `{path}`: {why}")]
    Io {
        /// Which.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
}

impl KeyFileError {
    /// What to do about it.
    pub fn remedy(&self) -> String {
        match self {
            Self::Missing(path) | Self::Other(path) => {
                format!("put `{}` back from the backup that belongs to this database", path.display())
            }
            Self::Open(path, _) => format!(
                "if nobody else can have read it, run `chmod 600 {0}`; else do that and then `windrow-hub head-key --rotate`",
                path.display()
            ),
            Self::NoKey(path) => format!("put `{}` back from a backup", path.display()),
            Self::Io { .. } => "check the folder's permissions and that its disk has room".to_owned(),
        }
    }
}

/// The file beside this database.
pub fn beside(database: &Path) -> PathBuf {
    database.with_extension("head-key")
}

/// Where a key waits that is to follow this one.
fn next_of(path: &Path) -> PathBuf {
    path.with_extension("head-key-next")
}

/// Reads the key, or makes it where there is no file.
///
/// # Errors
/// A file that others can read, that holds no key, or that the system doesn't give.
pub fn load_or_make(path: &Path) -> Result<HeadKey, KeyFileError> {
    match read(path) {
        Err(KeyFileError::Missing(_)) => {
            write_new(path)?;
            read(path)
        }
        other => other,
    }
}

/// Reads the key that the ledger names last; one that was left waiting when a rotation was broken off takes its place.
///
/// # Errors
/// As [`load_or_make`], and where neither file holds that key.
pub fn load(path: &Path, public_key_hex: &str) -> Result<HeadKey, KeyFileError> {
    let is_wanted = |key: &HeadKey| key.public_hex() == public_key_hex;
    let present = read(path);
    if let Ok(key) = present {
        if is_wanted(&key) {
            return Ok(key);
        }
    } else {
        present?;
    }
    let next = next_of(path);
    match read(&next) {
        Ok(key) if is_wanted(&key) => {
            promote(path)?;
            Ok(key)
        }
        _ => Err(KeyFileError::Other(path.to_owned())),
    }
}

/// Makes the key that is to follow, beside the present one.
///
/// # Errors
/// If the system fails.
pub fn make_next(path: &Path) -> Result<HeadKey, KeyFileError> {
    let next = next_of(path);
    // Left over from a rotation that was broken off before the ledger knew of it.
    if let Err(why) = fs::remove_file(&next)
        && why.kind() != io::ErrorKind::NotFound
    {
        return Err(KeyFileError::Io { path: next, why });
    }
    write_new(&next)?;
    read(&next)
}

/// Puts the key that waits in the present one's place.
///
/// # Errors
/// If the system fails.
pub fn promote(path: &Path) -> Result<(), KeyFileError> {
    fs::rename(next_of(path), path)
        .and_then(|()| sync_folder(path))
        .map_err(|why| KeyFileError::Io { path: path.to_owned(), why })
}

fn read(path: &Path) -> Result<HeadKey, KeyFileError> {
    let io_error = |why: io::Error| match why.kind() {
        io::ErrorKind::NotFound => KeyFileError::Missing(path.to_owned()),
        _ => KeyFileError::Io { path: path.to_owned(), why },
    };
    let file = File::open(path).map_err(io_error)?;
    let mode = file.metadata().map_err(io_error)?.permissions().mode() & 0o777;
    if mode & OTHERS != 0 {
        return Err(KeyFileError::Open(path.to_owned(), mode));
    }
    let mut text = Zeroizing::new(String::new());
    file.take(MAX_BYTES + 1).read_to_string(&mut text).map_err(io_error)?;
    let mut secret = Zeroizing::new([0; 32]);
    hex::decode_to_slice(text.trim_end(), &mut *secret).map_err(|_| KeyFileError::NoKey(path.to_owned()))?;
    Ok(HeadKey::from_secret(&secret))
}

/// Writes a fresh secret. The file appears whole or not at all, and never in another's place: where somebody else made
/// it in the meantime, theirs is the key.
fn write_new(path: &Path) -> Result<(), KeyFileError> {
    let io_error = |why: io::Error| KeyFileError::Io { path: path.to_owned(), why };
    let mut secret = Zeroizing::new([0; 32]);
    getrandom::fill(&mut *secret).map_err(|e| io_error(io::Error::other(e.to_string())))?;
    let text = Zeroizing::new(hex::encode(*secret));
    let draft = path.with_extension(format!("head-key-{}", std::process::id()));
    let _ = fs::remove_file(&draft);
    let written =
        OpenOptions::new().write(true).create_new(true).mode(0o600).open(&draft).and_then(|mut file| {
            writeln!(file, "{}", *text)?;
            file.sync_all()?;
            match fs::hard_link(&draft, path) {
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Ok(()),
                other => other,
            }
        });
    let _ = fs::remove_file(&draft);
    written.and_then(|()| sync_folder(path)).map_err(io_error)
}

fn sync_folder(path: &Path) -> io::Result<()> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(folder)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_made_once_for_its_owner_alone() {
        let folder = tempfile::TempDir::new().unwrap();
        let path = beside(&folder.path().join("hub.sqlite"));
        assert!(path.ends_with("hub.head-key"));
        let key = load_or_make(&path).unwrap();
        assert_eq!(load_or_make(&path).unwrap().public_hex(), key.public_hex());
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "no draft is left");
        fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
        let refused = load_or_make(&path).unwrap_err();
        assert!(matches!(refused, KeyFileError::Open(_, 0o640)), "{refused}");
        assert!(
            !format!("{key:?}").contains(fs::read_to_string(&path).unwrap().trim()),
            "no secret is printed"
        );
    }

    #[test]
    fn a_rotation_that_was_broken_off_is_finished() {
        let folder = tempfile::TempDir::new().unwrap();
        let path = beside(&folder.path().join("hub.sqlite"));
        let old = load_or_make(&path).unwrap();
        let new = make_next(&path).unwrap();
        assert_eq!(load(&path, &old.public_hex()).unwrap().public_hex(), old.public_hex());
        assert_eq!(load(&path, &new.public_hex()).unwrap().public_hex(), new.public_hex());
        assert_eq!(load_or_make(&path).unwrap().public_hex(), new.public_hex());
        assert!(matches!(load(&path, &old.public_hex()), Err(KeyFileError::Other(_))));
        fs::write(&path, "not a key").unwrap();
        assert!(matches!(load_or_make(&path), Err(KeyFileError::NoKey(_))));
        fs::remove_file(&path).unwrap();
        assert!(matches!(load(&path, &new.public_hex()), Err(KeyFileError::Missing(_))));
    }
}
