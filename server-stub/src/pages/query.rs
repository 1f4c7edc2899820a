//! What of the service list is asked for: filter, search, order, and where the page begins.
//!
//! Paging is by key, not by number: a page begins after a named laptop, so that nobody is skipped or shown twice when
//! the fleet is judged anew between two pages.

use super::fleet::{Entry, Fleet, Order};
use super::unknown::Unknown;
use super::words;
use crate::scoring::Band;

/// Laptops on one page.
pub const PAGE_SIZE: usize = 50;
/// Longest search that is looked at.
const SEARCH_MAX_CHARS: usize = 80;

/// What is asked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Query {
    /// Only this site.
    pub site: Option<String>,
    /// Only this model.
    pub model: Option<String>,
    /// Only this band.
    pub band: Option<Band>,
    /// Words to find in tag, id, model, site or place.
    pub search: String,
    /// By what it is ordered.
    pub order: Order,
    /// Where the page begins.
    pub from: From,
    /// The reader may see this one site only: then the site is no choice of theirs.
    pub is_bound_to_site: bool,
    /// What of the address isn't known, for the page to say.
    pub unknown: Unknown,
    /// A band was asked for that there isn't: nothing has it.
    pub fits_none: bool,
}

/// Where a page begins.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub enum From {
    /// At the start.
    #[default]
    Start,
    /// After this laptop.
    After(String),
    /// It ends before this laptop.
    Before(String),
}

/// A page of the list.
#[derive(Debug)]
pub struct Page<'a> {
    /// Its laptops.
    pub entries: Vec<&'a Entry>,
    /// How many fit in all.
    pub n_fitting: usize,
    /// How many of these stand before the page.
    pub n_before: usize,
}

impl Query {
    /// Words of an address that the page takes.
    const KEYS: [&str; 7] = ["site", "model", "band", "find", "order", "after", "before"];

