//! Notices: whoever the administrator listed is told over HTTPS when a laptop's band changes.
//!
//! What a receiver may rely on, and how that is kept:
//!
//! - *Nothing is lost and nothing made twice.* The store knows which band each receiver was told of each laptop. A notice
//!   and the bands that it tells are written in one transaction ([`teller`]); it leaves the store once the receiver has
//!   taken it ([`delivery`]). A crash in between repeats a post, with the same id and body.
//! - *Nobody is flooded.* A new receiver begins with the fleet as it stands, in silence. Changes of one judgement go
//!   together, at most [`MAX_CHANGES`] in a post. Where [`MAX_WAITING`] notices wait, no more are made: what changes
//!   meanwhile is told, once, when there is room, since it is always compared with what was told last.
//! - *A dead receiver holds nobody up.* Each has its own state, its own queue and its own task.
//!
//! The other way, a log of changes with a cursor for each receiver, would have to keep the log for the slowest of them.

pub mod delivery;
pub mod document;
pub mod list;
pub mod patience;
pub mod post;
pub mod secret;
pub mod teller;
#[cfg(test)]
mod tests;

/// Most notices that wait for one receiver: with [`MAX_CHANGES`] in each, every laptop of a fleet of 100,000 may change
/// its band at once, and there is still room.
pub const MAX_WAITING: u64 = 256;
/// Most changes in one post: some 0.3 MB.
pub const MAX_CHANGES: usize = 500;
