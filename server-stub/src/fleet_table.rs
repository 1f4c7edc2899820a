//! The fleet as a table: one row a laptop, the same columns for people and programs.

use chrono::{DateTime, SecondsFormat};
use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::METHOD_VERSION;
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use windrow_model::condition::judge::{Condition, Interval};

use crate::coverage::{Coverage, CoverageState};
use crate::scoring::{
    Band, Evidence, Figure, Forecast, JudgedFleet, PeerRange, ReasonCode, Standing, Suspicion, Versions,
};
use crate::store::EpochMs;

/// Significant digits of printed numbers: more than any sensor has.
const DIGITS: i32 = 6;

/// A laptop's row. The names and their order are a promise to other programs.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Row {
    rank: usize,
    device_id: String,
    asset_tag: String,
    model: String,
    site: String,
    coverage_state: Option<CoverageState>,
    last_tested_at: String,
    received_at: String,
    band: Band,
    visit_benefit: f64,
    p_clogged: Option<f64>,
    p_fan: Option<f64>,
    p_contact: Option<f64>,
    airflow_fraction: Option<f64>,
    airflow_low: Option<f64>,
    airflow_high: Option<f64>,
    fan_factor: Option<f64>,
    fan_low: Option<f64>,
    fan_high: Option<f64>,
    contact_factor: Option<f64>,
    contact_low: Option<f64>,
    contact_high: Option<f64>,
    peak_c: Option<f64>,
    rise_k: Option<f64>,
    rise_rate_k_s: Option<f64>,
    recovery_half_s: Option<f64>,
    fan_delay_s: Option<f64>,
    fan_max_rpm: Option<f64>,
    throttled_load_share: Option<f64>,
    ambient_c: Option<f64>,
    ambient_sd_k: Option<f64>,
    channels: String,
    runs: usize,
    reason_code: ReasonCode,
    reason: String,
    due_on: Option<String>,
    last_service_on: Option<String>,
    last_service_action: Option<String>,
    visited_by_role: Option<String>,
    method_version: &'static str,
    load_mix: String,
    record_digest: String,
    provenance: String,
}

/// A row with what it rests on.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Explained {
    #[serde(flatten)]
    row: Row,
    /// Faults that a visit should see to, likeliest first.
    suspected: Vec<Suspicion>,
    evidence: Vec<Evidence>,
    forecast: Option<Forecast>,
    /// What it was judged by, beside the method version.
    versions: Versions,
    /// Whether the agent's own metrics of the last run are the hub's; absent where there is nothing to compare.
    agent_metrics_agree: Option<bool>,
}

/// One laptop of a list for people.
#[derive(Debug, Clone)]
pub struct Shown<'a> {
    /// From 1, the most urgent.
    pub rank: usize,
    /// A name to find it by; it says so where the runs aren't a real machine's own.
    pub laptop: String,
    /// Its model.
    pub model: &'a str,
    /// Where it is.
    pub site: &'a str,
    /// Why, with the strongest evidence.
    pub reason: &'a str,
    /// Day of the last check, UTC, `YYYY-MM-DD`.
    pub tested_on: &'a str,
}

/// Which laptops are shown. References and ranks are the whole fleet's all the same.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Only this site.
    pub site: Option<String>,
    /// Only this model.
    pub model: Option<String>,
    /// Only the first so many.
    pub limit: Option<usize>,
}

/// The rows of a judged fleet.
pub fn rows(fleet: &JudgedFleet, filter: &Filter) -> Vec<Explained> {
    let is_asked = |wanted: &Option<String>, found: &str| wanted.as_deref().is_none_or(|w| w == found);
    fleet
        .standings
        .iter()
        .enumerate()
        .map(|(idx, standing)| explained(idx + 1, standing, &fleet.versions, &fleet.coverage))
        .filter(|e| is_asked(&filter.site, &e.row.site) && is_asked(&filter.model, &e.row.model))
        .take(filter.limit.unwrap_or(usize::MAX))
        .collect()
}

