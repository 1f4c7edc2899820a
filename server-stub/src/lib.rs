//! The hub: collection endpoint, store, ledger, scoring, and the ranked fleet.
//!
//! Deliberately absent: the agent. The hub trusts nothing an agent computed; it keeps what was measured and
//! computes its own.

pub mod access;
pub mod clock;
pub mod commands;
pub mod costs;
pub mod coverage;
pub mod database;
pub mod effects;
pub mod exit;
pub mod export;
pub mod facts;
pub mod failure;
pub mod fleet_table;
pub mod http;
pub mod import;
pub mod ingest;
pub mod input;
pub mod invite;
pub mod judgement;
pub mod learning;
pub mod ledger;
pub mod measure;
pub mod meters;
pub mod notices;
pub mod output;
pub mod pages;
pub mod rounds;
pub mod scope;
pub mod scoring;
pub mod showing;
pub mod sites;
pub mod store;
#[cfg(test)]
mod testing;
pub mod texts;
pub mod tls;
pub mod verify;
pub mod visits;
pub mod workers;
