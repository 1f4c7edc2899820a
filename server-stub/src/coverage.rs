//! Coverage: how far the laptops that should be checked have been checked.
//!
//! Counted is against the scope list, not against the laptops that happened to join. [`cover`] is a pure function of the
//! list, the laptops that the hub knows and what is known of their checks.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::store::EpochMs;
use crate::store::facts::{Laptop, ScopeEntry};

/// A laptop counts as checked for so many days.
pub const CHECKED_DAYS: i64 = 30;
const CHECKED_MS: i64 = CHECKED_DAYS * 86_400_000;

/// How a laptop stands in the coverage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CoverageState {
    /// Checked in the last 30 days, and the check tells.
    Checked,
    /// Checked in the last 30 days, and nothing can be told.
    CannotTell,
    /// Not checked in the last 30 days.
    NotChecked,
    /// On the list, left out on purpose.
    Excluded,
    /// On the list, before its first day or after its last.
    NotDue,
    /// Known to the hub, not on the list.
    NotInList,
}

impl CoverageState {
    /// All states.
    pub const ALL: [Self; 6] =
        [Self::Checked, Self::CannotTell, Self::NotChecked, Self::Excluded, Self::NotDue, Self::NotInList];

    /// Its name in tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Checked => "checked",
            Self::CannotTell => "cannot_tell",
            Self::NotChecked => "not_checked",
            Self::Excluded => "excluded",
            Self::NotDue => "not_due",
            Self::NotInList => "not_in_list",
        }
    }

    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Checked => "checked in the last 30 days",
            Self::CannotTell => "checked, but cannot tell",
            Self::NotChecked => "not checked",
            Self::Excluded => "excluded",
            Self::NotDue => "not due",
            Self::NotInList => "not in the list",
        }
    }

    /// Whether it should have been checked.
    pub const fn counts(self) -> bool {
        matches!(self, Self::Checked | Self::CannotTell | Self::NotChecked)
    }
}

/// Why a laptop that should be checked was not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum NotCheckedWhy {
    /// No laptop with this tag has joined or was imported.
    NotJoined,
    /// It has joined and was never checked.
    NeverChecked,
    /// Every check of it ended in its pre-checks.
    NeverLoaded,
    /// Its last check is older than 30 days.
    TooOld,
    /// An administrator holds it back from load and visits.
    Held,
    /// Its key was revoked, and no other laptop carries its tag.
    Revoked,
}

impl NotCheckedWhy {
    /// All reasons.
    pub const ALL: [Self; 6] =
        [Self::NotJoined, Self::NeverChecked, Self::NeverLoaded, Self::TooOld, Self::Held, Self::Revoked];

    /// Its name in tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::NotJoined => "not_joined",
            Self::NeverChecked => "never_checked",
            Self::NeverLoaded => "never_loaded",
            Self::TooOld => "too_old",
            Self::Held => "held",
            Self::Revoked => "revoked",
        }
    }

    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::NotJoined => "no laptop with this tag has joined",
            Self::NeverChecked => "joined, never checked",
            Self::NeverLoaded => "pre-checks ended every check",
            Self::TooOld => "the last check is older than 30 days",
            Self::Held => "held back by an administrator",
            Self::Revoked => "its key was revoked",
        }
    }
}

/// What is known of a laptop's checks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Checks {
    /// Its last check: the last run that could be fitted, else the last that loaded it.
    pub last_ms: Option<EpochMs>,
    /// It was tried at least once, loaded or not.
    pub was_tried: bool,
    /// Nothing can be told from its checks.
    pub cannot_tell: bool,
    /// It is held back from load and visits.
    pub is_held: bool,
}

/// A line of the coverage: a tag of the list, or a laptop that isn't on it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CoverageLine {
    /// Asset tag; blank for a laptop without one.
    pub tag: String,
    /// The laptop, where one is known.
    pub device_id: Option<String>,
    /// Its model: what was found, else what the list says.
    pub model: String,
    /// Its site: the list's, else where it stands.
    pub site: String,
    /// Its place within the site.
    pub place: String,
    /// How it stands.
    pub state: CoverageState,
    /// Why it wasn't checked; only with [`CoverageState::NotChecked`].
    pub not_checked_why: Option<NotCheckedWhy>,
    /// The list's own words: why it is excluded or retired.
    pub why: String,
    /// Its last check: the last run that could be fitted, else the last that loaded it.
    pub last_checked_at_ms: Option<EpochMs>,
    /// First day on which it should be checked.
    pub from_on: Option<NaiveDate>,
    /// Last such day.
    pub until_on: Option<NaiveDate>,
}

