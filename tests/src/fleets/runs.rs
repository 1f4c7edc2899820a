//! The runs of a simulated fleet: each laptop checked again and again, half of the times in trying circumstances.

use windrow_model::condition::fleet::FleetRun;
use windrow_model::emulate::random::Random;
use windrow_model::emulate::{Faults, LaptopSpec, Room, RunPlan, Start, asleep, hold_sensor, record_run};
use windrow_model::estimate::network_drive::Drive;
use windrow_model::protocol::Protocol;

use super::laptops::{Fleet, Laptop, State, Update};
use super::truth::TruthRow;

/// Share of runs that meet each circumstance; about half meet at least one.
const CIRCUMSTANCES: [(&str, f64); 10] = [
    ("background_recovery", 0.05),
    ("background_settle", 0.05),
    ("bedding", 0.04),
    ("cold_soak", 0.025),
    ("hot_room", 0.045),
    ("lid_closed", 0.11),
    ("on_battery", 0.10),
    ("sensor_stuck", 0.02),
    ("sleep", 0.012),
    ("warm_start", 0.06),
];
const QUIET: &str = "quiet_profile";
/// Share of runs in a quiet profile on laptops that usually are not.
const QUIET_SHARE: f64 = 0.05;
/// Share of quick runs.
const QUICK_SHARE: f64 = 0.15;
/// Share of runs for which somebody told the room's temperature, how much too low they tell it, and their scatter, K.
const TOLD: (f64, f64, f64) = (0.43, 0.7, 1.2);
/// Power limit and fan cap of a quiet profile, over the usual.
const QUIET_CAPS: (f64, f64) = (0.82, 0.70);
/// What a closed lid leaves of the case's own cooling.
const LID_SHARE: f64 = 0.75;

/// All runs of a laptop, and its truth at the last.
pub fn record(fleet: &Fleet, laptop: &Laptop, seed: u64) -> (Vec<FleetRun>, TruthRow) {
    let mut random = Random::new(seed);
    let mut truth = TruthRow {
        device_id: laptop.device.clone(),
        tested_at: String::new(),
        airflow_fraction: 1.0,
        fan_rpm_factor: 1.0,
        paste_multiplier: 1.0,
        confounders: String::new(),
        fans: laptop.unit.fans.len() as u32,
        firmware_changed: fleet.updates.contains_key(&laptop.unit.model.product),
    };
    let mut runs = Vec::new();
    for &(day, state) in &laptop.runs {
        let met = Met::draw(laptop, fleet.kind.noise, &mut random);
        if let Some(run) = one(fleet, laptop, day, state, &met, &mut random) {
            (truth.airflow_fraction, truth.fan_rpm_factor, truth.paste_multiplier) =
                (state.airflow, state.fan, state.paste);
            truth.confounders = met.names.join(";");
            runs.push(run);
        }
    }
    (runs, truth)
}

/// The circumstances of a run.
struct Met {
    names: Vec<&'static str>,
}

impl Met {
    fn draw(laptop: &Laptop, noise: f64, random: &mut Random) -> Self {
        let mut names: Vec<&'static str> = CIRCUMSTANCES
            .iter()
            .filter(|(_, share)| random.uniform() < noise * *share)
            .map(|(name, _)| *name)
            .collect();
        if random.uniform() < if laptop.always_quiet { 0.95 } else { noise * QUIET_SHARE } {
            names.push(QUIET);
        }
        Self { names }
    }

    fn is(&self, name: &str) -> bool {
        self.names.contains(&name)
    }
}

