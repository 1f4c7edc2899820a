//! The check of a whole store against its own ledger: every row that a leaf stands for, and every leaf whose row is gone.
//!
//! The ledger itself is held against the heads that the hub signed, and against an older head that an auditor kept. What
//! is worked out from the records and can be made again (metrics, standings, evidence) no leaf stands for.

mod book;
mod runs;
#[cfg(test)]
mod tests;

use std::collections::HashMap;

use serde::Serialize;
use windrow_model::record::{Digest, PublicKey};

use self::book::{Book, EVENTS, HEADS, LEAVES};
use crate::ledger::head::{Head, KeyLink, is_signed, last_key, log_id_of};
use crate::ledger::signing;
use crate::store::check::{Claim, Said, Told};
use crate::store::{Store, StoreError, StoredHead};

/// Rows or leaves read in one go.
const BATCH: u32 = 5_000;
/// Most findings that are told; the rest is counted.
const MAX_FINDINGS: usize = 200;

/// Something in the database that isn't as the ledger says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// Which table.
    pub table: &'static str,
    /// What names the row in it, where it is one row.
    pub row: Option<String>,
    /// What.
    pub what: String,
}

/// What the check of a store found.
#[derive(Debug, Default, Serialize)]
pub struct Report {
    /// Names the log; empty where there is no key yet.
    pub log_id: String,
    /// Leaves of the ledger that were hashed.
    pub n_leaves: u64,
    /// Events held against their leaves.
    pub n_events: usize,
    /// Signed heads held against the leaves.
    pub n_heads: usize,
    /// Records and imported runs held against their leaves.
    pub n_runs: usize,
    /// Rows of people's facts held against their events.
    pub n_rows: usize,
    /// Entries whose texts were erased on purpose, as the ledger says.
    pub n_erased: usize,
    /// Size of the older head that it was held against.
    pub old_tree_size: Option<u64>,
    /// What isn't as it was; empty: nothing was altered.
    pub findings: Vec<Finding>,
    /// How many more there are.
    pub n_findings_untold: usize,
}

impl Report {
    fn find(&mut self, table: &'static str, row: Option<&str>, what: impl Into<String>) {
        if self.findings.len() < MAX_FINDINGS {
            self.findings.push(Finding { table, row: row.map(str::to_owned), what: what.into() });
        } else {
            self.n_findings_untold += 1;
        }
    }
}

/// Checks a store as it stands; the hub may go on working meanwhile.
///
/// # Errors
/// If the database cannot be read at all.
pub async fn check<S: Store>(store: &S, old_head: Option<&Head>) -> Result<Report, StoreError> {
    let mut report = Report::default();
    for line in store.check_file().await? {
        report.find("(the file)", None, line);
    }
    let heads = read_heads(store, &mut report).await?;
    let mut book = Book::default();
    let roots = book.read_leaves(store, &sizes(&heads, old_head), &mut report).await?;
    book.read_events(store, &mut report).await?;
    check_heads(store, &heads, &roots, &mut report).await;
    if let Some(old) = old_head {
        check_old_head(old, &roots, &mut report);
    }
    let keys = book.enrolled_keys();
    let late = check_rows(store, &mut book, &keys, &mut report).await?;
    settle(store, &mut book, late, &mut report).await?;
    book.tell_missing(&mut report);
    report.n_erased = book.n_erased();
    Ok(report)
}

/// Rows whose leaf was not found: they may have come after the leaves were read.
#[derive(Default)]
struct Late {
    claims: Vec<(Told, Claim)>,
    runs: Vec<runs::Claimed>,
}

async fn check_rows<S: Store>(
    store: &S,
    book: &mut Book,
    keys: &HashMap<String, PublicKey>,
    report: &mut Report,
) -> Result<Late, StoreError> {
    let mut late = Late { runs: runs::check(store, book, keys, report).await?, ..Late::default() };
    for of in Told::ALL {
        let mut from = 0;
        while let Some(claims) = store.check_claims(of, from, BATCH).await? {
            from += BATCH;
            for (row, claim) in claims {
                match claim {
                    Ok(claim) if book.take(&claim) => report.n_rows += 1,
                    Ok(claim) => late.claims.push((of, claim)),
                    Err(why) => report.find(of.table(), Some(&row), format!("cannot be read: {why}")),
                }
            }
        }
    }
    Ok(late)
}

