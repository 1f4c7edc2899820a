//! The ledger as the check of a store reads it: leaves by what they stand for, and which of them a row has told.

use std::collections::{BTreeSet, HashMap, HashSet};

use serde_json::Value;
use windrow_model::record::{Digest, PublicKey, canonical};

use super::runs::Claimed;
use super::{BATCH, Report, Roots, is_erased};
use crate::ledger::leaf::{LeafKind, has_body, leaf_hash};
use crate::ledger::tree::{Growing, Subtree, Whole};
use crate::store::check::{Claim, ClaimedTime, Said};
use crate::store::facts::Erasing;
use crate::store::{EpochMs, Leaf, Store, StoreError};

/// Names of the ledger's tables.
pub(super) const LEAVES: &str = "ledger_leaf";
pub(super) const EVENTS: &str = "ledger_event";
pub(super) const HEADS: &str = "ledger_head";
const SUBTREES: &str = "ledger_subtree";

/// Kinds whose events have a row each in a table of facts.
const TOLD_BY_ROWS: [LeafKind; 10] = [
    LeafKind::Enrolment,
    LeafKind::Revocation,
    LeafKind::Service,
    LeafKind::Placing,
    LeafKind::Scope,
    LeafKind::Visit,
    LeafKind::Hold,
    LeafKind::Snooze,
    LeafKind::CheckWanted,
    LeafKind::Grant,
];

/// A leaf, short.
struct Note {
    leaf_idx: u64,
    kind: String,
    digest: Digest,
    at_ms: EpochMs,
    is_told: bool,
}

