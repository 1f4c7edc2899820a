//! What things cost: the one file `costs.toml`, its defaults and its parser.
//!
//! The judgement reads it for `visit_benefit` and the bands, the planner for minutes and trips. Amounts of money are in
//! one currency of the reader's choice; `currency` only names it. Every field may be left out; [`FIELDS`] is the one
//! table of what each means, its unit, its default and where that comes from. [`example`] writes it as a file.
//!
//! **The worth of a visit.** A fault that is left costs `loss_per_day` (a slow, loud laptop) plus
//! `outages_per_day` × `outage` (a shutdown at a bad moment) on every day until somebody would find it anyway, which is
//! taken as `horizon_days`. Several faults of one laptop cost as much as the costliest of them: it is slow once, and goes
//! down once. A visit ends what it treats with the probability `mends`, and costs technician minutes and parts:
//!
//! ```text
//! loss per day  M(p) = E max over the faults that are there, each with its p, of loss_per_day + outages_per_day · outage
//! benefit per day  b = M(p) − M(p′)      p′ = p · (1 − mends) for the faults it treats, p for the others
//! visit_benefit      = b · horizon_days − minutes · technician_minute − Σ parts
//! ```
//!
//! [`Costs::best_visit`] takes the set of actions with the highest `visit_benefit`; a combined visit is opened once. All
//! money defaults are our choice, no source: they give the number a unit and an order, and each fleet has its own.

pub mod in_force;
mod parse;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;

use chrono::NaiveDate;
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use crate::failure::Failure;

pub use self::parse::parse;

/// Largest file read: some thousand sites with a line each.
pub const MAX_BYTES: usize = 1 << 20;
/// Most sites with a section of their own.
const MAX_SITES: usize = 10_000;
/// Most days off in one list: more than the working days of ten years.
const MAX_DAYS_OFF: usize = 4000;
/// Longest name of a currency or a site.
const MAX_NAME_BYTES: usize = 100;

/// Reads a costs file from the disk.
///
/// # Errors
/// A file that cannot be read, or is no costs file.
pub fn read(path: &Path) -> Result<Costs, Failure> {
    read_both(path).map(|(_, costs)| costs)
}

/// The text of a costs file, once it is one.
///
/// # Errors
/// A file that cannot be read, or is no costs file.
pub fn read_text(path: &Path) -> Result<String, Failure> {
    read_both(path).map(|(text, _)| text)
}

fn read_both(path: &Path) -> Result<(String, Costs), Failure> {
    let text = std::fs::read_to_string(path).map_err(|e| {
        Failure::at("read", path, e).remedy("check the path and that the file can be read by you")
    })?;
    let costs = parse(&text).map_err(|complaints| {
        Failure::at("use the costs in", path, complaints)
            .remedy("correct these lines; docs/operations.md lists every one")
    })?;
    Ok((text, costs))
}

/// Costs, minutes and rules of the rounds. See [`FIELDS`] for units.
#[derive(Debug, Clone, PartialEq)]
pub struct Costs {
    /// Name of the currency, as it is shown behind amounts.
    pub currency: String,
    /// One minute of a technician, money.
    pub technician_minute: f64,
    /// One unplanned outage of a laptop, money.
    pub outage: f64,
    /// Days until a fault that is left would be found anyway.
    pub horizon_days: f64,
    /// What it costs to move a visit that was planned already to another day, money.
    pub moved_visit: f64,
    /// Cleaning: vents and fins.
    pub clean: ActionCost,
    /// Replacing the fan.
    pub fan: ActionCost,
    /// Renewing the paste.
    pub paste: ActionCost,
    /// Minutes of every visit, whatever is done: fetch, give back, and the checks before and after.
    pub visit_minutes: f64,
    /// Minutes saved with every further action of one visit: the laptop is opened once.
    pub opened_once_minutes: f64,
    /// Days until an ordered part is there, where `stock.csv` doesn't say.
    pub lead_days: f64,
    /// A trip to a site that has no section of its own.
    pub trip: Trip,
    /// Days on which nobody works.
    pub days_off: BTreeSet<NaiveDate>,
    /// What differs at a site.
    pub sites: BTreeMap<String, SiteCosts>,
}

