//! `windrow-hub export`: tables with what proves them, as a folder or a zip.

use std::path::{Path, PathBuf};

use chrono::{DateTime, SecondsFormat, Utc};

use super::{Outcome, Setting, as_of, block_on, print};
use crate::costs;
use crate::database;
use crate::exit::Exit;
use crate::export::bundle::{self, Parts};
use crate::export::gather::{self, Judged, Reading};
use crate::export::sink::Sink;
use crate::export::tables::Which;
use crate::failure::Failure;
use crate::judgement;
use crate::output::Output;
use crate::scoring::Standing;
use crate::store::Store;

/// Arguments of `export`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub export --to audit-2026.zip
  windrow-hub export --to fleet --kind fleet --as-of 2026-06-30
  windrow-hub export --to evidence.zip --with-records

Each table as CSV, XLSX, JSON and NDJSON, with the ledger's signed head, proofs, and sums that `sha256sum -c` accepts. \
`windrow-hub verify` checks it anywhere, without the hub. The same ledger head, method version and as-of time give the \
same bytes.")]
pub(super) struct Args {
    /// A new folder, or a new file that ends in `.zip`
    #[arg(long, value_name = "DIR|FILE.zip")]
    to: PathBuf,
    /// Only this table; may be given more than once
    #[arg(long, value_enum)]
    kind: Vec<Which>,
    /// Judge as of the end of this day (UTC), or of this time (RFC 3339), instead of now
    #[arg(long, value_name = "DAY|TIME", value_parser = as_of)]
    as_of: Option<DateTime<Utc>>,
    /// The records themselves too, as they were received, each with its proof
    #[arg(long)]
    with_records: bool,
    /// What things cost, TOML; what it leaves out has its default
    #[arg(long, value_name = "FILE")]
    costs: Option<PathBuf>,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let as_of = args.as_of.unwrap_or_else(|| setting.clock.now());
    let as_of = DateTime::from_timestamp(as_of.timestamp(), 0).unwrap_or(as_of);
    let mut which = if args.kind.is_empty() { Which::ALL.to_vec() } else { args.kind.clone() };
    which.sort_unstable();
    which.dedup();
    let costs = args.costs.as_deref().map(costs::read).transpose()?;
    let summary = block_on(async {
        let store = database::open(&database).await?;
        let costs = costs::in_force::of_command(&store, costs).await?;
        let fleet = judgement::judged_fleet(&store, &setting.clock, as_of.timestamp_millis(), &costs).await?;
        let visits = gather::visits(&store, as_of.timestamp_millis()).await?;
        let to_prove = fleet.standings.iter().map(Standing::digest);
        let ledger = gather::ledger(&store, setting.clock.now_ms(), to_prove).await?;
        let source = Reading::new(store.clone());
        let (to, with_records) = (args.to.clone(), args.with_records);
        let summary = tokio::task::spawn_blocking(move || {
            let judged = Judged { standings: &fleet.standings, coverage: &fleet.coverage, as_of };
            let parts = Parts { judged, visits: &visits, ledger: &ledger, source: &source };
            write(&to, &parts, &which, with_records)?;
            let n_laptops = fleet.standings.len();
            Ok(Summary { n_laptops, log_id: ledger.head.log_id.clone(), tree_size: ledger.head.tree_size })
        });
        let summary = summary.await.map_err(|e| Failure::new(format!("the export broke off: {e}")))?;
        store.store_close().await;
        summary
    })?;
    let as_of = as_of.to_rfc3339_opts(SecondsFormat::Secs, true);
    let Summary { n_laptops, log_id, tree_size } = summary;
    let said = if setting.json {
        serde_json::json!({
            "to": args.to, "as_of": as_of, "laptops": n_laptops, "log_id": log_id, "tree_size": tree_size,
        })
        .to_string()
    } else {
        let to = args.to.display();
        format!(
            "exported to `{to}`, as of {as_of}: {n_laptops} laptops, ledger of {tree_size} leaves, log id {log_id}"
        )
    };
    print(output, &said)?;
    Ok(Exit::Done)
}

/// What an export was made of.
struct Summary {
    n_laptops: usize,
    log_id: String,
    tree_size: u64,
}

fn write(to: &Path, parts: &Parts<'_>, which: &[Which], with_records: bool) -> Result<(), Failure> {
    let failed = |e: std::io::Error| {
        Failure::at("write the export to", to, e)
            .remedy("name a folder or zip that is not there yet, on a disk with room")
    };
    let mut sink = Sink::create(to).map_err(failed)?;
    let written = bundle::write(&mut sink, parts, which, with_records)
        .and_then(|()| bundle::seal(&mut sink, parts.ledger));
    if let Err(e) = written {
        sink.give_up();
        return Err(failed(e));
    }
    sink.finish().map_err(failed)
}
