//! Places: by site, which laptops should be checked and where they stand; and one tag's history.

use chrono::NaiveDate;
use maud::{Markup, html};

use super::layout::{self, Reader};
use super::service_list::where_it_is;
use super::unknown::Unknown;
use super::{fleet, words};
use crate::coverage::{Coverage, CoverageCounts, CoverageLine, CoverageState};
use crate::store::facts::{ScopeChange, ScopeEntry, ScopeVersion, Succession};

/// Lines on a page.
pub const PAGE_SIZE: usize = 100;
/// Longest text to search for, characters.
const MAX_SEARCH: usize = 80;

/// A site in the table.
#[derive(Debug, Clone)]
pub struct SiteLine {
    /// Its name; empty where it isn't known.
    pub name: String,
    /// How its laptops stand.
    pub counts: CoverageCounts,
}

/// What the page reads, worked out once after a judging.
#[derive(Debug, Default)]
pub struct Index {
    /// Sites by name.
    pub sites: Vec<SiteLine>,
    /// What is searched in, one for each line of the coverage.
    haystacks: Vec<String>,
}

impl Index {
    /// From the coverage.
    pub fn new(coverage: &Coverage) -> Self {
        let sites = coverage.by_site().into_iter().map(|(name, counts)| SiteLine { name, counts });
        let haystack = |l: &CoverageLine| {
            let id = l.device_id.as_deref().unwrap_or_default();
            [&l.tag, id, &l.model, &l.place].map(str::to_lowercase).join("\n")
        };
        Self { sites: sites.collect(), haystacks: coverage.lines.iter().map(haystack).collect() }
    }
}

/// What is asked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Query {
    /// Only this site.
    pub site: Option<String>,
    /// The reader's grant is for that site alone.
    pub is_bound_to_site: bool,
    /// Only laptops that stand so.
    pub state: Option<CoverageState>,
    /// Only lines that contain this.
    pub search: String,
    /// After this line.
    pub after: Option<Key>,
    /// What of the address isn't known, for the page to say.
    pub unknown: Unknown,
    /// A standing was asked for that there isn't: nothing has it.
    pub fits_none: bool,
}

/// What a line is found by again when the list has changed meanwhile.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Key {
    /// A tag of the list.
    Tag(String),
    /// A laptop that isn't on the list.
    Laptop(String),
}

impl Key {
    /// Of a line.
    pub fn of(line: &CoverageLine) -> Self {
        match (&line.device_id, line.state) {
            (Some(id), CoverageState::NotInList) => Self::Laptop(id.clone()),
            _ => Self::Tag(line.tag.clone()),
        }
    }
}

impl Query {
    /// Words of an address that the page takes.
    const KEYS: [&str; 5] = ["site", "state", "find", "after-tag", "after-laptop"];

    /// From what stands after the `?`; what isn't understood stands in `unknown`.
    pub fn from_pairs<'a>(pairs: impl Iterator<Item = (&'a str, &'a str)>) -> Self {
        let mut query = Self::default();
        for (name, value) in pairs.map(|(name, value)| (name, value.trim())).filter(|(_, v)| !v.is_empty()) {
            match name {
                "site" => query.site = Some(value.to_owned()),
                "state" => query.narrow_to_state(value),
                "find" => query.search_for(value),
                "after-tag" => query.after = Some(Key::Tag(value.to_owned())),
                "after-laptop" => query.after = Some(Key::Laptop(value.to_owned())),
                other => query.unknown.key(other, &Self::KEYS),
            }
        }
        query
    }

    fn narrow_to_state(&mut self, name: &str) {
        self.state = CoverageState::ALL.into_iter().find(|s| s.name() == name);
        self.fits_none = self.state.is_none();
        if self.fits_none {
            self.unknown.name("state", name, CoverageState::ALL.into_iter().map(CoverageState::name));
        }
    }

    /// Looks whether there is the site that was asked for; after [`Query::bind_to`].
    pub fn look_up_names(&mut self, index: &Index) {
        let names = || index.sites.iter().map(|site| site.name.as_str());
        let is_missing = |name: &String| names().next().is_some() && !names().any(|n| n == name);
        if let Some(site) = self.site.as_ref().filter(|s| !self.is_bound_to_site && is_missing(s)) {
            self.unknown.name("site", site, names());
        }
    }

    /// Narrows it to what holds these words.
    pub fn search_for(&mut self, words: &str) {
        self.search = words.trim().chars().take(MAX_SEARCH).collect();
    }

    /// Binds it to the one site that the reader may see, where there is one.
    pub fn bind_to(&mut self, site: Option<&str>) {
        if let Some(site) = site {
            self.site = Some(site.to_owned());
            self.is_bound_to_site = true;
        }
    }

    fn address(&self, after: Option<&Key>) -> String {
        let mut pairs = form_urlencoded::Serializer::new(String::new());
        if let Some(site) = self.site.as_ref().filter(|_| !self.is_bound_to_site) {
            pairs.append_pair("site", site);
        }
        if let Some(state) = self.state {
            pairs.append_pair("state", state.name());
        }
        if !self.search.is_empty() {
            pairs.append_pair("find", &self.search);
        }
        match after {
            Some(Key::Tag(tag)) => {
                pairs.append_pair("after-tag", tag);
            }
            Some(Key::Laptop(id)) => {
                pairs.append_pair("after-laptop", id);
            }
            None => {}
        }
        let pairs = pairs.finish();
        if pairs.is_empty() { "/places".to_owned() } else { format!("/places?{pairs}") }
    }

    fn narrows(&self) -> bool {
        (self.site.is_some() && !self.is_bound_to_site)
            || self.state.is_some()
            || self.fits_none
            || !self.search.is_empty()
    }
}

