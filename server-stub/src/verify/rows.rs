//! Rows of tables, and records, held against the ledger.

use std::collections::{HashMap, HashSet};

use serde::Deserialize;
use windrow_model::record::{Digest, PublicKey, ReceivedRecord};

use super::archive::Archive;
use super::{Leaves, Report, each_line, tell};
use crate::export::bundle::{ABSENT, LATER, PROOFS, RECORDS};
use crate::ledger::head::Head;
use crate::ledger::leaf::{has_body, is_kind_name, leaf_hash};
use crate::ledger::tree::is_included;

/// The runs table that is held against the ledger.
pub(super) const RUNS: &str = "runs.ndjson";

/// What the ledger's events say that rows are held against.
#[derive(Default)]
pub(super) struct Said {
    /// Each device's key, as it enrolled.
    keys: HashMap<String, PublicKey>,
    /// Visits by number, with their leaves.
    visits: HashMap<i64, (u64, Visit)>,
    /// Leaves of which an erasure says that their texts are gone.
    erased: HashSet<u64>,
}

impl Said {
    /// Takes an event in. One that cannot be read says nothing.
    pub(super) fn hear(&mut self, leaf_idx: u64, kind: &str, body: &str) {
        match kind {
            "enrolment" => {
                if let Ok(e) = serde_json::from_str::<Enrolment>(body)
                    && let Ok(key) = PublicKey::from_hex(&e.public_key, "public_key")
                {
                    self.keys.insert(e.device_id, key);
                }
            }
            "visit" => {
                if let Ok(visit) = serde_json::from_str::<VisitEvent>(body) {
                    self.visits.insert(visit.visit_id, (leaf_idx, visit.facts));
                }
            }
            "erasure" => {
                if let Ok(erasure) = serde_json::from_str::<Erasure>(body) {
                    self.erased.extend(erasure.leaves);
                }
            }
            _ => {}
        }
    }
}

impl Said {
    /// How many entries lost their texts on purpose.
    pub(super) fn n_erased(&self) -> usize {
        self.erased.len()
    }
}

#[derive(Deserialize)]
struct Erasure {
    leaves: Vec<u64>,
}

#[derive(Deserialize)]
struct Enrolment {
    device_id: String,
    public_key: String,
}

#[derive(Deserialize)]
struct VisitEvent {
    visit_id: i64,
    #[serde(flatten)]
    facts: Visit,
}

/// What the ledger keeps of a visit.
#[derive(Deserialize, PartialEq)]
struct Visit {
    device_id: String,
    visited_on: String,
    actions: Vec<String>,
    minutes: Option<u32>,
    by_role: String,
    corrects: Option<i64>,
    is_withdrawn: bool,
}

/// A row of the visits table.
#[derive(Deserialize)]
struct ToldVisit {
    device_id: String,
    visited_on: String,
    visit_id: Option<i64>,
    actions: String,
    minutes: Option<u32>,
    by_role: Option<String>,
    corrects: Option<i64>,
    is_withdrawn: Option<String>,
    is_erased: Option<String>,
    found: Option<String>,
    parts: Option<String>,
}

/// What a row of the runs table says of its leaf.
#[derive(Deserialize)]
struct ToldRun {
    provenance: String,
    received_at: String,
    leaf_idx: Option<u64>,
    record_digest: String,
}

/// A run that the runs table leaves out.
#[derive(Deserialize)]
struct ToldAbsent {
    leaf_idx: u64,
    kind: String,
    digest: String,
    timestamp_ms: u64,
    why: String,
}

/// A proof as an export tells it; beside a record, or alone.
#[derive(Deserialize)]
struct ToldProof {
    leaf_idx: u64,
    kind: String,
    digest: String,
    timestamp_ms: u64,
    path: Vec<String>,
    record: Option<String>,
}

