//! From probabilities and costs to a band: one rule, versioned.
//!
//! A visit is advised where a fault is probable enough and the visit pays. Its band is that with the least expected cost:
//! waiting costs, a day, each fault's loss times its probability and severity; a visit outside a round costs more minutes.
//! What the runs cannot say is no band of a visit but a retest, and so is a forecast whose day has come.

use chrono::{Days, NaiveDate};
use windrow_model::condition::constants::{CLOGGED_BELOW, CONTACT_ABOVE, FAN_BELOW};
use windrow_model::condition::doubt::{CannotTell, Part};
use windrow_model::condition::judge::{Condition, Interval};

use super::by_site::Conditioned;
use super::{Band, Fault, Forecast, LastService, MS_PER_DAY, ReasonCode, Run, Suspicion, day_of};
use crate::costs::{Costs, FaultProbabilities};
use crate::store::EpochMs;

/// Version of this rule and its numbers; stands with every result.
pub const RULE_VERSION: &str = "4";

/// Least probability of a fault for which a laptop is opened. Our choice: at most three in five are opened in vain.
const VISIT_FROM: f64 = 0.4;
/// Mean waiting in each band of a visit, days: half of a day, of a week, of a monthly round. Our choice.
const WAIT_DAYS: [(Band, f64); 3] =
    [(Band::PullNow, 0.5), (Band::WithinSevenDays, 3.5), (Band::NextRound, 15.0)];
/// Technician minutes that a visit costs more than on a round: a trip shared with others, and one made at once. Our choice.
const MORE_MINUTES: [(Band, f64); 3] =
    [(Band::PullNow, 40.0), (Band::WithinSevenDays, 20.0), (Band::NextRound, 0.0)];
/// Most by which a condition far beyond its limit raises its loss a day. Our choice.
const MAX_SEVERITY: f64 = 4.0;
/// Days by which a visit within 7 days is due.
const WEEK_DAYS: u64 = 7;
/// Days by which a visit on the next round is due. Our choice: rounds are monthly.
const ROUND_DAYS: u64 = 30;
/// After this a run says nothing of today: lint builds up in months (docs/method.md). Common practice, no source.
const TOO_OLD_DAYS: i64 = 180;
/// A fault that is more probable than this belongs to a visit that is made anyway. Our choice: below it, opening what is
/// likely well costs more than it mends.
const ALSO_SEE_TO: f64 = 0.3;
/// Least probability of a fault that the runs leave open for which a laptop is tested again. Our choice: below it a check
/// more would hardly ever change the band.
const RETEST_FROM: f64 = 0.12;

/// With fewer laptops of a model, how its fans should run isn't known from others; the default fit's smallest group.
const FEW_PEERS: usize = 3;
/// A fan that stands through a load that takes the CPU to this is stopped, whatever its model does, °C. Common practice, no
/// source: passive cooling ends well below.
const STOPPED_FROM_C: f64 = 85.0;

/// A laptop to be decided.
pub(super) struct Case<'a> {
    pub(super) last: &'a Run,
    /// Laptops that its model's reference rests on, itself included.
    pub(super) n_of_model: usize,
    pub(super) conditioned: Option<&'a Conditioned>,
    pub(super) last_service: Option<&'a LastService>,
    pub(super) as_of_ms: EpochMs,
}

impl Case<'_> {
    /// When it last told of its condition: an attempt that could not be fitted checks nothing. Where none could be, the last.
    pub(super) fn told_at_ms(&self) -> EpochMs {
        self.conditioned.map_or(self.last.tested_at_ms, |c| c.fitted_at_ms)
    }

    /// Days from then to the time asked for.
    pub(super) fn age_days(&self) -> i64 {
        (self.as_of_ms - self.told_at_ms()) / MS_PER_DAY
    }
}

/// What was decided.
pub(super) struct Decided {
    pub(super) band: Band,
    pub(super) visit_benefit: f64,
    pub(super) suspected: Vec<Suspicion>,
    pub(super) reason_code: ReasonCode,
    pub(super) due_on: Option<NaiveDate>,
    pub(super) forecast: Option<Forecast>,
}

/// Decides a laptop's band.
pub(super) fn decide(case: &Case<'_>, costs: &Costs) -> Decided {
    let condition = case.conditioned.map(|c| &*c.condition);
    let faults = Faults::of(case, condition);
    let visit_benefit = costs.expected_benefit(&faults.probabilities());
    let forecast = condition.and_then(Forecast::of);
    let ahead = forecast.filter(|f| f.is_ahead_of(case.told_at_ms()));
    let (band, reason_code) = band(case, condition, &faults, ahead.as_ref(), costs);
    let suspected = if band.is_visit() { faults.suspected(reason_code) } else { Vec::new() };
    let due_on = due_on(band, ahead.as_ref(), case.as_of_ms);
    Decided { band, visit_benefit, suspected, reason_code, due_on, forecast }
}