/// The coverage of a fleet.
#[derive(Debug, Clone, Default)]
pub struct Coverage {
    /// As of when.
    pub as_of_ms: EpochMs,
    /// Whether there is a list at all; without one nothing can be said of coverage.
    pub has_list: bool,
    /// The list's tags in their order, then the laptops that aren't on it, by id.
    pub lines: Vec<CoverageLine>,
    /// Places in `lines`.
    by_device: HashMap<String, usize>,
}

/// How many laptops stand how.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct CoverageCounts {
    /// Checked in the last 30 days, and the check tells.
    pub n_checked: usize,
    /// Checked in the last 30 days, and nothing can be told.
    pub n_cannot_tell: usize,
    /// Not checked in the last 30 days, by reason; reasons that nobody has are left out.
    pub not_checked: BTreeMap<NotCheckedWhy, usize>,
    /// Left out on purpose.
    pub n_excluded: usize,
    /// Before their first day or after their last.
    pub n_not_due: usize,
    /// Known to the hub, not on the list.
    pub n_not_in_list: usize,
    /// Of these, checked in the last 30 days.
    pub n_not_in_list_checked: usize,
}

impl CoverageCounts {
    /// How many were not checked.
    pub fn n_not_checked(&self) -> usize {
        self.not_checked.values().sum()
    }

    /// How many should be checked: the whole that a share is of.
    pub fn n_due(&self) -> usize {
        self.n_checked + self.n_cannot_tell + self.n_not_checked()
    }

    /// Share of those that should be checked that were, whether they can be told or not; `None`: none should be.
    pub fn checked_share(&self) -> Option<f64> {
        let n_due = self.n_due();
        (n_due > 0).then(|| (self.n_checked + self.n_cannot_tell) as f64 / n_due as f64)
    }

    fn add(&mut self, line: &CoverageLine, as_of_ms: EpochMs) {
        match line.state {
            CoverageState::Checked => self.n_checked += 1,
            CoverageState::CannotTell => self.n_cannot_tell += 1,
            CoverageState::NotChecked => {
                *self
                    .not_checked
                    .entry(line.not_checked_why.unwrap_or(NotCheckedWhy::NeverChecked))
                    .or_default() += 1;
            }
            CoverageState::Excluded => self.n_excluded += 1,
            CoverageState::NotDue => self.n_not_due += 1,
            CoverageState::NotInList => {
                self.n_not_in_list += 1;
                self.n_not_in_list_checked += usize::from(is_recent(line.last_checked_at_ms, as_of_ms));
            }
        }
    }
}

impl Coverage {
    /// How a laptop stands; `None`: the hub doesn't know it, or it goes on as another.
    pub fn state_of(&self, device_id: &str) -> Option<CoverageState> {
        self.line_of(device_id).map(|line| line.state)
    }

    /// A laptop's line; several that carry one tag share it.
    pub fn line_of(&self, device_id: &str) -> Option<&CoverageLine> {
        self.lines.get(*self.by_device.get(device_id)?)
    }

    /// Counts of one site, or of all.
    pub fn counts(&self, site: Option<&str>) -> CoverageCounts {
        let mut counts = CoverageCounts::default();
        let of_site = self.lines.iter().filter(|l| site.is_none_or(|s| s == l.site));
        of_site.for_each(|l| counts.add(l, self.as_of_ms));
        counts
    }

    /// Counts by site, by name; laptops whose site isn't known stand under the empty name.
    pub fn by_site(&self) -> BTreeMap<String, CoverageCounts> {
        let mut sites: BTreeMap<&str, CoverageCounts> = BTreeMap::new();
        self.lines.iter().for_each(|line| sites.entry(&line.site).or_default().add(line, self.as_of_ms));
        sites.into_iter().map(|(site, counts)| (site.to_owned(), counts)).collect()
    }
}

