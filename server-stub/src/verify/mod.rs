//! Verifies an export offline, with no database, and names what was altered. docs/exports.md describes every step for
//! another program.

mod archive;
mod rows;
pub mod store;
#[cfg(test)]
pub(crate) mod tests;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use windrow_model::record::Digest;

pub use archive::Limits;

use crate::export::bundle::{
    ABOUT, ABSENT, EVENTS, HEAD, LEAVES, SEAL, SEAL_SCHEMA, SUMS, Seal, seal_message,
};
use crate::export::sink::{LineDigests, lines_name};
use crate::ledger::head::{Head, SignedHead, is_signed, last_key};
use crate::ledger::leaf::{has_body, is_kind_name, leaf_hash};
use crate::ledger::tree::Growing;
use archive::Archive;
use rows::{RUNS, Said};

/// Largest file that is read as a whole (sums, seal, head, description).
const MAX_SMALL_BYTES: u64 = 4 << 20;
/// Longest line.
const MAX_LINE_BYTES: u64 = 16 << 20;
/// Most findings that are told; the rest is counted.
const MAX_FINDINGS: usize = 200;
/// Most lines of one file that are named.
const MAX_LINES_NAMED: usize = 20;

/// Something that isn't as it was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
#[schemars(rename = "AlteredPlace")]
pub struct Finding {
    /// Which file.
    pub file: String,
    /// Which line of it, from 1, where that can be told.
    pub line: Option<u64>,
    /// What.
    pub what: String,
}

/// What a verification found.
#[derive(Debug, Default, Serialize, JsonSchema)]
pub struct Report {
    /// Names the log; empty where the head proves nothing.
    pub log_id: String,
    /// Number of leaves under the head.
    pub tree_size: u64,
    /// When the head was signed, milliseconds since the Unix epoch.
    pub signed_at_ms: u64,
    /// The key that signed the head, hex.
    pub key: String,
    /// Files whose digest was taken.
    pub n_files: usize,
    /// Leaves hashed to the root.
    pub n_leaves: usize,
    /// Events held against their leaves.
    pub n_events: usize,
    /// Inclusion proofs checked.
    pub n_proofs: usize,
    /// Rows of tables held against their leaves.
    pub n_rows: usize,
    /// Records whose digests, signature and proof were checked.
    pub n_records: usize,
    /// Entries whose texts were erased on purpose, as the ledger says.
    pub n_erased: usize,
    /// Size of the older head that it was held against.
    pub old_tree_size: Option<u64>,
    /// What isn't as it was; empty: nothing was altered.
    pub findings: Vec<Finding>,
    /// How many more there are.
    pub n_findings_untold: usize,
    /// Files that could not be read to their end: what they would have told is unknown, not missing.
    #[serde(skip)]
    unread: BTreeSet<String>,
}

impl Report {
    /// Each finding is told once, whatever number of checks come upon it.
    fn find(&mut self, file: &str, line: Option<u64>, what: impl Into<String>) {
        let finding = Finding { file: file.to_owned(), line, what: what.into() };
        if self.findings.contains(&finding) {
            return;
        }
        if self.findings.len() < MAX_FINDINGS {
            self.findings.push(finding);
        } else {
            self.n_findings_untold += 1;
        }
    }
}

/// An event as an export tells it.
#[derive(Deserialize)]
struct ToldEvent {
    leaf_idx: u64,
    kind: String,
    timestamp_ms: u64,
    body: String,
}

