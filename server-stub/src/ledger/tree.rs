//! The Merkle tree of RFC 9162 section 2.1 (as in RFC 6962): hashes, what a proof is made of, and how one is checked.
//!
//! A proof is told in two steps, so that nobody needs the whole tree: [`inclusion_spans`] and [`consistency_spans`]
//! say over which leaves a hash is due, [`subtrees`] divides each into complete subtrees, whose hashes a store keeps.
//! [`span_hash`] joins them again.

use std::ops::Range;

use windrow_model::record::Digest;

/// First byte of what is hashed for a leaf.
const LEAF: u8 = 0x00;
/// First byte of what is hashed for a node.
const NODE: u8 = 0x01;

/// Hash of a leaf of this input.
pub fn leaf_hash(input: &[u8]) -> Digest {
    Digest::of_parts(&[&[LEAF], input])
}

/// Hash of a node over its two children.
pub fn node_hash(left: Digest, right: Digest) -> Digest {
    Digest::of_parts(&[&[NODE], &left.0, &right.0])
}

/// Root of the tree without leaves: SHA-256 of nothing.
pub fn empty_root() -> Digest {
    Digest::of(b"")
}

/// The leaves `idx · 2^level` to `(idx + 1) · 2^level`, the last one left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Subtree {
    /// It has 2^level leaves.
    pub level: u32,
    /// Its place among those of its level.
    pub idx: u64,
}

impl Subtree {
    /// Its leaves.
    pub fn leaves(self) -> Range<u64> {
        self.idx << self.level..(self.idx + 1) << self.level
    }
}

/// The complete subtrees that make up a span, from left to right, each smaller than the one before. The span begins
/// where a subtree of its size could: as all spans of the two functions below do.
pub fn subtrees(span: &Range<u64>) -> Vec<Subtree> {
    let mut found = Vec::new();
    let mut start = span.start;
    while start < span.end {
        let level = (span.end - start).ilog2();
        found.push(Subtree { level, idx: start >> level });
        start += 1 << level;
    }
    found
}

/// Hash over a span from the hashes of its [`subtrees`].
pub fn span_hash(hashes: &[Digest]) -> Digest {
    let joined = hashes.iter().rev().copied().reduce(|right, left| node_hash(left, right));
    joined.unwrap_or_else(empty_root)
}

/// Over which leaves the hashes of an inclusion proof are, in the proof's order (RFC 9162 section 2.1.3.1).
/// `None`: no such leaf in a tree of this size.
pub fn inclusion_spans(leaf_idx: u64, tree_size: u64) -> Option<Vec<Range<u64>>> {
    if leaf_idx >= tree_size {
        return None;
    }
    let mut spans = Vec::new();
    let mut span = 0..tree_size;
    while span.end - span.start > 1 {
        let middle = span.start + split(span.end - span.start);
        if leaf_idx < middle {
            spans.push(middle..span.end);
            span.end = middle;
        } else {
            spans.push(span.start..middle);
            span.start = middle;
        }
    }
    spans.reverse();
    Some(spans)
}

/// Over which leaves the hashes of a consistency proof are, in the proof's order (RFC 9162 section 2.1.4.1). Empty for
/// equal sizes and for an old size of 0. `None`: the old size is the larger one.
pub fn consistency_spans(old_size: u64, new_size: u64) -> Option<Vec<Range<u64>>> {
    if old_size > new_size {
        return None;
    }
    let mut spans = Vec::new();
    let mut span = 0..new_size;
    // Whether what is left of the old tree is a whole tree that the checker knows as its root.
    let mut is_old_root = true;
    while old_size > 0 && old_size != span.end {
        let middle = span.start + split(span.end - span.start);
        if old_size <= middle {
            spans.push(middle..span.end);
            span.end = middle;
        } else {
            spans.push(span.start..middle);
            span.start = middle;
            is_old_root = false;
        }
    }
    if old_size > 0 && !is_old_root {
        spans.push(span);
    }
    spans.reverse();
    Some(spans)
}

/// The largest power of two below `n`, which is at least 2.
fn split(n: u64) -> u64 {
    1 << (n - 1).ilog2()
}

/// Whether a path proves that the tree of this size and root has this leaf (RFC 9162 section 2.1.3.2).
pub fn is_included(leaf: Digest, leaf_idx: u64, tree_size: u64, path: &[Digest], root: Digest) -> bool {
    if leaf_idx >= tree_size {
        return false;
    }
    let (mut at, mut last) = (leaf_idx, tree_size - 1);
    let mut hash = leaf;
    for &beside in path {
        if last == 0 {
            return false;
        }
        if at & 1 == 1 || at == last {
            hash = node_hash(beside, hash);
            skip_levels_without_sibling(&mut at, &mut last);
        } else {
            hash = node_hash(hash, beside);
        }
        (at, last) = (at >> 1, last >> 1);
    }
    last == 0 && hash == root
}

