//! Who needs service, judged by the cooling condition of each laptop.
//!
//! [`judge`] is a pure function of what is stored, the costs, and the time as of which it is asked. References never
//! mix provenances nor method versions, so that an emulated laptop is never the measure of a real one.

mod around;
mod by_site;
pub mod conditions;
pub mod events;
mod evidence;
mod figures;
mod peers;
pub mod rule;
mod runs;
#[cfg(test)]
mod tests;
pub(crate) mod words;

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use windrow_model::METHOD_VERSION;
use windrow_model::condition::constants::CONSTANTS_VERSION;
use windrow_model::condition::doubt::Part;
use windrow_model::condition::forecast::Forecast as DayForecast;
use windrow_model::condition::judge::Condition;
use windrow_model::condition::site::{Classes, NO_SITE};
use windrow_model::condition::standing::{ModelStanding, STANDING_VERSION};
use windrow_model::estimate::joint_model::Channels;
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use self::around::ServiceDay;
use self::by_site::Conditions;
pub use self::conditions::{EvidenceSource, Firmwares, Learned, ModelOf};
pub use self::evidence::{Evidence, PeerRange};
pub use self::figures::{Figure, Figures};
use self::peers::Ranges;
use self::runs::LaptopRuns;
pub use self::runs::{Run, RunKind, RunRef, Runs};
use crate::costs::Costs;
use crate::coverage::{self, Checks, Coverage};
use crate::effects::Effects;
use crate::effects::learned::Lessons;
use crate::facts::Facts;
use crate::store::facts::{Mark, MarkKind};
use crate::store::{EpochMs, Logged, Service, StoreError};
use crate::texts::Texts;

/// Days in milliseconds.
const MS_PER_DAY: i64 = 24 * 3600 * 1000;

/// All that a judgement rests on.
#[derive(Debug)]
pub struct Fleet<E> {
    /// All runs with their figures under one method version, and as of when the fleet is judged.
    pub runs: Runs,
    /// What they taught.
    pub learned: Learned<E>,
    /// All services.
    pub services: Vec<Service>,
    /// What people say of the laptops.
    pub facts: Facts,
}

/// When to see to a laptop. Ordered by urgency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Band {
    /// Pull now.
    PullNow,
    /// Within 7 days.
    WithinSevenDays,
    /// Next round.
    NextRound,
    /// The run cannot be trusted or is too old.
    Retest,
    /// No visit.
    NoVisit,
}

impl Band {
    /// All of them, by urgency.
    pub const ALL: [Self; 5] =
        [Self::PullNow, Self::WithinSevenDays, Self::NextRound, Self::Retest, Self::NoVisit];

    /// Its name in tables and files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::PullNow => "pull_now",
            Self::WithinSevenDays => "within_seven_days",
            Self::NextRound => "next_round",
            Self::Retest => "retest",
            Self::NoVisit => "no_visit",
        }
    }

    /// The band of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|band| band.name() == name)
    }

    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::PullNow => "pull now",
            Self::WithinSevenDays => "within 7 days",
            Self::NextRound => "next round",
            Self::Retest => "retest",
            Self::NoVisit => "no visit",
        }
    }

    /// Whether somebody has to go there.
    pub const fn is_visit(self) -> bool {
        matches!(self, Self::PullNow | Self::WithinSevenDays | Self::NextRound)
    }
}

/// Why a laptop is in its band, for programs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReasonCode {
    /// Vents and fins: the air takes too little heat away.
    Clogged,
    /// The fan turns too slowly for the heat.
    FanWeak,
    /// The fan stood still while it was hot.
    FanStopped,
    /// Paste or mounting.
    Contact,
    /// Nothing that asks for a visit.
    NothingSeen,
    /// The runs don't say.
    CannotTell,
    /// No run can be used: it never loaded, or nothing can be read from it.
    NoGoodRun,
    /// The last run that could be fitted is too old.
    TooOld,
    /// Serviced since the last run that could be fitted.
    NotCheckedSinceService,
    /// The day has come by which a limit was forecast to be passed.
    ForecastPassed,
}

impl ReasonCode {
    /// Whether nothing can be said of the laptop.
    pub const fn cannot_tell(self) -> bool {
        matches!(self, Self::CannotTell | Self::NoGoodRun)
    }
}

