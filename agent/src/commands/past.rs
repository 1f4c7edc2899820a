//! `windrow past`: this laptop's checks, newest last, and each one's verdict again.

use chrono::Utc;
use serde::Serialize;
use windrow_model::analysis::{RunContext, analyse};
use windrow_model::record::ReceivedRecord;
use windrow_model::record::wire::{Header, Outcome as RunOutcome, Provenance};
use windrow_model::trace::Trace;
use windrow_model::verdict::wrap;

use super::kept::{self, Found, read};
use super::own_past::OwnPast;
use super::result::{About, Judged};
use super::{print, print_json, settings};
use crate::cli::PastArgs;
use crate::exit::Exit;
use crate::failure::{Failure, Outcome};
use crate::output::Output;
use crate::reference;
use crate::spool::Spool;
use crate::state::StateDir;
use crate::wanted;

const WIDTH: usize = 79;
const INDENT: usize = 6;

/// A check in the list.
#[derive(Debug, Serialize)]
struct Row {
    number: u64,
    device_id: String,
    started_at: String,
    model: String,
    provenance: Provenance,
    outcome: RunOutcome,
    /// `sent`, `waiting` or `set_aside`.
    state: &'static str,
    standing: windrow_model::verdict::Standing,
    headline: String,
    record_digest: String,
}

pub(super) fn run(args: &PastArgs, state: &StateDir, output: &mut Output) -> Outcome {
    let spool = Spool::new(state);
    let found = kept::all(&spool)?;
    match args.number {
        None => {
            list(&spool, &found, args.json, output)?;
            if let Some(wanted) = wanted::wanted(state)? {
                output.say(&wanted.words(Utc::now()));
            }
            Ok(Exit::Done)
        }
        Some(number) => show(state, &found, number, args, output),
    }
}

fn list(spool: &Spool, found: &[Found], json: bool, output: &mut Output) -> Result<(), Failure> {
    let mut rows = Vec::new();
    for one in found {
        // One damaged file doesn't hide the others.
        match read(spool, one).and_then(|r| row(&r, one)) {
            Ok(row) => rows.push(row),
            Err(failure) => output.say(&format!("warning: {failure}")),
        }
    }
    if json {
        print_json(output, &rows)?;
    } else if rows.is_empty() {
        print(output, "No checks yet. `windrow check` makes one.")?;
    } else {
        for row in &rows {
            print(output, &line(row))?;
        }
    }
    Ok(())
}

fn line(row: &Row) -> String {
    let emulated = if row.provenance == Provenance::Emulated { " (emulated)" } else { "" };
    let when = row.started_at.get(..16).unwrap_or(&row.started_at).replace('T', " ");
    let state = row.state.replace('_', " ");
    let first = format!("{:>4}  {when}  {:<9}  {}{emulated}", row.number, state, row.model);
    let headline = wrap(&row.headline, WIDTH - INDENT);
    let lines = headline.iter().map(|line| format!("{:INDENT$}{line}", ""));
    std::iter::once(first).chain(lines).collect::<Vec<_>>().join("\n")
}

fn show(state: &StateDir, found: &[Found], number: u64, args: &PastArgs, output: &mut Output) -> Outcome {
    let spool = &Spool::new(state);
    let one = found.iter().rfind(|f| f.waiting.name.sequence == number).ok_or_else(|| {
        Failure::new(format!("no past check has the number {number}"))
            .remedy("run `windrow past` for the list")
    })?;
    if let Some(path) = &args.report {
        settings::writable(path)?;
    }
    let received = read(spool, one)?;
    let header = &received.record().header;
    let (trace, analysis) = analysed(&received, one)?;
    let past = OwnPast::before(spool, header);
    let change = past.change(header, &trace);
    let peers = reference::kept(state, header).and_then(|kept| past.beside(&kept.document, header, &trace));
    let judged = Judged::new(About::of_header(header), &trace, &analysis)
        .with_peers(peers.as_ref())
        .with_change(change.as_ref());
    if args.json {
        print_json(output, &judged.json())?;
    } else {
        print(output, &format!("Check {number} of {}, {}\n", header.started_at, header.model.product))?;
        print(output, &judged.text())?;
    }
    if let Some(path) = &args.report {
        judged.write_page(path)?;
        output.say(&format!("Page: {}", path.display()));
    }
    Ok(Exit::Done)
}

fn analysed(
    received: &ReceivedRecord,
    one: &Found,
) -> Result<(Trace, windrow_model::analysis::RunAnalysis), Failure> {
    let record = received.record();
    let wire = record
        .trace
        .as_ref()
        .ok_or_else(|| Failure::at("use the record", &one.waiting.path, "it has no trace"))?;
    let trace = Trace::from_wire(wire).map_err(|e| Failure::at("use the record", &one.waiting.path, e))?;
    let analysis = analyse(&trace, &RunContext::from_header(&record.header));
    Ok((trace, analysis))
}

fn row(received: &ReceivedRecord, one: &Found) -> Result<Row, Failure> {
    let header: &Header = &received.record().header;
    let (trace, analysis) = analysed(received, one)?;
    let verdict = Judged::new(About::of_header(header), &trace, &analysis).verdict;
    Ok(Row {
        number: header.sequence,
        device_id: header.device_id.clone(),
        started_at: header.started_at.clone(),
        model: header.model.product.clone(),
        provenance: header.provenance,
        outcome: header.outcome,
        state: one.state,
        standing: verdict.standing,
        headline: verdict.headline,
        record_digest: header.digest.clone(),
    })
}
