//! The record: wire types, strict parsing, canonical form, digest, signature, chain and enrolment.
//!
//! | to do | call |
//! |---|---|
//! | make a document | [`SigningIdentity::sign_record`] |
//! | read a posted document | [`ReceivedRecord::parse`], then [`ReceivedRecord::verify`] |
//! | read a stored one, perhaps thinned | [`ReceivedRecord::parse_thinned`] |
//! | place it in its device's chain | [`chain::link_of`] |
//! | enrol | [`SigningIdentity::enrolment_request`], [`enrol::EnrolmentRequest::parse_and_verify`] |
//! | ask for something | [`SigningIdentity::sign_request`], [`request::RequestProof`] |
//! | hash it into the ledger | [`ledger_leaf`] |
//!
//! Digests are taken from the document as received, never from a struct that was serialised again: a field that
//! this version reads but rounds, or one inside `ext` that it doesn't know, still counts. docs/record.md says the
//! same to the writer of another program.
pub mod canonical;
pub mod chain;
mod check;
mod digest;
#[cfg(test)]
mod docs;
pub mod enrol;
#[cfg(test)]
mod fixture;
mod json;
pub mod limits;
mod parse;
#[cfg(test)]
mod published;
mod refusal;
pub mod request;
mod schema;
mod sign;
#[cfg(test)]
mod tests;
pub mod wire;

pub use digest::{Digest, LEAF_PREFIX, ledger_leaf, ledger_leaf_input};
pub use parse::{ReceivedRecord, VerifiedRecord};
pub use refusal::{Refusal, RefusalCode};
pub use schema::json_schema;
pub use sign::{PublicKey, SIGNATURE_PREFIX, SignedRecord, SigningIdentity};

pub(crate) use check::{check_trace, column_path};
