//! What changed since a week ago: the fleet as it is judged now beside what the same method says of it as of then.
//!
//! Worked out once after a judging, by site, so that a page only reads it.

use std::collections::BTreeMap;
#[cfg(test)]
use std::sync::Arc;

use maud::{Markup, html};

use super::fleet::{Entry, Fleet, name_of};
use super::words;
use crate::scoring::{Band, BandOf};
use crate::store::EpochMs;

/// Laptops that are named; of more, the most urgent.
const MAX_NAMED: usize = 8;

/// A laptop whose band changed.
#[derive(Debug, Clone)]
pub struct Moved {
    /// The laptop.
    pub device_id: String,
    /// Asset tag; may be empty.
    pub asset_tag: String,
    /// Where it is; may be empty.
    pub site: String,
    /// Its band then.
    pub from: Band,
    /// Its band now.
    pub to: Band,
}

impl Moved {
    fn new(entry: &Entry, from: Band) -> Self {
        Self {
            device_id: entry.device_id.to_string(),
            asset_tag: entry.asset_tag.to_string(),
            site: entry.site.to_string(),
            from,
            to: entry.band,
        }
    }

    /// Whether it needs a visit now and needed none then.
    pub const fn is_newly_due(&self) -> bool {
        self.to.is_visit() && !self.from.is_visit()
    }

    /// Whether it needed a visit then and needs none now.
    pub const fn is_no_longer_due(&self) -> bool {
        !self.to.is_visit() && self.from.is_visit()
    }
}

/// What changed at one site, or at all.
#[derive(Debug, Clone, Default)]
pub struct OfSite {
    /// Laptops whose band changed, the most urgent first.
    pub moved: Vec<Moved>,
    /// Laptops that were checked.
    pub n_checked: usize,
    /// Of these, for the first time.
    pub n_first_checked: usize,
    /// Visits that were logged.
    pub n_visits: usize,
}

impl OfSite {
    /// How many laptops went from which band to which.
    pub fn bands(&self) -> BTreeMap<(Band, Band), usize> {
        let mut counts = BTreeMap::new();
        for m in &self.moved {
            *counts.entry((m.from, m.to)).or_default() += 1;
        }
        counts
    }
}

/// What changed since a time.
#[derive(Debug, Clone, Default)]
pub struct Changes {
    since_ms: EpochMs,
    /// Whether any laptop had been checked by then.
    has_past: bool,
    by_site: BTreeMap<String, OfSite>,
}

/// How laptops stood at an earlier time.
#[derive(Debug)]
pub struct Then {
    as_of_ms: EpochMs,
    /// By laptop and provenance.
    bands: Vec<BandOf>,
}

impl Then {
    /// From a judgement as of then.
    pub fn new(as_of_ms: EpochMs, mut bands: Vec<BandOf>) -> Self {
        bands.sort_by(|a, b| a.key().cmp(&b.key()));
        Self { as_of_ms, bands }
    }

    fn of(&self, entry: &Entry) -> Option<Band> {
        let key = (&*entry.device_id, &*entry.provenance);
        let place = self.bands.binary_search_by(|known| known.key().cmp(&key)).ok()?;
        Some(self.bands[place].band)
    }
}

impl Changes {
    /// From how laptops stood and stand, and the laptops that were visited since, one for each visit.
    pub fn between<'a>(then: &Then, now: &Fleet, visited: impl Iterator<Item = &'a str>) -> Self {
        let mut by_site: BTreeMap<String, OfSite> = BTreeMap::new();
        for entry in &now.laptops {
            let site = by_site.entry(entry.site.to_string()).or_default();
            let before = then.of(entry);
            if entry.checked_at_ms.is_some_and(|at_ms| at_ms > then.as_of_ms) {
                site.n_checked += 1;
                site.n_first_checked += usize::from(before.is_none());
            }
            if let Some(from) = before.filter(|from| *from != entry.band) {
                site.moved.push(Moved::new(entry, from));
            }
        }
        for device_id in visited {
            let site = now.place(device_id).map_or("", |place| &now.laptops[place].site);
            by_site.entry(site.to_owned()).or_default().n_visits += 1;
        }
        Self { since_ms: then.as_of_ms, has_past: !then.bands.is_empty(), by_site }
    }

    /// Since when.
    pub const fn since_ms(&self) -> EpochMs {
        self.since_ms
    }

    /// Whether any laptop had been checked by then; else there is nothing to compare with.
    pub const fn has_past(&self) -> bool {
        self.has_past
    }

    /// What changed at one site, or at all.
    pub fn of(&self, site: Option<&str>) -> OfSite {
        let mut all = OfSite::default();
        for (_, one) in self.by_site.iter().filter(|(name, _)| site.is_none_or(|s| s == name.as_str())) {
            all.moved.extend(one.moved.iter().cloned());
            all.n_checked += one.n_checked;
            all.n_first_checked += one.n_first_checked;
            all.n_visits += one.n_visits;
        }
        all.moved.sort_by_key(|m| m.to);
        all
    }
}

