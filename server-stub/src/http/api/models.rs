//! `GET /v1/models` and `GET /v1/models/{id}`: how the laptops of a model spread, and what its firmware and its months did.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use windrow_model::METHOD_VERSION;
use windrow_model::estimate::joint_model::Channels;

use super::{BAD_QUERY, NOT_JUDGED_YET, limit, time};
use crate::access::Viewer;
use crate::http::asked::{Path, Query};
use crate::http::filled::model::{self as filled, FilledModel};
use crate::http::openapi::Operation;
use crate::http::{Hub, Problem, judged};
use crate::pages::fleet::Entry;
use crate::pages::gauge::Quantity;
use crate::pages::models::{Epoch, Firmware, Model, Month, Spread};
use crate::scoring::Band;
use crate::store::Store;

const NO_SUCH_MODEL: &str = "no_such_model";

/// Which models.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Begin after the model of this name, as `next` has it.
    after: Option<String>,
    /// How many, 1 to 1000; 100 where it isn't given.
    #[schemars(range(min = 1, max = 1000))]
    limit: Option<u32>,
}

/// A page of the models, by name.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ModelPage {
    /// As of when the fleet was judged.
    as_of: String,
    /// Version of analysis and fit.
    method_version: &'static str,
    /// The models.
    models: Vec<ModelLine>,
    /// What to give as `after` for the next page; `null` on the last.
    next: Option<String>,
}

/// A model.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ModelLine {
    /// What names it in addresses.
    id: String,
    /// What a person calls it.
    name: String,
    /// Whether all of its laptops are emulated.
    is_emulated: bool,
    /// Laptops.
    n_laptops: usize,
    /// Of these, in need of a visit.
    n_due: usize,
    /// How their airflow fractions spread.
    airflow_fraction: LaptopSpread,
    /// How their fan factors spread.
    fan_factor: LaptopSpread,
    /// How their contact factors spread.
    contact_factor: LaptopSpread,
    /// Within what its laptops are compared: one for each maker, product, unit and processor, and each provenance; where
    /// not all of these are measured with the same channels, one for each way.
    kinds: Vec<ModelKind>,
}

/// How the laptops of a model spread in one number.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct LaptopSpread {
    /// Laptops of which it is known.
    n_laptops: usize,
    /// Of these, past the service limit.
    n_past_limit: usize,
    /// One in ten lies below; `null` where none is known.
    low: Option<f64>,
    /// The middle.
    mid: Option<f64>,
    /// One in ten lies above.
    high: Option<f64>,
}

/// Laptops that are compared with each other.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ModelKind {
    /// What names its reference in addresses.
    model_id: String,
    /// `measured`, `emulated` or `imported`.
    provenance: String,
    /// Maker, product, stock-keeping unit and processor.
    model: String,
    /// With which channels its laptops are measured; `null`: all of that kind are measured alike.
    measured: Option<MeasuredWith>,
    /// Its laptops.
    n_laptops: usize,
    /// Their runs.
    n_runs: usize,
    /// What they are compared with; `null` until one was learned.
    reference: Option<ReferenceAddress>,
    /// Mean residual of the fit, K.
    residual_rms_k: Option<f64>,
    /// Whether the fit came to its optimum; where it didn't, its laptops are judged with wider intervals.
    fit_has_converged: Option<bool>,
    /// Median of the last runs: highest sustained fan speed, rpm.
    fan_max_rpm: Option<f64>,
    /// Median of the last runs: resistance from chip to sink, K/W.
    r_contact_k_per_w: Option<f64>,
    /// Median of the last runs: conductance to the air, W/K.
    g_air_w_per_k: Option<f64>,
    /// Steps that all of its laptops made together, in words.
    events: Vec<String>,
}

/// What laptops tell beside temperature and clock.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct MeasuredWith {
    /// Power is read.
    has_power: bool,
    /// A fan's speed is read.
    has_fan_speed: bool,
    /// Neither power nor clock is read, and the load's own work rate stands in.
    by_work_rate: bool,
}