/// A fault that a service can mend.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// Vents and fins.
    Clogged,
    /// Fan.
    Fan,
    /// Paste and mounting.
    Contact,
}

impl Fault {
    /// All of them, in the order of the table's columns.
    pub const ALL: [Self; 3] = [Self::Clogged, Self::Fan, Self::Contact];

    /// The part of the laptop that it is in.
    pub const fn part(self) -> &'static str {
        match self {
            Self::Clogged => "vents",
            Self::Fan => "fan",
            Self::Contact => "paste",
        }
    }

    /// The condition number that shows it.
    pub const fn number_name(self) -> &'static str {
        match self {
            Self::Clogged => "airflow",
            Self::Fan => "fan",
            Self::Contact => "contact",
        }
    }

    /// What mends it.
    pub const fn action(self) -> ServiceAction {
        match self {
            Self::Clogged => ServiceAction::Clean,
            Self::Fan => ServiceAction::Fan,
            Self::Contact => ServiceAction::Paste,
        }
    }

    /// Its probability.
    pub fn probability(self, condition: &Condition) -> f64 {
        match self {
            Self::Clogged => condition.p_clogged,
            Self::Fan => condition.p_fan,
            Self::Contact => condition.p_contact,
        }
    }
}

impl From<Part> for Fault {
    fn from(part: Part) -> Self {
        match part {
            Part::Airflow => Self::Clogged,
            Part::Fan => Self::Fan,
            Part::Contact => Self::Contact,
        }
    }
}

/// A fault that is suspected.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Suspicion {
    /// Which.
    pub fault: Fault,
    /// How probable.
    pub probability: f64,
}

/// How a laptop stands: all that a row of the table, its page, a round or a work sheet needs.
#[derive(Debug, Clone)]
pub struct Standing {
    /// Its last run until the time asked for, usable or not; identity, model, site and provenance stand there.
    pub last: Run,
    /// Its cooling condition at its last usable run; `None` where no run could be fitted.
    pub condition: Option<Box<Condition>>,
    /// What its site says of its vents' rate of wear.
    pub site: Classes,
    /// With which channels the laptops of its model are measured that it was compared with; `None` where no run could be
    /// fitted.
    pub measured: Option<Channels>,
    /// When to see to it.
    pub band: Band,
    /// Expected benefit of a visit, in the costs' money ([`Costs::expected_benefit`]). Orders laptops within a band.
    pub visit_benefit: f64,
    /// Faults that a visit should see to, likeliest first; empty where no visit is advised.
    pub suspected: Vec<Suspicion>,
    /// Why.
    pub reason_code: ReasonCode,
    /// Why, in plain words with the strongest evidence.
    pub reason: Arc<str>,
    /// What the reason rests on, strongest first.
    pub evidence: Vec<Evidence>,
    /// By when it should be seen to: the band's day, else the forecast's; `None` where nothing is in sight.
    pub due_on: Option<NaiveDate>,
    /// When a condition will have passed its limit, at the rate that its runs show.
    pub forecast: Option<Forecast>,
    /// Its last check: the last run that its condition rests on; where none could be fitted, the last that loaded it.
    pub checked_at_ms: Option<EpochMs>,
    /// Its last attempt, where that is later than its last check and told nothing.
    pub failed_at_ms: Option<EpochMs>,
    /// The last run that its condition rests on; `None` where no run could be fitted.
    pub fitted_at_ms: Option<EpochMs>,
    /// How many runs there are.
    pub n_runs: usize,
    /// How many of them the condition rests on.
    pub n_fitted_runs: usize,
    /// Last service: the day and what was done.
    pub last_service: Option<LastService>,
}

impl Standing {
    /// Digest of the run that it shows.
    pub fn digest(&self) -> Digest {
        self.last.digest
    }

    /// Device id.
    pub fn device_id(&self) -> &str {
        &self.last.device_id
    }

    /// Whether nothing can be said of it.
    pub const fn cannot_tell(&self) -> bool {
        self.reason_code.cannot_tell()
    }

    /// When a limit will be passed; `None`: nothing says so, or it was passed when it was last fitted.
    pub fn forecast_ahead(&self) -> Option<Forecast> {
        self.forecast.filter(|f| self.fitted_at_ms.is_some_and(|at_ms| f.is_ahead_of(at_ms)))
    }
}

