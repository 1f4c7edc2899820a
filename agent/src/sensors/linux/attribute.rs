//! One kernel file, kept open: one short direct read into a small buffer, for as long as the device lives.

use std::fs::File;
use std::io;
use std::os::fd::{AsFd, BorrowedFd};

use rustix::io::Errno;

use super::tree::Tree;

/// Buffer for a number: 20 digits, sign, line feed, and blanks that some drivers put around it.
const NUMBER_BYTES: usize = 64;
/// Buffer for one value. The longest is the first line of /proc/stat: ten counters of at most 20 digits.
const VALUE_BYTES: usize = 256;
/// After a device went away it is looked for again this often, s.
const LOOK_AGAIN_S: f64 = 1.0;

/// Where a file is found again after its device came back under another number.
pub(super) trait Find: Send {
    /// Its path now, relative to the tree's root; `None` where it is gone.
    fn path(&self, tree: &Tree) -> Option<String>;
}

/// A file that doesn't move.
impl Find for String {
    fn path(&self, _: &Tree) -> Option<String> {
        Some(self.clone())
    }
}

/// A kernel file that holds one value.
pub(super) struct Attribute {
    find: Box<dyn Find>,
    file: Option<File>,
    looked_at_s: f64,
    /// What [`Self::fetch`] read, until it is taken.
    fetched: Fetched,
}

#[derive(Clone, Copy)]
struct Fetched {
    bytes: [u8; NUMBER_BYTES],
    /// 0: nothing.
    n: usize,
}

impl Fetched {
    const NOTHING: Self = Self { bytes: [0; NUMBER_BYTES], n: 0 };
}

impl std::fmt::Debug for Attribute {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Attribute").field("file", &self.file).finish_non_exhaustive()
    }
}

impl Attribute {
    /// Opens the file at `path`, which never moves.
    pub(super) fn fixed(tree: &Tree, path: &str) -> io::Result<Self> {
        Self::open(tree, path, path.to_owned())
    }

    /// Opens the file at `path`, and looks for it by `find` when its device went away.
    pub(super) fn open(tree: &Tree, path: &str, find: impl Find + 'static) -> io::Result<Self> {
        let file = tree.open(path)?;
        Ok(Self {
            find: Box::new(find),
            file: Some(file),
            looked_at_s: f64::NEG_INFINITY,
            fetched: Fetched::NOTHING,
        })
    }

    /// Its whole number now. `None`: no reading now, for whatever reason.
    pub(super) fn number(&mut self, tree: &Tree, now_s: f64) -> Option<i64> {
        let n = std::mem::take(&mut self.fetched.n);
        if n > 0 {
            return short_number(&self.fetched.bytes[..n]);
        }
        self.read::<NUMBER_BYTES, _>(tree, now_s, short_number)
    }

    /// Reads ahead for the next [`Self::number`]. Many reads on end are faster than the same with other work between
    /// them: the processor predicts the kernel's way better. A read that fails here is made again there.
    pub(super) fn fetch(&mut self) {
        let read = self.file.as_ref().map(|file| read_at_start(file, &mut self.fetched.bytes));
        self.fetched.n = match read {
            Some(Ok(n)) => n,
            _ => 0,
        };
    }

    /// Its open file, where it has one now.
    pub(super) fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        self.file.as_ref().map(AsFd::as_fd)
    }

    /// Reads it once and hands its bytes to `parse`.
    pub(super) fn with_value<T>(
        &mut self,
        tree: &Tree,
        now_s: f64,
        parse: impl FnOnce(&[u8]) -> Option<T>,
    ) -> Option<T> {
        self.read::<VALUE_BYTES, T>(tree, now_s, parse)
    }

    /// A failed read is repeated once: one bad read is not a lost sensor.
    fn read<const N: usize, T>(
        &mut self,
        tree: &Tree,
        now_s: f64,
        parse: impl FnOnce(&[u8]) -> Option<T>,
    ) -> Option<T> {
        let mut buffer = [0_u8; N];
        self.look_again(tree, now_s);
        let file = self.file.as_ref()?;
        let read = read_at_start(file, &mut buffer).or_else(|_| read_at_start(file, &mut buffer));
        match read {
            Ok(n) => parse(&buffer[..n]),
            Err(Errno::NODEV | Errno::NOENT | Errno::BADF) => {
                self.file = None;
                None
            }
            // EAGAIN, EIO, ENXIO, ENODATA, EINVAL: the driver has no value now.
            Err(_) => None,
        }
    }

    /// As if its device had just gone away.
    #[cfg(test)]
    pub(super) fn forget(&mut self) {
        self.file = None;
    }

    fn look_again(&mut self, tree: &Tree, now_s: f64) {
        let not_yet = (now_s - self.looked_at_s).abs() < LOOK_AGAIN_S;
        if self.file.is_some() || not_yet {
            return;
        }
        self.looked_at_s = now_s;
        self.file = self.find.path(tree).and_then(|path| tree.open(&path).ok());
    }
}

