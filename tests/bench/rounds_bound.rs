//! Rounds for a general solver to judge: invented fleets of 200 laptops at three sites for ten days, as numbers, with the
//! plan found for each; and how long plans of 10,000 laptops take.
//!
//! usage: rounds-bound FILE.json

use std::time::Instant;

use anyhow::Context as _;
use chrono::{Days, NaiveDate};
use serde_json::{Value, json};
use windrow_hub::costs::{Costs, FaultProbabilities};
use windrow_hub::rounds::hours::{Hours, Stock, Stocked};
use windrow_hub::rounds::problem::Problem;
use windrow_hub::rounds::{self, Advice, Candidate, Order};

/// Days of every plan.
const N_DAYS: u32 = 10;
/// Laptops of the plans that are timed. Times are only printed, never compared.
const BIG: usize = 10_000;

fn main() -> anyhow::Result<()> {
    let path = std::env::args().nth(1).context("usage: rounds-bound FILE.json")?;
    let mut cases = Vec::new();
    for case in CASES {
        for seed in 1..=2 {
            cases.push(solved(case, seed));
        }
    }
    std::fs::write(&path, json!(cases).to_string()).with_context(|| format!("cannot write `{path}`"))?;

    for n_sites in [3, 10, 40, 200] {
        time_big(n_sites);
    }
    Ok(())
}

/// An invented fleet and what runs short there.
struct Case {
    name: &'static str,
    n_laptops: usize,
    n_sites: usize,
    /// Technician minutes of a site and day.
    minutes: fn(&mut Lot) -> u32,
    /// Fans in stock by model.
    fans: Option<u32>,
    /// Spare laptops at a site.
    spare_units: Option<u32>,
    /// Models of laptops.
    n_models: usize,
}

const CASES: &[Case] = &[
    Case {
        name: "plain",
        n_laptops: 200,
        n_sites: 3,
        minutes: |_| 300,
        fans: Some(200),
        spare_units: None,
        n_models: 1,
    },
    Case {
        name: "few fans",
        n_laptops: 200,
        n_sites: 3,
        minutes: |_| 300,
        fans: Some(12),
        spare_units: None,
        n_models: 1,
    },
    Case {
        name: "fans by model",
        n_laptops: 200,
        n_sites: 3,
        minutes: |lot| 150 + lot.below(300),
        fans: Some(3),
        spare_units: None,
        n_models: 5,
    },
    Case {
        name: "no fans",
        n_laptops: 200,
        n_sites: 3,
        minutes: |lot| 120 + lot.below(360),
        fans: None,
        spare_units: None,
        n_models: 4,
    },
    Case {
        name: "few spare units",
        n_laptops: 200,
        n_sites: 3,
        minutes: |_| 480,
        fans: Some(6),
        spare_units: Some(4),
        n_models: 3,
    },
    Case {
        name: "short days",
        n_laptops: 200,
        n_sites: 3,
        minutes: |lot| 100 + lot.below(120),
        fans: Some(6),
        spare_units: None,
        n_models: 3,
    },
    Case {
        name: "small sites",
        n_laptops: 200,
        n_sites: 6,
        minutes: |_| 180,
        fans: Some(5),
        spare_units: None,
        n_models: 3,
    },
    Case {
        name: "long days",
        n_laptops: 200,
        n_sites: 3,
        minutes: |lot| 400 + lot.below(500),
        fans: Some(20),
        spare_units: Some(9),
        n_models: 3,
    },
];

/// A plain generator (splitmix64, S. Vigna, public domain): the same fleet every time.
struct Lot(u64);

impl Lot {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn below(&mut self, n: u32) -> u32 {
        (self.share() * f64::from(n)) as u32
    }
}

struct Input {
    candidates: Vec<Candidate>,
    hours: Hours,
    stock: Stock,
    costs: Costs,
    order: Order,
}

