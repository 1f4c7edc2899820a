//! From a finished check to a signed record.

use chrono::SecondsFormat;
use windrow_model::METHOD_VERSION;
use windrow_model::analysis::{RunAnalysis, RunContext, analyse};
use windrow_model::record::wire::{Header, Outcome, WireTrace};
use windrow_model::record::{Refusal, SignedRecord, SigningIdentity};
use windrow_model::trace::Trace;

use crate::check::CheckRun;
use crate::spool::ChainHead;

/// Version of this program.
pub const AGENT_VERSION: &str = env!("CARGO_PKG_VERSION");

/// A run as its reader will have it: the trace at the record's resolution, and the analysis of that very trace, so
/// that agent and hub see the same numbers.
#[derive(Debug)]
pub struct Measured {
    /// The trace as it travels.
    pub wire: WireTrace,
    /// The same in seconds and units.
    pub trace: Trace,
    /// What it says.
    pub analysis: RunAnalysis,
}

/// Brings a run to the record's resolution and analyses it.
///
/// # Errors
/// A trace that no record may hold; it would be a mistake of this program.
pub fn measure(run: &CheckRun) -> Result<Measured, Refusal> {
    let mut trace = run.trace.clone();
    trace.drop_implausible();
    let wire = trace.to_wire()?;
    let trace = Trace::from_wire(&wire)?;
    let analysis = analyse(&trace, &context_of(run));
    Ok(Measured { wire, trace, analysis })
}

fn context_of(run: &CheckRun) -> RunContext {
    RunContext {
        ambient: run.context.ambient,
        protocol: Some(run.protocol),
        limit_c: run.limit.as_ref().map(|l| l.limit_c),
        on_ac: run.context.on_ac,
        platform_profile: run.context.platform_profile.clone(),
        events: run.events.clone(),
    }
}

/// The record of a run, signed, as the next link of the device's chain. An attempt carries no metrics.
///
/// # Errors
/// What a hub would refuse is not signed; it would be a mistake of this program.
pub fn sign(
    run: &CheckRun,
    measured: &Measured,
    head: &ChainHead,
    signing: &SigningIdentity,
) -> Result<SignedRecord, Refusal> {
    let metrics = (run.outcome != Outcome::NotStarted).then(|| measured.analysis.metrics.clone());
    let header = Header {
        sequence: head.sequence + 1,
        previous_digest: head.digest.clone(),
        boot_id: run.boot_id.clone(),
        started_at: run.started_at.to_rfc3339_opts(SecondsFormat::Millis, true),
        provenance: run.provenance,
        emulation: run.emulation.clone(),
        model: run.model.clone(),
        platform: run.platform.clone(),
        agent_version: AGENT_VERSION.to_owned(),
        method_version: METHOD_VERSION.to_owned(),
        load_mix: run.load_mix.clone(),
        protocol: run.protocol,
        outcome: run.outcome,
        pre_checks: run.pre_checks.clone(),
        context: run.context.clone(),
        sources: run.sources.clone(),
        limit: run.limit.clone(),
        events: run.events.clone(),
        metrics,
        ext: serde_json::Map::new(),
        // Filled in by the signer.
        schema: String::new(),
        device_id: String::new(),
        key_id: String::new(),
        trace_digest: String::new(),
        digest: String::new(),
        signature: String::new(),
    };
    signing.sign_record(header, measured.wire.clone())
}
