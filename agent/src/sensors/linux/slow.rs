//! Drivers too slow for a sweep, read once a second on a thread of their own.
//!
//! The thread leaves each value on a board; a sweep takes it away, so that a value is given once. Dropping the reader
//! tells the thread to end; it isn't waited for, since a hung driver would hang us too.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::gauge::Gauge;
use super::tree::Tree;
use crate::clock::boot_s;

/// Pause between two rounds: some firmware stalls the whole machine while it answers.
const PAUSE: Duration = Duration::from_secs(1);

/// Where a slow gauge's value is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place(usize);

/// The slow gauges before and while they are read.
#[derive(Debug, Default)]
pub(super) struct SlowReader {
    waiting: Vec<Gauge>,
    board: Arc<Board>,
}

#[derive(Debug, Default)]
struct Board {
    cells: Mutex<Cells>,
    ending: Condvar,
}

#[derive(Debug, Default)]
struct Cells {
    values: Vec<Option<f64>>,
    wanted: Vec<bool>,
    end: bool,
}

impl SlowReader {
    /// Adds a gauge and the value that it showed when it was found.
    pub(super) fn add(&mut self, gauge: Gauge, first: Option<f64>) -> Place {
        let mut cells = self.board.lock();
        cells.values.push(first);
        cells.wanted.push(true);
        self.waiting.push(gauge);
        Place(cells.values.len() - 1)
    }

    /// Begins to read; nothing to do where there is nothing slow.
    pub(super) fn start(&mut self, tree: &Tree) {
        if self.waiting.is_empty() {
            return;
        }
        let (board, tree, gauges) =
            (Arc::clone(&self.board), tree.clone(), std::mem::take(&mut self.waiting));
        let reader = move || board.read_until_told_to_end(&tree, gauges);
        // Without a thread the slow channels stay empty; the check goes on with what it has.
        let _ = std::thread::Builder::new().name("slow-sensors".to_owned()).spawn(reader);
    }

    /// Takes the value that was read since the last time, where there is one.
    pub(super) fn take(&self, place: Place) -> Option<f64> {
        self.board.lock().values[place.0].take()
    }

    /// Whether a gauge is worth the cost of reading it.
    pub(super) fn want(&self, place: Place, wanted: bool) {
        self.board.lock().wanted[place.0] = wanted;
    }
}

impl Drop for SlowReader {
    fn drop(&mut self) {
        self.board.lock().end = true;
        self.board.ending.notify_all();
    }
}

impl Board {
    fn lock(&self) -> MutexGuard<'_, Cells> {
        self.cells.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn read_until_told_to_end(&self, tree: &Tree, mut gauges: Vec<Gauge>) {
        loop {
            // The first round's values were read when the gauges were found.
            let cells = self.lock();
            let waited = self.ending.wait_timeout_while(cells, PAUSE, |c| !c.end);
            let end = waited.unwrap_or_else(PoisonError::into_inner).0.end;
            if end {
                return;
            }
            self.round(tree, &mut gauges);
        }
    }

    fn round(&self, tree: &Tree, gauges: &mut [Gauge]) {
        for (idx, gauge) in gauges.iter_mut().enumerate() {
            let wanted = { self.lock() };
            let skip = wanted.end || !wanted.wanted[idx];
            drop(wanted);
            if skip {
                continue;
            }
            let value = gauge.read(tree, boot_s());
            self.lock().values[idx] = value;
        }
    }
}

#[cfg(test)]
mod tests {
    use windrow_model::channel::Channel;

    use super::super::attribute::Attribute;
    use super::*;

    fn board_threads() -> usize {
        let tasks = std::fs::read_dir("/proc/self/task").unwrap();
        let name =
            |e: std::io::Result<std::fs::DirEntry>| std::fs::read_to_string(e.ok()?.path().join("comm")).ok();
        tasks.filter_map(name).filter(|n| n.trim() == "slow-sensors").count()
    }

    #[test]
    fn a_value_is_given_once_and_the_thread_lets_go_when_dropped() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("t"), "45000").unwrap();
        let tree = Tree::new(dir.path());
        let attribute = Attribute::fixed(&tree, "t").unwrap();
        let gauge = Gauge::new(Channel::SsdTempC, "x".to_owned(), attribute, 1000.0, 0.0);
        let mut reader = SlowReader::default();
        let place = reader.add(gauge, Some(44.0));
        reader.start(&tree);
        assert_eq!(reader.take(place), Some(44.0));
        let mut given = Vec::new();
        while given.is_empty() {
            given.extend(reader.take(place));
            std::thread::sleep(Duration::from_millis(20));
        }
        assert_eq!(given, [45.0]);
        assert_eq!(reader.take(place), None, "taken a moment ago");
        let board = Arc::downgrade(&reader.board);
        assert!(board_threads() >= 1);
        drop(reader);
        // Only the thread can hold the board now: it is gone when the thread is.
        while board.upgrade().is_some() {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}