    /// From an address's pairs. What isn't understood stands in `unknown`.
    pub fn from_pairs<'a>(pairs: impl Iterator<Item = (&'a str, &'a str)>) -> Self {
        let mut query = Self::default();
        for (key, value) in pairs.filter(|(_, v)| !v.is_empty()) {
            match key {
                "site" => query.site = Some(value.to_owned()),
                "model" => query.model = Some(value.to_owned()),
                "band" => query.narrow_to_band(value),
                "find" => query.search_for(value),
                "order" => match Order::from_key(value) {
                    Some(order) => query.order = order,
                    None => query.unknown.order(value, Order::ALL.into_iter().map(Order::key)),
                },
                "after" => query.from = From::After(value.to_owned()),
                "before" => query.from = From::Before(value.to_owned()),
                other => query.unknown.key(other, &Self::KEYS),
            }
        }
        query
    }

    fn narrow_to_band(&mut self, name: &str) {
        self.band = words::BANDS.into_iter().find(|b| words::band_class(*b) == name);
        self.fits_none = self.band.is_none();
        if self.fits_none {
            self.unknown.name("band", name, words::BANDS.into_iter().map(words::band_class));
        }
    }

    /// Looks whether there are laptops of the site and model that were asked for; after [`Query::bind_to`].
    pub fn look_up_names(&mut self, fleet: &Fleet) {
        let is_missing = |names: &[String], name: &String| !names.is_empty() && !names.contains(name);
        if let Some(site) =
            self.site.as_ref().filter(|s| !self.is_bound_to_site && is_missing(&fleet.sites, s))
        {
            self.unknown.name("site", site, fleet.sites.iter().map(String::as_str));
        }
        if let Some(model) = self.model.as_ref().filter(|m| is_missing(&fleet.models, m)) {
            self.unknown.name("model", model, fleet.models.iter().map(String::as_str));
        }
    }

    /// Whether a laptop is at the one site that the reader may see, or they may see all.
    pub fn is_of_site(&self, entry: &Entry) -> bool {
        !self.is_bound_to_site || self.site.as_deref() == Some(&*entry.site)
    }

    /// Whether anything narrows the list.
    pub fn narrows(&self) -> bool {
        (self.site.is_some() && !self.is_bound_to_site)
            || self.model.is_some()
            || self.band.is_some()
            || self.fits_none
            || !self.search.is_empty()
    }

    /// The address of the same list from elsewhere.
    pub fn address(&self, from: &From) -> String {
        let mut pairs = form_urlencoded::Serializer::new(String::new());
        let mut put = |key: &str, value: Option<&str>| {
            if let Some(value) = value.filter(|v| !v.is_empty()) {
                pairs.append_pair(key, value);
            }
        };
        put("site", self.site.as_deref());
        put("model", self.model.as_deref());
        put("band", self.band.map(words::band_class));
        put("find", Some(&self.search));
        put("order", (self.order != Order::Rank).then(|| self.order.key()));
        match from {
            From::Start => {}
            From::After(id) => put("after", Some(id)),
            From::Before(id) => put("before", Some(id)),
        }
        let pairs = pairs.finish();
        if pairs.is_empty() { "/".to_owned() } else { format!("/?{pairs}") }
    }

    fn fits(&self, entry: &Entry, search: &str) -> bool {
        !self.fits_none
            && self.band.is_none_or(|b| b == entry.band)
            && self.site.as_ref().is_none_or(|s| **s == *entry.site)
            && self.model.as_ref().is_none_or(|m| **m == *entry.model)
            && (search.is_empty() || entry.haystack.contains(search))
    }

    /// Narrows it to what holds these words.
    pub fn search_for(&mut self, words: &str) {
        self.search = words.trim().chars().take(SEARCH_MAX_CHARS).collect();
    }

    /// Binds it to the one site that the reader may see, where there is one.
    pub fn bind_to(&mut self, site: Option<&str>) {
        if let Some(site) = site {
            self.site = Some(site.to_owned());
            self.is_bound_to_site = true;
        }
    }

    /// The page that is asked for.
    pub fn page<'a>(&self, fleet: &'a Fleet) -> Page<'a> {
        self.page_of(fleet, PAGE_SIZE)
    }

    /// The page that is asked for, of at most so many laptops; going back is by [`PAGE_SIZE`] alone.
    pub fn page_of<'a>(&self, fleet: &'a Fleet, n_most: usize) -> Page<'a> {
        let search = self.search.to_lowercase();
        let fitting: Vec<u32> = fleet
            .order(self.order)
            .iter()
            .copied()
            .filter(|&place| self.fits(&fleet.laptops[place as usize], &search))
            .collect();
        let n_before = self.n_before(fleet, &fitting);
        let entries =
            fitting.iter().skip(n_before).take(n_most).map(|&p| &fleet.laptops[p as usize]).collect();
        Page { entries, n_fitting: fitting.len(), n_before }
    }

    /// How many fitting laptops stand before the page. A key that is gone begins at the start.
    fn n_before(&self, fleet: &Fleet, fitting: &[u32]) -> usize {
        let place_of =
            |id: &str| fitting.iter().position(|&p| fleet.laptops[p as usize].device_id.as_ref() == id);
        match &self.from {
            From::Start => 0,
            From::After(id) => place_of(id).map_or(0, |at| at + 1),
            From::Before(id) => place_of(id).map_or(0, |at| at.saturating_sub(PAGE_SIZE)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pages::sample;

    fn ids(page: &Page<'_>) -> Vec<String> {
        page.entries.iter().map(|e| e.device_id.to_string()).collect()
    }

    #[test]
    fn pages_by_key_show_every_laptop_once_in_every_order() {
        let fleet = sample::fleet(173);
        for order in Order::ALL {
            let mut query = Query { order, ..Query::default() };
            let mut seen = Vec::new();
            loop {
                let page = query.page(&fleet);
                assert_eq!(page.n_before, seen.len());
                assert_eq!(page.n_fitting, 173);
                seen.extend(ids(&page));
                if seen.len() >= page.n_fitting {
                    break;
                }
                query.from = From::After(seen.last().unwrap().clone());
            }
            let mut all = seen.clone();
            all.sort_unstable();
            all.dedup();
            assert_eq!(all.len(), 173, "{order:?}");
            // And back again.
            query.from = From::Before(seen[100].clone());
            assert_eq!(ids(&query.page(&fleet)), seen[50..100], "{order:?}");
        }
    }

    #[test]
    fn a_filter_keeps_what_fits_and_its_address_says_it() {
        let fleet = sample::fleet(60);
        let query = Query::from_pairs(
            [("site", "Quay Street loft"), ("band", "pull-now"), ("find", " ORRIN "), ("nonsense", "1")]
                .into_iter(),
        );
        let page = query.page(&fleet);
        assert!(page.entries.iter().all(|e| &*e.site == "Quay Street loft" && e.band == Band::PullNow));
        assert!(page.entries.iter().all(|e| e.model.contains("Orrin")));
        let address = query.address(&From::After("a b".into()));
        assert_eq!(address, "/?site=Quay+Street+loft&band=pull-now&find=ORRIN&after=a+b");
    }

    #[test]
    fn an_unknown_key_or_order_shows_the_start() {
        let fleet = sample::fleet(3);
        let query = Query::from_pairs([("after", "gone"), ("order", "no such")].into_iter());
        assert_eq!(query.page(&fleet).entries.len(), 3);
        assert_eq!(query.page(&fleet).n_before, 0);
    }

    #[test]
    fn what_is_not_known_is_said_and_a_name_that_nothing_has_fits_nothing() {
        let fleet = sample::fleet(60);
        for (key, value, n_fitting, names) in [
            (
                "band",
                "xyz",
                0,
                "There is no band “xyz” in this list, so no laptop fits. A band is one of pull-now, ",
            ),
            (
                "site",
                "unknown",
                0,
                "There is no site “unknown” in this list, so no laptop fits. A site is one of ",
            ),
            ("model", "Orrin", 0, "There is no model “Orrin” in this list"),
            ("order", "size", 60, "An order is one of rank, due, airflow"),
            (
                "sort",
                "foo",
                60,
                "“sort”, which this page does not know: it changes nothing here. The page knows site, model, band,",
            ),
        ] {
            let mut query = Query::from_pairs([(key, value)].into_iter());
            query.look_up_names(&fleet);
            assert_eq!(query.page(&fleet).n_fitting, n_fitting, "{key}");
            let said = format!("{:?}", query.unknown.notice());
            assert!(said.contains(names), "{said}");
        }
        let mut query = Query::from_pairs([("site", &*fleet.sites[0]), ("order", "tag")].into_iter());
        query.look_up_names(&fleet);
        assert_eq!(query.unknown.notice(), None);
    }

    #[test]
    fn a_reader_bound_to_a_site_is_told_of_no_other() {
        let fleet = sample::fleet(60);
        let mut query = Query::from_pairs([("site", "unknown")].into_iter());
        query.bind_to(Some(&fleet.sites[0]));
        query.look_up_names(&fleet);
        assert_eq!(query.unknown.notice(), None);
    }
}