/// Where a reference is, and what it rests on.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ReferenceAddress {
    /// Its address.
    address: String,
    /// Laptops that it rests on.
    laptops: usize,
    /// Their runs.
    runs: usize,
}

/// A model with all that its page shows.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ModelDetail {
    /// As of when the fleet was judged.
    as_of: String,
    #[serde(flatten)]
    line: ModelLine,
    /// Its latest runs, on which months and firmwares rest.
    n_runs_read: usize,
    /// By firmware, the first seen first.
    firmwares: Vec<ModelFirmware>,
    /// By month, the earliest first.
    months: Vec<ModelMonth>,
    /// Laptops that need a visit most, of the sites that the caller sees.
    weakest: Vec<WeakLaptop>,
}

/// What the runs with a firmware show. Medians of fewer than three are `null`.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ModelFirmware {
    /// Its version; empty where none was told.
    version: String,
    /// Its first run.
    since: String,
    /// Laptops with it.
    n_laptops: usize,
    /// Runs with it.
    n_runs: usize,
    /// Median highest fan speed, rpm.
    fan_max_rpm: Option<f64>,
    /// Median sustained power, W.
    power_sustained_w: Option<f64>,
    /// Median peak temperature, °C.
    peak_c: Option<f64>,
}

/// A month's runs. Medians of fewer than three are `null`.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ModelMonth {
    /// `2026-01`.
    month: String,
    /// Runs in it.
    n_runs: usize,
    /// Median speed gained per kelvin, rpm/K.
    fan_gain_rpm_per_k: Option<f64>,
    /// Median highest fan speed, rpm.
    fan_max_rpm: Option<f64>,
    /// Median resistance from chip to sink, K/W.
    r_contact_k_per_w: Option<f64>,
}

/// A laptop that needs a visit.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct WeakLaptop {
    /// Its id.
    device_id: String,
    /// Asset tag; may be empty.
    asset_tag: String,
    /// Site; may be empty.
    site: String,
    /// Its place in the whole fleet's rank, from 1.
    rank: usize,
    /// When to see to it.
    band: Band,
    /// Why.
    reason: String,
}

impl From<&Model> for ModelLine {
    fn from(m: &Model) -> Self {
        let spread = |q: Quantity| LaptopSpread::from(&m.spreads[q as usize]);
        Self {
            id: m.slug.clone(),
            name: m.name.clone(),
            is_emulated: m.is_emulated,
            n_laptops: m.n_laptops,
            n_due: m.n_due,
            airflow_fraction: spread(Quantity::Airflow),
            fan_factor: spread(Quantity::Fan),
            contact_factor: spread(Quantity::Contact),
            kinds: m.epochs.iter().map(ModelKind::from).collect(),
        }
    }
}

impl From<&Spread> for LaptopSpread {
    fn from(s: &Spread) -> Self {
        Self {
            n_laptops: s.values.len(),
            n_past_limit: s.n_past,
            low: s.quantile(0.1),
            mid: s.quantile(0.5),
            high: s.quantile(0.9),
        }
    }
}

impl From<&Epoch> for ModelKind {
    fn from(e: &Epoch) -> Self {
        let reference = e.rests_on.map(|(laptops, runs)| ReferenceAddress {
            address: format!("/v1/models/{}/reference", e.model_id),
            laptops,
            runs,
        });
        Self {
            model_id: e.model_id.clone(),
            provenance: e.provenance.clone(),
            model: e.kind.clone(),
            measured: e.measured.map(MeasuredWith::from),
            n_laptops: e.n_laptops,
            n_runs: e.n_runs,
            reference,
            residual_rms_k: e.rms_k,
            fit_has_converged: e.has_converged,
            fan_max_rpm: e.fan_max_rpm,
            r_contact_k_per_w: e.r_contact_k_per_w,
            g_air_w_per_k: e.g_air_w_per_k,
            events: e.events.clone(),
        }
    }
}

