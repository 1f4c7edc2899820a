//! What ails the laptops of a simulated fleet, and what was said of them.

use std::collections::BTreeMap;
use std::path::Path;

use anyhow::{Context, Result};
use serde::{Deserialize, Serialize};
use windrow_model::condition::judge::{Condition, Interval};

/// Truth of a laptop at its latest run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TruthRow {
    /// The laptop.
    pub device_id: String,
    /// When it was tested, RFC 3339 in UTC.
    pub tested_at: String,
    /// Airflow over as-new.
    pub airflow_fraction: f64,
    /// Reachable speed over nominal.
    pub fan_rpm_factor: f64,
    /// Paste and mounting over as-new.
    pub paste_multiplier: f64,
    /// Names with `;` between, empty for none.
    pub confounders: String,
    /// Number of fans.
    pub fans: u32,
    /// Whether another firmware came to the model while it was watched.
    #[serde(skip)]
    pub firmware_changed: bool,
}

impl TruthRow {
    /// Whether it needs cleaning, a fan, paste.
    pub fn needs(&self) -> [bool; 3] {
        use windrow_model::condition::constants::{CLOGGED_BELOW, CONTACT_ABOVE, FAN_BELOW};
        [
            self.fans > 0 && self.airflow_fraction < CLOGGED_BELOW,
            self.fans > 0 && self.fan_rpm_factor < FAN_BELOW,
            self.paste_multiplier > CONTACT_ABOVE,
        ]
    }

    /// The confounders one by one.
    pub fn confounder_names(&self) -> impl Iterator<Item = &str> {
        self.confounders.split(';').filter(|c| !c.is_empty())
    }
}

/// Reads the truth of a fleet, each laptop's latest run.
///
/// # Errors
/// When the file can't be read or a row isn't one.
pub fn read_truth(path: &Path) -> Result<BTreeMap<String, TruthRow>> {
    let mut latest: BTreeMap<String, TruthRow> = BTreeMap::new();
    let mut reader =
        csv::Reader::from_path(path).with_context(|| format!("cannot read `{}`", path.display()))?;
    for row in reader.deserialize() {
        let row: TruthRow = row.with_context(|| format!("a bad row in `{}`", path.display()))?;
        let newer = latest.get(&row.device_id).is_none_or(|l| l.tested_at < row.tested_at);
        if newer {
            latest.insert(row.device_id.clone(), row);
        }
    }
    Ok(latest)
}

/// A laptop's truth beside its judgement.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// What is.
    pub truth: TruthRow,
    /// Its model.
    pub model: String,
    /// Whether the model tells power, fan speed.
    pub channels: [bool; 2],
    /// Score of the ranking: the higher the worse.
    pub score: f64,
    /// Probabilities that it needs cleaning, a fan, paste.
    pub p: [f64; 3],
    /// Airflow fraction, fan factor, contact factor, each with its 90 % interval.
    pub estimates: [Option<Interval>; 3],
}

impl Case {
    /// From a judgement.
    pub fn new(truth: TruthRow, model: &str, channels: [bool; 2], c: &Condition) -> Self {
        Self {
            truth,
            model: model.to_owned(),
            channels,
            score: c.p_any(),
            p: [c.p_clogged, c.p_fan, c.p_contact],
            estimates: [c.airflow, c.fan, Some(c.contact)],
        }
    }

    /// Whether it needs anything.
    pub fn needs_any(&self) -> bool {
        self.truth.needs().iter().any(|n| *n)
    }

    /// Whether its latest run was made in trying circumstances.
    pub fn is_confounded(&self) -> bool {
        !self.truth.confounders.is_empty()
    }

    /// The truths that the estimates stand for.
    pub fn true_values(&self) -> [f64; 3] {
        [self.truth.airflow_fraction, self.truth.fan_rpm_factor, self.truth.paste_multiplier]
    }
}
