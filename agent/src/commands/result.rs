//! A judged run: what check, past and replay show alike, as text, as JSON and as a page.

use std::path::Path;

use serde::Serialize;
use windrow_model::analysis::RunAnalysis;
use windrow_model::history::Change;
use windrow_model::record::wire::{self, Limit, Metrics};
use windrow_model::reference::AgainstPeers;
use windrow_model::trace::Trace;
use windrow_model::verdict::{self, Case, Origin, Verdict};

use super::settings;
use crate::failure::Failure;
use crate::report;

/// What is known of a run beside trace and analysis.
#[derive(Debug, Clone, Copy)]
pub(super) struct About<'a> {
    pub(super) origin: Origin<'a>,
    pub(super) model: Option<&'a wire::Model>,
    pub(super) started_at: Option<&'a str>,
    pub(super) digest: Option<&'a str>,
    pub(super) limit: Option<&'a Limit>,
    pub(super) protocol: Option<&'a windrow_model::protocol::Protocol>,
    pub(super) context: Option<&'a wire::Context>,
    pub(super) outcome: wire::Outcome,
    pub(super) events: &'a [wire::Event],
    pub(super) pre_checks: &'a [wire::PreCheck],
    pub(super) sources: &'a [wire::Source],
}

impl<'a> About<'a> {
    /// What a record's header says.
    pub(super) fn of_header(header: &'a wire::Header) -> Self {
        let faults = header.emulation.as_ref().map_or("", |e| e.faults.as_str());
        Self {
            origin: match header.provenance {
                wire::Provenance::Measured => Origin::Measured,
                wire::Provenance::Emulated => Origin::Emulated { faults },
            },
            model: Some(&header.model),
            started_at: Some(&header.started_at),
            digest: Some(&header.digest),
            limit: header.limit.as_ref(),
            protocol: Some(&header.protocol),
            context: Some(&header.context),
            outcome: header.outcome,
            events: &header.events,
            pre_checks: &header.pre_checks,
            sources: &header.sources,
        }
    }
}

/// A run, judged.
#[derive(Debug)]
pub(super) struct Judged<'a> {
    pub(super) about: About<'a>,
    pub(super) trace: &'a Trace,
    pub(super) analysis: &'a RunAnalysis,
    pub(super) verdict: Verdict,
}

/// The result for programs.
#[derive(Debug, Serialize)]
pub(super) struct ResultJson<'a> {
    pub(super) provenance: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) model: Option<&'a wire::Model>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) started_at: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) record_digest: Option<&'a str>,
    pub(super) outcome: wire::Outcome,
    pub(super) verdict: &'a Verdict,
    pub(super) method_version: &'static str,
    pub(super) metrics: &'a Metrics,
}

impl<'a> Judged<'a> {
    pub(super) fn new(about: About<'a>, trace: &'a Trace, analysis: &'a RunAnalysis) -> Self {
        let verdict = verdict::judge(&Case {
            origin: about.origin,
            trace,
            analysis,
            limit: about.limit,
            protocol: about.protocol,
            context: about.context,
            outcome: about.outcome,
            events: about.events,
            pre_checks: about.pre_checks,
        });
        Self { about, trace, analysis, verdict }
    }

    /// The same beside other laptops of its model.
    pub(super) fn with_peers(self, peers: Option<&AgainstPeers>) -> Self {
        match peers {
            Some(peers) => Self { verdict: verdict::with_peers(self.verdict, peers), ..self },
            None => self,
        }
    }

    /// The same with what changed since earlier checks.
    pub(super) fn with_change(self, change: Option<&Change>) -> Self {
        match change {
            Some(change) => Self { verdict: verdict::with_change(self.verdict, change), ..self },
            None => self,
        }
    }

    pub(super) fn json(&self) -> ResultJson<'_> {
        ResultJson {
            provenance: match self.about.origin {
                Origin::Measured => "measured",
                Origin::Emulated { .. } => "emulated",
                Origin::Imported => "imported",
            },
            model: self.about.model,
            started_at: self.about.started_at,
            record_digest: self.about.digest,
            outcome: self.about.outcome,
            verdict: &self.verdict,
            method_version: windrow_model::METHOD_VERSION,
            metrics: &self.analysis.metrics,
        }
    }

    pub(super) fn text(&self) -> String {
        verdict::to_text(&self.verdict)
    }

    /// Writes the page.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub(super) fn write_page(&self, path: &Path) -> Result<(), Failure> {
        settings::write(path, report::page(&self.page()).as_bytes())
    }

    /// What the page is made of.
    pub(super) fn page(&self) -> report::Page<'_> {
        report::Page {
            origin: self.about.origin,
            model: self.about.model,
            started_at: self.about.started_at,
            digest: self.about.digest,
            limit: self.about.limit,
            context: self.about.context,
            events: self.about.events,
            pre_checks: self.about.pre_checks,
            sources: self.about.sources,
            trace: self.trace,
            analysis: self.analysis,
            verdict: &self.verdict,
        }
    }
}
