//! What people say of laptops: which should be checked and where they stand, visits, holds, checks asked for.
//!
//! Every change is a new row with a ledger leaf in the same unit of work; nothing is edited. Free text enters the ledger
//! as a commitment alone.

use std::future::Future;

use chrono::NaiveDate;
use windrow_model::trace::fleet::ServiceAction;

use super::{EpochMs, StoreError};
use crate::access::{Role, Viewer};

/// Who changes something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Actor {
    /// In which role.
    pub role: Role,
    /// By which grant; `None` at the hub's own command line.
    pub grant_id: Option<i64>,
}

impl Actor {
    /// Whoever sent a request.
    pub const fn of(viewer: &Viewer) -> Self {
        Self { role: viewer.role, grant_id: Some(viewer.grant_id) }
    }
}

/// A laptop that should be checked, as the list says.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct ScopeEntry {
    /// Its asset tag: the list's key.
    pub tag: String,
    /// Its model; may be empty.
    pub model: String,
    /// Its site.
    pub site: String,
    /// Its place within the site; may be empty.
    pub place: String,
    /// First day on which it should be checked; `None`: always.
    pub from_on: Option<NaiveDate>,
    /// Last such day; `None`: no end.
    pub until_on: Option<NaiveDate>,
    /// Left out of what should be checked.
    pub is_excluded: bool,
    /// Why it is excluded, or retired.
    pub why: String,
}

impl ScopeEntry {
    /// Whether it should be checked on a day, excluded or not.
    pub fn is_due(&self, day: NaiveDate) -> bool {
        self.from_on.is_none_or(|from| from <= day) && self.until_on.is_none_or(|until| day <= until)
    }
}

/// What a row of the scope list's history did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ScopeChange {
    /// The tag is new.
    Listed,
    /// Something of it is different.
    Changed,
    /// It stands somewhere else.
    Moved,
    /// It is no longer used.
    Retired,
}

impl ScopeChange {
    /// Its name in the database and the ledger.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Listed => "listed",
            Self::Changed => "changed",
            Self::Moved => "moved",
            Self::Retired => "retired",
        }
    }

    /// From that name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Listed, Self::Changed, Self::Moved, Self::Retired].into_iter().find(|c| c.name() == name)
    }
}

/// A row of the scope list's history.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScopeVersion {
    /// How the tag stood from then on.
    pub entry: ScopeEntry,
    /// What was done.
    pub change: ScopeChange,
    /// When.
    pub changed_at_ms: EpochMs,
    /// In which role.
    pub by_role: String,
    /// Where it stood was erased.
    pub is_erased: bool,
}

/// What an import of the scope list did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
pub struct ScopeCount {
    /// Tags that are new.
    pub n_new: usize,
    /// Tags of which something changed.
    pub n_changed: usize,
    /// Tags that stood so before.
    pub n_same: usize,
}

/// A change of one tag.
#[derive(Debug, Clone)]
pub enum ScopeDeed {
    /// It stands somewhere else now.
    Move {
        /// Site.
        site: String,
        /// Place within it.
        place: String,
    },
    /// It is no longer used: not to be checked after a day.
    Retire {
        /// The last day.
        last_on: NaiveDate,
        /// Why.
        why: String,
    },
    /// A laptop that has joined carries this tag.
    Assign {
        /// The laptop.
        device_id: String,
    },
}

/// What became of a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScopeDone {
    /// Done.
    Done,
    /// It was so before.
    Same,
    /// The list has no such tag.
    NoSuchTag,
    /// No laptop of that id has joined or was imported.
    NoSuchLaptop,
}

/// What became of a merge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Merged {
    /// Done.
    Done,
    /// They were merged before, in this very way.
    Known,
    /// No such laptop.
    NoSuchLaptop,
    /// The old one goes on as another laptop already, or the new one is another's successor, or they would go in a circle.
    Taken,
}

/// A laptop that goes on as another after a board swap.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Succession {
    /// The laptop as it was.
    pub old_device_id: String,
    /// The laptop as it joined anew.
    pub new_device_id: String,
    /// When that was told.
    pub at_ms: EpochMs,
    /// In which role.
    pub by_role: String,
}