/// Verifies an export, and that it extends an older head where one is given.
///
/// # Errors
/// If it cannot be read, or is larger than the limits: then nothing is said of it.
pub fn verify(path: &Path, old_head: Option<&Head>, limits: Limits) -> io::Result<Report> {
    let mut archive = Archive::open(path, limits)?;
    let mut report = Report::default();
    check_sums(&mut archive, limits, &mut report)?;
    let Some(head) = check_head(&mut archive, &mut report) else { return Ok(report) };
    let as_of_ms = check_about(&mut archive, &head, &mut report);
    let mut leaves = check_leaves(&mut archive, &head, old_head, limits.leaves, &mut report);
    let said = check_events(&mut archive, &mut leaves, &mut report);
    report.n_erased = said.n_erased();
    rows::check_proofs(&mut archive, &head, &mut report);
    if let Some(records) = rows::check_runs(&mut archive, &mut leaves, &mut report) {
        rows::check_absent(&mut archive, &mut leaves, as_of_ms, &mut report);
        leaves.tell_untold(&mut report);
        rows::check_records(&mut archive, &head, &said, Some(records), &mut report);
    } else {
        rows::check_records(&mut archive, &head, &said, None, &mut report);
    }
    rows::check_visits(&mut archive, &said, &mut report);
    Ok(report)
}

fn small(archive: &mut Archive, name: &str) -> io::Result<Vec<u8>> {
    archive.with(name, |file| {
        let mut bytes = Vec::new();
        file.take(MAX_SMALL_BYTES + 1).read_to_end(&mut bytes)?;
        if bytes.len() as u64 > MAX_SMALL_BYTES {
            return Err(io::Error::other(format!("larger than {MAX_SMALL_BYTES} bytes")));
        }
        Ok(bytes)
    })
}

/// Sums, seal, and every file against them.
fn check_sums(archive: &mut Archive, limits: Limits, report: &mut Report) -> io::Result<()> {
    let sums_bytes = match small(archive, SUMS) {
        Ok(bytes) => bytes,
        Err(e) => {
            report.find(SUMS, None, format!("cannot be read: {e}"));
            return Ok(());
        }
    };
    check_seal(archive, Digest::of(&sums_bytes), report);
    let sums = parse_sums(&sums_bytes, report);
    let mut left = limits.unpacked;
    for name in archive.names() {
        let digest = match hashed(archive, &name, left) {
            Ok((digest, n_bytes)) => {
                left -= n_bytes;
                digest
            }
            Err(e) if e.kind() == io::ErrorKind::QuotaExceeded => return Err(e),
            Err(e) => {
                report.find(&name, None, format!("cannot be read: {e}"));
                continue;
            }
        };
        report.n_files += 1;
        if name == SUMS || name == SEAL {
            continue;
        }
        match sums.get(&name) {
            None => report.find(&name, None, "is not in `SHA256SUMS`: it was added, or its line taken away"),
            Some(sum) if *sum != digest => name_lines(archive, &name, limits.lines, report),
            Some(_) => {}
        }
    }
    let present = archive.names();
    for name in sums.keys().filter(|name| !present.contains(name)) {
        report.find(name, None, "is missing, though `SHA256SUMS` lists it");
    }
    Ok(())
}

fn check_seal(archive: &mut Archive, sums_digest: Digest, report: &mut Report) {
    let seal = small(archive, SEAL).map_err(|e| format!("cannot be read: {e}"));
    let seal = seal.and_then(|b| serde_json::from_slice::<Seal>(&b).map_err(|e| format!("is no seal: {e}")));
    let seal = match seal {
        Ok(seal) => seal,
        Err(why) => return report.find(SEAL, None, why),
    };
    if seal.schema != SEAL_SCHEMA {
        return report.find(SEAL, None, format!("its schema is `{}`, not `{SEAL_SCHEMA}`", seal.schema));
    }
    if seal.sums_digest != sums_digest.to_hex() {
        return report.find(
            SUMS,
            None,
            "is not the one that the hub sealed: it, or `seal.json`, was altered",
        );
    }
    let log_id = match Digest::from_hex(&seal.log_id, "log_id") {
        Ok(log_id) => log_id,
        Err(e) => return report.find(SEAL, None, e.to_string()),
    };
    match last_key(log_id, &seal.keys) {
        Err(e) => report.find(SEAL, None, e.to_string()),
        Ok(key) if !is_signed(key, &seal_message(log_id, sums_digest), &seal.signature) => {
            report.find(SEAL, None, "its signature is not that of the key it names");
        }
        Ok(_) => seal.log_id.clone_into(&mut report.log_id),
    }
}