/// All that the page shows.
#[derive(Debug)]
pub struct View<'a> {
    /// The coverage.
    pub coverage: &'a Coverage,
    /// What was worked out of it.
    pub index: &'a Index,
    /// What is asked for.
    pub query: &'a Query,
}

/// A page of the list.
#[derive(Debug)]
pub struct Page<'a> {
    /// Its lines.
    pub lines: Vec<&'a CoverageLine>,
    /// How many fit in all.
    pub n_fitting: usize,
    /// How many of these stand before the page.
    pub n_before: usize,
}

impl<'a> Page<'a> {
    /// The last line, where others follow.
    pub fn last_before_more(&self) -> Option<&'a CoverageLine> {
        self.lines.last().copied().filter(|_| self.n_before + self.lines.len() < self.n_fitting)
    }
}

impl<'a> View<'a> {
    /// The page that is asked for, of at most so many lines.
    pub fn page_of(&self, n_most: usize) -> Page<'a> {
        let needle = self.query.search.to_lowercase();
        let fits = |(line, haystack): &(&CoverageLine, &String)| {
            !self.query.fits_none
                && self.query.site.as_ref().is_none_or(|s| *s == line.site)
                && self.query.state.is_none_or(|s| s == line.state)
                && (needle.is_empty() || haystack.contains(&needle))
        };
        let mut page = Page { lines: Vec::with_capacity(n_most), n_fitting: 0, n_before: 0 };
        for (line, _) in self.coverage.lines.iter().zip(&self.index.haystacks).filter(fits) {
            page.n_fitting += 1;
            if self.query.after.as_ref().is_some_and(|after| Key::of(line) <= *after) {
                page.n_before += 1;
            } else if page.lines.len() < n_most {
                page.lines.push(line);
            }
        }
        page
    }
}

/// The page's body.
pub fn body(view: &View<'_>, reader: &Reader) -> Markup {
    let page = view.page_of(PAGE_SIZE);
    html! {
        @if !view.coverage.has_list { (no_list(reader)) }
        @if view.coverage.lines.is_empty() {
            p.lead { "No laptop is known yet: neither has one joined, nor is one on the list." }
        } @else {
            (sites(view))
            section aria-labelledby="laptops" {
                h2 #laptops { "Laptops by tag" }
                (filter(view))
                (list(&page, view))
            }
            @if reader.may_change {
                section aria-labelledby="change" {
                    h2 #change { "Change" }
                    p { "A tag is moved, retired or given to a laptop on its own page." }
                    div.small-forms { (merge_form(reader, None, "")) }
                }
            }
        }
    }
}

fn no_list(reader: &Reader) -> Markup {
    html! {
        p.notice role="note" {
            "There is no list of the laptops that should be checked, so coverage cannot be told. "
            @if reader.may_change {
                "On the hub's machine: " code { "windrow-hub scope import assets.csv" }
                ", with the columns tag, model, site, place, from, until, excluded, why."
            }
        }
    }
}