/// A text that fills the buffer may go on: its beginning is not its number.
fn short_number(bytes: &[u8]) -> Option<i64> {
    if bytes.len() < NUMBER_BYTES { whole_number(bytes) } else { None }
}

/// A whole number in decimal, with blanks around it. Byte by byte: a sweep has one for each of its files.
fn whole_number(bytes: &[u8]) -> Option<i64> {
    let (digits, sign) = match bytes.trim_ascii() {
        [b'-', digits @ ..] => (digits, -1),
        [b'+', digits @ ..] | digits => (digits, 1),
    };
    if digits.is_empty() {
        return None;
    }
    // With the sign from the first digit on, since the least number has no positive twin.
    digits.iter().try_fold(0_i64, |number, byte| {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 { None } else { number.checked_mul(10)?.checked_add(sign * i64::from(digit)) }
    })
}

fn read_at_start(file: &File, buffer: &mut [u8]) -> Result<usize, Errno> {
    rustix::io::pread(file, buffer, 0)
}

/// When a driver's value is new. A driver that keeps its readings gives the same one again until it has read the
/// hardware again; such a repetition is not a reading.
#[derive(Debug, Clone, Copy)]
pub(super) struct Freshness {
    /// How long the driver keeps a reading, s. 0: not at all.
    keeps_s: f64,
    last: Option<(f64, i64)>,
}

/// The driver counts in ticks of at most 10 ms, and may take its reading a tick later than we think, s.
const TICK_S: f64 = 0.02;

impl Freshness {
    pub(super) const fn new(keeps_s: f64) -> Self {
        Self { keeps_s, last: None }
    }

    /// Whether `value`, read at `now_s`, is a reading of its own: another value surely is; the same one is, once the
    /// driver must have read again.
    pub(super) fn is_new(&mut self, now_s: f64, value: i64) -> bool {
        let repeats = self
            .last
            .is_some_and(|(at_s, v)| v == value && (0.0..self.keeps_s + TICK_S).contains(&(now_s - at_s)));
        let is_new = self.keeps_s <= 0.0 || !repeats;
        if is_new {
            self.last = Some((now_s, value));
        }
        is_new
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_number_is_whole_and_alone() {
        for (text, number) in [
            ("45000\n", Some(45_000)),
            (" -1250 \n", Some(-1250)),
            ("+7", Some(7)),
            ("000000000040000\n", Some(40_000)),
            ("9223372036854775807", Some(i64::MAX)),
            ("-9223372036854775808", Some(i64::MIN)),
            ("9223372036854775808", None),
            ("", None),
            ("-", None),
            ("+-1", None),
            ("1.5", None),
            ("1 2", None),
            ("0x10", None),
            ("N/A", None),
        ] {
            assert_eq!(whole_number(text.as_bytes()), number, "{text:?}");
        }
    }

    proptest! {
        /// The standard library's own parser is the reference.
        #[test]
        fn numbers_are_read_as_the_standard_library_reads_them(text in "[ \n]?[-+]?[0-9a]{0,21}[ \n]?") {
            prop_assert_eq!(whole_number(text.as_bytes()), text.trim().parse().ok());
        }
    }

    #[test]
    fn a_kept_reading_is_not_given_twice() {
        let mut fresh = Freshness::new(1.0);
        let reads =
            [(0.0, 40), (0.25, 40), (0.5, 40), (0.75, 41), (1.0, 41), (1.5, 41), (1.8, 41), (2.0, 41)];
        let new: Vec<bool> = reads.iter().map(|&(t, v)| fresh.is_new(t, v)).collect();
        assert_eq!(new, [true, false, false, true, false, false, true, false]);
    }

    #[test]
    fn a_driver_that_keeps_nothing_is_always_new() {
        let mut fresh = Freshness::new(0.0);
        assert!((0..5).all(|i| fresh.is_new(f64::from(i) * 0.25, 40)));
    }

    #[test]
    fn a_clock_that_steps_back_blocks_nothing() {
        let mut fresh = Freshness::new(1.0);
        assert!(fresh.is_new(100.0, 40));
        assert!(fresh.is_new(5.0, 40));
    }

    #[test]
    fn a_value_that_is_no_number_is_no_reading() {
        let dir = tempfile::tempdir().unwrap();
        let tree = Tree::new(dir.path());
        for (text, expected) in [
            ("42\n", Some(42)),
            ("-1", Some(-1)),
            ("", None),
            ("n/a", None),
            ("9".repeat(300).as_str(), None),
        ] {
            std::fs::write(dir.path().join("v"), text).unwrap();
            let mut a = Attribute::fixed(&tree, "v").unwrap();
            assert_eq!(a.number(&tree, 0.0), expected, "{text:?}");
        }
    }
}