/// When a condition will have passed its limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Forecast {
    /// The condition that passes its limit first.
    pub fault: Fault,
    /// Even odds that it has passed its limit by then.
    pub due_on: NaiveDate,
    /// Odds of 5 % by then.
    pub early_on: NaiveDate,
    /// Odds of 95 % by then; `None`: not within two years.
    pub late_on: Option<NaiveDate>,
}

impl Forecast {
    /// Whether the limit is still ahead on the day of the last run that it was made from; else the bands say it all.
    pub fn is_ahead_of(&self, fitted_at_ms: EpochMs) -> bool {
        day_of(fitted_at_ms).is_none_or(|day| self.due_on > day)
    }

    /// The first of vents and contact to pass its limit.
    fn of(condition: &Condition) -> Option<Self> {
        let dated = |fault: Fault, f: &DayForecast| {
            Some(Self {
                fault,
                due_on: date(f.day)?,
                early_on: date(f.low_day)?,
                late_on: f.high_day.and_then(date),
            })
        };
        let clogged = condition.clogged_on.as_ref().and_then(|f| dated(Fault::Clogged, f));
        let contact = condition.contact_on.as_ref().and_then(|f| dated(Fault::Contact, f));
        [clogged, contact].into_iter().flatten().min_by_key(|f| f.due_on)
    }
}

/// The date of a day since the Unix epoch.
fn date(day: f64) -> Option<NaiveDate> {
    day_of((day * MS_PER_DAY as f64) as EpochMs)
}

/// The last day on which something was done to a laptop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastService {
    /// The day.
    pub on: NaiveDate,
    /// What was done.
    pub actions: Vec<ServiceAction>,
    /// Who logged it and when, the latest entry of that day; `None`: it was imported.
    pub logged: Option<Logged>,
}

impl LastService {
    const fn begun(on: NaiveDate) -> Self {
        Self { on, actions: Vec::new(), logged: None }
    }
}

/// A judged fleet.
#[derive(Debug, Clone)]
pub struct JudgedFleet {
    /// As of when.
    pub as_of_ms: EpochMs,
    /// What it was judged by.
    pub versions: Versions,
    /// The laptops, most urgent first.
    pub standings: Vec<Standing>,
    /// The models that they were compared within.
    pub models: BTreeMap<ModelOf, Arc<ModelStanding>>,
    /// How far the laptops that should be checked were checked.
    pub coverage: Coverage,
    /// What each visit did.
    pub effects: Effects,
    /// What the visits teach.
    pub lessons: Lessons,
    /// Each model's firmwares.
    pub firmwares: Firmwares,
}

impl JudgedFleet {
    /// What a laptop was compared with: those of its model that are measured as it is.
    pub fn part_of(&self, standing: &Standing) -> Option<&ModelStanding> {
        part_of(&self.models, &standing.last.kind.of, standing.measured)
    }
}

fn part_of<'a>(
    models: &'a BTreeMap<ModelOf, Arc<ModelStanding>>,
    of: &ModelOf,
    measured: Option<Channels>,
) -> Option<&'a ModelStanding> {
    let model = models.get(of)?;
    Some(measured.and_then(|channels| model.part(channels)).unwrap_or(model))
}

/// What a judgement was made by; stands with every result.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Versions {
    /// Of the analysis and the fit.
    pub method: &'static str,
    /// Of the network, the evidence and the standing.
    pub standing: &'static str,
    /// Of the condition's constants.
    pub constants: &'static str,
    /// Of the rule for bands.
    pub rule: &'static str,
    /// First digits of the costs' digest.
    pub costs: String,
}

