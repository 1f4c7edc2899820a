//! The fleet as the pages show it: one entry a laptop, in rank order, with the other orders worked out once.
//!
//! It is built when the fleet is judged and then only read, so that a page of a fleet of 100,000 costs a scan over
//! small entries and no database.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use chrono::NaiveDate;

use super::gauge::Quantity;
use crate::scoring::Band;
use crate::store::EpochMs;

/// A condition number with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Median.
    pub value: f64,
    /// 5 % quantile.
    pub low: f64,
    /// 95 % quantile.
    pub high: f64,
    /// Chance to be past the service limit, where one was worked out.
    pub p_past: Option<f64>,
}

/// A laptop's line in the service list.
#[derive(Debug, Clone)]
pub struct Entry {
    /// Place in the whole fleet's rank, from 1.
    pub rank: usize,
    /// Its id.
    pub device_id: Arc<str>,
    /// Asset tag; may be empty.
    pub asset_tag: Arc<str>,
    /// What a person calls the model.
    pub model: Arc<str>,
    /// What its runs may be compared with.
    pub model_key: Arc<str>,
    /// Site; may be empty.
    pub site: Arc<str>,
    /// Place within the site; may be empty.
    pub place: Arc<str>,
    /// When to see to it.
    pub band: Band,
    /// Why.
    pub reason: Arc<str>,
    /// Airflow, fan, contact.
    pub numbers: [Option<Reading>; 3],
    /// Until when to see to it.
    pub due_on: Option<NaiveDate>,
    /// Last check; `None`: no attempt loaded it.
    pub checked_at_ms: Option<EpochMs>,
    /// Its last attempt, where that is later and told nothing.
    pub failed_at_ms: Option<EpochMs>,
    /// `measured`, `emulated` or `imported`.
    pub provenance: Arc<str>,
    /// Whether nothing can be said of it.
    pub cannot_tell: bool,
    /// What is searched in: tag, id, model, site, place, in lower case.
    pub haystack: Box<str>,
}

impl Entry {
    /// A name to find it by: asset tag, else the head of the id.
    pub fn name(&self) -> &str {
        name_of(&self.asset_tag, &self.device_id)
    }
}

/// A name to find a laptop by: asset tag, else the head of the id.
pub fn name_of<'a>(asset_tag: &'a str, device_id: &'a str) -> &'a str {
    const SHOWN: usize = 12;
    if asset_tag.is_empty() {
        device_id.char_indices().nth(SHOWN).map_or(device_id, |(at, _)| &device_id[..at])
    } else {
        asset_tag
    }
}

/// By what the list is ordered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Order {
    /// Urgency and expected benefit.
    #[default]
    Rank,
    /// Due date, earliest first.
    Due,
    /// Least airflow first.
    Airflow,
    /// Weakest fan first.
    Fan,
    /// Worst contact first.
    Contact,
    /// Longest unchecked first.
    Checked,
    /// Asset tag.
    Tag,
}

impl Order {
    /// All orders.
    pub const ALL: [Self; 7] =
        [Self::Rank, Self::Due, Self::Airflow, Self::Fan, Self::Contact, Self::Checked, Self::Tag];

    /// Its value in addresses.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Rank => "rank",
            Self::Due => "due",
            Self::Airflow => "airflow",
            Self::Fan => "fan",
            Self::Contact => "contact",
            Self::Checked => "checked",
            Self::Tag => "tag",
        }
    }

    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Rank => "rank",
            Self::Due => "due date",
            Self::Airflow => "least airflow",
            Self::Fan => "weakest fan",
            Self::Contact => "worst contact",
            Self::Checked => "longest unchecked",
            Self::Tag => "asset tag",
        }
    }

    /// From an address.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|o| o.key() == key)
    }
}