/// A laptop's row with what it rests on, by its rank from 1.
pub fn explained(rank: usize, standing: &Standing, versions: &Versions, coverage: &Coverage) -> Explained {
    Explained {
        row: row(rank, standing, coverage),
        suspected: standing
            .suspected
            .iter()
            .map(|s| Suspicion { probability: tidy(s.probability), ..*s })
            .collect(),
        evidence: standing.evidence.iter().map(tidy_evidence).collect(),
        forecast: standing.forecast,
        versions: versions.clone(),
        agent_metrics_agree: standing.last.agrees,
    }
}

/// A laptop's row, by its rank from 1.
pub fn row(rank: usize, standing: &Standing, coverage: &Coverage) -> Row {
    let run = &standing.last;
    let figure = |which: Figure| run.figures.as_ref().and_then(|f| f.get(which)).map(tidy);
    let p = |of: fn(&Condition) -> f64| standing.condition.as_ref().map(|c| tidy(of(c)));
    let [airflow, fan, contact] = intervals(standing.condition.as_deref());
    let (service_on, service_action) = standing.last_service.as_ref().map_or((None, None), |service| {
        let actions: Vec<&str> = service.actions.iter().map(|a: &ServiceAction| a.name()).collect();
        (Some(service.on.to_string()), Some(actions.join(" ")))
    });
    let logged = standing.last_service.as_ref().and_then(|service| service.logged.as_ref());
    Row {
        rank,
        device_id: run.device_id.to_string(),
        asset_tag: run.asset_tag.to_string(),
        model: run.kind.model_name.clone(),
        site: run.kind.site.clone(),
        coverage_state: coverage.state_of(&run.device_id),
        last_tested_at: time(run.tested_at_ms),
        received_at: time(run.received_at_ms),
        band: standing.band,
        visit_benefit: tidy(standing.visit_benefit),
        p_clogged: p(|c| c.p_clogged),
        p_fan: p(|c| c.p_fan),
        p_contact: p(|c| c.p_contact),
        airflow_fraction: airflow.mid,
        airflow_low: airflow.low,
        airflow_high: airflow.high,
        fan_factor: fan.mid,
        fan_low: fan.low,
        fan_high: fan.high,
        contact_factor: contact.mid,
        contact_low: contact.low,
        contact_high: contact.high,
        peak_c: figure(Figure::PeakC),
        rise_k: figure(Figure::RiseK),
        rise_rate_k_s: figure(Figure::RiseRateEarlyKPerS),
        recovery_half_s: figure(Figure::RecoveryHalfS),
        fan_delay_s: figure(Figure::FanDelayS),
        fan_max_rpm: figure(Figure::FanMaxRpm),
        throttled_load_share: figure(Figure::ThrottledLoadShare),
        ambient_c: run.ambient_c.map(tidy),
        ambient_sd_k: run.ambient_sd_k.map(tidy),
        channels: run.kind.channels.clone(),
        runs: standing.n_runs,
        reason_code: standing.reason_code,
        reason: standing.reason.to_string(),
        due_on: standing.due_on.map(|d| d.to_string()),
        last_service_on: service_on,
        last_service_action: service_action,
        visited_by_role: logged.map(|l| l.by_role.clone()),
        method_version: METHOD_VERSION,
        load_mix: run.kind.load_mix.clone(),
        record_digest: standing.digest().to_hex(),
        provenance: run.kind.of.provenance.clone(),
    }
}

/// The cells of one condition number.
#[derive(Default)]
struct Cells {
    mid: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
}

/// Airflow, fan and contact.
fn intervals(condition: Option<&Condition>) -> [Cells; 3] {
    let cells = |i: Option<Interval>| {
        i.map_or_else(Cells::default, |i| Cells {
            mid: Some(tidy(i.mid)),
            low: Some(tidy(i.low)),
            high: Some(tidy(i.high)),
        })
    };
    condition.map_or_else(Default::default, |c| [cells(c.airflow), cells(c.fan), cells(Some(c.contact))])
}

