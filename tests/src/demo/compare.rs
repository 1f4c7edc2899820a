//! How the rank compares with what was planted. Says hits, misses and false alarms alike.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use tabled::settings::Style;
use tabled::{Table, Tabled};

use super::scenario::{Planted, PlantedLaptop};

/// A laptop as the hub ranked it.
#[derive(Debug, Clone)]
pub struct Ranked {
    /// The device.
    pub device_id: String,
    /// What the hub suspects of it, where it advises a visit.
    pub suspected: Option<Planted>,
    /// The hub cannot tell.
    pub cannot_tell: bool,
}

/// The comparison.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// Laptops that need a service.
    pub n_needing: usize,
    /// Of as many at the top of the rank, those that do.
    pub n_needing_at_top: usize,
    /// One row a kind of planting.
    pub rows: Vec<Row>,
}

/// How one kind of planting fared.
#[derive(Debug, Clone, Tabled)]
pub struct Row {
    /// What was planted.
    #[tabled(rename = "planted")]
    pub planted: &'static str,
    /// In how many.
    #[tabled(rename = "laptops")]
    pub n: usize,
    /// Of these among the top of the rank.
    #[tabled(rename = "at the top")]
    pub n_at_top: usize,
    /// The right fault suspected.
    #[tabled(rename = "right fault")]
    pub n_right: usize,
    /// Another fault suspected.
    #[tabled(rename = "other fault")]
    pub n_other: usize,
    /// Nothing suspected.
    #[tabled(rename = "nothing")]
    pub n_nothing: usize,
    /// The hub says that it cannot tell.
    #[tabled(rename = "cannot tell")]
    pub n_cannot_tell: usize,
}

/// Compares a rank, worst first, with the truth.
pub fn compare(ranked: &[Ranked], truth: &BTreeMap<String, &PlantedLaptop>) -> Comparison {
    let n_needing = truth.values().filter(|l| l.planted.needs_service()).count();
    let top: Vec<&str> = ranked.iter().take(n_needing).map(|r| r.device_id.as_str()).collect();
    let kinds = [
        Planted::Vents,
        Planted::Fan,
        Planted::Contact,
        Planted::Repaired,
        Planted::Confused,
        Planted::Healthy,
    ];
    let rows: Vec<Row> = kinds.into_iter().map(|kind| row(kind, ranked, &top, truth)).collect();
    let n_needing_at_top =
        rows.iter().zip(kinds).filter(|(_, k)| k.needs_service()).map(|(r, _)| r.n_at_top).sum();
    Comparison { n_needing, n_needing_at_top, rows }
}

fn row(kind: Planted, ranked: &[Ranked], top: &[&str], truth: &BTreeMap<String, &PlantedLaptop>) -> Row {
    let of_kind: Vec<&Ranked> =
        ranked.iter().filter(|r| truth.get(&r.device_id).is_some_and(|l| l.planted == kind)).collect();
    let count = |test: &dyn Fn(&Ranked) -> bool| of_kind.iter().filter(|r| test(r)).count();
    let n_cannot_tell = count(&|r| r.suspected.is_none() && r.cannot_tell);
    let n_right = count(&|r| r.suspected == Some(kind));
    let n_suspected = count(&|r| r.suspected.is_some());
    Row {
        planted: kind.words(),
        n: truth.values().filter(|l| l.planted == kind).count(),
        n_at_top: of_kind.iter().filter(|r| top.contains(&r.device_id.as_str())).count(),
        n_right,
        n_other: n_suspected - n_right,
        n_nothing: of_kind.len() - n_suspected - n_cannot_tell,
        n_cannot_tell,
    }
}

impl Comparison {
    /// The comparison as text.
    pub fn text(&self) -> String {
        let mut table = Table::new(&self.rows);
        table.with(Style::blank());
        let mut text = String::new();
        let _ = writeln!(
            text,
            "{} laptops were given a fault that needs a visit; of the first {} in the rank, {} have one.",
            self.n_needing, self.n_needing, self.n_needing_at_top
        );
        let _ = write!(text, "{table}");
        text
    }
}