fn sites(view: &View<'_>) -> Markup {
    let is_shown = |s: &&SiteLine| !view.query.is_bound_to_site || Some(&s.name) == view.query.site.as_ref();
    html! {
        section aria-labelledby="sites" {
            h2 #sites { "Sites" }
            table.stacked {
                caption { "Counted against the list of laptops that should be checked." }
                thead { tr {
                    th scope="col" { "Site" } th.value scope="col" { "Should be checked" } th.value scope="col" { "Checked in 30 days" }
                    th.value scope="col" { "Cannot tell" } th.value scope="col" { "Not checked" } th.value scope="col" { "Excluded" } th.value scope="col" { "Not on the list" }
                } }
                tbody {
                    @for site in view.index.sites.iter().filter(is_shown) {
                        @let c = &site.counts;
                        tr {
                            th scope="row" {
                                @if site.name.is_empty() { "site unknown" }
                                @else { a href=(Query { site: Some(site.name.clone()), ..Query::default() }.address(None)) { (site.name) } }
                            }
                            td.value data-name="Should be checked" { (words::grouped(c.n_due())) }
                            td.value data-name="Checked in 30 days" {
                                (words::grouped(c.n_checked + c.n_cannot_tell))
                                @if let Some(share) = c.checked_share() { " " span.soft { (words::percent(share)) } }
                            }
                            td.value data-name="Cannot tell" { (words::grouped(c.n_cannot_tell)) }
                            td.value data-name="Not checked" { (words::grouped(c.n_not_checked())) }
                            td.value data-name="Excluded" { (words::grouped(c.n_excluded)) }
                            td.value data-name="Not on the list" { (words::grouped(c.n_not_in_list)) }
                        }
                    }
                }
            }
        }
    }
}

fn filter(view: &View<'_>) -> Markup {
    let query = view.query;
    html! {
        form.filter method="get" action="/places" role="search" aria-label="Laptops by tag" {
            @if !query.is_bound_to_site {
                div {
                    label for="site" { "Site" }
                    select #site name="site" {
                        option value="" { "all sites" }
                        @for site in view.index.sites.iter().filter(|s| !s.name.is_empty()) {
                            option value=(site.name) selected[query.site.as_ref() == Some(&site.name)] { (site.name) }
                        }
                    }
                }
            }
            div {
                label for="state" { "Standing" }
                select #state name="state" {
                    option value="" { "all" }
                    @for state in CoverageState::ALL {
                        option value=(state.name()) selected[query.state == Some(state)] { (state.words()) }
                    }
                }
            }
            div.find {
                label for="find" { "Find tag, id, model or place" }
                input #find type="search" name="find" value=(query.search) maxlength="80" autocomplete="off";
            }
            div.go {
                button type="submit" { "Show" }
                @if query.narrows() { a href="/places" { "Show all" } }
            }
        }
    }
}

fn list(page: &Page<'_>, view: &View<'_>) -> Markup {
    html! {
        p.tally role="status" {
            @if page.lines.is_empty() {
                "No laptop fits. " a href="/places" { "Show all" }
            } @else {
                (words::grouped(page.n_before + 1)) "–" (words::grouped(page.n_before + page.lines.len()))
                " of " (words::count(page.n_fitting, "laptop", "laptops")) @if view.query.narrows() { " that fit" } "."
            }
        }
        @if !page.lines.is_empty() {
            table.stacked.places {
                caption { "The list's tags in their order, then laptops that are not on it." }
                thead { tr {
                    th scope="col" { "Tag" } th scope="col" { "Laptop" } th scope="col" { "Model" } th scope="col" { "Where" }
                    th scope="col" { "Standing" } th scope="col" { "Last check" }
                } }
                tbody { @for l in &page.lines { (line(l)) } }
            }
            (paging(page, view.query))
        }
    }
}

