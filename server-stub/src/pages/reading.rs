//! From what the store holds to what one page shows.

use std::collections::BTreeMap;

use serde::Deserialize;
use windrow_model::analysis::analyse;
use windrow_model::measured::Measured;
use windrow_model::record::wire::{Header, Outcome, Provenance};
use windrow_model::trace::fleet::ServiceAction;
use windrow_model::verdict::{Case, Origin, judge};

use super::laptop::{Outlook, ServiceDay, ShownRun};
use super::service_list::Overlay;
use crate::measure;
use crate::scoring::Standing;
use crate::store::facts::{Mark, MarkKind};
use crate::store::runs::{RunLine, RunOfModel, WholeRun};
use crate::store::{EpochMs, Store, StoreError};

/// A laptop's services by day, earliest first.
///
/// # Errors
/// If the store fails.
pub async fn services<S: Store>(store: &S, device_id: &str) -> Result<Vec<ServiceDay>, StoreError> {
    let mut by_day: BTreeMap<_, Vec<_>> = BTreeMap::new();
    for service in store.service_list_of_device(device_id.to_owned()).await? {
        by_day.entry(service.serviced_on).or_default().push(service.action);
    }
    Ok(by_day.into_iter().map(|(on, actions)| ServiceDay { on, actions }).collect())
}

/// What a judgement rests on, strongest first, in words.
pub fn evidence(standing: &Standing) -> Vec<String> {
    standing.evidence.iter().map(crate::scoring::words::piece).collect()
}

/// What the judgement advises to do: nothing where it advises no visit, or a check first.
pub fn advised(standing: &Standing) -> Vec<ServiceAction> {
    if !standing.band.is_visit() {
        return Vec::new();
    }
    standing.suspected.iter().map(|s| s.fault.action()).collect()
}

/// When a limit will be passed; `None`: nothing says so, or it is passed already.
pub fn outlook(standing: &Standing) -> Option<Outlook> {
    let forecast = standing.forecast_ahead()?;
    let what = forecast.fault.part();
    Some(Outlook { what, even_on: forecast.due_on, early_on: forecast.early_on, late_on: forecast.late_on })
}

/// What is laid over the laptops' lines, by device id.
pub fn overlays(marks: Vec<Mark>) -> BTreeMap<String, Overlay> {
    let mut overlays: BTreeMap<String, Overlay> = BTreeMap::new();
    for mark in marks {
        let overlay = overlays.entry(mark.device_id).or_default();
        let until = mark.until_ms.and_then(super::words::date);
        match mark.kind {
            MarkKind::Hold => overlay.held = Some(mark.why),
            MarkKind::Snooze => overlay.snoozed = until.map(|until| (until, mark.why)),
            MarkKind::Check => overlay.check_wanted_by = until,
        }
    }
    overlays
}

/// A stored run read again; `None` where its trace cannot be read.
pub fn shown_run(line: &RunLine, run: &WholeRun) -> Option<ShownRun> {
    let trace = measure::unpack(&run.trace_zstd).ok()?;
    let header: Option<Header> = run.header_json.as_deref().and_then(|h| serde_json::from_slice(h).ok());
    let context = measure::context_of(header.as_ref(), run.ambient_c, run.ambient_sd_k, run.on_ac);
    let analysis = analyse(&trace, &context);
    let faults = header.as_ref().and_then(|h| h.emulation.as_ref()).map_or("", |e| e.faults.as_str());
    let origin = match header.as_ref().map(|h| h.provenance) {
        None => Origin::Imported,
        Some(Provenance::Measured) => Origin::Measured,
        Some(Provenance::Emulated) => Origin::Emulated { faults },
    };
    let verdict = judge(&Case {
        origin,
        trace: &trace,
        analysis: &analysis,
        limit: header.as_ref().and_then(|h| h.limit.as_ref()),
        protocol: header.as_ref().map(|h| &h.protocol),
        context: header.as_ref().map(|h| &h.context),
        outcome: header.as_ref().map_or(Outcome::Complete, |h| h.outcome),
        events: header.as_ref().map_or(&[], |h| &h.events),
        pre_checks: header.as_ref().map_or(&[], |h| &h.pre_checks),
    });
    Some(ShownRun {
        digest: line.digest.to_hex(),
        tested_at_ms: line.tested_at_ms,
        header,
        trace,
        analysis,
        verdict,
    })
}

/// A run of a model with its metrics read.
#[derive(Debug, Clone)]
pub struct ModelRun {
    /// The laptop.
    pub device_id: String,
    /// Firmware version; may be empty.
    pub firmware: String,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// The hub's metrics, as far as a model's page tells them.
    pub metrics: ModelMetrics,
}

/// The metrics that a model's page tells. Of the others nothing is read.
#[derive(Debug, Clone, Deserialize)]
pub struct ModelMetrics {
    /// Fan speed gained per kelvin of rise, rpm/K.
    pub fan_gain_rpm_per_k: Measured,
    /// Highest sustained fan speed, rpm.
    pub fan_max_rpm: Measured,
    /// Fast-branch thermal resistance, K/W.
    pub r_contact_k_per_w: Measured,
    /// Median package power in steady load, W.
    pub power_sustained_w: Measured,
    /// Highest sustained temperature, °C.
    pub peak_c: Measured,
}

/// Runs of a model with their metrics read; what cannot be read is left out.
pub fn model_runs(runs: Vec<RunOfModel>) -> Vec<ModelRun> {
    runs.into_iter()
        .filter_map(|run| {
            let metrics = serde_json::from_slice(&run.metrics_json).ok()?;
            let RunOfModel { device_id, firmware, tested_at_ms, .. } = run;
            Some(ModelRun { device_id, firmware, tested_at_ms, metrics })
        })
        .collect()
}
