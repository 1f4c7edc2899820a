//! Where an export goes: a folder or a zip, and the digests of what was written.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// Hex digits of a line's digest: 64 bits name an altered line; what proves a file is its whole digest.
pub const LINE_DIGITS: usize = 16;

/// How hard a zip is packed, 1 to 9: most of a large one are digests, which no level makes much smaller.
const COMPRESSION_LEVEL: i64 = 3;

/// A place for files.
enum Place {
    Folder(PathBuf),
    Zip(Box<ZipWriter<BufWriter<File>>>),
}

/// Writes files, and keeps the digest of each and of each of its lines.
pub struct Sink {
    place: Place,
    /// Where it is built.
    draft: PathBuf,
    /// Where it will stand once it is whole.
    target: PathBuf,
    sums: BTreeMap<String, String>,
}

impl std::fmt::Debug for Sink {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Sink").field("target", &self.target).finish_non_exhaustive()
    }
}

/// Whether the digests of a file's lines are written beside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lines {
    /// A text: an altered line can be named.
    Told,
    /// No text, or one whose lines prove themselves.
    Untold,
}

impl Sink {
    /// A zip where the name ends in `.zip`, else a folder. Neither may be there; it appears once it is whole.
    ///
    /// # Errors
    /// If something stands there, or the system fails.
    pub fn create(target: &Path) -> io::Result<Self> {
        if target.symlink_metadata().is_ok() {
            return Err(io::Error::new(io::ErrorKind::AlreadyExists, "there is something of that name"));
        }
        let mut draft = target.as_os_str().to_owned();
        draft.push(format!(".part-{}", std::process::id()));
        let draft = PathBuf::from(draft);
        let is_zip = target.extension().is_some_and(|e| e.eq_ignore_ascii_case("zip"));
        let place = if is_zip {
            Place::Zip(Box::new(ZipWriter::new(BufWriter::new(File::create_new(&draft)?))))
        } else {
            fs::create_dir(&draft)?;
            Place::Folder(draft.clone())
        };
        Ok(Self { place, draft, target: target.to_owned(), sums: BTreeMap::new() })
    }

    /// Writes a file, and the digests of its lines where they are to be told.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn file(
        &mut self,
        name: &str,
        lines: Lines,
        write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> io::Result<()> {
        let written = self.raw(name, write)?;
        self.sums.insert(name.to_owned(), written.digest);
        if lines == Lines::Told {
            let name = lines_name(name);
            let written = self.raw(&name, |out| out.write_all(written.line_digests.as_bytes()))?;
            self.sums.insert(name, written.digest);
        }
        Ok(())
    }

    /// Digests of all files so far, by name.
    pub fn sums(&self) -> &BTreeMap<String, String> {
        &self.sums
    }

    /// Writes a file that no sum covers.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn uncovered(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.raw(name, |out| out.write_all(bytes)).map(drop)
    }

    fn raw(
        &mut self,
        name: &str,
        write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> io::Result<Written> {
        match &mut self.place {
            Place::Folder(folder) => {
                let path = folder.join(name);
                if let Some(parent) = path.parent() {
                    fs::create_dir_all(parent)?;
                }
                let mut tee = Tee::new(BufWriter::new(File::create_new(path)?));
                write(&mut tee)?;
                tee.inner.flush()?;
                Ok(tee.finish())
            }
            Place::Zip(zip) => {
                // A fixed time and mode: the same content gives the same bytes.
                let options = SimpleFileOptions::default()
                    .compression_method(CompressionMethod::Deflated)
                    .compression_level(Some(COMPRESSION_LEVEL))
                    .last_modified_time(zip::DateTime::default())
                    .unix_permissions(0o644)
                    .large_file(true);
                zip.start_file(name, options).map_err(io::Error::other)?;
                let mut tee = Tee::new(BufWriter::new(zip));
                write(&mut tee)?;
                tee.inner.flush()?;
                Ok(tee.finish())
            }
        }
    }

    /// Puts it in its place, whole.
    ///
    /// # Errors
    /// If the system fails.
    pub fn finish(self) -> io::Result<()> {
        if let Place::Zip(zip) = self.place {
            let mut file = zip.finish().map_err(io::Error::other)?;
            file.flush()?;
            file.get_ref().sync_all()?;
        }
        fs::rename(&self.draft, &self.target)
    }

    /// Takes away what was begun.
    pub fn give_up(self) {
        let _ =
            if self.draft.is_dir() { fs::remove_dir_all(&self.draft) } else { fs::remove_file(&self.draft) };
    }
}

/// The file with the digests of a file's lines.
pub fn lines_name(name: &str) -> String {
    format!("lines/{}.txt", name.replace('/', "-"))
}

struct Written {
    digest: String,
    line_digests: String,
}

/// Hashes what passes, as a whole and line by line.
struct Tee<W> {
    inner: W,
    whole: Sha256,
    line: LineDigests,
}

impl<W: Write> Tee<W> {
    fn new(inner: W) -> Self {
        Self { inner, whole: Sha256::new(), line: LineDigests::default() }
    }

    fn finish(self) -> Written {
        Written { digest: hex::encode(self.whole.finalize()), line_digests: self.line.finish() }
    }
}

impl<W: Write> Write for Tee<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n = self.inner.write(bytes)?;
        self.whole.update(&bytes[..n]);
        self.line.update(&bytes[..n]);
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

/// Digests of lines, each with its line feed.
#[derive(Debug, Default)]
pub struct LineDigests {
    line: Sha256,
    is_begun: bool,
    text: String,
}

impl LineDigests {
    /// More of the text.
    pub fn update(&mut self, bytes: &[u8]) {
        for piece in bytes.split_inclusive(|b| *b == b'\n') {
            self.line.update(piece);
            self.is_begun = true;
            if piece.ends_with(b"\n") {
                self.end_line();
            }
        }
    }

    /// All lines' digests, one a line.
    pub fn finish(mut self) -> String {
        if self.is_begun {
            self.end_line();
        }
        self.text
    }

    fn end_line(&mut self) {
        let digest = hex::encode(self.line.finalize_reset());
        self.text.push_str(&digest[..LINE_DIGITS]);
        self.text.push('\n');
        self.is_begun = false;
    }
}