fn line(l: &CoverageLine) -> Markup {
    let is_listed = l.state != CoverageState::NotInList;
    html! {
        tr {
            th scope="row" {
                @if is_listed { a href=(tag_address(&l.tag)) { (l.tag) } }
                @else if l.tag.is_empty() { span.soft { "no tag" } }
                @else { (l.tag) }
            }
            td data-name="Laptop" {
                @match &l.device_id {
                    Some(id) if l.last_checked_at_ms.is_some() => a href={ "/laptops/" (id) } { (fleet::name_of("", id)) },
                    Some(id) => (fleet::name_of("", id)),
                    None => span.soft { "none joined" },
                }
            }
            td data-name="Model" { @if l.model.is_empty() { span.soft { "unknown" } } @else { (l.model) } }
            td data-name="Where" { (where_it_is(&l.site, &l.place)) }
            td data-name="Standing" {
                (l.state.words())
                @if let Some(why) = l.not_checked_why { span.soft { ": " (why.words()) } }
                @if !l.why.is_empty() { span.soft { ": " (l.why) } }
            }
            td data-name="Last check" { @match l.last_checked_at_ms { Some(at) => (words::day_of(at)), None => span.soft { "never" } } }
        }
    }
}

fn paging(page: &Page<'_>, query: &Query) -> Markup {
    let last = page.last_before_more();
    html! {
        @if page.n_before > 0 || last.is_some() {
            nav.paging aria-label="Pages of the list" {
                @if page.n_before > 0 { a href=(query.address(None)) { "First " (PAGE_SIZE) } }
                @if let Some(last) = last { a rel="next" href=(query.address(Some(&Key::of(last)))) { "Further" } }
            }
        }
    }
}

/// Address of a tag's page.
pub fn tag_address(tag: &str) -> String {
    let query = form_urlencoded::Serializer::new(String::new()).append_pair("of", tag).finish();
    format!("/places/tag?{query}")
}

/// A laptop that carries a tag.
#[derive(Debug)]
pub struct Carrier {
    /// Its id.
    pub device_id: String,
    /// Whether it has been checked, so that it has a page.
    pub is_checked: bool,
}

/// All that a tag's page shows.
#[derive(Debug)]
pub struct TagView<'a> {
    /// How it stands.
    pub entry: &'a ScopeEntry,
    /// How it came to stand so, oldest first.
    pub history: &'a [ScopeVersion],
    /// The laptops that carry it: more than one where a laptop joined anew with the tag it had.
    pub carriers: &'a [Carrier],
    /// As which laptops these were known before a board swap, the latest first.
    pub past: &'a [Succession],
    /// Today.
    pub today: NaiveDate,
    /// Whether the reader may change it.
    pub may_change: bool,
}

/// A tag's page.
pub fn tag_body(view: &TagView<'_>, reader: &Reader) -> Markup {
    let e = view.entry;
    html! {
        p.lead { (where_it_is(&e.site, &e.place)) "." }
        dl.list {
            div { dt { "Laptop" } dd {
                @for (i, carrier) in view.carriers.iter().enumerate() {
                    @let id = &carrier.device_id;
                    @if i > 0 { "; " }
                    @if carrier.is_checked { a href={ "/laptops/" (id) } { (fleet::name_of("", id)) } }
                    @else { (fleet::name_of("", id)) ", never checked" }
                }
                @if view.carriers.is_empty() { "none with this tag has joined" }
                @if view.carriers.len() > 1 {
                    p.soft { "More than one laptop carries this tag. After a board swap, join them below; else give the tag to the right one." }
                }
            } }
            div { dt { "Model by the list" } dd { @if e.model.is_empty() { "not told" } @else { (e.model) } } }
            div { dt { "Should be checked" } dd { (due(e, view.today)) } }
        }
        section aria-labelledby="history" {
            h2 #history { "History" }
            table.stacked {
                caption { "Every change is a new entry; none is edited." }
                thead { tr { th scope="col" { "When" } th scope="col" { "What" } th scope="col" { "Where it then stood" } th scope="col" { "Why" } th scope="col" { "By" } } }
                tbody {
                    @for v in view.history.iter().rev() {
                        tr {
                            th scope="row" { (words::minute_of(v.changed_at_ms)) }
                            td data-name="What" { (change(v.change)) @if v.entry.is_excluded { ", excluded" } }
                            td data-name="Where it then stood" {
                                @if v.is_erased { span.soft { (words::ERASED) } } @else { (where_it_is(&v.entry.site, &v.entry.place)) }
                            }
                            td data-name="Why" { @if v.entry.why.is_empty() { span.soft { "–" } } @else { (v.entry.why) } }
                            td data-name="By" { (v.by_role) }
                        }
                    }
                }
            }
        }
        (past(view.past))
        @if view.may_change { (forms(view, reader)) }
    }
}

