//! The ledger: a Merkle tree over all that came in and all that was changed, so that nobody, the hub's own
//! administrator included, can alter the past unseen by one who kept an older head.
//!
//! Pure: leaves, tree and signed head are data in, data out; the leaves themselves are in the store, the head's key
//! in a file. docs/ledger.md has every byte for the writer of another program.

pub mod head;
pub mod key_file;
pub mod leaf;
pub mod signing;
pub mod tree;
#[cfg(test)]
mod tree_tests;
