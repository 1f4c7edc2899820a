//! Whether the spool will take the record, asked before any load: a check that cannot be kept is not begun.

use std::io::Write;

use super::{RECORDS_MAX, Spool};
use crate::failure::Failure;

/// Room asked for. A standard check with all channels is about 0.2 MB; twice the longest one and a reserve.
pub const ROOM_BYTES: usize = 1024 * 1024;

/// Writes a file of that size for real (a free-space figure knows nothing of quotas, read-only mounts and reserved
/// blocks), flushes it and removes it.
///
/// # Errors
/// A folder that doesn't take it, or as many waiting records as there may be.
pub fn check_room(spool: &Spool) -> Result<(), Failure> {
    let n_waiting = spool.waiting()?.len();
    if n_waiting >= RECORDS_MAX {
        return Err(Failure::new(format!("{n_waiting} records wait already, and there may be no more"))
            .remedy("run `windrow send`, or `windrow join` first; or move old records out of the spool"));
    }
    let folder = spool.state.spool();
    let written = || -> std::io::Result<()> {
        let mut file = tempfile::Builder::new().prefix(".room-").tempfile_in(&folder)?;
        // Not zeros: a file system that compresses would take those for nothing.
        let block: Vec<u8> = (0..4096_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        for _ in 0..ROOM_BYTES / block.len() {
            file.write_all(&block)?;
        }
        file.as_file().sync_all()
    };
    written().map_err(|e| {
        Failure::at("write a test file of 1 MiB to", &folder, e)
            .remedy("free some space or make the folder writable, or name another with `--state-dir FOLDER`; no load was started")
    })
}
