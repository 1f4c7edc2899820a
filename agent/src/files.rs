//! Files that survive a crash: written beside their place, flushed, renamed, and the folder flushed too.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::Path;

/// The owner alone reads and writes.
const OWNER_ONLY: u32 = 0o600;
const OWNER_ONLY_DIR: u32 = 0o700;

/// Writes a file so that after a crash there is the old one or the new one, never half of it.
///
/// # Errors
/// Whatever the file system says; then nothing is left behind under that name.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = path.parent().ok_or(io::ErrorKind::InvalidInput)?;
    let mut file = tempfile::Builder::new()
        .prefix(".writing-")
        .permissions(fs::Permissions::from_mode(OWNER_ONLY))
        .tempfile_in(folder)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|e| e.error)?;
    sync_folder(folder)
}

/// Moves a file within one file system and makes the move last.
///
/// # Errors
/// Whatever the file system says.
pub fn move_durably(from: &Path, to: &Path) -> io::Result<()> {
    fs::rename(from, to)?;
    for folder in [from.parent(), to.parent()].into_iter().flatten() {
        sync_folder(folder)?;
    }
    Ok(())
}

/// Makes a folder with its parents, for the owner alone.
///
/// # Errors
/// Whatever the file system says.
pub fn make_folder(path: &Path) -> io::Result<()> {
    fs::DirBuilder::new().recursive(true).mode(OWNER_ONLY_DIR).create(path)
}

/// Reads a file of at most `bytes_max` bytes; `None` where there is none.
///
/// # Errors
/// Whatever the file system says, and `FileTooLarge` past the limit.
pub fn read_limited(path: &Path, bytes_max: usize) -> io::Result<Option<Vec<u8>>> {
    let file = match File::open(path) {
        Ok(file) => file,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(e) => return Err(e),
    };
    let mut bytes = Vec::new();
    file.take(bytes_max as u64 + 1).read_to_end(&mut bytes)?;
    if bytes.len() > bytes_max {
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, format!("larger than {bytes_max} bytes")));
    }
    Ok(Some(bytes))
}

/// Writes a new file that the owner alone may read, refusing to replace one: for a key.
///
/// # Errors
/// Whatever the file system says, `AlreadyExists` among it.
pub fn write_new_secret(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(OWNER_ONLY).open(path)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    path.parent().map_or(Ok(()), sync_folder)
}

/// A rename is durable only once its folder is.
fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failed_write_leaves_the_old_file_and_no_scrap() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        write_atomically(&path, b"old").unwrap();
        let into_nowhere = folder.path().join("missing").join("a");
        assert!(write_atomically(&into_nowhere, b"new").is_err());
        assert_eq!(fs::read(&path).unwrap(), b"old");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    }

    #[test]
    fn reading_stops_at_the_limit() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        fs::write(&path, [b'x'; 10]).unwrap();
        assert_eq!(read_limited(&path, 10).unwrap().unwrap().len(), 10);
        assert_eq!(read_limited(&path, 9).unwrap_err().kind(), io::ErrorKind::FileTooLarge);
        assert!(read_limited(&folder.path().join("b"), 9).unwrap().is_none());
    }
}