impl ToldProof {
    /// Holds the proof against the head, and gives the digest that it proves.
    fn check(&self, head: &Head) -> Result<Digest, String> {
        let hex = |text: &str| Digest::from_hex(text, "path").map_err(|e| e.to_string());
        let digest = hex(&self.digest)?;
        let leaf = leaf_hash(&self.kind, digest, self.timestamp_ms);
        let path = self.path.iter().map(|p| hex(p)).collect::<Result<Vec<_>, _>>()?;
        let is_good = is_kind_name(&self.kind)
            && is_included(leaf, self.leaf_idx, head.tree_size, &path, head.root_hash);
        if is_good {
            Ok(digest)
        } else {
            Err(format!("does not prove that record {} is in the ledger", self.digest))
        }
    }
}

fn has(archive: &Archive, file: &str) -> bool {
    archive.names().iter().any(|name| name == file)
}

pub(super) fn check_proofs(archive: &mut Archive, head: &Head, report: &mut Report) {
    let mut n_proofs = 0;
    let complaints = each_line(archive, PROOFS, |_, text| {
        n_proofs += 1;
        let proof: ToldProof = serde_json::from_str(text).map_err(|e| e.to_string())?;
        proof.check(head).map(drop)
    });
    report.n_proofs = n_proofs;
    tell(report, PROOFS, complaints);
}

/// Each run of the runs table against its leaf. Gives the leaves of records with their digests; `None` where the export
/// has no such table.
pub(super) fn check_runs(
    archive: &mut Archive,
    leaves: &mut Leaves,
    report: &mut Report,
) -> Option<HashMap<u64, Digest>> {
    if !has(archive, RUNS) {
        return None;
    }
    let mut records = HashMap::new();
    let mut n_rows = 0;
    let complaints = each_line(archive, RUNS, |_, text| {
        n_rows += 1;
        let run: ToldRun = serde_json::from_str(text).map_err(|e| e.to_string())?;
        let of_run = |why: String| format!("run {}: {why}", run.record_digest);
        let leaf_idx = run
            .leaf_idx
            .ok_or_else(|| of_run("no leaf of the ledger stands for it: its row was added".to_owned()))?;
        let kind = if run.provenance == "imported" { "imported_run" } else { "record" };
        let digest = Digest::from_hex(&run.record_digest, "record_digest").map_err(|e| e.to_string())?;
        let received = chrono::DateTime::parse_from_rfc3339(&run.received_at).map_err(|e| e.to_string())?;
        leaves.tell(leaf_idx, kind, digest, received.timestamp_millis().unsigned_abs()).map_err(of_run)?;
        if kind == "record" {
            records.insert(leaf_idx, digest);
        }
        Ok(())
    });
    report.n_rows += n_rows;
    tell(report, RUNS, complaints);
    Some(records)
}

/// Each run that the runs table leaves out: one that came later, or one that the hub's store no longer has.
pub(super) fn check_absent(
    archive: &mut Archive,
    leaves: &mut Leaves,
    as_of_ms: Option<i64>,
    report: &mut Report,
) {
    let complaints = each_line(archive, ABSENT, |_, text| {
        let run: ToldAbsent = serde_json::from_str(text).map_err(|e| e.to_string())?;
        let digest = Digest::from_hex(&run.digest, "digest").map_err(|e| e.to_string())?;
        if has_body(&run.kind) {
            return Err(format!("`{}` is no kind of run", run.kind));
        }
        leaves.tell(run.leaf_idx, &run.kind, digest, run.timestamp_ms)?;
        let of_run = |why: &str| Err(format!("run {} (leaf {}): {why}", run.digest, run.leaf_idx));
        let is_later = as_of_ms.is_none_or(|as_of_ms| run.timestamp_ms.cast_signed() > as_of_ms);
        match run.why.as_str() {
            LATER if is_later && run.kind == "record" => Ok(()),
            LATER => of_run("it did not come later than the fleet was judged: its row was left out"),
            _ => of_run("its row is missing: the hub's store no longer had it when this was exported"),
        }
    });
    tell(report, ABSENT, complaints);
}

