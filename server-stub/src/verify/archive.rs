//! An export as it was handed over, a folder or a zip, read in place within limits. Nothing is ever unpacked to disk.

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::{Path, PathBuf};

use zip::ZipArchive;

/// Most files in an export: ours have some dozens.
const MAX_FILES: usize = 1000;
/// Stands for a name that is no text: no sum covers it, so that it is told as added.
const UNREADABLE: &str = "(a name that cannot be read)";
/// Most folders within each other.
const MAX_DEPTH: usize = 4;

/// How much may be read. A page that takes files from strangers sets less than the default.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// A zip as it lies there, bytes.
    pub packed: u64,
    /// All files of an export unpacked, bytes.
    pub unpacked: u64,
    /// Lines of an altered file that are held against their digests one by one: 65 bytes each are held, twice. A longer
    /// one is named as a whole.
    pub lines: u64,
    /// Leaves of the ledger: 32 bytes each are held, and of each enrolment and visit some hundred.
    pub leaves: usize,
}

impl Default for Limits {
    /// 1.2 million leaves and as many runs are some 1.5 GB unpacked.
    fn default() -> Self {
        Self { packed: 4 << 30, unpacked: 8 << 30, lines: 4_000_000, leaves: 32_000_000 }
    }
}

/// The files of an export.
pub(super) enum Archive {
    Folder(PathBuf, Vec<String>),
    Zip(Box<ZipArchive<BufReader<File>>>),
}

impl Archive {
    pub(super) fn open(path: &Path, limits: Limits) -> io::Result<Self> {
        if path.is_dir() {
            let mut names = Vec::new();
            walk(path, "", 0, &mut names)?;
            names.sort();
            return Ok(Self::Folder(path.to_owned(), names));
        }
        let file = File::open(path)?;
        if file.metadata()?.len() > limits.packed {
            return Err(io::Error::other(format!("larger than {} bytes", limits.packed)));
        }
        let zip = ZipArchive::new(BufReader::new(file)).map_err(|e| io::Error::other(e.to_string()))?;
        if zip.len() > MAX_FILES {
            return Err(io::Error::other(format!("more than {MAX_FILES} files")));
        }
        Ok(Self::Zip(Box::new(zip)))
    }

    /// All names, sorted.
    pub(super) fn names(&self) -> Vec<String> {
        match self {
            Self::Folder(_, names) => names.clone(),
            Self::Zip(zip) => {
                let mut names: Vec<String> = zip
                    .file_names()
                    .map(|name| name.map_or_else(|_| UNREADABLE.to_owned(), Cow::into_owned))
                    .collect();
                names.sort();
                names
            }
        }
    }

    /// Hands a file to a reader.
    pub(super) fn with<T>(
        &mut self,
        name: &str,
        read: impl FnOnce(&mut dyn Read) -> io::Result<T>,
    ) -> io::Result<T> {
        match self {
            Self::Folder(folder, names) => {
                // Only what the walk found: a name from a file must not lead out of the folder.
                if !names.iter().any(|n| n == name) {
                    return Err(io::ErrorKind::NotFound.into());
                }
                read(&mut File::open(folder.join(name))?)
            }
            Self::Zip(zip) => {
                let mut file = zip.by_name(name).map_err(|e| match e {
                    zip::result::ZipError::FileNotFound => io::ErrorKind::NotFound.into(),
                    other => io::Error::other(other.to_string()),
                })?;
                read(&mut file)
            }
        }
    }
}

fn walk(folder: &Path, prefix: &str, depth: usize, names: &mut Vec<String>) -> io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
        let kind = entry.file_type()?;
        if kind.is_dir() && depth < MAX_DEPTH {
            walk(&entry.path(), &format!("{name}/"), depth + 1, names)?;
        } else if kind.is_file() {
            names.push(name);
        } else {
            return Err(io::Error::other(format!("`{name}` is neither a file nor a folder of an export")));
        }
        if names.len() > MAX_FILES {
            return Err(io::Error::other(format!("more than {MAX_FILES} files")));
        }
    }
    Ok(())
}