fn one(
    fleet: &Fleet,
    laptop: &Laptop,
    day: f64,
    state: State,
    met: &Met,
    random: &mut Random,
) -> Option<FleetRun> {
    let site = &fleet.sites[laptop.site];
    let year = std::f64::consts::TAU * day / 365.25;
    let mut room_c = site.room_c - site.season_k * year.cos() + fleet.kind.noise * 1.1 * random.normal();
    if met.is("hot_room") {
        room_c += 5.0 + 4.0 * random.uniform();
    }
    let quick = random.uniform() < QUICK_SHARE;
    let plan = plan(laptop, state, met, room_c, quick, random);
    let update = fleet.updates.get(&laptop.unit.model.product);
    let is_updated = |u: &&Update| u.is_in_force(day);
    let mut trace = record_run(&spec(&laptop.unit, met, update.filter(is_updated)), &plan);
    let load_end_s = plan.settle_s + plan.protocol.load_s;
    if met.is("sensor_stuck") {
        let at_s = if random.uniform() < 0.5 { plan.settle_s } else { load_end_s };
        hold_sensor(&mut trace, at_s + 1.0, 8.0 + 20.0 * random.uniform());
    }
    if met.is("sleep") {
        trace = asleep(&trace, load_end_s + 10.0 + 40.0 * random.uniform(), 20.0 + 30.0 * random.uniform());
    }
    let told = random.uniform() < TOLD.0;
    Some(FleetRun {
        device: laptop.device.clone(),
        model: laptop.unit.model.product.clone(),
        site: site.name.to_owned(),
        day,
        day_of_year: day.rem_euclid(365.25) + 1.0,
        ambient_c: told.then(|| (room_c - TOLD.1 + fleet.kind.noise * TOLD.2 * random.normal()).round()),
        on_mains: Some(!met.is("on_battery")),
        firmware: update.map_or(0, |u| u.number_on(day)),
        drive: Drive::from_trace(&trace)?,
    })
}

fn plan(laptop: &Laptop, state: State, met: &Met, room_c: f64, quick: bool, random: &mut Random) -> RunPlan {
    let worse_fan = random.uniform() < 0.5 || laptop.unit.fans.len() < 2;
    let faults = Faults {
        airflow: state.airflow,
        fan: if worse_fan { state.fan } else { 1.0 },
        fan2: if worse_fan { 1.0 } else { state.fan },
        stumble_per_min: if worse_fan { state.stumble_per_min } else { 0.0 },
        paste: state.paste,
        bedding: met.is("bedding"),
        battery: met.is("on_battery"),
        ..Faults::NONE
    };
    let start = if met.is("warm_start") {
        Start::Worked { load: 0.25 + 0.5 * random.uniform(), for_s: 300.0 + 900.0 * random.uniform() }
    } else if met.is("cold_soak") {
        Start::Cold
    } else {
        Start::Idle
    };
    let other = |present: bool, random: &mut Random| {
        let load = 0.08 + 0.17 * random.uniform();
        if present { load } else { 0.0 }
    };
    RunPlan {
        faults,
        room: Room { ambient_c: room_c, ..Room::default() },
        start,
        protocol: if quick { Protocol::QUICK } else { Protocol::STANDARD },
        settle_s: if quick { 30.0 } else { 60.0 },
        other_load: [
            other(met.is("background_settle"), random),
            0.0,
            other(met.is("background_recovery"), random),
        ],
        seed: random.next_u64(),
    }
}

/// The unit as this run meets it.
fn spec(unit: &LaptopSpec, met: &Met, update: Option<&Update>) -> LaptopSpec {
    let mut spec = unit.clone();
    if let Some(update) = update {
        // What the air carries is told per full speed.
        spec.thermal.forced_w_per_k *= update.fan.powf(spec.thermal.flow_exponent);
        for f in &mut spec.fans {
            f.rpm_min *= update.fan;
            f.rpm_max *= update.fan;
        }
    }
    if met.is("lid_closed") {
        spec.thermal.case_air_w_per_k *= LID_SHARE;
    }
    if met.is(QUIET) {
        let (power, fan) = QUIET_CAPS;
        spec.power.sustained_w *= power;
        spec.power.boost_w *= power;
        // The table ends lower; what the air carries is told per full speed.
        spec.thermal.forced_w_per_k *= fan.powf(spec.thermal.flow_exponent);
        for f in &mut spec.fans {
            let top = fan * f.rpm_max;
            let reached = ((top - f.rpm_min) / (f.rpm_max - f.rpm_min)).clamp(0.05, 1.0);
            f.full_at_c = f.on_at_c + reached * (f.full_at_c - f.on_at_c);
            f.rpm_max = top.max(f.rpm_min + 1.0);
        }
    }
    spec
}
