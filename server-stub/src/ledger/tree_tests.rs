//! The tree against published vectors, against another implementation, and against itself.

use ct_merkle::mem_backed_tree::MemoryBackedTree;
use proptest::prelude::*;
use serde::Deserialize;
use sha2::Sha256;
use windrow_model::record::Digest;

use super::tree::{
    self, Growing, Whole, consistency_spans, inclusion_spans, is_consistent, is_included, span_hash, subtrees,
};

/// The 8-leaf sample of Certificate Transparency implementations. Source: shared-model/testdata/crypto/SOURCE.md.
#[derive(Deserialize)]
struct Published {
    leaves_hex: Vec<String>,
    roots_by_size: Vec<String>,
    inclusion: Vec<Inclusion>,
    consistency: Vec<Consistency>,
}

#[derive(Deserialize)]
struct Inclusion {
    leaf_index: u64,
    tree_size: u64,
    leaf_hash: String,
    root: String,
    proof: Vec<String>,
}

#[derive(Deserialize)]
struct Consistency {
    size1: u64,
    size2: u64,
    root1: String,
    root2: String,
    proof: Vec<String>,
}

fn digest(hex: &str) -> Digest {
    Digest::from_hex(hex, "published").unwrap()
}

fn digests(hex: &[String]) -> Vec<Digest> {
    hex.iter().map(|h| digest(h)).collect()
}

fn published() -> (Published, Vec<Digest>) {
    let json = include_str!("../../../shared-model/testdata/crypto/merkle_rfc6962.json");
    let published: Published = serde_json::from_str(json).unwrap();
    let leaves = published.leaves_hex.iter().map(|h| tree::leaf_hash(&hex::decode(h).unwrap())).collect();
    (published, leaves)
}

#[test]
fn published_roots() {
    let (published, leaves) = published();
    let mut growing = Growing::default();
    assert_eq!(growing.root().to_hex(), published.roots_by_size[0]);
    for (idx, leaf) in leaves.iter().enumerate() {
        growing.push(*leaf);
        assert_eq!(growing.root().to_hex(), published.roots_by_size[idx + 1]);
        let whole = Whole::new(leaves[..=idx].to_vec());
        assert_eq!(whole.root(growing.size()), Some(growing.root()));
    }
}

#[test]
fn published_inclusion_proofs() {
    let (published, leaves) = published();
    assert_eq!(published.inclusion.len(), 36, "every leaf of every size");
    for case in &published.inclusion {
        let whole = Whole::new(leaves[..case.tree_size as usize].to_vec());
        assert_eq!(whole.inclusion(case.leaf_index).unwrap(), digests(&case.proof));
        let (leaf, root, path) = (digest(&case.leaf_hash), digest(&case.root), digests(&case.proof));
        assert!(is_included(leaf, case.leaf_index, case.tree_size, &path, root));
    }
}

#[test]
fn published_consistency_proofs() {
    let (published, leaves) = published();
    assert_eq!(published.consistency.len(), 36, "every size from 1 to every size");
    for case in &published.consistency {
        let whole = Whole::new(leaves[..case.size2 as usize].to_vec());
        assert_eq!(whole.consistency(case.size1).unwrap(), digests(&case.proof));
        let (old, new) = ((case.size1, digest(&case.root1)), (case.size2, digest(&case.root2)));
        assert!(is_consistent(old, new, &digests(&case.proof)));
    }
}

/// Our tree and the other implementation's over the same made-up leaves.
fn both(n: usize) -> (Whole, MemoryBackedTree<Sha256, Vec<u8>>) {
    let inputs: Vec<Vec<u8>> = (0..n).map(|idx| format!("leaf {idx}").into_bytes()).collect();
    let ours = Whole::new(inputs.iter().map(|i| tree::leaf_hash(i)).collect());
    let mut theirs = MemoryBackedTree::new();
    for input in inputs {
        theirs.push(input);
    }
    (ours, theirs)
}

fn bytes(path: &[Digest]) -> Vec<u8> {
    path.iter().flat_map(|d| d.0).collect()
}

#[test]
fn another_implementation_gives_the_same_roots_and_proofs() {
    for n in 1..=70_usize {
        let (ours, theirs) = both(n);
        assert_eq!(ours.root(n as u64).unwrap().0, theirs.root().as_bytes().as_slice(), "{n}");
        for idx in 0..n {
            let path = ours.inclusion(idx as u64).unwrap();
            assert_eq!(bytes(&path), theirs.prove_inclusion(idx).as_bytes(), "{idx} of {n}");
        }
        for old in 1..n {
            let path = ours.consistency(old as u64).unwrap();
            assert_eq!(bytes(&path), theirs.prove_consistency(n - old).as_bytes(), "{old} to {n}");
        }
    }
}