/// A laptop as the hub knows it, whatever its condition.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Laptop {
    /// Its id.
    pub device_id: String,
    /// Its asset tag; may be empty.
    pub asset_tag: String,
    /// Its site; may be empty.
    pub site: String,
    /// Its place within the site; may be empty.
    pub place: String,
    /// Its model, once it was checked; else empty.
    pub model_name: String,
    /// Whether it has joined (else it is known from imported runs alone).
    pub has_joined: bool,
    /// When it was revoked.
    pub revoked_at_ms: Option<EpochMs>,
    /// When it was last tested.
    pub last_tested_at_ms: Option<EpochMs>,
    /// The laptop as which it goes on after a board swap.
    pub goes_on_as: Option<String>,
}

/// A visit to be logged.
#[derive(Debug, Clone)]
pub struct NewVisit {
    /// The laptop.
    pub device_id: String,
    /// The day.
    pub visited_on: NaiveDate,
    /// What was done: at least one; `None` alone.
    pub actions: Vec<ServiceAction>,
    /// How long it took.
    pub minutes: Option<u32>,
    /// What was found.
    pub found: String,
    /// What parts it took.
    pub parts: String,
    /// Anything else.
    pub note: String,
    /// The entry that it corrects.
    pub corrects: Option<i64>,
    /// The corrected visit never took place.
    pub is_withdrawn: bool,
    /// By whom.
    pub actor: Actor,
    /// Now.
    pub now_ms: EpochMs,
}

/// What became of a visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VisitLogged {
    /// It is stored.
    Logged {
        /// Its number.
        visit_id: i64,
    },
    /// The same laptop, day and actions were logged before.
    Duplicate {
        /// As this.
        visit_id: i64,
    },
    /// No laptop of that id has joined or was imported.
    NoSuchLaptop,
    /// There is no such entry to be corrected.
    NoSuchVisit,
    /// That entry was corrected before.
    CorrectedBefore {
        /// By this.
        visit_id: i64,
    },
}

/// A logged visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Visit {
    /// Its number.
    pub visit_id: i64,
    /// The laptop.
    pub device_id: String,
    /// The day.
    pub visited_on: NaiveDate,
    /// What was done.
    pub actions: Vec<ServiceAction>,
    /// How long it took.
    pub minutes: Option<u32>,
    /// What was found.
    pub found: String,
    /// What parts it took.
    pub parts: String,
    /// Anything else.
    pub note: String,
    /// In which role it was logged.
    pub by_role: String,
    /// When it was logged.
    pub logged_at_ms: EpochMs,
    /// The entry that it corrects.
    pub corrects: Option<i64>,
    /// The entry that corrects it; such an entry no longer counts.
    pub corrected_by: Option<i64>,
    /// It says that the corrected visit never took place.
    pub is_withdrawn: bool,
    /// Its free texts were erased.
    pub is_erased: bool,
}

impl Visit {
    /// Whether it took place, as far as the entries say today.
    pub fn counts(&self) -> bool {
        self.corrected_by.is_none() && !self.is_withdrawn
    }
}

/// Kinds of marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MarkKind {
    /// No load and no visit: a recall, a bulging battery.
    Hold,
    /// Put off until a day.
    Snooze,
    /// A check is wanted by a time.
    Check,
}

impl MarkKind {
    /// Its name in the database.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Hold => "hold",
            Self::Snooze => "snooze",
            Self::Check => "check",
        }
    }

    /// From that name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Hold, Self::Snooze, Self::Check].into_iter().find(|k| k.name() == name)
    }
}

/// A mark to be set.
#[derive(Debug, Clone)]
pub struct NewMark {
    /// The laptop.
    pub device_id: String,
    /// Which.
    pub kind: MarkKind,
    /// Why.
    pub why: String,
    /// Until when; a snooze and a check have one.
    pub until_ms: Option<EpochMs>,
    /// By whom.
    pub actor: Actor,
    /// Now.
    pub now_ms: EpochMs,
}

/// What became of a mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Marked {
    /// It is set.
    Set,
    /// No such laptop.
    NoSuchLaptop,
    /// A check can only be asked of a laptop that has joined and isn't revoked.
    CannotBeAsked,
}

/// An open mark.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// The laptop.
    pub device_id: String,
    /// Which.
    pub kind: MarkKind,
    /// Why.
    pub why: String,
    /// Until when.
    pub until_ms: Option<EpochMs>,
    /// Since when.
    pub began_at_ms: EpochMs,
    /// In which role it was set.
    pub by_role: String,
}

/// What a mark says in place of a reason that was erased.
pub const ERASED_REASON: &str = "reason erased";