/// Each logged visit against its event, where the export has that table. What was found and which parts it took the
/// ledger knows as a commitment only; of imported services it keeps the day and the action.
pub(super) fn check_visits(archive: &mut Archive, said: &Said, report: &mut Report) {
    const FILE: &str = "visits.ndjson";
    if !has(archive, FILE) {
        return;
    }
    let mut n_rows = 0;
    let complaints = each_line(archive, FILE, |_, text| {
        let told: ToldVisit = serde_json::from_str(text).map_err(|e| e.to_string())?;
        let Some(visit_id) = told.visit_id else { return Ok(()) };
        n_rows += 1;
        let visit = Visit {
            device_id: told.device_id,
            visited_on: told.visited_on,
            actions: told.actions.split(' ').map(str::to_owned).collect(),
            minutes: told.minutes,
            by_role: told.by_role.unwrap_or_default(),
            corrects: told.corrects,
            is_withdrawn: told.is_withdrawn.as_deref() == Some("yes"),
        };
        let Some((leaf_idx, _)) = said.visits.get(&visit_id).filter(|(_, told)| *told == visit) else {
            return Err(format!("visit {visit_id} is not what the ledger's event says"));
        };
        let is_erased = told.is_erased.as_deref() == Some("yes");
        if is_erased != said.erased.contains(leaf_idx) {
            return Err(format!(
                "visit {visit_id}: whether its texts were erased is not what the ledger says"
            ));
        }
        if is_erased && told.found.or(told.parts).is_some() {
            return Err(format!("visit {visit_id}: its texts were erased, and one is here"));
        }
        Ok(())
    });
    report.n_rows += n_rows;
    tell(report, FILE, complaints);
}

/// Each record as it was received: digests, the signature by the key that the device enrolled with, and its proof.
/// Where the runs table tells of records, none of them may be missing, and there may be no others.
pub(super) fn check_records(
    archive: &mut Archive,
    head: &Head,
    said: &Said,
    mut wanted: Option<HashMap<u64, Digest>>,
    report: &mut Report,
) {
    if !has(archive, RECORDS) {
        return;
    }
    let mut n_records = 0;
    let complaints = each_line(archive, RECORDS, |_, text| {
        n_records += 1;
        let proof: ToldProof = serde_json::from_str(text).map_err(|e| e.to_string())?;
        let proven = proof.check(head)?;
        if let Some(wanted) = &mut wanted
            && wanted.remove(&proof.leaf_idx).is_none()
        {
            return Err(format!(
                "record {}: it was told before, or no row of the runs table is its",
                proof.digest
            ));
        }
        let document = proof.record.as_deref().ok_or("has no record")?;
        let of_record = |why: String| format!("record {}: {why}", proof.digest);
        if document.is_empty() {
            return Err(of_record("the hub could no longer read it when it was exported".to_owned()));
        }
        let received = ReceivedRecord::parse(document.as_bytes()).map_err(|e| of_record(e.to_string()))?;
        let device_id = received.record().header.device_id.clone();
        let key =
            said.keys.get(&device_id).ok_or_else(|| of_record("its laptop never enrolled".to_owned()))?;
        let verified = received.verify(key).map_err(|e| of_record(e.to_string()))?;
        if verified.digest == proven { Ok(()) } else { Err(of_record("is another one".to_owned())) }
    });
    report.n_records = n_records;
    tell(report, RECORDS, complaints);
    let mut missing: Vec<(u64, Digest)> = wanted.unwrap_or_default().into_iter().collect();
    missing.sort_unstable_by_key(|(leaf_idx, _)| *leaf_idx);
    for (leaf_idx, digest) in missing {
        report.find(RECORDS, None, format!("record {digest} (leaf {leaf_idx}) is missing"));
    }
}