fn time(ms: EpochMs) -> String {
    let time = DateTime::from_timestamp_millis(ms);
    time.map(|t| t.to_rfc3339_opts(SecondsFormat::Secs, true)).unwrap_or_default()
}

fn tidy_evidence(evidence: &Evidence) -> Evidence {
    Evidence {
        metric: evidence.metric,
        value: tidy(evidence.value),
        low: evidence.low.map(tidy),
        high: evidence.high.map(tidy),
        peers: evidence.peers.map(|p| PeerRange {
            low: tidy(p.low),
            median: tidy(p.median),
            high: tidy(p.high),
            ..p
        }),
    }
}

/// Rounded to significant digits, so that no file is full of digits that mean nothing.
fn tidy(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let factor = 10_f64.powi(DIGITS - 1 - value.abs().log10().floor() as i32);
    (value * factor).round() / factor
}

/// The rows as CSV (RFC 4180) with a header.
///
/// # Errors
/// None that memory doesn't give.
pub fn csv(rows: &[Explained]) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    for explained in rows {
        writer.serialize(&explained.row)?;
    }
    if rows.is_empty() {
        writer.write_record(COLUMNS)?;
    }
    writer.into_inner().map_err(|e| e.into_error().into())
}

/// Columns, for a table without a row: the header is there all the same.
pub const COLUMNS: [&str; 43] = [
    "rank",
    "device_id",
    "asset_tag",
    "model",
    "site",
    "coverage_state",
    "last_tested_at",
    "received_at",
    "band",
    "visit_benefit",
    "p_clogged",
    "p_fan",
    "p_contact",
    "airflow_fraction",
    "airflow_low",
    "airflow_high",
    "fan_factor",
    "fan_low",
    "fan_high",
    "contact_factor",
    "contact_low",
    "contact_high",
    "peak_c",
    "rise_k",
    "rise_rate_k_s",
    "recovery_half_s",
    "fan_delay_s",
    "fan_max_rpm",
    "throttled_load_share",
    "ambient_c",
    "ambient_sd_k",
    "channels",
    "runs",
    "reason_code",
    "reason",
    "due_on",
    "last_service_on",
    "last_service_action",
    "visited_by_role",
    "method_version",
    "load_mix",
    "record_digest",
    "provenance",
];

impl Explained {
    /// The row itself.
    pub fn row(&self) -> &Row {
        &self.row
    }

    /// Digest of the run that it rests on last.
    pub fn record_digest(&self) -> Option<Digest> {
        Digest::from_hex(&self.row.record_digest, "record_digest").ok()
    }

    /// What a person needs to know which laptop it is, and why it stands where it does.
    pub fn shown(&self) -> Shown<'_> {
        let row = &self.row;
        Shown {
            rank: row.rank,
            laptop: self.laptop(),
            model: &row.model,
            site: &row.site,
            reason: &row.reason,
            tested_on: row.last_tested_at.get(..10).unwrap_or_default(),
        }
    }

    /// When to see to it.
    pub fn band(&self) -> Band {
        self.row.band
    }

    /// Whether the agent's metrics contradict the hub's.
    pub fn is_disputed(&self) -> bool {
        self.agent_metrics_agree == Some(false)
    }

    /// Why.
    pub fn reason_code(&self) -> ReasonCode {
        self.row.reason_code
    }

    /// A name to find it by: asset tag, else the id; and where the runs come from if they aren't a real machine's own.
    fn laptop(&self) -> String {
        const SHOWN: usize = 12;
        let row = &self.row;
        let name: String = if row.asset_tag.is_empty() {
            row.device_id.chars().take(SHOWN).collect()
        } else {
            row.asset_tag.clone()
        };
        if row.provenance == "measured" { name } else { format!("{name} ({})", row.provenance) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_six_digits() {
        for (value, tidied) in [(0.0, 0.0), (1.0 / 3.0, 0.333333), (-123456.789, -123457.0), (2.5e-9, 2.5e-9)]
        {
            assert_eq!(tidy(value), tidied);
        }
        assert!(tidy(f64::NAN).is_nan());
    }
}
