//! What the whole-system tests share: the two programs as real processes, in folders of their own.

pub(crate) mod agent;
pub(crate) mod binaries;
pub(crate) mod certificates;
pub(crate) mod hub;
pub(crate) mod laptop;
pub(crate) mod raw_http;
pub(crate) mod receiver;

use std::time::{Duration, Instant};

/// Longest wait for anything that a process should do soon: a bound against hanging for ever, not a measurement.
pub(crate) const PATIENCE: Duration = Duration::from_mins(1);

/// Waits until `ready` gives something.
#[track_caller]
pub(crate) fn wait_for<T>(what: &str, mut ready: impl FnMut() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(found) = ready() {
            return found;
        }
        assert!(began.elapsed() < PATIENCE, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}