/// One action and the fault that it treats.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ActionCost {
    /// Minutes, opening and closing included.
    pub minutes: f64,
    /// Parts and material, money.
    pub part: f64,
    /// What the untreated fault costs a day, money, outages apart.
    pub loss_per_day: f64,
    /// Unplanned outages a day of the untreated fault.
    pub outages_per_day: f64,
    /// Probability that the action mends the fault.
    pub mends: f64,
}

/// Going to a site for a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trip {
    /// Minutes taken from the day's technician hours.
    pub minutes: f64,
    /// Travel, money, beside the minutes.
    pub money: f64,
}

/// What differs at a site.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SiteCosts {
    /// Minutes of a trip.
    pub trip_minutes: Option<f64>,
    /// Money of a trip.
    pub trip_money: Option<f64>,
    /// Spare laptops: so many users can be without their own on one day. `None`: not counted.
    pub spare_units: Option<u32>,
    /// Days on which the site is closed.
    pub days_off: BTreeSet<NaiveDate>,
}

/// How likely each fault is, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaultProbabilities {
    /// Vents or fins clogged.
    pub clogged: f64,
    /// Fan failing.
    pub fan: f64,
    /// Paste or mounting.
    pub contact: f64,
}

/// A visit and what it is worth.
#[derive(Debug, Clone, PartialEq)]
pub struct VisitWorth {
    /// What is done, in the order clean, fan, paste.
    pub actions: Vec<ServiceAction>,
    /// Technician minutes.
    pub minutes: f64,
    /// Minutes and parts, money.
    pub cost: f64,
    /// What each day of delay costs, money.
    pub benefit_per_day: f64,
    /// Benefit over the horizon less the cost, money. May be negative: then the visit isn't worth it.
    pub visit_benefit: f64,
}

/// The three actions, in the order in which they are written.
pub const ACTIONS: [ServiceAction; 3] = [ServiceAction::Clean, ServiceAction::Fan, ServiceAction::Paste];

impl FaultProbabilities {
    /// Probability of the fault that `action` treats.
    pub fn treated_by(&self, action: ServiceAction) -> f64 {
        match action {
            ServiceAction::Clean => self.clogged,
            ServiceAction::Fan => self.fan,
            ServiceAction::Paste => self.contact,
            ServiceAction::None => 0.0,
        }
    }
}

impl Default for Costs {
    fn default() -> Self {
        let unset =
            ActionCost { minutes: 0.0, part: 0.0, loss_per_day: 0.0, outages_per_day: 0.0, mends: 0.0 };
        let mut costs = Self {
            currency: "EUR".to_owned(),
            technician_minute: 0.0,
            outage: 0.0,
            horizon_days: 0.0,
            moved_visit: 0.0,
            clean: unset,
            fan: unset,
            paste: unset,
            visit_minutes: 0.0,
            opened_once_minutes: 0.0,
            lead_days: 0.0,
            trip: Trip { minutes: 0.0, money: 0.0 },
            days_off: BTreeSet::new(),
            sites: BTreeMap::new(),
        };
        for field in FIELDS {
            *(field.of)(&mut costs) = field.default;
        }
        costs
    }
}

impl Costs {
    /// What an action costs; `None` for [`ServiceAction::None`], which is no action.
    pub fn action(&self, action: ServiceAction) -> Option<&ActionCost> {
        match action {
            ServiceAction::Clean => Some(&self.clean),
            ServiceAction::Fan => Some(&self.fan),
            ServiceAction::Paste => Some(&self.paste),
            ServiceAction::None => None,
        }
    }

    /// Technician minutes of a visit with these actions.
    pub fn minutes_of(&self, actions: &[ServiceAction]) -> f64 {
        let works = || actions.iter().filter_map(|a| self.action(*a));
        let saved = works().count().saturating_sub(1) as f64 * self.opened_once_minutes;
        self.visit_minutes + (works().map(|a| a.minutes).sum::<f64>() - saved).max(0.0)
    }

    /// What each day of delay of a visit with these actions costs, money.
    pub fn benefit_per_day(&self, faults: &FaultProbabilities, actions: &[ServiceAction]) -> f64 {
        let left = |action: ServiceAction| {
            let mends = self.action(action).map_or(0.0, |cost| cost.mends);
            let is_treated = actions.contains(&action);
            faults.treated_by(action).clamp(0.0, 1.0) * if is_treated { 1.0 - mends } else { 1.0 }
        };
        self.loss_per_day(|action| faults.treated_by(action).clamp(0.0, 1.0)) - self.loss_per_day(left)
    }

