//! The hub: collection endpoint, store, ledger, scoring, and the ranked fleet.
//!
//! Deliberately absent: the agent. The hub trusts nothing an agent computed; it keeps what was measured and
//! computes its own.

pub mod clock;
pub mod commands;
pub mod database;
pub mod exit;
pub mod failure;
pub mod http;
pub mod ingest;
pub mod invite;
pub mod measure;
pub mod output;
pub mod store;
pub mod tls;