/// Judges a fleet; the most urgent first. The order is total: the same fleet always gives the same list.
///
/// # Errors
/// If evidence cannot be read.
pub fn judge<E: EvidenceSource>(fleet: Fleet<E>, costs: &Costs) -> Result<JudgedFleet, StoreError> {
    let as_of_ms = fleet.runs.as_of_ms;
    let firmwares = conditions::firmwares(fleet.runs.all.iter());
    let (mut ground, laptops) = Ground::new(fleet.runs, fleet.learned, &fleet.services, &fleet.facts)?;
    let effects = ground.conditions.take_effects();
    let lessons = Lessons::new(&effects, &fleet.facts.visits, costs);
    let mut standings: Vec<Standing> = laptops.into_iter().map(|l| ground.standing(l, costs)).collect();
    standings.sort_by(|a, b| {
        a.band
            .cmp(&b.band)
            .then(b.visit_benefit.total_cmp(&a.visit_benefit))
            .then_with(|| a.device_id().cmp(b.device_id()))
            .then_with(|| a.last.kind.of.provenance.cmp(&b.last.kind.of.provenance))
    });
    let models = ground.models;
    let coverage = coverage_of(&standings, &fleet.facts, as_of_ms);
    Ok(JudgedFleet {
        as_of_ms,
        versions: versions(costs),
        standings,
        models,
        coverage,
        effects,
        lessons,
        firmwares,
    })
}

/// The band of a laptop's runs of one provenance.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BandOf {
    /// The laptop.
    pub device_id: Arc<str>,
    /// `measured`, `emulated` or `imported`.
    pub provenance: Arc<str>,
    /// When to see to it.
    pub band: Band,
}

impl BandOf {
    /// Laptop and provenance.
    pub fn key(&self) -> (&str, &str) {
        (&self.device_id, &self.provenance)
    }
}

/// The bands of a fleet alone, in no order: nothing else of the judgement is held.
///
/// # Errors
/// If evidence cannot be read.
pub fn judge_bands<E: EvidenceSource>(fleet: Fleet<E>, costs: &Costs) -> Result<Vec<BandOf>, StoreError> {
    let (mut ground, laptops) = Ground::new(fleet.runs, fleet.learned, &fleet.services, &fleet.facts)?;
    let mut texts = Texts::default();
    let standings = laptops.into_iter().map(|laptop| ground.standing(laptop, costs));
    let band = |s: Standing| BandOf {
        device_id: s.last.device_id,
        provenance: texts.held(&s.last.kind.of.provenance),
        band: s.band,
    };
    Ok(standings.map(band).collect())
}

/// What each laptop's standing is decided on.
struct Ground {
    as_of_ms: EpochMs,
    last_services: BTreeMap<String, LastService>,
    conditions: Conditions,
    models: BTreeMap<ModelOf, Arc<ModelStanding>>,
    peers: Ranges,
}

impl Ground {
    /// With each laptop's last run of a provenance. A laptop that goes on as another has none.
    fn new<E: EvidenceSource>(
        runs: Runs,
        mut learned: Learned<E>,
        services: &[Service],
        facts: &Facts,
    ) -> Result<(Self, Vec<LaptopRuns>), StoreError> {
        let as_of_ms = runs.as_of_ms;
        let (by_device, days) = (conditions::services_by_device(services), service_days(services));
        let conditions = by_site::conditions(&runs.all, &mut learned, &by_device, &days, as_of_ms)?;
        let gone: HashSet<&str> =
            facts.laptops.iter().filter(|l| l.goes_on_as.is_some()).map(|l| l.device_id.as_str()).collect();
        let mut laptops = runs.into_last();
        laptops.retain(|l| !gone.contains(&*l.last.device_id));
        let ground = Self {
            as_of_ms,
            last_services: last_services(services, as_of_ms),
            conditions,
            models: learned.models,
            peers: peers::ranges(laptops.iter().map(|l| &l.last)),
        };
        Ok((ground, laptops))
    }