    /// What a laptop's faults cost a day together, money, each with its probability: as much as the costliest that is
    /// there.
    fn loss_per_day(&self, probability: impl Fn(ServiceAction) -> f64) -> f64 {
        let mut losses: Vec<(f64, f64)> = ACTIONS
            .iter()
            .filter_map(|a| {
                let cost = self.action(*a)?;
                Some((cost.loss_per_day + cost.outages_per_day * self.outage, probability(*a)))
            })
            .collect();
        losses.sort_by(|a, b| b.0.total_cmp(&a.0));
        // Each counts where no costlier one is there.
        let mut none_costlier = 1.0;
        let mut sum = 0.0;
        for (loss, p) in losses {
            sum += none_costlier * p * loss;
            none_costlier *= 1.0 - p;
        }
        sum
    }

    /// What a visit with these actions is worth.
    pub fn worth(&self, faults: &FaultProbabilities, actions: &[ServiceAction]) -> VisitWorth {
        let minutes = self.minutes_of(actions);
        let parts: f64 = actions.iter().filter_map(|a| self.action(*a)).map(|a| a.part).sum();
        let cost = minutes * self.technician_minute + parts;
        let benefit_per_day = self.benefit_per_day(faults, actions);
        let visit_benefit = benefit_per_day * self.horizon_days - cost;
        VisitWorth { actions: actions.to_vec(), minutes, cost, benefit_per_day, visit_benefit }
    }

    /// The visit with the highest `visit_benefit` among all sets of at least one action. With equal worth the one with
    /// fewer actions.
    pub fn best_visit(&self, faults: &FaultProbabilities) -> VisitWorth {
        let mut best = self.worth(faults, &ACTIONS[..1]);
        for set in 2_u8..8 {
            let actions: Vec<ServiceAction> =
                (0..3).filter(|bit| set & (1 << bit) != 0).map(|bit| ACTIONS[bit]).collect();
            let worth = self.worth(faults, &actions);
            let is_better = worth.visit_benefit > best.visit_benefit;
            let is_equal_and_smaller =
                worth.visit_benefit == best.visit_benefit && worth.actions.len() < best.actions.len();
            if is_better || is_equal_and_smaller {
                best = worth;
            }
        }
        best
    }

    /// What a visit is worth where the technician does what turns out to be needed: every fault is treated, and costs its
    /// minutes and parts with its probability, money. The `visit_benefit` of the fleet table.
    pub fn expected_benefit(&self, faults: &FaultProbabilities) -> f64 {
        let work_of = |action: &ServiceAction| {
            let cost = self.action(*action)?;
            let work = cost.minutes * self.technician_minute + cost.part;
            Some(faults.treated_by(*action).clamp(0.0, 1.0) * work)
        };
        let work =
            ACTIONS.iter().filter_map(work_of).sum::<f64>() + self.visit_minutes * self.technician_minute;
        self.benefit_per_day(faults, &ACTIONS) * self.horizon_days - work
    }

    /// Names these very costs: the first digits of their digest.
    pub fn version(&self) -> String {
        const DIGITS: usize = 12;
        let of_sites = format!("{:?}", (&self.currency, &self.days_off, &self.sites));
        let mut numbers = self.clone();
        let numbers: Vec<String> = FIELDS.iter().map(|f| (f.of)(&mut numbers).to_string()).collect();
        let digest = Digest::of_parts(&[numbers.join(" ").as_bytes(), of_sites.as_bytes()]);
        digest.to_hex().chars().take(DIGITS).collect()
    }

    /// The trip to a site.
    pub fn trip_to(&self, site: &str) -> Trip {
        let own = self.sites.get(site);
        Trip {
            minutes: own.and_then(|s| s.trip_minutes).unwrap_or(self.trip.minutes),
            money: own.and_then(|s| s.trip_money).unwrap_or(self.trip.money),
        }
    }

    /// Spare laptops at a site; `None`: not counted.
    pub fn spare_units_at(&self, site: &str) -> Option<u32> {
        self.sites.get(site).and_then(|s| s.spare_units)
    }

    /// Whether nobody works at the site on that day.
    pub fn is_day_off(&self, site: &str, day: NaiveDate) -> bool {
        self.days_off.contains(&day) || self.sites.get(site).is_some_and(|s| s.days_off.contains(&day))
    }
}