/// Under which identities the tag's laptop was known before.
fn past(past: &[Succession]) -> Markup {
    html! {
        @if !past.is_empty() {
            section aria-labelledby="identities" {
                h2 #identities { "Board swaps" }
                table.stacked {
                    caption { "A laptop with another board joins under another id and goes on with tag, place and services." }
                    thead { tr { th scope="col" { "When told" } th scope="col" { "Before" } th scope="col" { "Goes on as" } th scope="col" { "By" } } }
                    tbody {
                        @for s in past {
                            tr {
                                th scope="row" { (words::minute_of(s.at_ms)) }
                                td data-name="Before" { (fleet::name_of("", &s.old_device_id)) }
                                td data-name="Goes on as" { (fleet::name_of("", &s.new_device_id)) }
                                td data-name="By" { (s.by_role) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The form that lets a laptop go on as the one it was before a board swap. `tag`: of the page it stands on.
fn merge_form(reader: &Reader, tag: Option<&str>, old: &str) -> Markup {
    html! {
        form method="post" action="/places/act" {
            (layout::form_token(reader))
            input type="hidden" name="act" value="merge";
            @if let Some(tag) = tag { input type="hidden" name="tag" value=(tag); }
            fieldset {
                legend { "After a board swap" }
                p.soft #merge-hint {
                    "A laptop with another board joins as a new one. It then goes on with tag, place and services of the old one; this cannot be undone. "
                    "Asset tag, or device id, or its first 8 characters or more."
                }
                div { label for="old" { "The laptop as it was" } input #old type="text" name="old" value=(old) maxlength="200" required autocomplete="off" aria-describedby="merge-hint"; }
                div { label for="new" { "As it joined anew" } input #new type="text" name="new" maxlength="200" required autocomplete="off" aria-describedby="merge-hint"; }
                button type="submit" { "Let it go on as the old one" }
            }
        }
    }
}

const fn change(change: ScopeChange) -> &'static str {
    match change {
        ScopeChange::Listed => "put on the list",
        ScopeChange::Changed => "changed",
        ScopeChange::Moved => "moved",
        ScopeChange::Retired => "retired",
    }
}

fn due(e: &ScopeEntry, today: NaiveDate) -> Markup {
    html! {
        @if e.is_excluded { "no, excluded" @if !e.why.is_empty() { ": " (e.why) } }
        @else if e.is_due(today) { "yes" } @else { "not today" }
        @if let Some(from) = e.from_on { ", from " (words::day(from)) }
        @if let Some(until) = e.until_on { ", until " (words::day(until)) }
    }
}

fn forms(view: &TagView<'_>, reader: &Reader) -> Markup {
    let e = view.entry;
    let hidden = |act: &str| {
        html! {
            (layout::form_token(reader))
            input type="hidden" name="tag" value=(e.tag);
            input type="hidden" name="act" value=(act);
        }
    };
    html! {
        section aria-labelledby="change" {
            h2 #change { "Change" }
            div.small-forms {
            form method="post" action="/places/act" {
                (hidden("move"))
                fieldset {
                    legend { "Move" }
                    div { label for="to-site" { "Site" } input #to-site type="text" name="site" value=(e.site) maxlength="200" required; }
                    div { label for="to-place" { "Place" } input #to-place type="text" name="place" value=(e.place) maxlength="200"; }
                    button type="submit" { "Move" }
                }
            }
            form method="post" action="/places/act" {
                (hidden("assign"))
                fieldset {
                    legend { "Give the tag to a laptop" }
                    div {
                        label for="laptop" { "Laptop" }
                        input #laptop type="text" name="laptop" maxlength="200" required autocomplete="off" aria-describedby="laptop-hint";
                        p.soft #laptop-hint { "The asset tag it carries now, or its device id, or the first 8 characters of that or more." }
                    }
                    button type="submit" { "Give" }
                }
            }
            form method="post" action="/places/act" {
                (hidden("retire"))
                fieldset {
                    legend { "Retire" }
                    div { label for="last-on" { "Last day on which it should be checked" } input #last-on type="date" name="last_on" value=(view.today.to_string()) required; }
                    div { label for="why" { "Why" } input #why type="text" name="why" maxlength="200" required autocomplete="off"; }
                    button type="submit" { "Retire" }
                }
            }
            @let old = if let [one] = view.carriers { &one.device_id } else { "" };
            (merge_form(reader, Some(&e.tag), old))
            }
        }
    }
}
