//! The hub: collection endpoint, store, ledger, scoring, and the ranked fleet.
//!
//! Deliberately absent: the agent. The hub trusts nothing an agent computed; it keeps what was measured and computes its own.

pub mod store;