/// Free text that is to go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Erasing {
    /// Of a visit's entry, by its number, and of all that it corrects.
    Visit(i64),
    /// Why a laptop was held, snoozed or asked for a check, by its whole id.
    Reasons(String),
    /// An asset tag, all that the list said of it, and where the laptops stood that carried it.
    Tag(String),
    /// Where a laptop stood, and under which tags, before it stood where it stands; by its whole id.
    Places(String),
    /// A site's name and the places in it, wherever they stand.
    Site(String),
    /// Who holds a grant, by its number.
    Grant(i64),
}

impl Erasing {
    /// Its name in the ledger.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Visit(_) => "visit",
            Self::Reasons(_) => "reasons",
            Self::Tag(_) => "tag",
            Self::Places(_) => "places",
            Self::Site(_) => "site",
            Self::Grant(_) => "grant",
        }
    }
}

/// What became of an erasure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Erased {
    /// So many entries lost their texts; 0: there was nothing to erase.
    Done {
        /// How many.
        n_entries: usize,
    },
    /// A grant that is good is bound to this site; nothing was erased.
    SiteIsBound,
}

impl Erased {
    /// How many entries lost their texts.
    pub const fn n_entries(self) -> usize {
        match self {
            Self::Done { n_entries } => n_entries,
            Self::SiteIsBound => 0,
        }
    }
}

/// The store's part for facts.
pub trait FactStore {
    /// Ids of the laptops that are meant by an id, the beginning of one (8 characters or more), or an asset tag: at most
    /// three, so that a caller sees when it is not one.
    fn laptop_find(&self, key: String) -> impl Future<Output = Result<Vec<String>, StoreError>> + Send;
    /// One laptop by its whole id.
    fn laptop_get(
        &self,
        device_id: String,
    ) -> impl Future<Output = Result<Option<Laptop>, StoreError>> + Send;
    /// All laptops, ordered by id.
    fn laptop_list(&self) -> impl Future<Output = Result<Vec<Laptop>, StoreError>> + Send;
    /// Takes a whole scope list: tags that differ get a new row, tags that it doesn't name stay as they are. Laptops of
    /// these tags are placed where it says.
    fn scope_import(
        &self,
        entries: Vec<ScopeEntry>,
        actor: Actor,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<ScopeCount, StoreError>> + Send;
    /// Changes one tag.
    fn scope_change(
        &self,
        tag: String,
        deed: ScopeDeed,
        actor: Actor,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<ScopeDone, StoreError>> + Send;
    /// After a board swap: `new` goes on as `old`, with its tag, place and services. Its reference is its own.
    fn laptop_merge(
        &self,
        old_device_id: String,
        new_device_id: String,
        actor: Actor,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<Merged, StoreError>> + Send;
    /// As which laptops this one was known before, the latest first.
    fn laptop_past(
        &self,
        device_id: String,
    ) -> impl Future<Output = Result<Vec<Succession>, StoreError>> + Send;
    /// The scope list as it stands, by tag.
    fn scope_list(&self) -> impl Future<Output = Result<Vec<ScopeEntry>, StoreError>> + Send;
    /// How a tag came to stand as it does, the oldest first.
    fn scope_history(
        &self,
        tag: String,
    ) -> impl Future<Output = Result<Vec<ScopeVersion>, StoreError>> + Send;
    /// Logs a visit, or corrects one.
    fn visit_log(&self, visit: NewVisit) -> impl Future<Output = Result<VisitLogged, StoreError>> + Send;
    /// Entries after the number `after_visit_id`, corrected ones too, at most `limit`; of one laptop or of all.
    fn visit_list(
        &self,
        device_id: Option<String>,
        after_visit_id: i64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<Visit>, StoreError>> + Send;
    /// Laptops with a visit that was first logged at or after that time and took place, as far as the entries say today.
    fn serviced_since(
        &self,
        since_ms: EpochMs,
    ) -> impl Future<Output = Result<Vec<String>, StoreError>> + Send;
    /// Erases free text and what could still prove it; the commitments stay, and an event names them.
    fn text_erase(
        &self,
        what: Erasing,
        actor: Actor,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<Erased, StoreError>> + Send;
    /// Sets a mark; an open one of the same kind ends.
    fn mark_set(&self, mark: NewMark) -> impl Future<Output = Result<Marked, StoreError>> + Send;
    /// Ends an open mark; `false`: there is none.
    fn mark_end(
        &self,
        device_id: String,
        kind: MarkKind,
        actor: Actor,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<bool, StoreError>> + Send;
    /// Marks that are open at a time, by laptop; of one laptop or of all.
    fn mark_list(
        &self,
        device_id: Option<String>,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<Vec<Mark>, StoreError>> + Send;
}