fn band(
    case: &Case<'_>,
    condition: Option<&Condition>,
    faults: &Faults,
    ahead: Option<&Forecast>,
    costs: &Costs,
) -> (Band, ReasonCode) {
    // What the last run itself saw needs no fit.
    let last_ms = case.last.tested_at_ms;
    if faults.fan_stopped && !is_serviced_since(last_ms, case.last_service) && !is_too_old(case, last_ms) {
        return (Band::PullNow, ReasonCode::FanStopped);
    }
    let told_ms = case.told_at_ms();
    if is_serviced_since(told_ms, case.last_service) {
        return (Band::Retest, ReasonCode::NotCheckedSinceService);
    }
    if is_too_old(case, told_ms) {
        return (Band::Retest, ReasonCode::TooOld);
    }
    let Some(condition) = condition else { return (Band::Retest, ReasonCode::NoGoodRun) };
    if faults.highest() >= VISIT_FROM && costs.expected_benefit(&faults.probabilities()) > 0.0 {
        return (faults.least_cost(costs), faults.main(costs));
    }
    if is_undecided(condition) {
        return (Band::Retest, ReasonCode::CannotTell);
    }
    if ahead.is_some_and(|f| day_of(case.as_of_ms).is_some_and(|today| f.due_on <= today)) {
        return (Band::Retest, ReasonCode::ForecastPassed);
    }
    (Band::NoVisit, ReasonCode::NothingSeen)
}

/// A run of the day of service may have been before or after it, so that it doesn't count; unless the visit was logged
/// by then.
fn is_serviced_since(tested_at_ms: EpochMs, service: Option<&LastService>) -> bool {
    let tested_on = day_of(tested_at_ms);
    let is_logged_by = |s: &LastService| {
        let logged = s.logged.as_ref().filter(|l| day_of(l.at_ms) == Some(s.on));
        logged.is_some_and(|l| l.at_ms <= tested_at_ms)
    };
    service
        .is_some_and(|s| tested_on.is_none_or(|tested| tested < s.on || (tested == s.on && !is_logged_by(s))))
}

fn is_too_old(case: &Case<'_>, tested_at_ms: EpochMs) -> bool {
    (case.as_of_ms - tested_at_ms) / MS_PER_DAY > TOO_OLD_DAYS
}

/// The highest temperature at which a fan stood still in a run, where it did.
pub(super) fn fan_stood_at_c(run: &Run) -> Option<f64> {
    run.figures.as_ref()?.fan_stood_at_c()
}

/// The condition as the rule sees it: a fan that stood by the rule's own finding is not sound in the numbers.
pub(super) fn seen_by_the_rule(mut condition: Box<Condition>, decided: &Decided) -> Box<Condition> {
    if decided.reason_code == ReasonCode::FanStopped && condition.p_fan < 0.5 {
        condition.p_fan = 1.0;
        condition.fan = Some(Interval { mid: 0.0, low: 0.0, high: 0.0 });
    }
    condition
}

/// Something that the runs leave open is likely enough to be tested again.
fn is_undecided(c: &Condition) -> bool {
    left_open(c).is_some_and(|(p, _)| p >= RETEST_FROM)
}

/// The likeliest fault among those that the runs leave open, with its probability and what would tell.
pub(super) fn left_open(c: &Condition) -> Option<(f64, CannotTell)> {
    let p = |part: Part| match part {
        Part::Airflow => c.p_clogged,
        Part::Fan => c.p_fan,
        Part::Contact => c.p_contact,
    };
    c.cannot_tell.iter().map(|open| (p(open.part), *open)).max_by(|a, b| a.0.total_cmp(&b.0))
}

fn due_on(band: Band, ahead: Option<&Forecast>, as_of_ms: EpochMs) -> Option<NaiveDate> {
    let today = day_of(as_of_ms)?;
    match band {
        Band::PullNow => Some(today),
        Band::WithinSevenDays => today.checked_add_days(Days::new(WEEK_DAYS)),
        Band::NextRound => today.checked_add_days(Days::new(ROUND_DAYS)),
        Band::NoVisit => ahead.map(|f| f.due_on),
        Band::Retest => None,
    }
}

/// A laptop's faults with their odds and how far beyond its limit each is.
struct Faults {
    of: [FaultOdds; 3],
    fan_stopped: bool,
}

