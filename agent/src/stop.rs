//! A person's or the system's wish that the command ends now.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, AtomicU32, Ordering};

/// Why it should end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StopReason {
    /// The user's key, or the interrupt signal.
    Interrupt,
    /// The terminate signal.
    Terminate,
}

impl StopReason {
    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Interrupt => "you stopped it",
            Self::Terminate => "the system asked the program to end",
        }
    }
}

/// Raised once, by a signal handler or a button; check and post look at it many times a second.
#[derive(Debug, Clone, Default)]
pub struct StopFlag(Arc<Raised>);

#[derive(Debug, Default)]
struct Raised {
    reason: AtomicU8,
    times: AtomicU32,
}

const NONE: u8 = 0;
const INTERRUPT: u8 = 1;
const TERMINATE: u8 = 2;

impl StopFlag {
    /// A flag that isn't raised.
    pub fn new() -> Self {
        Self::default()
    }

    /// Raises it; the first reason stays. Safe in a signal handler: atomic operations only.
    pub fn raise(&self, reason: StopReason) {
        let code = match reason {
            StopReason::Interrupt => INTERRUPT,
            StopReason::Terminate => TERMINATE,
        };
        self.0.times.fetch_add(1, Ordering::SeqCst);
        let _ = self.0.reason.compare_exchange(NONE, code, Ordering::SeqCst, Ordering::SeqCst);
    }

    /// Why it was raised, if it was.
    pub fn raised(&self) -> Option<StopReason> {
        match self.0.reason.load(Ordering::SeqCst) {
            INTERRUPT => Some(StopReason::Interrupt),
            TERMINATE => Some(StopReason::Terminate),
            _ => None,
        }
    }

    /// How often it was raised: what comes after the check ends on the next time.
    pub fn times(&self) -> u32 {
        self.0.times.load(Ordering::SeqCst)
    }
}