fn is_recent(checked_at_ms: Option<EpochMs>, as_of_ms: EpochMs) -> bool {
    checked_at_ms.is_some_and(|at_ms| as_of_ms - at_ms <= CHECKED_MS)
}

/// The coverage as of a time. `checks` gives what is known of a laptop's checks by its id; the day is UTC's.
pub fn cover(
    list: &[ScopeEntry],
    laptops: &[Laptop],
    checks: impl Fn(&str) -> Checks,
    as_of_ms: EpochMs,
) -> Coverage {
    // A laptop that goes on as another is no laptop of its own any more.
    let known: Vec<(&Laptop, Checks)> =
        laptops.iter().filter(|l| l.goes_on_as.is_none()).map(|l| (l, checks(&l.device_id))).collect();
    let mut by_tag: HashMap<&str, Vec<usize>> = HashMap::new();
    for (at, (laptop, _)) in known.iter().enumerate().filter(|(_, (l, _))| !l.asset_tag.is_empty()) {
        by_tag.entry(&laptop.asset_tag).or_default().push(at);
    }
    let today = crate::scoring::day_of(as_of_ms).unwrap_or_default();
    let mut lines = Vec::with_capacity(list.len());
    let mut by_device = HashMap::with_capacity(known.len());
    for entry in list {
        let carriers = by_tag.remove(entry.tag.as_str()).unwrap_or_default();
        // Of several that carry one tag, the one that can still send, then the one that was checked last.
        let best =
            carriers.iter().map(|&at| &known[at]).max_by_key(|(l, c)| (l.revoked_at_ms.is_none(), c.last_ms));
        let line = listed(entry, best.map(|(l, c)| (*l, *c)), today, as_of_ms);
        by_device.extend(carriers.iter().map(|&at| (known[at].0.device_id.clone(), lines.len())));
        lines.push(line);
    }
    for (laptop, checks) in known {
        if !by_device.contains_key(&laptop.device_id) {
            by_device.insert(laptop.device_id.clone(), lines.len());
            lines.push(unlisted(laptop, checks));
        }
    }
    Coverage { as_of_ms, has_list: !list.is_empty(), lines, by_device }
}

/// Tags of the list that are the id of a laptop without a tag, and the tag of another laptop: that one is meant, which may
/// be a mistake.
pub fn ambiguous_tags<'a>(list: &'a [ScopeEntry], laptops: &[Laptop]) -> Vec<&'a str> {
    let known = || laptops.iter().filter(|l| l.goes_on_as.is_none());
    let carried: HashSet<&str> = known().map(|l| l.asset_tag.as_str()).collect();
    let untagged: HashSet<&str> =
        known().filter(|l| l.asset_tag.is_empty()).map(|l| l.device_id.as_str()).collect();
    let tags = list.iter().map(|e| e.tag.as_str());
    tags.filter(|tag| carried.contains(tag) && untagged.contains(tag)).collect()
}

fn listed(
    entry: &ScopeEntry,
    carrier: Option<(&Laptop, Checks)>,
    today: NaiveDate,
    as_of_ms: EpochMs,
) -> CoverageLine {
    let (state, not_checked_why) = if entry.is_excluded {
        (CoverageState::Excluded, None)
    } else if !entry.is_due(today) {
        (CoverageState::NotDue, None)
    } else {
        state_of_due(carrier, as_of_ms)
    };
    let found_model = carrier.map(|(l, _)| l.model_name.as_str()).filter(|m| !m.is_empty());
    CoverageLine {
        tag: entry.tag.clone(),
        device_id: carrier.map(|(l, _)| l.device_id.clone()),
        model: found_model.unwrap_or(&entry.model).to_owned(),
        site: entry.site.clone(),
        place: entry.place.clone(),
        state,
        not_checked_why,
        why: entry.why.clone(),
        last_checked_at_ms: carrier.and_then(|(_, c)| c.last_ms),
        from_on: entry.from_on,
        until_on: entry.until_on,
    }
}