/// Looks once more among the leaves that came meanwhile, then tells what no leaf stands for.
async fn settle<S: Store>(
    store: &S,
    book: &mut Book,
    late: Late,
    report: &mut Report,
) -> Result<(), StoreError> {
    if late.claims.is_empty() && late.runs.is_empty() {
        return Ok(());
    }
    let mut newer = book.newer(store).await?;
    for run in late.runs {
        if !newer.take_run(run.kind, run.digest, run.received_at_ms) {
            report.find("run", Some(&run.row), book.why_no_run(&run));
        }
    }
    for (of, claim) in late.claims {
        if !claim.is_optional && !newer.take(&claim) {
            report.find(of.table(), Some(&claim.row), book::why_no_event(&claim));
        }
    }
    Ok(())
}

async fn read_heads<S: Store>(store: &S, report: &mut Report) -> Result<Vec<StoredHead>, StoreError> {
    let mut heads = Vec::new();
    for (row, head) in store.check_heads().await? {
        match head {
            Ok(head) => heads.push(head),
            Err(why) => report.find(HEADS, Some(&row), format!("cannot be read: {why}")),
        }
    }
    report.n_heads = heads.len();
    Ok(heads)
}

/// The sizes at which the root is wanted.
fn sizes(heads: &[StoredHead], old_head: Option<&Head>) -> Vec<u64> {
    let mut sizes: Vec<u64> =
        heads.iter().map(|h| h.tree_size).chain(old_head.map(|h| h.tree_size)).collect();
    sizes.sort_unstable();
    sizes.dedup();
    sizes
}

type Roots = HashMap<u64, Digest>;

/// Every head that was signed: over the leaves as they stand, by a key of the log.
async fn check_heads<S: Store>(store: &S, heads: &[StoredHead], roots: &Roots, report: &mut Report) {
    for head in heads.iter().filter(|head| roots.get(&head.tree_size) != Some(&head.root_hash)) {
        let what = format!(
            "the first {} leaves are not those that a head was signed over: leaves were cut, altered or forked",
            head.tree_size
        );
        report.find(LEAVES, None, what);
    }
    let keys = match signing::keys(store).await {
        Ok(keys) => keys,
        Err(e) => return report.find(EVENTS, None, format!("the log's keys cannot be read: {e}")),
    };
    let Some(log_id) = first_key(&keys).map(log_id_of) else {
        if !heads.is_empty() {
            report.find(EVENTS, None, "there are signed heads, and no key that signed them");
        }
        return;
    };
    report.log_id = log_id.to_hex();
    if let Err(e) = last_key(log_id, &keys) {
        report.find(EVENTS, None, format!("the line of the log's keys is broken: {e}"));
    }
    for head in heads {
        let told = Head {
            log_id,
            tree_size: head.tree_size,
            root_hash: head.root_hash,
            at_ms: head.at_ms.unsigned_abs(),
        };
        let is_known = keys.iter().any(|key| key.public_key == hex::encode(head.public_key));
        if !is_known || !is_signed(head.public_key, &told.message(), &hex::encode(head.signature)) {
            let row = head.tree_size.to_string();
            report.find(HEADS, Some(&row), "is not signed by a key of this log: it was altered");
        }
    }
}

fn first_key(keys: &[KeyLink]) -> Option<[u8; 32]> {
    Digest::from_hex(&keys.first()?.public_key, "public_key").ok().map(|key| key.0)
}

fn check_old_head(old: &Head, roots: &Roots, report: &mut Report) {
    report.old_tree_size = Some(old.tree_size);
    let size = old.tree_size;
    if !report.log_id.is_empty() && report.log_id != old.log_id.to_hex() {
        report.find(HEADS, None, "this is another log than the older head's");
    } else if size > report.n_leaves {
        let what =
            format!("the ledger was cut: the older head has {size} leaves, this store {}", report.n_leaves);
        report.find(LEAVES, None, what);
    } else if roots.get(&size) != Some(&old.root_hash) {
        let what = format!(
            "the ledger was rewritten or forked: its first {size} leaves are not those of the older head"
        );
        report.find(LEAVES, None, what);
    }
}

/// Whether a claim is of a row whose salt was erased.
fn is_erased(claim: &Claim) -> bool {
    matches!(claim.said, Said::Body { is_erased: true, .. })
}