/// The fleet of one judgement, ready to be shown.
#[derive(Debug)]
pub struct Fleet {
    /// As of when it was judged.
    pub as_of_ms: EpochMs,
    /// Laptops in rank order.
    pub laptops: Vec<Entry>,
    /// Sites by name.
    pub sites: Vec<String>,
    /// Names of models.
    pub models: Vec<String>,
    /// Names of models by site.
    models_at: BTreeMap<Arc<str>, BTreeSet<Arc<str>>>,
    by_id: HashMap<Arc<str>, u32>,
    /// For each order but the rank: places in `laptops`.
    orders: [Vec<u32>; Order::ALL.len()],
}

impl Fleet {
    /// From entries in rank order.
    pub fn new(as_of_ms: EpochMs, mut laptops: Vec<Entry>) -> Self {
        for entry in &mut laptops {
            entry.haystack = haystack(entry);
        }
        let names = |of: fn(&Entry) -> &Arc<str>| {
            let names: BTreeSet<&Arc<str>> = laptops.iter().map(of).filter(|n| !n.is_empty()).collect();
            names.into_iter().map(ToString::to_string).collect()
        };
        let (sites, models) = (names(|e| &e.site), names(|e| &e.model));
        let mut models_at: BTreeMap<Arc<str>, BTreeSet<Arc<str>>> = BTreeMap::new();
        for entry in laptops.iter().filter(|e| !e.model.is_empty()) {
            models_at.entry(Arc::clone(&entry.site)).or_default().insert(Arc::clone(&entry.model));
        }
        let mut by_id = HashMap::with_capacity(laptops.len());
        for (entry, place) in laptops.iter().zip(0..) {
            by_id.entry(entry.device_id.clone()).or_insert(place);
        }
        let orders = Order::ALL.map(|order| ordered(&laptops, order));
        Self { as_of_ms, laptops, sites, models, models_at, by_id, orders }
    }

    /// A laptop's place in `laptops`; of one with runs of several provenances, the most urgent.
    pub fn place(&self, device_id: &str) -> Option<usize> {
        self.by_id.get(device_id).map(|&place| place as usize)
    }

    /// Names of the models that a site's laptops are of.
    pub fn models_at(&self, site: &str) -> impl Iterator<Item = &str> {
        self.models_at.get(site).into_iter().flatten().map(|model| &**model)
    }

    /// Places in `laptops` in an order.
    pub fn order(&self, order: Order) -> &[u32] {
        &self.orders[order as usize]
    }
}

fn haystack(entry: &Entry) -> Box<str> {
    [&entry.asset_tag, &entry.device_id, &entry.model, &entry.site, &entry.place]
        .map(|s| s.to_lowercase())
        .join("\n")
        .into()
}

/// Places in an order; equal ones stay in rank order, and what has no value comes last.
fn ordered(laptops: &[Entry], order: Order) -> Vec<u32> {
    let mut places: Vec<u32> = (0..u32::try_from(laptops.len()).unwrap_or(u32::MAX)).collect();
    let at = |place: u32| &laptops[place as usize];
    let number = |quantity: Quantity, worst_is_high: bool| {
        move |e: &Entry| match e.numbers[quantity as usize] {
            Some(r) if worst_is_high => -r.value,
            Some(r) => r.value,
            None => f64::INFINITY,
        }
    };
    let by_number = |places: &mut Vec<u32>, of: &dyn Fn(&Entry) -> f64| {
        places.sort_by(|a, b| of(at(*a)).total_cmp(&of(at(*b))));
    };
    match order {
        Order::Rank => {}
        Order::Due => places.sort_by_key(|p| at(*p).due_on.unwrap_or(NaiveDate::MAX)),
        Order::Airflow => by_number(&mut places, &number(Quantity::Airflow, false)),
        Order::Fan => by_number(&mut places, &number(Quantity::Fan, false)),
        Order::Contact => by_number(&mut places, &number(Quantity::Contact, true)),
        Order::Checked => places.sort_by_key(|p| at(*p).checked_at_ms),
        Order::Tag => places.sort_by(|a, b| at(*a).name().cmp(at(*b).name())),
    }
    places
}
