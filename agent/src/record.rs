//! From a finished check to a signed record.

use chrono::SecondsFormat;
use windrow_model::METHOD_VERSION;
use windrow_model::analysis::{RunAnalysis, RunContext, analyse};
use windrow_model::record::wire::{Header, Outcome};
use windrow_model::record::{Refusal, SignedRecord, SigningIdentity};

use crate::check::CheckRun;
use crate::spool::ChainHead;

/// Version of this program.
pub const AGENT_VERSION: &str = env!("CARGO_PKG_VERSION");

/// What is known of a run beside its trace.
pub fn context_of(run: &CheckRun) -> RunContext {
    RunContext {
        ambient: run.context.ambient,
        protocol: Some(run.protocol),
        limit_c: run.limit.as_ref().map(|l| l.limit_c),
        on_ac: run.context.on_ac,
        events: run.events.clone(),
    }
}

/// Analyses a run.
pub fn analysis_of(run: &CheckRun) -> RunAnalysis {
    analyse(&run.trace, &context_of(run))
}

/// The record of a run, signed, as the next link of the device's chain. An attempt carries no metrics.
///
/// # Errors
/// What a hub would refuse is not signed; it would be a mistake of this program.
pub fn sign(
    run: &CheckRun,
    analysis: &RunAnalysis,
    head: &ChainHead,
    signing: &SigningIdentity,
) -> Result<SignedRecord, Refusal> {
    let mut trace = run.trace.clone();
    trace.drop_implausible();
    let trace = trace.to_wire()?;
    let metrics = (run.outcome != Outcome::NotStarted).then(|| analysis.metrics.clone());
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
    signing.sign_record(header, trace)
}