/// What changed, above the list.
pub fn section(changes: &Changes, site: Option<&str>) -> Markup {
    let of = changes.of(site);
    let newly_due: Vec<&Moved> = of.moved.iter().filter(|m| m.is_newly_due()).collect();
    let no_longer: Vec<&Moved> = of.moved.iter().filter(|m| m.is_no_longer_due()).collect();
    html! {
        section.changes aria-labelledby="changes" {
            h2 #changes { "Since " (words::day_of(changes.since_ms)) }
            @if !changes.has_past {
                p { "No check is older than a week: there is nothing to compare with yet." }
            } @else {
                dl.list {
                    div { dt { "Newly due" } dd { b { (words::grouped(newly_due.len())) } (named(&newly_due)) } }
                    div { dt { "No longer due" } dd { b { (words::grouped(no_longer.len())) } (named(&no_longer)) } }
                    div { dt { "Checked" } dd {
                        b { (words::grouped(of.n_checked)) }
                        @if of.n_first_checked > 0 { " " span.soft { (words::grouped(of.n_first_checked)) " for the first time" } }
                    } }
                    div { dt { "Visits logged" } dd { b { (words::grouped(of.n_visits)) } } }
                }
                (bands(&of))
            }
        }
    }
}

fn named(moved: &[&Moved]) -> Markup {
    html! {
        @for (n, m) in moved.iter().take(MAX_NAMED).enumerate() {
            @if n == 0 { " " } @else { ", " }
            a href={ "/laptops/" (m.device_id) } { (name_of(&m.asset_tag, &m.device_id)) }
        }
        @if moved.len() > MAX_NAMED { " and " (words::grouped(moved.len() - MAX_NAMED)) " more" }
    }
}

/// How many went from which band to which.
fn bands(of: &OfSite) -> Markup {
    let counts = of.bands();
    html! {
        @if !counts.is_empty() {
            details {
                summary { "Bands changed of " (words::count(of.moved.len(), "laptop", "laptops")) }
                ul.moves {
                    @for ((from, to), n) in counts {
                        li { (words::grouped(n)) ": " (from.words()) " → " (to.words()) }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pages::sample;

    fn then(fleet: &Fleet, change: impl Fn(usize, Band) -> Option<Band>) -> Then {
        let band = |(n, e): (usize, &Entry)| {
            let (device_id, provenance) = (Arc::clone(&e.device_id), Arc::clone(&e.provenance));
            Some(BandOf { device_id, provenance, band: change(n, e.band)? })
        };
        let as_of_ms = fleet.as_of_ms - 7 * 86_400_000;
        Then::new(as_of_ms, fleet.laptops.iter().enumerate().filter_map(band).collect())
    }

    #[test]
    fn bands_checks_and_visits_are_counted_and_the_newly_due_named() {
        let fleet = sample::fleet(60);
        // The most urgent stood well a week ago, the last one was due, one is new.
        let before = then(&fleet, |n, band| match n {
            0 => Some(Band::NoVisit),
            59 => Some(Band::NextRound),
            58 => None,
            _ => Some(band),
        });
        let visited = [&*fleet.laptops[3].device_id];
        let changes = Changes::between(&before, &fleet, visited.into_iter());
        let all = changes.of(None);
        let recent = fleet.laptops.iter().filter(|e| e.checked_at_ms > Some(before.as_of_ms)).count();
        assert_eq!((all.moved.len(), all.n_checked, all.n_visits), (2, recent, 1));
        let html = section(&changes, None).into_string();
        assert!(html.contains(fleet.laptops[0].name()) && html.contains("no visit → pull now"), "{html}");
        let by_site: usize = fleet.sites.iter().map(|s| changes.of(Some(s)).moved.len()).sum();
        assert_eq!(by_site, 2);
    }

    #[test]
    fn a_young_hub_says_that_there_is_nothing_to_compare_with() {
        let fleet = sample::fleet(3);
        let changes = Changes::between(&then(&fleet, |_, _| None), &fleet, std::iter::empty());
        assert!(section(&changes, None).into_string().contains("nothing to compare with yet"));
    }
}