/// A number of the file.
#[derive(Debug, Clone, Copy)]
pub struct Field {
    /// Section; empty: before the first.
    pub section: &'static str,
    /// Key.
    pub key: &'static str,
    /// What it is where the file doesn't say.
    pub default: f64,
    /// Largest value accepted; the smallest is 0.
    pub max: f64,
    /// Meaning and unit, and the source of the default.
    pub means: &'static str,
    of: fn(&mut Costs) -> &mut f64,
}

impl Field {
    /// Section and key: `minutes.clean`.
    pub fn name(&self) -> String {
        if self.section.is_empty() { self.key.to_owned() } else { format!("{}.{}", self.section, self.key) }
    }

    /// Its value in some costs.
    pub fn value(&self, costs: &mut Costs) -> f64 {
        *(self.of)(costs)
    }
}

const fn field(
    section: &'static str,
    key: &'static str,
    default: f64,
    max: f64,
    means: &'static str,
    of: fn(&mut Costs) -> &mut f64,
) -> Field {
    Field { section, key, default, max, means, of }
}

/// Largest amount of money; above it a slip of the pen is likelier.
const MONEY: f64 = 1e6;
/// Longest piece of work, minutes: one day.
const DAY: f64 = 1440.0;

/// Every number of the file. Minutes by action are the middle of what technicians tell (common practice, no source:
/// cleaning 15–30, fan 20–45, paste 30–60, a check 4–6 before and again after), to be replaced by the fleet's own log.
pub const FIELDS: &[Field] = &[
    field("", "technician_minute", 1.0, MONEY, "one minute of a technician, money; our choice", |c| {
        &mut c.technician_minute
    }),
    field(
        "",
        "outage",
        400.0,
        MONEY,
        "one unplanned outage of a laptop, money; our choice: a day's work and the rescue",
        |c| &mut c.outage,
    ),
    field(
        "",
        "horizon_days",
        90.0,
        3660.0,
        "days until a fault that is left would be found anyway; our choice: a quarter",
        |c| &mut c.horizon_days,
    ),
    field(
        "",
        "moved_visit",
        15.0,
        MONEY,
        "moving a planned visit to another day, money; our choice: two people told anew. Steadies the plan",
        |c| &mut c.moved_visit,
    ),
    field(
        "minutes",
        "visit",
        15.0,
        DAY,
        "every visit: fetch, give back, check before and after; common practice, no source",
        |c| &mut c.visit_minutes,
    ),
    field(
        "minutes",
        "clean",
        22.0,
        DAY,
        "open, clean fan and fins, close; common practice, no source",
        |c| &mut c.clean.minutes,
    ),
    field("minutes", "fan", 32.0, DAY, "open, replace the fan, close; common practice, no source", |c| {
        &mut c.fan.minutes
    }),
    field("minutes", "paste", 45.0, DAY, "open, renew the paste, close; common practice, no source", |c| {
        &mut c.paste.minutes
    }),
    field(
        "minutes",
        "opened_once",
        12.0,
        DAY,
        "saved with every further action of one visit, as it is opened once; our choice",
        |c| &mut c.opened_once_minutes,
    ),
    field(
        "trip",
        "minutes",
        45.0,
        DAY,
        "going to a site and setting up, from the day's hours; our choice",
        |c| &mut c.trip.minutes,
    ),
    field("trip", "money", 20.0, MONEY, "going to a site, money beside the minutes; our choice", |c| {
        &mut c.trip.money
    }),
    field("parts", "clean", 2.0, MONEY, "brush, air, cloths for one cleaning, money; our choice", |c| {
        &mut c.clean.part
    }),
    field("parts", "fan", 35.0, MONEY, "a fan module, money; our choice", |c| &mut c.fan.part),
    field("parts", "paste", 4.0, MONEY, "paste and solvent for one renewal, money; our choice", |c| {
        &mut c.paste.part
    }),
    field(
        "parts",
        "lead_days",
        7.0,
        366.0,
        "days until an ordered part is there, where stock.csv doesn't say; our choice",
        |c| &mut c.lead_days,
    ),
    field(
        "clogged",
        "loss_per_day",
        2.0,
        MONEY,
        "a day with clogged vents: slow and loud, money; our choice",
        |c| &mut c.clean.loss_per_day,
    ),
    field(
        "clogged",
        "outages_per_day",
        0.0005,
        1.0,
        "outages a day with clogged vents; our choice: one in some five years",
        |c| &mut c.clean.outages_per_day,
    ),
    field(
        "clogged",
        "mends",
        0.88,
        1.0,
        "share of cleanings that mend it; our choice, to be learned from logged visits",
        |c| &mut c.clean.mends,
    ),
    field("failing_fan", "loss_per_day", 2.0, MONEY, "a day with a failing fan, money; our choice", |c| {
        &mut c.fan.loss_per_day
    }),
    field(
        "failing_fan",
        "outages_per_day",
        0.004,
        1.0,
        "outages a day with a failing fan; our choice: one in some eight months",
        |c| &mut c.fan.outages_per_day,
    ),
    field(
        "failing_fan",
        "mends",
        0.85,
        1.0,
        "share of new fans that mend it; our choice, to be learned from logged visits",
        |c| &mut c.fan.mends,
    ),
    field("poor_contact", "loss_per_day", 2.0, MONEY, "a day with dried paste, money; our choice", |c| {
        &mut c.paste.loss_per_day
    }),
    field(
        "poor_contact",
        "outages_per_day",
        0.0005,
        1.0,
        "outages a day with dried paste; our choice",
        |c| &mut c.paste.outages_per_day,
    ),
    field(
        "poor_contact",
        "mends",
        0.88,
        1.0,
        "share of renewals that mend it; our choice, to be learned from logged visits",
        |c| &mut c.paste.mends,
    ),
];

