//! After the run: the record into the spool first, then words, files and the post.

use serde::Serialize;
use windrow_model::record::wire::{Header, Outcome as RunOutcome};
use windrow_model::record::{SignedRecord, SigningIdentity};
use windrow_model::trace::file;

use super::exit_of_verdict;
use super::plan::{Plan, Show};
use crate::browser::Window;
use crate::check::CheckRun;
use crate::commands::own_past::OwnPast;
use crate::commands::result::{About, Judged, ResultJson};
use crate::commands::{post, print, print_json, settings};
use crate::exit::Exit;
use crate::failure::{Failure, Outcome};
use crate::hub::HubAddress;
use crate::output::Output;
use crate::post::{Patience, SendReport};
use crate::record;
use crate::reference::{self, Fetched, Reference};
use crate::report;
use crate::spool::Spool;
use crate::state::StateDir;
use crate::stop::StopFlag;

/// The result for programs, with what became of the record.
#[derive(Debug, Serialize)]
struct CheckJson<'a> {
    #[serde(flatten)]
    result: ResultJson<'a>,
    record_file: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    sent: Option<&'a SendReport>,
}

/// What the record goes through after the run.
#[derive(Debug, Clone, Copy)]
pub(super) struct After<'a> {
    pub(super) state: &'a StateDir,
    pub(super) spool: &'a Spool,
    pub(super) signing: &'a SigningIdentity,
    pub(super) hub: Option<&'a HubAddress>,
    pub(super) stop: &'a StopFlag,
    pub(super) window: Option<&'a Window>,
}

pub(super) fn conclude(plan: &Plan, run: &CheckRun, after: &After<'_>, output: &mut Output) -> Outcome {
    let After { spool, signing, window, .. } = *after;
    let measured = record::measure(run).map_err(|e| unsignable(&e))?;
    let signed =
        record::sign(run, &measured, &spool.chain_head(signing)?, signing).map_err(|e| unsignable(&e))?;
    let waiting = spool.append(&signed)?;
    let header = &signed.record.header;
    let (reference, already_sent) = reference(after, header, output)?;
    let past = OwnPast::before(spool, header);
    let change = past.change(header, &measured.trace);
    let peers = reference.and_then(|kept| past.beside(&kept.document, header, &measured.trace));
    let judged = Judged::new(About::of_header(header), &measured.trace, &measured.analysis)
        .with_peers(peers.as_ref())
        .with_change(change.as_ref());
    if let Some(window) = window {
        let page = judged.page();
        window.show_verdict(report::page(&page), report::body(&page));
    }
    let written = write_files(plan, run, &judged, output);
    // With JSON what became of the record belongs into the one document; else the person reads the verdict first.
    if plan.show != Show::Json {
        show(plan, &judged, &signed, output)?;
    }
    let sent = match already_sent {
        Some(report) => Some(report),
        None => after.hub.map(|hub| send(after, hub)).transpose()?,
    };
    if let (Some(report), Some(hub)) = (&sent, after.hub) {
        post::tell(report, hub, output);
    }
    if plan.show == Show::Json {
        let json = CheckJson {
            result: judged.json(),
            record_file: waiting.path.display().to_string(),
            sent: sent.as_ref(),
        };
        print_json(output, &json)?;
    }
    written?;
    let of_verdict = exit_of_verdict(judged.verdict.standing, run.outcome, &run.events);
    let of_post = sent.as_ref().map_or(Exit::Done, post::exit_of);
    // What the check found matters more to whoever called it than what the network did.
    Ok(if of_verdict == Exit::Done { of_post } else { of_verdict })
}

fn show(plan: &Plan, judged: &Judged<'_>, signed: &SignedRecord, output: &mut Output) -> Result<(), Failure> {
    if plan.show == Show::Record {
        let text = String::from_utf8_lossy(&signed.bytes);
        return print(output, &text);
    }
    print(output, &judged.text())
}

/// A page that cannot be written loses neither the record nor the verdict.
fn write_files(plan: &Plan, run: &CheckRun, judged: &Judged<'_>, output: &mut Output) -> Result<(), Failure> {
    if let Some(path) = &plan.trace {
        settings::write(path, &file::write(&run.trace))?;
        output.say(&format!("Trace: {}", path.display()));
    }
    if let Some(path) = &plan.report {
        judged.write_page(path)?;
        output.say(&format!("Page: {}", path.display()));
    }
    Ok(())
}

/// A person who ended the check isn't kept waiting by the network either: then the record stays in the spool.
fn send(after: &After<'_>, hub: &HubAddress) -> Result<SendReport, Failure> {
    post::send(after.state, hub, Patience::AFTER_CHECK, after.stop)
}

/// The model's reference, fresh from the hub where that can be reached, else as it was kept. The hub knows a laptop's
/// model from its first record: then that goes out before the verdict, which is the better for it.
fn reference(
    after: &After<'_>,
    header: &Header,
    output: &mut Output,
) -> Result<(Option<Reference>, Option<SendReport>), Failure> {
    let may_ask = |hub: &&HubAddress| reference::may_ask(after.state, hub, after.signing);
    let (true, Some(hub)) = (header.outcome == RunOutcome::Complete, after.hub.filter(may_ask)) else {
        return Ok((reference::kept(after.state, header), None));
    };
    let fetch = || reference::fetch(after.state, hub, after.signing, header, after.stop);
    let mut fetched = fetch()?;
    let mut sent = None;
    if fetched == Fetched::AfterFirstRecord {
        let report = send(after, hub)?;
        if report.n_waiting == 0 {
            fetched = fetch()?;
        }
        sent = Some(report);
    }
    let kept = reference::kept(after.state, header);
    if let (Fetched::No { why }, Some(kept)) = (&fetched, &kept) {
        let day = kept.fetched_at.format("%Y-%m-%d");
        output.say(&format!("Compared with the model's reference of {day}; no newer one came: {why}"));
    }
    Ok((kept, sent))
}

/// A mistake of ours: the check made something that the format forbids.
fn unsignable(refusal: &windrow_model::record::Refusal) -> Failure {
    Failure::new(format!("the check's record breaks its own format: {refusal}")).remedy(
        "report this with the output of `windrow survey`; `--trace FILE` keeps the samples of the next check",
    )
}
