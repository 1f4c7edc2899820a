//! Wall time, as an argument: a test brings its own.

use std::fmt;
use std::sync::Arc;

use chrono::{DateTime, Utc};

/// Tells the time.
#[derive(Clone)]
pub struct WallClock(Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>);

impl WallClock {
    /// The machine's clock.
    pub fn system() -> Self {
        Self(Arc::new(Utc::now))
    }

    /// A clock of the caller's.
    pub fn new(now: impl Fn() -> DateTime<Utc> + Send + Sync + 'static) -> Self {
        Self(Arc::new(now))
    }

    /// Now.
    pub fn now(&self) -> DateTime<Utc> {
        (self.0)()
    }

    /// Now, in milliseconds since the Unix epoch.
    pub fn now_ms(&self) -> i64 {
        self.now().timestamp_millis()
    }
}

impl fmt::Debug for WallClock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "WallClock({})", self.now())
    }
}
