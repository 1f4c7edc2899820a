//! A file system that begins at a root: the machine's own, or a captured tree.
//!
//! Links are followed by us, component by component, as if the root were `/`: a link that is absolute or climbs too
//! far stays inside. Only `tree` opens files.

use std::collections::VecDeque;
use std::ffi::OsString;
use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Component, Path, PathBuf};

use rustix::fs::OFlags;

/// Most links on one path, as the kernel itself has it (path_resolution(7)).
const MAX_LINKS: usize = 40;
/// Most components of one path.
const MAX_COMPONENTS: usize = 256;
/// Most entries of a folder that are looked at. A large laptop has some dozens of hwmon files, a server some hundred CPUs.
const MAX_ENTRIES: usize = 4096;
/// Most of a text that is read: the largest is /proc/cpuinfo, of which the first CPU is enough.
const MAX_TEXT_BYTES: u64 = 64 * 1024;

/// The tree below a root.
#[derive(Debug, Clone)]
pub(crate) struct Tree {
    root: PathBuf,
}

impl Tree {
    /// The tree below `root`; paths given to its methods are relative to it.
    pub(crate) fn new(root: &Path) -> Self {
        Self { root: root.to_owned() }
    }

    /// The real place of a path, every link followed within the root.
    pub(crate) fn resolve(&self, relative: &str) -> io::Result<PathBuf> {
        let mut todo: VecDeque<OsString> = VecDeque::new();
        push_front(&mut todo, Path::new(relative));
        let mut inside = PathBuf::new();
        let (mut n_links, mut n_components) = (0, 0);
        while let Some(next) = todo.pop_front() {
            n_components += 1;
            if n_components > MAX_COMPONENTS {
                return Err(io::Error::from_raw_os_error(rustix::io::Errno::NAMETOOLONG.raw_os_error()));
            }
            if next == ".." {
                inside.pop();
                continue;
            }
            let here = self.root.join(&inside).join(&next);
            if !here.symlink_metadata()?.is_symlink() {
                inside.push(&next);
                continue;
            }
            n_links += 1;
            if n_links > MAX_LINKS {
                return Err(io::Error::from_raw_os_error(rustix::io::Errno::LOOP.raw_os_error()));
            }
            let target = std::fs::read_link(&here)?;
            if target.is_absolute() {
                inside.clear();
            }
            push_front(&mut todo, &target);
        }
        Ok(self.root.join(inside))
    }

    /// Opens an ordinary file for reading. A pipe or device in a captured tree is refused, since it could block for ever.
    pub(crate) fn open(&self, relative: &str) -> io::Result<File> {
        let place = self.resolve(relative)?;
        let flags = (OFlags::NONBLOCK | OFlags::NOCTTY).bits().cast_signed();
        let file = OpenOptions::new().read(true).custom_flags(flags).open(place)?;
        if file.metadata()?.is_file() { Ok(file) } else { Err(ErrorKind::InvalidInput.into()) }
    }

    /// A file's text, trimmed: invalid UTF-8 replaced, at most 64 KiB.
    pub(crate) fn text(&self, relative: &str) -> io::Result<String> {
        let mut bytes = Vec::new();
        self.open(relative)?.take(MAX_TEXT_BYTES).read_to_end(&mut bytes)?;
        Ok(String::from_utf8_lossy(&bytes).trim_matches(|c: char| c.is_whitespace() || c == '\0').to_owned())
    }

    /// A file's text as a label: printable, at most 64 characters; `None` where there is nothing of it.
    pub(crate) fn label(&self, relative: &str) -> Option<String> {
        clean(&self.text(relative).ok()?)
    }

    /// A file's whole number.
    pub(crate) fn number(&self, relative: &str) -> Option<i64> {
        self.text(relative).ok()?.parse().ok()
    }

    /// Names in a folder, sorted so that numbers count (`cpu10` after `cpu2`). Empty where there is no such folder.
    pub(crate) fn names(&self, relative: &str) -> Vec<String> {
        let Ok(place) = self.resolve(relative) else { return Vec::new() };
        let Ok(entries) = std::fs::read_dir(place) else { return Vec::new() };
        let names = entries.take(MAX_ENTRIES).filter_map(|e| e.ok()?.file_name().into_string().ok());
        let mut names: Vec<String> = names.collect();
        names.sort_by_cached_key(|n| {
            (n.trim_end_matches(|c: char| c.is_ascii_digit()).to_owned(), n.len(), n.clone())
        });
        names
    }

    /// The last part of where a link leads, for example the device behind `device`.
    pub(crate) fn link_name(&self, relative: &str) -> Option<String> {
        Some(self.resolve(relative).ok()?.file_name()?.to_str()?.to_owned())
    }
}

/// Puts a path's components in front of what is still to be walked.
fn push_front(todo: &mut VecDeque<OsString>, path: &Path) {
    for component in path.components().rev() {
        match component {
            Component::Normal(name) => todo.push_front(name.to_owned()),
            Component::ParentDir => todo.push_front("..".into()),
            Component::CurDir | Component::RootDir | Component::Prefix(_) => {}
        }
    }
}

/// Longest label that is kept, characters.
const MAX_LABEL_CHARS: usize = 64;

/// A text from a driver or firmware, made fit to be shown and recorded: no control characters, single spaces.
pub(super) fn clean(text: &str) -> Option<String> {
    let printable = |c: char| if c.is_control() || c == '\u{FFFD}' { ' ' } else { c };
    let spaced: String = text.chars().take(4 * MAX_LABEL_CHARS).map(printable).collect();
    let single = spaced.split_whitespace().collect::<Vec<_>>().join(" ");
    let kept: String = single.chars().take(MAX_LABEL_CHARS).collect();
    (!kept.is_empty()).then_some(kept)
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    #[test]
    fn links_never_lead_out_of_the_tree() {
        let outside = tempfile::tempdir().unwrap();
        std::fs::write(outside.path().join("secret"), "outside").unwrap();
        let root = outside.path().join("root");
        std::fs::create_dir_all(root.join("sys/deep")).unwrap();
        std::fs::write(root.join("secret"), "inside").unwrap();
        symlink("/secret", root.join("sys/absolute")).unwrap();
        symlink("../../../../../secret", root.join("sys/deep/climbs")).unwrap();
        symlink("loop", root.join("sys/loop")).unwrap();
        let tree = Tree::new(&root);
        for path in ["sys/absolute", "sys/deep/climbs", "../../secret", "/secret"] {
            assert_eq!(tree.text(path).unwrap(), "inside", "{path}");
        }
        assert!(tree.text("sys/loop").is_err());
        assert!(tree.text("sys/deep").is_err(), "a folder is no file");
    }

    #[test]
    fn labels_are_made_printable() {
        assert_eq!(clean("a\u{1}b\n c").as_deref(), Some("a b c"));
        assert_eq!(clean("\u{0}\u{7f} "), None);
        assert_eq!(clean(&"x".repeat(500)).map(|l| l.len()), Some(64));
    }

    #[test]
    fn names_are_sorted_as_numbers() {
        let dir = tempfile::tempdir().unwrap();
        for name in ["cpu10", "cpu2", "cpu1", "cpufreq"] {
            std::fs::write(dir.path().join(name), "").unwrap();
        }
        assert_eq!(Tree::new(dir.path()).names(""), ["cpu1", "cpu2", "cpu10", "cpufreq"]);
    }
}