fn whole(n: u64) -> Whole {
    Whole::new((0..n).map(|idx| tree::leaf_hash(&idx.to_be_bytes())).collect())
}

#[test]
fn the_smallest_trees() {
    assert_eq!(inclusion_spans(0, 0), None);
    assert_eq!(inclusion_spans(0, 1), Some(vec![]));
    assert_eq!(consistency_spans(0, 7), Some(vec![]));
    assert_eq!(consistency_spans(7, 7), Some(vec![]));
    assert_eq!(consistency_spans(8, 7), None);
    let (empty, one) = ((0, tree::empty_root()), (1, whole(1).root(1).unwrap()));
    assert!(
        is_consistent(empty, one, &[]) && is_consistent(empty, empty, &[]) && is_consistent(one, one, &[])
    );
    assert!(!is_consistent((0, one.1), one, &[]), "an old head of size 0 has the empty root");
    assert!(!is_consistent((1, empty.1), one, &[]) && !is_consistent(one, empty, &[]));
    assert!(!is_included(one.1, 0, 0, &[], one.1) && is_included(one.1, 0, 1, &[], one.1));
}

#[test]
fn a_proof_holds_for_its_own_sizes_alone() {
    for n in 2..=33_u64 {
        let (tree, other) = (whole(n), whole(n + 1));
        let root = tree.root(n).unwrap();
        for idx in 0..n {
            let (leaf, path) = (tree.leaf(idx).unwrap(), tree.inclusion(idx).unwrap());
            assert!(is_included(leaf, idx, n, &path, root));
            assert!((0..n).filter(|i| *i != idx).all(|i| !is_included(leaf, i, n, &path, root)));
            assert!(!is_included(leaf, idx, n, &path[..path.len() - 1], root));
            assert!(!is_included(leaf, idx, n, &path, other.root(n + 1).unwrap()));
        }
        for old in 1..n {
            let (old_root, path) = (tree.root(old).unwrap(), tree.consistency(old).unwrap());
            assert!(is_consistent((old, old_root), (n, root), &path));
            let wrong = tree.root(old - 1).unwrap();
            assert!(!is_consistent((old, wrong), (n, root), &path));
        }
    }
}

proptest! {
    #[test]
    fn a_root_is_joined_from_subtrees(n in 0_u64..3000) {
        let tree = whole(n);
        let hashes: Vec<Digest> = subtrees(&(0..n))
            .into_iter()
            .map(|s| Whole::new(s.leaves().map(|i| tree.leaf(i).unwrap()).collect()).root(1 << s.level).unwrap())
            .collect();
        prop_assert_eq!(Some(span_hash(&hashes)), tree.root(n));
    }

    #[test]
    fn every_proof_holds_and_no_altered_one(
        n in 1_u64..2000, idx in any::<u64>(), old in any::<u64>(), flip in any::<(usize, usize, u8)>(),
    ) {
        let tree = whole(n);
        let (idx, old, root) = (idx % n, 1 + old % n, tree.root(n).unwrap());
        let (leaf, path) = (tree.leaf(idx).unwrap(), tree.inclusion(idx).unwrap());
        prop_assert!(is_included(leaf, idx, n, &path, root));
        if let Some(altered) = altered(&path, flip) {
            prop_assert!(!is_included(leaf, idx, n, &altered, root));
        }
        let (old_head, path) = ((old, tree.root(old).unwrap()), tree.consistency(old).unwrap());
        prop_assert!(is_consistent(old_head, (n, root), &path));
        if let Some(altered) = altered(&path, flip) {
            prop_assert!(!is_consistent(old_head, (n, root), &altered));
        }
    }

    #[test]
    fn no_sizes_make_a_check_panic(
        sizes in any::<(u64, u64, u64)>(), hashes in proptest::collection::vec(any::<[u8; 32]>(), 0..70),
    ) {
        let path: Vec<Digest> = hashes.into_iter().map(Digest).collect();
        let root = tree::empty_root();
        is_included(root, sizes.0, sizes.1, &path, root);
        is_consistent((sizes.0, root), (sizes.1, root), &path);
        if let Some(spans) = inclusion_spans(sizes.0, sizes.1) {
            prop_assert!(spans.len() <= 64);
        }
        if let Some(spans) = consistency_spans(sizes.0, sizes.1) {
            prop_assert!(spans.len() <= 65);
        }
    }
}

fn altered(path: &[Digest], (node, byte, bits): (usize, usize, u8)) -> Option<Vec<Digest>> {
    let mut path = path.to_vec();
    let node = node.checked_rem(path.len())?;
    path[node].0[byte % 32] ^= bits.max(1);
    Some(path)
}