fn parse_sums(bytes: &[u8], report: &mut Report) -> BTreeMap<String, String> {
    let mut sums = BTreeMap::new();
    for (idx, line) in String::from_utf8_lossy(bytes).lines().enumerate() {
        match line.split_once("  ") {
            Some((sum, name)) if sum.len() == 64 => {
                sums.insert(name.to_owned(), sum.to_owned());
            }
            _ => report.find(SUMS, Some(idx as u64 + 1), "is no line of sums"),
        }
    }
    sums
}

/// Digest and length of a file; over what is left it is an error of its own kind.
fn hashed(archive: &mut Archive, name: &str, left: u64) -> io::Result<(String, u64)> {
    archive.with(name, |file| {
        let mut hash = Sha256::new();
        let mut buffer = vec![0; 64 * 1024];
        let mut n_bytes = 0;
        loop {
            let n = file.read(&mut buffer)?;
            if n == 0 {
                return Ok((hex::encode(hash.finalize()), n_bytes));
            }
            n_bytes += n as u64;
            if n_bytes > left {
                let why = format!("unpacked it is larger than may be, at `{name}`");
                return Err(io::Error::new(io::ErrorKind::QuotaExceeded, why));
            }
            hash.update(&buffer[..n]);
        }
    })
}

/// Which lines of an altered file are not as they were.
fn name_lines(archive: &mut Archive, name: &str, max_lines: u64, report: &mut Report) {
    let whole = "is not as `SHA256SUMS` says";
    let told = lines_name(name);
    let Ok(expected) = archive.with(&told, |file| {
        let mut text = String::new();
        let limit = max_lines * LINE_DIGEST_BYTES;
        file.take(limit + 1).read_to_string(&mut text)?;
        if text.len() as u64 > limit { Err(too_many_lines()) } else { Ok(text) }
    }) else {
        return report.find(name, None, whole);
    };
    let found = archive.with(name, |file| {
        let mut lines = LineWriter { digests: LineDigests::default(), n_left: max_lines };
        io::copy(file, &mut lines)?;
        Ok(lines.digests.finish())
    });
    let Ok(found) = found else { return report.find(name, None, whole) };
    let (expected, found): (Vec<&str>, Vec<&str>) = (expected.lines().collect(), found.lines().collect());
    let n_lines = expected.len().max(found.len());
    let altered: Vec<usize> = (0..n_lines).filter(|idx| expected.get(*idx) != found.get(*idx)).collect();
    if altered.is_empty() {
        return report.find(
            name,
            None,
            format!("{whole}, yet each line is as `{told}` says: the sum was altered"),
        );
    }
    for idx in altered.iter().take(MAX_LINES_NAMED) {
        let what = match (expected.get(*idx), found.get(*idx)) {
            (Some(_), None) => "is missing",
            (None, Some(_)) => "was added",
            _ => "was altered",
        };
        report.find(name, Some(*idx as u64 + 1), what);
    }
    report.n_findings_untold += altered.len().saturating_sub(MAX_LINES_NAMED);
}

/// A digest in hex and its line feed.
const LINE_DIGEST_BYTES: u64 = 65;

fn too_many_lines() -> io::Error {
    io::Error::other("more lines than are compared one by one")
}

struct LineWriter {
    digests: LineDigests,
    n_left: u64,
}