fn state_of_due(
    carrier: Option<(&Laptop, Checks)>,
    as_of_ms: EpochMs,
) -> (CoverageState, Option<NotCheckedWhy>) {
    let not = |why| (CoverageState::NotChecked, Some(why));
    let Some((laptop, checks)) = carrier else { return not(NotCheckedWhy::NotJoined) };
    match checks.last_ms {
        last_ms if is_recent(last_ms, as_of_ms) => {
            (if checks.cannot_tell { CoverageState::CannotTell } else { CoverageState::Checked }, None)
        }
        _ if checks.is_held => not(NotCheckedWhy::Held),
        _ if laptop.revoked_at_ms.is_some() => not(NotCheckedWhy::Revoked),
        Some(_) => not(NotCheckedWhy::TooOld),
        None if checks.was_tried => not(NotCheckedWhy::NeverLoaded),
        None => not(NotCheckedWhy::NeverChecked),
    }
}

fn unlisted(laptop: &Laptop, checks: Checks) -> CoverageLine {
    CoverageLine {
        tag: laptop.asset_tag.clone(),
        device_id: Some(laptop.device_id.clone()),
        model: laptop.model_name.clone(),
        site: laptop.site.clone(),
        place: laptop.place.clone(),
        state: CoverageState::NotInList,
        not_checked_why: None,
        why: String::new(),
        last_checked_at_ms: checks.last_ms,
        from_on: None,
        until_on: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::START_MS;

    const DAY_MS: i64 = 86_400_000;

    fn entry(tag: &str) -> ScopeEntry {
        ScopeEntry {
            tag: tag.to_owned(),
            model: "as listed".to_owned(),
            site: "Lowfield".to_owned(),
            place: String::new(),
            from_on: None,
            until_on: None,
            is_excluded: false,
            why: String::new(),
        }
    }

    fn laptop(device_id: &str, tag: &str) -> Laptop {
        Laptop {
            device_id: device_id.to_owned(),
            asset_tag: tag.to_owned(),
            site: "Brackwell".to_owned(),
            place: String::new(),
            model_name: "Fjordbook 14".to_owned(),
            has_joined: true,
            revoked_at_ms: None,
            last_tested_at_ms: None,
            goes_on_as: None,
        }
    }

    fn checked(days_ago: i64) -> Checks {
        Checks { last_ms: Some(START_MS - days_ago * DAY_MS), was_tried: true, ..Checks::default() }
    }

    /// One line a case: the state of a single tag.
    #[track_caller]
    fn state(
        entry: ScopeEntry,
        laptop: Option<Laptop>,
        checks: Checks,
    ) -> (CoverageState, Option<NotCheckedWhy>) {
        let coverage = cover(&[entry], &laptop.into_iter().collect::<Vec<_>>(), |_| checks, START_MS);
        assert_eq!(coverage.lines.len(), 1);
        (coverage.lines[0].state, coverage.lines[0].not_checked_why)
    }

    #[test]
    fn each_state_and_each_reason_has_its_case() {
        use {CoverageState as S, NotCheckedWhy as W};
        let it = || Some(laptop("a", "T"));
        let none = Checks::default();
        assert_eq!(state(entry("T"), it(), checked(30)), (S::Checked, None), "thirty days are in");
        assert_eq!(state(entry("T"), it(), checked(31)), (S::NotChecked, Some(W::TooOld)));
        let untold = Checks { cannot_tell: true, ..checked(1) };
        assert_eq!(state(entry("T"), it(), untold), (S::CannotTell, None));
        assert_eq!(state(entry("T"), None, none), (S::NotChecked, Some(W::NotJoined)));
        assert_eq!(state(entry("T"), it(), none), (S::NotChecked, Some(W::NeverChecked)));
        let tried = Checks { was_tried: true, ..none };
        assert_eq!(state(entry("T"), it(), tried), (S::NotChecked, Some(W::NeverLoaded)));
        let held = Checks { is_held: true, ..checked(40) };
        assert_eq!(state(entry("T"), it(), held), (S::NotChecked, Some(W::Held)));
        let revoked = Laptop { revoked_at_ms: Some(START_MS), ..laptop("a", "T") };
        assert_eq!(state(entry("T"), Some(revoked), none), (S::NotChecked, Some(W::Revoked)));
        let excluded = ScopeEntry { is_excluded: true, why: "lent".into(), ..entry("T") };
        assert_eq!(state(excluded, it(), checked(1)), (S::Excluded, None));
    }

    #[test]
    fn only_the_days_of_an_entry_count() {
        let today = crate::scoring::day_of(START_MS).unwrap();
        let later = ScopeEntry { from_on: today.succ_opt(), ..entry("T") };
        let over = ScopeEntry { until_on: today.pred_opt(), ..entry("T") };
        let now = ScopeEntry { from_on: Some(today), until_on: Some(today), ..entry("T") };
        assert_eq!(state(later, None, Checks::default()).0, CoverageState::NotDue);
        assert_eq!(state(over, None, Checks::default()).0, CoverageState::NotDue);
        assert_eq!(state(now, None, Checks::default()).0, CoverageState::NotChecked);
    }

    #[test]
    fn counts_are_against_the_list_and_by_its_sites() {
        let list = [entry("T1"), entry("T2"), ScopeEntry { site: "Quay".into(), ..entry("T3") }];
        let laptops = [laptop("a", "T1"), laptop("b", ""), laptop("c", "T9")];
        let coverage = cover(&list, &laptops, |_| checked(2), START_MS);
        let all = coverage.counts(None);
        assert_eq!((all.n_due(), all.n_checked), (3, 1));
        assert_eq!((all.n_not_in_list, all.n_not_in_list_checked), (2, 2));
        assert_eq!(all.not_checked, BTreeMap::from([(NotCheckedWhy::NotJoined, 2)]));
        assert_eq!(all.checked_share(), Some(1.0 / 3.0));
        let sites = coverage.by_site();
        assert_eq!(sites.keys().collect::<Vec<_>>(), ["Brackwell", "Lowfield", "Quay"]);
        assert_eq!(sites["Lowfield"], coverage.counts(Some("Lowfield")));
        assert_eq!((sites["Lowfield"].n_due(), sites["Quay"].n_due(), sites["Brackwell"].n_due()), (2, 1, 0));
        assert_eq!(sites["Brackwell"].checked_share(), None);
        assert_eq!(coverage.state_of("a"), Some(CoverageState::Checked));
        assert_eq!(coverage.state_of("b"), Some(CoverageState::NotInList));
        assert_eq!(coverage.state_of("nobody"), None);
    }

    #[test]
    fn of_two_with_one_tag_the_later_check_counts_and_a_merged_one_is_gone() {
        let laptops = [
            laptop("old", "T"),
            laptop("new", "T"),
            Laptop { goes_on_as: Some("new".into()), ..laptop("gone", "T") },
        ];
        let checks = |id: &str| if id == "new" { checked(1) } else { checked(90) };
        let coverage = cover(&[entry("T")], &laptops, checks, START_MS);
        assert_eq!(coverage.lines.len(), 1);
        assert_eq!(coverage.lines[0].device_id.as_deref(), Some("new"));
        assert_eq!(coverage.lines[0].model, "Fjordbook 14", "what was found goes before what was listed");
        assert_eq!(coverage.state_of("gone"), None);
    }

    #[test]
    fn a_tag_that_is_another_s_id_is_told() {
        let list = ["K-1", "K-2", "K-3", "K-4"].map(entry);
        let laptops = [
            laptop("K-1", ""),
            laptop("K-2", ""),
            laptop("carries K-2", "K-2"),
            laptop("K-3", "K-9"),
            laptop("carries K-3", "K-3"),
            Laptop { goes_on_as: Some("carries K-4".into()), ..laptop("K-4", "") },
            laptop("carries K-4", "K-4"),
        ];
        assert_eq!(ambiguous_tags(&list, &laptops), ["K-2"]);
    }

    #[test]
    fn without_a_list_every_laptop_is_outside_it() {
        let coverage = cover(&[], &[laptop("a", "T")], |_| checked(1), START_MS);
        assert!(!coverage.has_list);
        assert_eq!(coverage.counts(None).checked_share(), None);
        assert_eq!(coverage.state_of("a"), Some(CoverageState::NotInList));
    }
}