impl From<Channels> for MeasuredWith {
    fn from(c: Channels) -> Self {
        Self { has_power: c.has_power, has_fan_speed: c.has_rpm, by_work_rate: c.by_work_rate }
    }
}

impl From<&Firmware> for ModelFirmware {
    fn from(f: &Firmware) -> Self {
        Self {
            version: f.version.clone(),
            since: time(f.since_ms),
            n_laptops: f.n_laptops,
            n_runs: f.n_runs,
            fan_max_rpm: f.fan_max_rpm,
            power_sustained_w: f.power_w,
            peak_c: f.peak_c,
        }
    }
}

impl From<&Month> for ModelMonth {
    fn from(m: &Month) -> Self {
        Self {
            month: m.month.clone(),
            n_runs: m.n_runs,
            fan_gain_rpm_per_k: m.fan_gain_rpm_per_k,
            fan_max_rpm: m.fan_max_rpm,
            r_contact_k_per_w: m.r_contact_k_per_w,
        }
    }
}

impl From<&Entry> for WeakLaptop {
    fn from(e: &Entry) -> Self {
        Self {
            device_id: e.device_id.to_string(),
            asset_tag: e.asset_tag.to_string(),
            site: e.site.to_string(),
            rank: e.rank,
            band: e.band,
            reason: e.reason.to_string(),
        }
    }
}

pub(super) fn operations() -> Vec<Operation> {
    vec![
        Operation::new(
            "GET",
            "/v1/models",
            "All models: how their laptops spread, and what they are compared with",
        )
        .question::<Asked>()
        .answer::<ModelPage>(200, "a page of them")
        .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
        .problem(StatusCode::SERVICE_UNAVAILABLE, NOT_JUDGED_YET),
        Operation::new(
            "GET",
            "/v1/models/{id}",
            "One model: its firmware, its months and its weakest laptops",
        )
        .answer::<ModelDetail>(200, "the model")
        .problem(StatusCode::NOT_FOUND, NO_SUCH_MODEL)
        .problem(StatusCode::SERVICE_UNAVAILABLE, NOT_JUDGED_YET),
    ]
}

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    Query(asked): Query<Asked>,
) -> Result<Json<ModelPage>, Problem> {
    let n_most = limit(asked.limit)? as usize;
    let shown = judged(&hub)?;
    // They stand by name.
    let mut fitting =
        shown.models.iter().filter(|m| asked.after.as_ref().is_none_or(|after| m.name > *after));
    let models: Vec<ModelLine> = fitting.by_ref().take(n_most).map(ModelLine::from).collect();
    let is_last = fitting.next().is_none();
    let next = models.last().filter(|_| !is_last).map(|m| m.name.clone());
    Ok(Json(ModelPage { as_of: time(shown.fleet.as_of_ms), method_version: METHOD_VERSION, models, next }))
}

pub(super) async fn get<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(id): Path<String>,
) -> Result<Json<ModelDetail>, Problem> {
    let shown = judged(&hub)?;
    let model = shown.model_meant(&id).ok_or_else(|| {
        let detail = "no laptop of such a model was checked; `GET /v1/models` lists them";
        Problem::new(StatusCode::NOT_FOUND, NO_SUCH_MODEL, "no such model", detail)
    })?;
    let filled =
        filled::model(&hub.store, &viewer, &shown, model).await.map_err(|e| Problem::of_store(&e))?;
    Ok(Json(detail(&filled, time(shown.fleet.as_of_ms))))
}

fn detail(filled: &FilledModel<'_>, as_of: String) -> ModelDetail {
    ModelDetail {
        as_of,
        line: filled.model.into(),
        n_runs_read: filled.n_runs_read,
        firmwares: filled.firmwares.iter().map(ModelFirmware::from).collect(),
        months: filled.months.iter().map(ModelMonth::from).collect(),
        weakest: filled.weakest.iter().map(|e| WeakLaptop::from(*e)).collect(),
    }
}