fn input(case: &Case, seed: u64) -> Input {
    let mut lot = Lot(seed);
    let from: NaiveDate = NaiveDate::from_ymd_opt(2026, 2, 2).unwrap_or_default();
    let candidates = (0..case.n_laptops)
        .map(|n| Candidate {
            device_id: format!("LIB-{n:05}"),
            site: format!("site {:03}", n % case.n_sites),
            model: format!("Fjordbook {}", lot.below(case.n_models as u32)),
            advice: Advice::of(faults(&mut lot), &Costs::default()),
            // One in sixteen is snoozed for some of the days.
            not_before: (n % 16 == 5).then(|| from + Days::new(1 + (n / 16) as u64 % 8)),
        })
        .collect();
    let mut hours = Hours::new();
    let mut costs = Costs::default();
    for site in 0..case.n_sites {
        let name = format!("site {site:03}");
        for day in 0..N_DAYS {
            hours.insert((name.clone(), from + Days::new(day.into())), (case.minutes)(&mut lot));
        }
        costs.sites.entry(name).or_default().spare_units = case.spare_units;
    }
    let fans = |n: usize| (("fan".to_owned(), format!("Fjordbook {n}")), case.fans);
    let stock = (0..case.n_models)
        .map(fans)
        .filter_map(|(key, n)| Some((key, Stocked { in_stock: n?, lead_days: 5 })))
        .collect();
    let order = Order::fresh(from, N_DAYS);
    Input { candidates, hours, stock, costs, order }
}

/// Half of a fleet is well; of the rest each has one fault or two, more or less surely.
fn faults(lot: &mut Lot) -> FaultProbabilities {
    let mut of = |share_sick: f64| {
        if lot.share() < share_sick { lot.share() } else { 0.05 * lot.share() }
    };
    FaultProbabilities { clogged: of(0.6), fan: of(0.35), contact: of(0.3) }
}

fn solved(case: &Case, seed: u64) -> Value {
    let input = input(case, seed);
    let problem =
        rounds::problem_of(&input.candidates, &input.hours, &input.stock, &input.costs, &input.order);
    let begin = Instant::now();
    let solution = rounds::solve(&problem);
    let seconds = begin.elapsed().as_secs_f64();
    json!({
        "name": format!("{} {seed}", case.name),
        "problem": in_numbers(&problem),
        "assignment": solution.assignment,
        "benefit": solution.benefit,
        "bound": solution.bound,
        "seconds": seconds,
    })
}

fn in_numbers(problem: &Problem) -> Value {
    let slots: Vec<Value> = problem
        .slots
        .iter()
        .map(|s| {
            json!({"site": s.site, "day": s.day, "minutes": s.minutes, "trip_minutes": s.trip_minutes,
                   "trip_cost": s.trip_cost, "max_visits": s.max_visits})
        })
        .collect();
    let items: Vec<Value> = problem
        .items
        .iter()
        .map(|i| {
            json!({"site": i.site, "minutes": i.minutes, "benefit_per_day": i.benefit_per_day, "cost": i.cost,
                   "parts": i.parts, "earliest": i.earliest})
        })
        .collect();
    let parts: Vec<Value> =
        problem.parts.iter().map(|p| json!({"stock": p.stock, "arrival": p.arrival})).collect();
    json!({"slots": slots, "items": items, "parts": parts, "horizon_days": problem.horizon_days})
}

#[expect(clippy::print_stdout, reason = "a bench prints")]
fn time_big(n_sites: usize) {
    let per_site = (BIG / n_sites) as u32;
    for (name, minutes) in [("scarce", per_site), ("ample", 4 * per_site)] {
        let fixed = |_: &mut Lot| 0;
        let case = Case {
            name,
            n_laptops: BIG,
            n_sites,
            minutes: fixed,
            fans: Some(40),
            spare_units: None,
            n_models: 12,
        };
        let mut input = input(&case, 1);
        input.hours.values_mut().for_each(|m| *m = minutes.clamp(180, 24_000));
        let begin = Instant::now();
        let plan = rounds::plan(&input.candidates, &input.hours, &input.stock, &input.costs, &input.order);
        println!(
            "{BIG} laptops, {n_sites} sites, {name} hours: {:.2} s, {} visits, {} wait, within {:.2} % of the bound",
            begin.elapsed().as_secs_f64(),
            plan.visits.len(),
            plan.waiting.len(),
            100.0 * (1.0 - plan.benefit / plan.bound),
        );
    }
}
