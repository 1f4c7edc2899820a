//! How good the judgement is on fleets of our own emulated laptops, whose truth is known: the table of docs/method.md.
//!
//! `own-fleets [--seeds 11,12,13] [--laptops 400]`. Equal seeds make equal fleets on one machine.
#![expect(
    clippy::print_stderr,
    clippy::print_stdout,
    reason = "a program that prints its result and progress"
)]

use std::collections::BTreeMap;
use std::time::Instant;

use clap::Parser;
use rayon::prelude::*;
use windrow_hub::costs::{Costs, FaultProbabilities};
use windrow_model::condition::constants::{CONSTANTS_VERSION, Constants};
use windrow_model::condition::fleet::{FleetRun, JudgedModel, judge_fleet};
use windrow_model::condition::standing::STANDING_VERSION;
use windrow_model::condition::wear::Action;
use windrow_model::emulate::LaptopSpec;
use windrow_tests::fleets::laptops::{Fleet, Kind, Update, fleet};
use windrow_tests::fleets::runs::record;
use windrow_tests::fleets::small::{every_nth, latest_only};
use windrow_tests::fleets::table::{lines_text, parts, parts_text, table};
use windrow_tests::fleets::truth::{Case, TruthRow};
use windrow_tests::workers::Rayon;

#[derive(Debug, Parser)]
#[command(about = "Make fleets of emulated laptops, judge them, and measure the judgement")]
struct Arguments {
    /// Seeds, one fleet each.
    #[arg(long, value_delimiter = ',', default_values_t = [11, 12, 13])]
    seeds: Vec<u64>,
    /// Laptops in each fleet.
    #[arg(long, default_value_t = 400)]
    laptops: usize,
    /// Factor on how fast vents and paste wear and on how many fans fail.
    #[arg(long, default_value_t = 1.0)]
    wear: f64,
    /// Factor on the spread and scatter of all that isn't wear.
    #[arg(long, default_value_t = 1.0)]
    noise: f64,
}

/// A small fleet is every tenth laptop; from which one each begins.
const SMALL: (usize, [usize; 4]) = (10, [0, 3, 5, 8]);

/// A fleet recorded, with its truth.
struct Recorded {
    runs: Vec<FleetRun>,
    services: BTreeMap<String, Vec<(f64, Action)>>,
    truth: BTreeMap<String, TruthRow>,
    specs: BTreeMap<String, LaptopSpec>,
    updates: BTreeMap<String, Update>,
}

/// How many models got another firmware, how many of these the judgement tells of, and of how many others it does.
#[derive(Debug, Default)]
struct Events {
    came: usize,
    told: usize,
    told_wrongly: usize,
}

fn main() {
    let args = Arguments::parse();
    let kind = Kind { wear: args.wear, noise: args.noise };
    let (mut whole, mut small, mut latest) = (Vec::new(), Vec::new(), Vec::new());
    let mut events = Events::default();
    for &seed in &args.seeds {
        let started = Instant::now();
        let recorded = recorded(&fleet(seed, args.laptops, kind), seed);
        eprintln!(
            "fleet {seed}: {} runs after {:.0} s",
            recorded.runs.len(),
            started.elapsed().as_secs_f64()
        );
        let (models, cases) = recorded.judged(recorded.runs.clone());
        events.add(&recorded, &models);
        whole.push(cases);
        latest.push(recorded.judged(latest_only(&recorded.runs)).1);
        small.extend(SMALL.1.map(|from| recorded.judged(every_nth(&recorded.runs, SMALL.0, from)).1));
        eprintln!("fleet {seed}: judged after {:.0} s", started.elapsed().as_secs_f64());
    }
    println!(
        "fleets {:?} of {} laptops, standing {STANDING_VERSION}, constants {CONSTANTS_VERSION}",
        args.seeds, args.laptops
    );
    println!("\nwhole fleets: mean (90 % interval) each\n{}", lines_text(&table(&whole)));
    println!("{}", parts_text(&parts(&whole)));
    let Events { came, told, told_wrongly } = events;
    println!("firmwares: {came} models got another, {told} of these are told of; of others {told_wrongly}\n");
    println!("every tenth laptop\n{}", lines_text(&table(&small)));
    println!("latest run only\n{}", lines_text(&table(&latest)));
}

fn recorded(fleet: &Fleet, seed: u64) -> Recorded {
    let each: Vec<(Vec<FleetRun>, TruthRow)> = fleet
        .laptops
        .par_iter()
        .enumerate()
        .map(|(i, laptop)| record(fleet, laptop, seed.wrapping_mul(1_000_003).wrapping_add(i as u64)))
        .collect();
    let (runs, truth): (Vec<_>, Vec<_>) = each.into_iter().unzip();
    Recorded {
        runs: runs.into_iter().flatten().collect(),
        services: fleet.laptops.iter().map(|l| (l.device.clone(), l.services.clone())).collect(),
        truth: truth.into_iter().map(|t| (t.device_id.clone(), t)).collect(),
        specs: fleet.laptops.iter().map(|l| (l.unit.model.product.clone(), l.unit.clone())).collect(),
        updates: fleet.updates.clone(),
    }
}

impl Recorded {
    fn judged(&self, runs: Vec<FleetRun>) -> (Vec<JudgedModel>, Vec<Case>) {
        let costs = Costs::default();
        let (models, judged) = judge_fleet(&Constants::default(), runs, &self.services, &Rayon);
        let cases = judged
            .iter()
            .filter_map(|j| {
                let spec = &self.specs[&j.model];
                let channels = [spec.sensors.power, spec.sensors.rpm.is_some()];
                let mut case =
                    Case::new(self.truth.get(&j.device)?.clone(), &j.model, channels, &j.condition);
                // Ordered as the hub orders: by what a visit is worth.
                let [clogged, fan, contact] = case.p;
                case.score = costs.expected_benefit(&FaultProbabilities { clogged, fan, contact });
                Some(case)
            })
            .collect();
        (models, cases)
    }
}

impl Events {
    fn add(&mut self, recorded: &Recorded, models: &[JudgedModel]) {
        for model in models {
            let (has_come, is_told) =
                (recorded.updates.contains_key(&model.name), !model.standing.reference.events.is_empty());
            self.came += usize::from(has_come);
            self.told += usize::from(has_come && is_told);
            self.told_wrongly += usize::from(!has_come && is_told);
        }
    }
}
