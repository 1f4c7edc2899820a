//! Leaves of runs, and sets of leaves: a bit each, whatever the ledger holds.

use crate::store::{EpochMs, Leaf};

/// Leaves that one word of a set tells of.
const BITS: u64 = u64::BITS as u64;

/// A leaf of a record or an imported run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RunLeaf {
    /// Its place.
    pub leaf_idx: u64,
    /// When the run was received.
    pub at_ms: EpochMs,
    /// Whether it is an imported run's.
    pub is_imported: bool,
}

impl RunLeaf {
    /// Of a leaf; `None`: it stands for something else than a run.
    pub fn of(leaf: &Leaf) -> Option<Self> {
        let is_imported = leaf.kind == "imported_run";
        let is_of_run = is_imported || leaf.kind == "record";
        is_of_run.then_some(Self { leaf_idx: leaf.leaf_idx, at_ms: leaf.at_ms, is_imported })
    }

    /// Name of its kind.
    pub const fn kind(self) -> &'static str {
        if self.is_imported { "imported_run" } else { "record" }
    }
}

/// Some leaves of a ledger.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct LeafSet(Vec<u64>);

impl LeafSet {
    /// One more.
    pub fn insert(&mut self, leaf_idx: u64) {
        let (word, bit) = place(leaf_idx);
        if word >= self.0.len() {
            self.0.resize(word + 1, 0);
        }
        self.0[word] |= bit;
    }

    /// Whether it is among them.
    pub fn has(&self, leaf_idx: u64) -> bool {
        let (word, bit) = place(leaf_idx);
        self.0.get(word).is_some_and(|bits| bits & bit != 0)
    }

    /// The first of them that isn't among `others`.
    pub fn first_without(&self, others: &Self) -> Option<u64> {
        let others = others.0.iter().copied().chain(std::iter::repeat(0));
        let mut left = self.0.iter().zip(others).map(|(bits, of_others)| bits & !of_others).zip(0..);
        left.find(|(bits, _)| *bits != 0)
            .map(|(bits, word): (u64, u64)| word * BITS + u64::from(bits.trailing_zeros()))
    }
}

/// The word that tells of a leaf, and the bit in it. A ledger's leaves are counted from 0, and all are in memory once.
fn place(leaf_idx: u64) -> (usize, u64) {
    ((leaf_idx / BITS) as usize, 1 << (leaf_idx % BITS))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::LeafSet;

    proptest! {
        #[test]
        fn a_set_has_what_was_put_in(
            ours in prop::collection::btree_set(0_u64..400, 0..80),
            others in prop::collection::btree_set(0_u64..400, 0..80),
        ) {
            let [one, other] = [&ours, &others].map(|numbers: &BTreeSet<u64>| {
                let mut set = LeafSet::default();
                for number in numbers {
                    set.insert(*number);
                }
                set
            });
            prop_assert!((0..500).all(|number| one.has(number) == ours.contains(&number)));
            prop_assert_eq!(one.first_without(&other), ours.difference(&others).next().copied());
        }
    }
}
