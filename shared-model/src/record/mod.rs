//! The record: wire types, canonical form, digest, signature and chain.
pub mod wire;