/// The default costs as a file to begin with.
pub fn example() -> String {
    let mut text = String::from(
        "# Costs for Windrow. Every line may be left out; these are the defaults.\n\
         # Money is in one currency of your choice, of which this is only the name.\n\
         currency = \"EUR\"\n\
         # Days on which nobody works: days_off = [2026-12-25, 2026-12-26]\n\
         days_off = []\n",
    );
    let mut section = "";
    for field in FIELDS {
        if field.section != section {
            section = field.section;
            let _ = write!(text, "\n[{section}]\n");
        }
        let _ = write!(text, "# {}\n{} = {}\n", field.means, field.key, field.default);
    }
    text.push_str(
        "\n# What differs at a site, by its name. Spare units: so many users can be without their laptop on one day.\n\
         # [site.\"north\"]\n# trip_minutes = 90\n# trip_money = 60\n# spare_units = 4\n# days_off = [2026-12-24]\n",
    );
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn refused(text: &str, line: usize, column: usize, words: &str) {
        let complaints = parse(text).unwrap_err();
        let first = complaints.iter().next().unwrap();
        assert_eq!((first.line, first.column), (line, column), "{complaints}");
        assert!(complaints.to_string().contains(words), "{complaints}");
    }

    #[test]
    fn an_empty_file_gives_the_defaults_and_the_example_says_the_same() {
        assert_eq!(parse("").unwrap(), Costs::default());
        assert_eq!(parse(&example()).unwrap(), Costs::default());
        for field in FIELDS {
            assert!((0.0..=field.max).contains(&field.default), "{field:?}");
        }
    }

    #[test]
    fn every_field_is_read_into_its_own_place() {
        for (idx, field) in FIELDS.iter().enumerate() {
            let value = field.max * 0.5 + idx as f64 * 1e-6;
            let header =
                if field.section.is_empty() { String::new() } else { format!("[{}]\n", field.section) };
            let mut read = parse(&format!("{header}{} = {value}\n", field.key)).unwrap();
            assert_eq!(*(field.of)(&mut read), value, "{field:?}");
            let mut expected = Costs::default();
            *(field.of)(&mut expected) = value;
            assert_eq!(read, expected);
        }
    }

    #[test]
    fn sites_and_days_off_are_read() {
        let costs = parse(
            "currency = \"NOK\"\ndays_off = [2026-12-25, \"2026-12-26\"]\n[site.\"North hall\"]\ntrip_minutes = 90\nspare_units = 4\ndays_off = [2026-12-24]\n",
        )
        .unwrap();
        let day = |d: &str| d.parse::<NaiveDate>().unwrap();
        assert_eq!(costs.trip_to("North hall"), Trip { minutes: 90.0, money: 20.0 });
        assert_eq!(costs.trip_to("south"), Trip { minutes: 45.0, money: 20.0 });
        assert_eq!((costs.spare_units_at("North hall"), costs.spare_units_at("south")), (Some(4), None));
        assert!(
            costs.is_day_off("south", day("2026-12-26")) && !costs.is_day_off("south", day("2026-12-24"))
        );
        assert!(costs.is_day_off("North hall", day("2026-12-24")));
        assert_eq!(costs.currency, "NOK");
    }

    #[test]
    fn mistakes_are_named_with_line_and_column() {
        refused("outage = -1\n", 1, 10, "from 0 to 1000000");
        refused("\n[minutes]\nclaen = 3\n", 3, 1, "unknown key `claen` in `[minutes]`");
        refused("outage = \"400\"\n", 1, 10, "must be a number");
        refused("outage = nan\n", 1, 10, "must be a number");
        refused("outage = inf\n", 1, 10, "must be a number");
        refused("outage = 0x10\n", 1, 10, "must be a number");
        refused("minutes = 3\n", 1, 11, "must be a section");
        refused("days_off = [2026-13-01]\n", 1, 13, "");
        refused("days_off = [2026-02-30]\n", 1, 13, "");
        refused("[site]\nnorth = 3\n", 2, 1, "a site is a section");
        refused("[site.north]\nspare_units = 1.5\n", 2, 15, "whole number");
        refused("[site.north]\nspares = 1\n", 2, 1, "unknown key `spares` of a site");
        refused("outage = 1\noutage = 2\n", 2, 1, "duplicate");
        refused("outage 1\n", 1, 8, "");
        refused(&"#".repeat(MAX_BYTES + 1), 0, 0, "larger than");
    }

    #[test]
    fn all_complaints_are_gathered() {
        assert_eq!(parse("outage = -1\ntypo = 3\n").unwrap_err().iter().count(), 2);
    }

    /// By hand with the defaults: p_fan 0.5 → 0.5 · 0.85 · (2 + 0.004 · 400) = 1.53 a day, 137.70 in 90 days; minutes 15 +
    /// 32 = 47, part 35, so 55.70. With p_clogged 0.1 beside it a day costs 0.5 · 3.6 + 0.5 · 0.1 · 2.2 = 1.91; after fan and
    /// cleaning 0.075 · 3.6 + 0.925 · 0.012 · 2.2 = 0.29442. So 1.61558 a day, 145.40 in 90 days, against 57 minutes and 37
    /// for parts: 51.40. With the fan alone 0.4735 a day are left: 129.29 less 82, 47.29.
    #[test]
    fn the_worth_of_a_visit_is_as_worked_out_by_hand() {
        let costs = Costs::default();
        let faults = FaultProbabilities { clogged: 0.0, fan: 0.5, contact: 0.0 };
        let alone = costs.best_visit(&faults);
        assert_eq!(alone.actions, [ServiceAction::Fan]);
        assert!((alone.visit_benefit - 55.70).abs() < 1e-9, "{alone:?}");
        let both = costs.best_visit(&FaultProbabilities { clogged: 0.1, ..faults });
        assert_eq!(both.actions, [ServiceAction::Clean, ServiceAction::Fan]);
        assert!(
            (both.minutes - 57.0).abs() < 1e-9 && (both.benefit_per_day - 1.61558).abs() < 1e-9,
            "{both:?}"
        );
        assert!((both.visit_benefit - 51.4022).abs() < 1e-9, "{both:?}");
    }

    /// Two likely faults: to mend one of them leaves the laptop slow, so both are treated in one visit.
    #[test]
    fn what_stands_beside_a_fault_is_treated_with_it() {
        let costs = Costs::default();
        let faults = FaultProbabilities { clogged: 0.9, fan: 0.0, contact: 0.9 };
        let best = costs.best_visit(&faults);
        assert_eq!(best.actions, [ServiceAction::Clean, ServiceAction::Paste]);
        let one = costs.worth(&faults, &[ServiceAction::Clean]);
        assert!(one.benefit_per_day < 0.2 * best.benefit_per_day, "{one:?} {best:?}");
        // And it costs no more than it would if it had one fault for certain.
        assert!(best.benefit_per_day < 2.2);
    }

    #[test]
    fn no_suspicion_is_worth_no_visit() {
        let none = FaultProbabilities { clogged: 0.02, fan: 0.02, contact: 0.02 };
        assert!(Costs::default().best_visit(&none).visit_benefit < 0.0);
    }
}