/// An event whose texts were erased, by what is left of it.
type Blind = (&'static str, Vec<u8>);
/// A mark that somebody ended.
type End = (&'static str, String, EpochMs);

/// The leaves up to a size.
#[derive(Default)]
pub(super) struct Book {
    notes: Vec<Note>,
    /// Places in `notes`, by digest.
    of_digest: HashMap<Digest, Vec<u32>>,
    /// How many leaves there are, gaps counted.
    size: u64,
    /// Leaves of which an erasure says that their texts are gone.
    erased: BTreeSet<u64>,
    /// Of these, those of which some texts stayed.
    partly: HashSet<u64>,
    blind: HashMap<Blind, Vec<u32>>,
    ends: HashMap<End, Vec<u32>>,
    keys: HashMap<String, PublicKey>,
    n_erased: usize,
}

impl Book {
    /// Reads all leaves, and gives the roots at these sizes.
    pub(super) async fn read_leaves<S: Store>(
        &mut self,
        store: &S,
        sizes: &[u64],
        report: &mut Report,
    ) -> Result<Roots, StoreError> {
        // Before the leaves: each must then be over leaves that are read here.
        let kept = store.check_subtrees().await?;
        let (mut growing, mut hashes) = (Growing::default(), Vec::new());
        let mut roots = Roots::new();
        let mut sizes = sizes.iter().copied().peekable();
        loop {
            while sizes.next_if(|size| *size == growing.size()).is_some() {
                roots.insert(growing.size(), growing.root());
            }
            let leaves = store.ledger_list(self.size, BATCH).await?;
            if leaves.is_empty() {
                report.n_leaves = self.size;
                check_subtrees(kept, store.kept_level(), &Whole::new(hashes), report);
                return Ok(roots);
            }
            for leaf in leaves {
                if leaf.leaf_idx != self.size {
                    let what = format!("{} leaves are missing before this one", leaf.leaf_idx - self.size);
                    report.find(LEAVES, Some(&leaf.leaf_idx.to_string()), what);
                }
                if leaf_hash(&leaf.kind, leaf.digest, leaf.at_ms.unsigned_abs()) != leaf.leaf_hash {
                    let what = "its hash is not that of its kind, digest and time: one of them was altered";
                    report.find(LEAVES, Some(&leaf.leaf_idx.to_string()), what);
                }
                growing.push(leaf.leaf_hash);
                hashes.push(leaf.leaf_hash);
                self.add(leaf);
                while sizes.next_if(|size| *size == growing.size()).is_some() {
                    roots.insert(growing.size(), growing.root());
                }
            }
        }
    }

    fn add(&mut self, leaf: Leaf) {
        self.size = leaf.leaf_idx + 1;
        self.of_digest.entry(leaf.digest).or_default().push(self.notes.len() as u32);
        let Leaf { leaf_idx, kind, digest, at_ms, .. } = leaf;
        self.notes.push(Note { leaf_idx, kind, digest, at_ms, is_told: false });
    }

    /// Holds every event's body against its leaf, and takes in what the check needs of it.
    pub(super) async fn read_events<S: Store>(
        &mut self,
        store: &S,
        report: &mut Report,
    ) -> Result<(), StoreError> {
        let (mut from_idx, mut at) = (0, 0);
        loop {
            let events = store.check_events(from_idx, BATCH).await?;
            let Some((last, _)) = events.last() else { break };
            from_idx = last + 1;
            let size = self.size;
            for (leaf_idx, body) in events.into_iter().filter(|(idx, _)| *idx < size) {
                at = self.tell_bodiless(at, leaf_idx, report);
                self.hear(leaf_idx, &body, report);
            }
        }
        self.tell_bodiless(at, u64::MAX, report);
        self.read_erased(store).await
    }

    /// Events before a leaf that have no body, from the `at`-th note on; says where to go on.
    fn tell_bodiless(&self, at: usize, until_idx: u64, report: &mut Report) -> usize {
        let before = self.notes[at..].iter().take_while(|note| note.leaf_idx < until_idx);
        let mut n = 0;
        for note in before {
            n += 1;
            if has_body(&note.kind) {
                let what = format!("the body of this event of kind `{}` is missing", note.kind);
                report.find(EVENTS, Some(&note.leaf_idx.to_string()), what);
            }
        }
        let is_there = self.notes.get(at + n).is_some_and(|note| note.leaf_idx == until_idx);
        at + n + usize::from(is_there)
    }

    fn hear(&mut self, leaf_idx: u64, body: &[u8], report: &mut Report) {
        let row = leaf_idx.to_string();
        let found = self.notes.binary_search_by_key(&leaf_idx, |note| note.leaf_idx);
        let Some((place, note)) = found.ok().map(|place| (place, &self.notes[place])) else {
            return report.find(EVENTS, Some(&row), "no leaf stands for it: it was added");
        };
        if !has_body(&note.kind) || Digest::of(body) != note.digest {
            return report.find(
                EVENTS,
                Some(&row),
                "its body is not what its leaf stands for: it was altered",
            );
        }
        report.n_events += 1;
        let Ok(body) = serde_json::from_slice::<Value>(body) else { return };
        let text = |name: &str| body[name].as_str().unwrap_or_default().to_owned();
        if note.kind == LeafKind::Enrolment.name() {
            if let Ok(key) = PublicKey::from_hex(&text("public_key"), "public_key") {
                self.keys.insert(text("device_id"), key);
            }
        } else if note.kind == LeafKind::Erasure.name() {
            let leaves = body["leaves"].as_array().into_iter().flatten().filter_map(Value::as_u64);
            self.erased.extend(leaves.clone());
            if body["erased"] == Erasing::Site(String::new()).name() {
                self.partly.extend(leaves);
            }
        } else if let Some(kind) = mark_kind(&note.kind).filter(|_| body["is_set"] == false) {
            self.ends.entry((kind, text("device_id"), note.at_ms)).or_default().push(place as u32);
        }
    }

    /// What is left of the events whose texts were erased.
    async fn read_erased<S: Store>(&mut self, store: &S) -> Result<(), StoreError> {
        for leaf_idx in self.erased.iter().copied().collect::<Vec<_>>() {
            let Ok(place) = self.notes.binary_search_by_key(&leaf_idx, |note| note.leaf_idx) else {
                continue;
            };
            let Some(kind) = TOLD_BY_ROWS.into_iter().find(|k| k.name() == self.notes[place].kind) else {
                continue;
            };
            let event = store.check_events(leaf_idx, 1).await?.pop().filter(|(idx, _)| *idx == leaf_idx);
            if let Some(blind) = event.and_then(|(_, body)| without_commitment(&body)) {
                self.blind.entry((kind.name(), blind)).or_default().push(place as u32);
            }
        }
        Ok(())
    }

    /// Each device's key, as it enrolled.
    pub(super) fn enrolled_keys(&self) -> HashMap<String, PublicKey> {
        self.keys.clone()
    }

    pub(super) const fn n_erased(&self) -> usize {
        self.n_erased
    }

    /// Finds the leaf that a row's event has, and counts it as told.
    pub(super) fn take(&mut self, claim: &Claim) -> bool {
        let kind = claim.kind.name();
        let places = match &claim.said {
            Said::Body { body, is_erased: false, .. } => self.of_digest.get(&Digest::of(body)),
            Said::Body { body, .. } => self.blind.get(&(kind, body.clone())),
            Said::Ended { device_id } => {
                let ClaimedTime::At(at_ms) = claim.at else { return false };
                self.ends.get(&(kind, device_id.clone(), at_ms))
            }
        };
        let is_meant = |place: &u32| {
            let note = &self.notes[*place as usize];
            !note.is_told && note.kind == kind && claim.at.agrees(note.at_ms)
        };
        let is_partly = |place: &u32| self.partly.contains(&self.notes[*place as usize].leaf_idx);
        let meant = || places.into_iter().flatten().copied().filter(is_meant);
        // Blind bodies are often alike. A row with some text left fits only an erasure that leaves some, so a row without
        // takes one of the others first.
        let place = match claim.said {
            Said::Body { is_erased: true, has_text: true, .. } => meant().find(is_partly),
            _ => meant().find(|place| !is_partly(place)).or_else(|| meant().next()),
        };
        let Some(place) = place else { return false };
        self.notes[place as usize].is_told = true;
        self.n_erased += usize::from(is_erased(claim));
        true
    }

    /// Finds a run's leaf, and counts it as told.
    pub(super) fn take_run(&mut self, kind: LeafKind, digest: Digest, received_at_ms: EpochMs) -> bool {
        let notes = &self.notes;
        let is_meant = |place: &u32| {
            let note = &notes[*place as usize];
            !note.is_told && note.kind == kind.name() && note.at_ms == received_at_ms
        };
        let places = self.of_digest.get(&digest);
        let Some(place) = places.and_then(|places| places.iter().copied().find(is_meant)) else {
            return false;
        };
        self.notes[place as usize].is_told = true;
        true
    }

    /// The leaves that came since this one was read.
    pub(super) async fn newer<S: Store>(&self, store: &S) -> Result<Self, StoreError> {
        let mut newer = Self { size: self.size, ..Self::default() };
        loop {
            let leaves = store.ledger_list(newer.size, BATCH).await?;
            if leaves.is_empty() {
                break;
            }
            for leaf in leaves {
                newer.add(leaf);
            }
        }
        newer.read_events(store, &mut Report::default()).await?;
        Ok(newer)
    }

    /// Why a run has no leaf.
    pub(super) fn why_no_run(&self, run: &Claimed) -> String {
        let of_digest = self.of_digest.get(&run.digest).into_iter().flatten();
        match of_digest.map(|place| &self.notes[*place as usize]).next() {
            Some(note) if note.kind != run.kind.name() => {
                format!(
                    "leaf {} says that it is of kind `{}`: its provenance was altered",
                    note.leaf_idx, note.kind
                )
            }
            Some(note) if note.at_ms != run.received_at_ms => {
                format!("its time of receipt is not what leaf {} says: it was altered", note.leaf_idx)
            }
            Some(note) => format!("leaf {} stands for another row with this digest", note.leaf_idx),
            None => "no leaf of the ledger stands for it: it was added, or its digest was altered".to_owned(),
        }
    }

    /// Leaves that no row told.
    pub(super) fn tell_missing(&self, report: &mut Report) {
        for note in self.notes.iter().filter(|note| !note.is_told) {
            let (row, kind) = (note.leaf_idx.to_string(), note.kind.as_str());
            if !has_body(kind) {
                let what = format!(
                    "no row of `run` has the run {} that it stands for: the row is missing",
                    note.digest
                );
                report.find(LEAVES, Some(&row), what);
            } else if TOLD_BY_ROWS.iter().any(|k| k.name() == kind) {
                let what = format!(
                    "no row says what this event of kind `{kind}` says: the row is missing or altered"
                );
                report.find(LEAVES, Some(&row), what);
            }
        }
    }
}

/// Why a row's event isn't in the ledger.
pub(super) fn why_no_event(claim: &Claim) -> String {
    let kind = claim.kind.name();
    match &claim.said {
        Said::Body { is_erased: true, has_text: true, .. } => {
            format!(
                "its salt is gone and its text is not, and no erasure of an event of kind `{kind}` fits it"
            )
        }
        Said::Body { is_erased: true, .. } => {
            format!("its text and salt are gone, and no erasure of an event of kind `{kind}` fits it")
        }
        Said::Body { .. } | Said::Ended { .. } => {
            format!("no event of kind `{kind}` in the ledger says this: it was added or altered")
        }
    }
}

/// The kept hashes of subtrees against the leaves.
fn check_subtrees(kept: Vec<(Subtree, Vec<u8>)>, from_level: u32, whole: &Whole, report: &mut Report) {
    let row = |subtree: Subtree| format!("level {} at {}", subtree.level, subtree.idx);
    let mut wanted: HashSet<Subtree> = whole
        .n_subtrees()
        .filter(|(level, _)| *level >= from_level)
        .flat_map(|(level, n)| (0..n).map(move |idx| Subtree { level, idx }))
        .collect();
    for (subtree, hash) in kept {
        wanted.remove(&subtree);
        if whole.subtree(subtree).is_none_or(|of_leaves| of_leaves.0[..] != hash[..]) {
            report.find(
                SUBTREES,
                Some(&row(subtree)),
                "is not the hash of its leaves: it was altered or added",
            );
        }
    }
    for missing in wanted {
        report.find(SUBTREES, Some(&row(missing)), "is missing");
    }
}

fn mark_kind(name: &str) -> Option<&'static str> {
    [LeafKind::Hold, LeafKind::Snooze, LeafKind::CheckWanted]
        .map(LeafKind::name)
        .into_iter()
        .find(|k| *k == name)
}

/// An event's body with its commitment blank, canonical.
fn without_commitment(body: &[u8]) -> Option<Vec<u8>> {
    let mut value: Value = serde_json::from_slice(body).ok()?;
    let fields = value.as_object_mut()?;
    for name in ["text_commitment", "placing_commitment"] {
        if let Some(commitment) = fields.get_mut(name) {
            *commitment = Value::String(String::new());
        }
    }
    canonical::to_bytes(&value).ok()
}