    fn standing(&mut self, laptop: LaptopRuns, costs: &Costs) -> Standing {
        let LaptopRuns { last, loaded_at_ms, n_runs } = laptop;
        let conditioned = self.conditions.take(&last);
        let fitted_at_ms = conditioned.as_ref().map(|c| c.fitted_at_ms);
        // An attempt that could not be fitted checks nothing, as the rule has it too.
        let checked_at_ms = fitted_at_ms.or(loaded_at_ms);
        let last_service = self.last_services.get(&*last.device_id);
        let case = rule::Case {
            last: &last,
            n_of_model: part_of(&self.models, &last.kind.of, conditioned.as_ref().map(|c| c.measured))
                .map_or(0, |part| part.reference.laptops),
            conditioned: conditioned.as_ref(),
            last_service,
            as_of_ms: self.as_of_ms,
        };
        let decided = rule::decide(&case, costs);
        let evidence = evidence::evidence(&case, &decided, &self.peers);
        let reason = words::reason(&case, &decided, &evidence).into();
        Standing {
            site: conditioned.as_ref().map_or(NO_SITE, |c| c.site),
            measured: conditioned.as_ref().map(|c| c.measured),
            n_fitted_runs: conditioned.as_ref().map_or(0, |c| c.n_runs),
            fitted_at_ms,
            condition: conditioned.map(|c| rule::seen_by_the_rule(c.condition, &decided)),
            band: decided.band,
            visit_benefit: decided.visit_benefit,
            suspected: decided.suspected,
            reason_code: decided.reason_code,
            reason,
            evidence,
            due_on: decided.due_on,
            forecast: decided.forecast,
            checked_at_ms,
            failed_at_ms: Some(last.tested_at_ms).filter(|at_ms| checked_at_ms.is_none_or(|c| *at_ms > c)),
            n_runs,
            last_service: last_service.cloned(),
            last,
        }
    }
}

/// Each laptop's days of service, earliest first.
fn service_days(services: &[Service]) -> BTreeMap<String, Vec<ServiceDay>> {
    let mut by_device: BTreeMap<&str, Vec<&Service>> = BTreeMap::new();
    for service in services {
        by_device.entry(&service.device_id).or_default().push(service);
    }
    let days = by_device.into_iter().map(|(id, of)| (id.to_owned(), ServiceDay::all(of.into_iter())));
    days.collect()
}

/// The coverage, as the standings tell of each laptop's checks.
fn coverage_of(standings: &[Standing], facts: &Facts, as_of_ms: EpochMs) -> Coverage {
    let mut checks: HashMap<&str, Checks> = HashMap::with_capacity(standings.len());
    for standing in standings {
        let told = Checks {
            last_ms: standing.checked_at_ms,
            was_tried: true,
            cannot_tell: standing.cannot_tell(),
            is_held: false,
        };
        let known = checks.entry(standing.device_id()).or_insert(told);
        // A laptop with runs of several provenances is checked by the latest.
        if told.last_ms > known.last_ms {
            *known = told;
        }
    }
    let is_open = |mark: &&Mark| mark.until_ms.is_none_or(|until| until > as_of_ms);
    for mark in facts.marks.iter().filter(|m| m.kind == MarkKind::Hold).filter(is_open) {
        checks.entry(&mark.device_id).or_default().is_held = true;
    }
    let of = |device_id: &str| checks.get(device_id).copied().unwrap_or_default();
    coverage::cover(&facts.scope, &facts.laptops, of, as_of_ms)
}

fn versions(costs: &Costs) -> Versions {
    Versions {
        method: METHOD_VERSION,
        standing: STANDING_VERSION,
        constants: CONSTANTS_VERSION,
        rule: rule::RULE_VERSION,
        costs: costs.version(),
    }
}

/// The last day on which something was done to each laptop. To have looked at it changes nothing.
fn last_services(services: &[Service], as_of_ms: EpochMs) -> BTreeMap<String, LastService> {
    let mut last: BTreeMap<String, LastService> = BTreeMap::new();
    let as_of = day_of(as_of_ms);
    for service in services {
        let is_later_than_asked = as_of.is_some_and(|as_of| service.serviced_on > as_of);
        if is_later_than_asked || service.action == ServiceAction::None {
            continue;
        }
        let entry =
            last.entry(service.device_id.clone()).or_insert_with(|| LastService::begun(service.serviced_on));
        if service.serviced_on > entry.on {
            *entry = LastService::begun(service.serviced_on);
        }
        if service.serviced_on == entry.on {
            entry.actions.push(service.action);
            if service.logged.as_ref().map(|l| l.at_ms) > entry.logged.as_ref().map(|l| l.at_ms) {
                entry.logged.clone_from(&service.logged);
            }
        }
    }
    last
}

/// The day of a time, UTC.
pub(crate) fn day_of(ms: EpochMs) -> Option<NaiveDate> {
    DateTime::<Utc>::from_timestamp_millis(ms).map(|t| t.date_naive())
}
