//! Posting: from the spool to the hub, again and again until it is acknowledged, and never twice with two outcomes.

mod answer;
pub mod enrol;
mod http;
mod patience;
mod records;

pub use answer::{Answer, Problem, Verdict};
pub use http::{Http, TransportError, certificates};
pub use patience::{Patience, RealWait, Wait};
pub use records::{SendReport, Told, ask, send_all};

/// Speaks to a hub: the real one, or a test's own.
pub trait Transport {
    /// Posts a body to an endpoint such as `v1/records`.
    ///
    /// # Errors
    /// When there was no answer at all.
    fn post(&mut self, endpoint: &str, body: &[u8]) -> Result<Answer, TransportError>;
}