impl io::Write for LineWriter {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n_ends = bytes.split(|b| *b == b'\n').count() as u64 - 1;
        self.n_left = self.n_left.checked_sub(n_ends).ok_or_else(too_many_lines)?;
        self.digests.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn check_head(archive: &mut Archive, report: &mut Report) -> Option<Head> {
    let bytes =
        small(archive, HEAD).map_err(|e| report.find(HEAD, None, format!("cannot be read: {e}"))).ok()?;
    let (signed, head) = SignedHead::read(&bytes).map_err(|e| report.find(HEAD, None, e.to_string())).ok()?;
    if !report.log_id.is_empty() && report.log_id != signed.log_id {
        report.find(HEAD, None, "is of another log than the seal");
    }
    report.log_id.clone_from(&signed.log_id);
    (report.tree_size, report.signed_at_ms) = (head.tree_size, head.at_ms);
    signed.signer().clone_into(&mut report.key);
    Some(head)
}

/// The description; gives the time as of which the fleet was judged.
fn check_about(archive: &mut Archive, head: &Head, report: &mut Report) -> Option<i64> {
    let about = small(archive, ABOUT).ok().and_then(|b| serde_json::from_slice::<serde_json::Value>(&b).ok());
    let Some(about) = about else {
        report.find(ABOUT, None, "cannot be read");
        return None;
    };
    let is_same = about["log_id"] == head.log_id.to_hex() && about["tree_size"] == head.tree_size;
    if !is_same {
        report.find(ABOUT, None, "names another log or size than the head");
    }
    let as_of = chrono::DateTime::parse_from_rfc3339(about["as_of"].as_str().unwrap_or_default()).ok();
    if as_of.is_none() {
        report.find(ABOUT, None, "has no time as of which the fleet was judged");
    }
    Some(as_of?.timestamp_millis())
}

/// Each line of a file, within limits.
fn each_line(
    archive: &mut Archive,
    name: &str,
    mut take: impl FnMut(u64, &str) -> Result<(), String>,
) -> Vec<(u64, String)> {
    let mut complaints = Vec::new();
    let read = archive.with(name, |file| {
        let mut reader = BufReader::new(file);
        let mut line = Vec::new();
        for line_no in 1.. {
            line.clear();
            if (&mut reader).take(MAX_LINE_BYTES).read_until(b'\n', &mut line)? == 0 {
                break;
            }
            let taken = match std::str::from_utf8(&line) {
                Ok(text) => take(line_no, text.trim_end_matches('\n')),
                Err(_) => Err("is not UTF-8".to_owned()),
            };
            if let Err(why) = taken
                && complaints.len() < MAX_FINDINGS
            {
                complaints.push((line_no, why));
            }
        }
        Ok(())
    });
    match read {
        Ok(()) => complaints,
        Err(e) if e.kind() == io::ErrorKind::NotFound => vec![(0, "is missing".to_owned())],
        Err(e) => vec![(0, format!("cannot be read: {e}"))],
    }
}

fn tell(report: &mut Report, file: &str, complaints: Vec<(u64, String)>) {
    for (line, what) in complaints {
        if line == 0 {
            report.unread.insert(file.to_owned());
        }
        report.find(file, (line > 0).then_some(line), what);
    }
}

/// All leaves' hashes to the root, and to the root of the older head on the way.
fn check_leaves(
    archive: &mut Archive,
    head: &Head,
    old_head: Option<&Head>,
    max_leaves: usize,
    report: &mut Report,
) -> Leaves {
    let mut leaves = Vec::new();
    let mut growing = Growing::default();
    let mut old_root = old_head.filter(|old| old.tree_size == 0).map(|_| growing.root());
    let complaints = each_line(archive, LEAVES, |_, text| {
        if leaves.len() >= max_leaves {
            return Err(format!("more than {max_leaves} leaves"));
        }
        let leaf = Digest::from_hex(text, "leaf").map_err(|e| e.to_string())?;
        leaves.push(leaf);
        growing.push(leaf);
        if old_head.is_some_and(|old| old.tree_size == growing.size()) {
            old_root = Some(growing.root());
        }
        Ok(())
    });
    tell(report, LEAVES, complaints);
    report.n_leaves = leaves.len();
    if growing.size() != head.tree_size {
        report.find(LEAVES, None, format!("has {} leaves, the head {}", growing.size(), head.tree_size));
    } else if growing.root() != head.root_hash {
        report.find(
            LEAVES,
            None,
            "does not hash to the head's root: a leaf was altered, added or taken away",
        );
    }
    if let Some(old) = old_head {
        check_old_head(head, old, old_root, report);
    }
    Leaves { is_told: vec![false; leaves.len()], hashes: leaves }
}

/// The ledger's leaves, and which of them something in the export told.
struct Leaves {
    hashes: Vec<Digest>,
    is_told: Vec<bool>,
}

impl Leaves {
    /// Whether a leaf of this content stands at its place; each is told once.
    fn tell(&mut self, leaf_idx: u64, kind: &str, digest: Digest, at_ms: u64) -> Result<(), String> {
        if !is_kind_name(kind) {
            return Err(format!("`{kind}` is no kind of leaf"));
        }
        let place = usize::try_from(leaf_idx).ok().filter(|place| *place < self.hashes.len());
        let is_it = |place: &usize| self.hashes[*place] == leaf_hash(kind, digest, at_ms);
        let Some(place) = place.filter(is_it) else {
            return Err(format!("is not what leaf {leaf_idx} of the ledger stands for"));
        };
        if std::mem::replace(&mut self.is_told[place], true) {
            return Err(format!("leaf {leaf_idx} was told before: one of the two was added"));
        }
        Ok(())
    }