/// Whether a path proves that the new tree begins with the whole old one (RFC 9162 section 2.1.4.2).
pub fn is_consistent(old: (u64, Digest), new: (u64, Digest), path: &[Digest]) -> bool {
    let ((old_size, old_root), (new_size, new_root)) = (old, new);
    if old_size == new_size {
        return path.is_empty() && old_root == new_root;
    }
    if old_size == 0 {
        return path.is_empty() && old_root == empty_root();
    }
    // Where the old tree is a complete one, its root stands for the path's first hash.
    let known = old_size.is_power_of_two().then_some(old_root);
    let mut path = known.into_iter().chain(path.iter().copied());
    let Some(first) = path.next() else { return false };
    if old_size > new_size {
        return false;
    }
    let shift = (old_size - 1).trailing_ones();
    let (mut at, mut last) = ((old_size - 1) >> shift, (new_size - 1) >> shift);
    let (mut old_hash, mut new_hash) = (first, first);
    for beside in path {
        if last == 0 {
            return false;
        }
        if at & 1 == 1 || at == last {
            (old_hash, new_hash) = (node_hash(beside, old_hash), node_hash(beside, new_hash));
            skip_levels_without_sibling(&mut at, &mut last);
        } else {
            new_hash = node_hash(new_hash, beside);
        }
        (at, last) = (at >> 1, last >> 1);
    }
    last == 0 && old_hash == old_root && new_hash == new_root
}

/// The last node of an incomplete level goes up unchanged until it has a sibling on its left.
fn skip_levels_without_sibling(at: &mut u64, last: &mut u64) {
    if *at != 0 {
        let shift = at.trailing_zeros();
        (*at, *last) = (*at >> shift, *last >> shift);
    }
}

/// A tree that grows leaf by leaf and keeps nothing but what its root needs: one hash a level.
#[derive(Debug, Clone, Default)]
pub struct Growing {
    size: u64,
    /// Of the complete subtrees, the largest first.
    hashes: Vec<Digest>,
}

impl Growing {
    /// One more leaf.
    pub fn push(&mut self, leaf: Digest) {
        let mut hash = leaf;
        for _ in 0..self.size.trailing_ones() {
            let left = self.hashes.pop().unwrap_or(hash);
            hash = node_hash(left, hash);
        }
        self.hashes.push(hash);
        self.size += 1;
    }

    /// Number of leaves.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The root now.
    pub fn root(&self) -> Digest {
        span_hash(&self.hashes)
    }
}

/// A whole tree in memory, 64 bytes a leaf, for many proofs in one go.
#[derive(Debug, Clone)]
pub struct Whole {
    /// Hashes of complete subtrees by level, leaves first.
    levels: Vec<Vec<Digest>>,
}

impl Whole {
    /// Over these leaf hashes.
    pub fn new(leaves: Vec<Digest>) -> Self {
        let mut levels = vec![leaves];
        while let Some(below) = levels.last().filter(|level| level.len() > 1) {
            let above =
                below.as_chunks::<2>().0.iter().map(|&[left, right]| node_hash(left, right)).collect();
            levels.push(above);
        }
        Self { levels }
    }

    /// Number of leaves.
    pub fn size(&self) -> u64 {
        self.levels[0].len() as u64
    }

    /// Hash of a leaf.
    pub fn leaf(&self, leaf_idx: u64) -> Option<Digest> {
        self.levels[0].get(usize::try_from(leaf_idx).ok()?).copied()
    }

    /// Hash of a complete subtree; `None`: there is none.
    pub fn subtree(&self, subtree: Subtree) -> Option<Digest> {
        self.levels.get(subtree.level as usize)?.get(usize::try_from(subtree.idx).ok()?).copied()
    }

    /// How many complete subtrees there are of each level, leaves first.
    pub fn n_subtrees(&self) -> impl Iterator<Item = (u32, u64)> + '_ {
        self.levels.iter().zip(0..).map(|(level, no)| (no, level.len() as u64))
    }

    /// Root of the tree of the first so many leaves. `None`: there aren't as many.
    pub fn root(&self, tree_size: u64) -> Option<Digest> {
        (tree_size <= self.size()).then(|| self.hash(&(0..tree_size)))
    }

    /// An inclusion proof in the whole tree.
    pub fn inclusion(&self, leaf_idx: u64) -> Option<Vec<Digest>> {
        Some(inclusion_spans(leaf_idx, self.size())?.iter().map(|span| self.hash(span)).collect())
    }

    /// A consistency proof from an older size to the whole.
    pub fn consistency(&self, old_size: u64) -> Option<Vec<Digest>> {
        Some(consistency_spans(old_size, self.size())?.iter().map(|span| self.hash(span)).collect())
    }

    fn hash(&self, span: &Range<u64>) -> Digest {
        let of = |subtree: Subtree| self.levels[subtree.level as usize][subtree.idx as usize];
        span_hash(&subtrees(span).into_iter().map(of).collect::<Vec<_>>())
    }
}
