//! `windrow-hub verify`: whether an export is what the hub gave out, offline and with no database; or whether the hub's
//! own database is what its ledger says.

use std::path::PathBuf;

use chrono::{DateTime, SecondsFormat};
use serde::Serialize;

use super::{Outcome, Setting, block_on, print};
use crate::database;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::ledger::head::{Head, MAX_HEAD_BYTES, SignedHead};
use crate::output::Output;
use crate::store::Store as _;
use crate::verify::{self, Limits, Report};

/// Arguments of `verify`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub verify export.zip
  windrow-hub verify export.zip --head last-year/ledger/head.json
  windrow-hub verify --store --head last-year/ledger/head.json

Of an export: checks every file, every proof and the seal, and names each line that was altered. That the ledger was not cut, rewritten \
or forked since, only an older head can show: keep `ledger/head.json` of every export that you get. The log id \
must be the one that the hub's administrator told you by another way.

With `--store`: checks the hub's own database, each record and each fact against its leaf of the ledger, and names rows \
that were altered, added or taken away. The hub may go on working meanwhile.")]
pub(super) struct Args {
    /// The zip or the folder
    #[arg(required_unless_present = "store")]
    export: Option<PathBuf>,
    /// Check the hub's database instead of an export
    #[arg(long, conflicts_with = "export")]
    store: bool,
    /// A head from before, which this ledger must extend
    #[arg(long, value_name = "FILE")]
    head: Option<PathBuf>,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let old_head = args.head.as_deref().map(read_head).transpose()?;
    let Some(export) = &args.export else { return store(setting, old_head.as_ref(), output) };
    let report = verify::verify(export, old_head.as_ref(), Limits::default()).map_err(|e| {
        Failure::at("verify", export, e).remedy("give the zip or the folder that `windrow-hub export` made")
    })?;
    told(setting, &report, report.findings.is_empty(), words, output)
}

/// The hub's own database.
fn store(setting: &Setting, old_head: Option<&Head>, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let report = block_on(async {
        let store = database::open(&database).await?;
        let report = verify::store::check(&store, old_head).await?;
        store.store_close().await;
        Ok(report)
    })?;
    told(setting, &report, report.findings.is_empty(), words_of_store, output)
}

fn told<T: Serialize>(
    setting: &Setting,
    report: &T,
    is_good: bool,
    words: impl FnOnce(&T) -> String,
    output: &mut Output,
) -> Outcome {
    if setting.json {
        print(output, &serde_json::to_string_pretty(report).map_err(|e| Failure::new(e.to_string()))?)?;
    } else {
        print(output, &words(report))?;
    }
    Ok(if is_good { Exit::Done } else { Exit::Altered })
}

fn read_head(path: &std::path::Path) -> Result<Head, Failure> {
    let unusable = |why: String| {
        Failure::at("use the older head", path, why)
            .remedy("give a `ledger/head.json` as an export or the hub gave it")
    };
    let n_bytes = std::fs::metadata(path).map_err(|e| unusable(e.to_string()))?.len();
    if n_bytes > MAX_HEAD_BYTES as u64 {
        return Err(unusable("it is too large for a head".to_owned()));
    }
    let bytes = std::fs::read(path).map_err(|e| unusable(e.to_string()))?;
    SignedHead::read(&bytes).map(|(_, head)| head).map_err(|e| unusable(e.to_string()))
}

fn words(report: &Report) -> String {
    let mut lines = Vec::new();
    for finding in &report.findings {
        let at = finding.line.map(|line| format!(", line {line}")).unwrap_or_default();
        lines.push(format!("altered: `{}`{at}: {}", finding.file, finding.what));
    }
    if report.n_findings_untold > 0 {
        lines.push(format!("altered: {} more places", report.n_findings_untold));
    }
    let signed_at = DateTime::from_timestamp_millis(report.signed_at_ms.cast_signed());
    let signed_at = signed_at.map(|t| t.to_rfc3339_opts(SecondsFormat::Secs, true)).unwrap_or_default();
    lines.push(format!("log id   {}", report.log_id));
    lines.push(format!("head     {} leaves, signed {signed_at} by {}", report.tree_size, report.key));
    lines.push(format!(
        "checked  {} files, {} leaves, {} events, {} proofs, {} rows of tables, {} records",
        report.n_files, report.n_leaves, report.n_events, report.n_proofs, report.n_rows, report.n_records
    ));
    if report.n_erased > 0 {
        lines.push(erased(report.n_erased));
    }
    lines.push(older(report.old_tree_size));
    let verdict =
        if report.findings.is_empty() { "nothing was altered" } else { "NOT as the hub gave it out" };
    lines.push(format!("result   {verdict}"));
    lines.join("\n")
}

fn erased(n_erased: usize) -> String {
    let entries = if n_erased == 1 { "entry" } else { "entries" };
    format!(
        "erased   the texts of {n_erased} {entries} were erased on purpose, as the ledger says; their proofs hold"
    )
}

fn older(old_tree_size: Option<u64>) -> String {
    match old_tree_size {
        Some(size) => format!("older    held against a head of {size} leaves"),
        None => {
            "older    no older head was given: that the ledger was not cut or rewritten before is not shown"
                .to_owned()
        }
    }
}

fn words_of_store(report: &verify::store::Report) -> String {
    let mut lines = Vec::new();
    for finding in &report.findings {
        let row = finding.row.as_ref().map(|row| format!(", row {row}")).unwrap_or_default();
        lines.push(format!("altered: `{}`{row}: {}", finding.table, finding.what));
    }
    if report.n_findings_untold > 0 {
        lines.push(format!("altered: {} more places", report.n_findings_untold));
    }
    let log_id = if report.log_id.is_empty() { "none yet: no head was ever signed" } else { &report.log_id };
    lines.push(format!("log id   {log_id}"));
    lines.push(format!(
        "checked  {} leaves, {} events, {} heads, {} records and imported runs, {} rows of facts",
        report.n_leaves, report.n_events, report.n_heads, report.n_runs, report.n_rows
    ));
    if report.n_erased > 0 {
        lines.push(erased(report.n_erased));
    }
    lines.push(older(report.old_tree_size));
    let verdict =
        if report.findings.is_empty() { "the store is as its ledger says" } else { "NOT as the ledger says" };
    lines.push(format!("result   {verdict}"));
    lines.join("\n")
}