    /// Leaves that nothing told: whatever stood for them was taken away.
    fn tell_untold(&self, report: &mut Report) {
        let untold = || self.is_told.iter().enumerate().filter(|(_, is_told)| !**is_told);
        let is_unread = |file: &&str| report.unread.contains(*file);
        if let Some(file) = [EVENTS, RUNS, ABSENT].iter().find(|file| is_unread(file)) {
            let n = untold().count();
            let what = format!(
                "{n} leaves could not be held against what stands for them: `{file}` cannot be read whole"
            );
            return report.find(LEAVES, None, what);
        }
        for (leaf_idx, _) in untold() {
            let what = format!(
                "leaf {leaf_idx}: no event, no row of the runs table and no line of `{ABSENT}` stands for it: one is missing"
            );
            report.find(LEAVES, Some(leaf_idx as u64 + 1), what);
        }
    }
}

fn check_old_head(head: &Head, old: &Head, old_root: Option<Digest>, report: &mut Report) {
    report.old_tree_size = Some(old.tree_size);
    let size = old.tree_size;
    if old.log_id != head.log_id {
        report.find(HEAD, None, "is of another log than the older head");
    } else if size > head.tree_size {
        let what =
            format!("the ledger was cut: the older head has {size} leaves, this one {}", head.tree_size);
        report.find(HEAD, None, what);
    } else if old_root != Some(old.root_hash) {
        let what = format!(
            "the ledger was rewritten or forked: its first {size} leaves are not those of the older head"
        );
        report.find(HEAD, None, what);
    }
}

fn check_events(archive: &mut Archive, leaves: &mut Leaves, report: &mut Report) -> Said {
    let mut n_events = 0;
    let mut said = Said::default();
    let complaints = each_line(archive, EVENTS, |_, text| {
        n_events += 1;
        let event: ToldEvent = serde_json::from_str(text).map_err(|e| e.to_string())?;
        let digest = Digest::of(event.body.as_bytes());
        if !has_body(&event.kind) {
            return Err(format!("`{}` is no kind of event", event.kind));
        }
        leaves.tell(event.leaf_idx, &event.kind, digest, event.timestamp_ms)?;
        said.hear(event.leaf_idx, &event.kind, &event.body);
        Ok(())
    });
    report.n_events = n_events;
    tell(report, EVENTS, complaints);
    said
}