#[derive(Clone, Copy)]
struct FaultOdds {
    fault: Fault,
    probability: f64,
    /// Distance from as-new over that of the limit, 1 to [`MAX_SEVERITY`].
    severity: f64,
}

impl Faults {
    fn of(case: &Case<'_>, condition: Option<&Condition>) -> Self {
        let mut of = Fault::ALL.map(|fault| FaultOdds {
            fault,
            probability: condition.map_or(0.0, |c| fault.probability(c)),
            severity: condition.map_or(1.0, |c| severity(fault, c)),
        });
        let seems_to_stand = condition.is_none_or(|c| c.p_fan >= 0.5);
        let has_few_peers = case.n_of_model < FEW_PEERS;
        let fan_stopped = fan_stood_at_c(case.last)
            .is_some_and(|stood_at_c| seems_to_stand || (has_few_peers && stood_at_c >= STOPPED_FROM_C));
        if fan_stopped && (condition.is_none() || has_few_peers) {
            of[1] = FaultOdds { fault: Fault::Fan, probability: 1.0, severity: MAX_SEVERITY };
        }
        Self { of, fan_stopped }
    }

    fn probabilities(&self) -> FaultProbabilities {
        let [clogged, fan, contact] = self.of.map(|f| f.probability);
        FaultProbabilities { clogged, fan, contact }
    }

    fn highest(&self) -> f64 {
        self.of.iter().map(|f| f.probability).fold(0.0, f64::max)
    }

    /// The band of a visit with the least expected cost.
    fn least_cost(&self, costs: &Costs) -> Band {
        let loss_per_day: f64 =
            self.of.iter().map(|f| f.probability * f.severity * loss_per_day(f.fault, costs)).sum();
        let minutes = |band: Band| MORE_MINUTES.iter().find(|(b, _)| *b == band).map_or(0.0, |(_, m)| *m);
        let cost = |(band, wait_days): (Band, f64)| {
            minutes(band) * costs.technician_minute + wait_days * loss_per_day
        };
        let least = WAIT_DAYS.into_iter().min_by(|a, b| cost(*a).total_cmp(&cost(*b)));
        least.map_or(Band::NextRound, |(band, _)| band)
    }

    /// The fault that costs most.
    fn main(&self, costs: &Costs) -> ReasonCode {
        let weight = |f: &FaultOdds| f.probability * loss_per_day(f.fault, costs).max(f64::MIN_POSITIVE);
        let most = self.of.iter().max_by(|a, b| weight(a).total_cmp(&weight(b)));
        match most.map(|f| f.fault) {
            Some(Fault::Fan) => ReasonCode::FanWeak,
            Some(Fault::Contact) => ReasonCode::Contact,
            Some(Fault::Clogged) | None => ReasonCode::Clogged,
        }
    }

    /// Faults that a visit should see to: the main one first, then those that are probable enough beside it.
    fn suspected(&self, main: ReasonCode) -> Vec<Suspicion> {
        let is_main = |fault: Fault| {
            matches!(
                (fault, main),
                (Fault::Clogged, ReasonCode::Clogged)
                    | (Fault::Fan, ReasonCode::FanWeak | ReasonCode::FanStopped)
                    | (Fault::Contact, ReasonCode::Contact)
            )
        };
        let mut suspected: Vec<Suspicion> = self
            .of
            .iter()
            .filter(|f| is_main(f.fault) || f.probability >= ALSO_SEE_TO)
            .map(|f| Suspicion { fault: f.fault, probability: f.probability })
            .collect();
        suspected.sort_by(|a, b| {
            is_main(b.fault).cmp(&is_main(a.fault)).then(b.probability.total_cmp(&a.probability))
        });
        suspected
    }
}

/// What a fault costs a day, outages included, money.
fn loss_per_day(fault: Fault, costs: &Costs) -> f64 {
    costs.action(fault.action()).map_or(0.0, |a| a.loss_per_day + a.outages_per_day * costs.outage)
}

/// How far a condition is from as-new, in distances of its limit from as-new.
fn severity(fault: Fault, condition: &Condition) -> f64 {
    let beyond = match fault {
        Fault::Clogged => condition.airflow.map(|i| (1.0 - i.mid) / (1.0 - CLOGGED_BELOW)),
        Fault::Fan => condition.fan.map(|i| (1.0 - i.mid) / (1.0 - FAN_BELOW)),
        Fault::Contact => Some((condition.contact.mid - 1.0) / (CONTACT_ABOVE - 1.0)),
    };
    beyond.unwrap_or(1.0).clamp(1.0, MAX_SEVERITY)
}
