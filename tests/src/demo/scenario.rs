//! Hollin Bank Growers: an invented fruit-growing cooperative with three sites, whose laptops see very different air.
//!
//! All names and numbers here are invented. The faults are drawn from a seed; the hub never sees them.

use std::fmt::Write as _;

use chrono::{Days, NaiveDate};
use windrow_model::emulate::random::Random;
use windrow_model::emulate::{Faults, LaptopSpec, Room, catalogue};

/// A site and its air.
#[derive(Debug, Clone, Copy)]
pub struct Site {
    /// Its name.
    pub name: &'static str,
    /// Usual room temperature, °C.
    pub room_c: f64,
    /// How much of its laptops' vents clog, as a probability.
    pub p_clogged: f64,
}

/// The three sites.
pub const SITES: [Site; 3] = [
    // Lint of cartons and dust of the yard.
    Site { name: "Lowfield packing hall", room_c: 20.0, p_clogged: 0.26 },
    Site { name: "Brackwell office", room_c: 23.0, p_clogged: 0.06 },
    // A loft under a tin roof: warm, and a clean room's worth of dust.
    Site { name: "Quay Street loft", room_c: 28.0, p_clogged: 0.10 },
];

const P_FAN: f64 = 0.09;
const P_PASTE: f64 = 0.09;
/// Of faulty laptops, those that somebody repaired before the latest check, and how long before, days.
const P_REPAIRED: f64 = 0.15;
const REPAIRED_DAYS_AGO: u64 = 18;
/// Of healthy laptops, those whose check meets something that looks like a fault.
const P_CONFUSED: f64 = 0.25;

/// The fault planted in a laptop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Planted {
    /// Clogged vents or fins.
    Vents,
    /// A failing fan.
    Fan,
    /// Dried paste.
    Contact,
    /// Nothing any more: repaired before the latest check, and the visit logged.
    Repaired,
    /// Nothing, but circumstances that imitate a fault.
    Confused,
    /// Nothing.
    Healthy,
}

impl Planted {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Vents => "clogged vents",
            Self::Fan => "failing fan",
            Self::Contact => "dried paste",
            Self::Repaired => "a fault, repaired since",
            Self::Confused => "healthy, in trying circumstances",
            Self::Healthy => "healthy",
        }
    }

    /// Whether it needs a service.
    pub const fn needs_service(self) -> bool {
        matches!(self, Self::Vents | Self::Fan | Self::Contact)
    }
}

/// One laptop of the fleet with its truth.
#[derive(Debug, Clone)]
pub struct PlantedLaptop {
    /// Asset tag.
    pub asset_tag: String,
    /// Where it stands.
    pub site: Site,
    /// The unit, with its own spread about the model.
    pub unit: LaptopSpec,
    /// What was planted.
    pub planted: Planted,
    /// The emulator's words for it at the latest check; earlier checks see less of it.
    pub faults: Faults,
    /// What was repaired before the latest check, and how bad it had been.
    pub repaired: Option<Repair>,
    /// The room.
    pub room: Room,
    /// Seed of its noise.
    pub seed: u64,
}

/// A repair that worked.
#[derive(Debug, Clone)]
pub struct Repair {
    /// What somebody did, in the words of `windrow-hub visit log --action`.
    pub action: &'static str,
    /// How long it took, minutes.
    pub minutes: u32,
    /// The faults until then.
    pub before: Faults,
}

/// The day of all repairs, seen from the latest check's.
pub fn repaired_on(today: NaiveDate) -> NaiveDate {
    today.checked_sub_days(Days::new(REPAIRED_DAYS_AGO)).unwrap_or(today)
}

/// The list of what should be checked, as `windrow-hub scope import` reads it: the fleet, a few laptops that never joined,
/// and one that is excused.
pub fn assets(fleet: &[PlantedLaptop], since: NaiveDate) -> String {
    let mut list = String::from("tag,model,site,place,from,until,excluded,why\n");
    let mut line = |n: usize, site: &str, model: &str, excluded: &str, why: &str| {
        let place = format!("desk {}", n / SITES.len() + 1);
        let _ = writeln!(list, "{},{model},{site},{place},{since},,{excluded},{why}", asset_tag(n));
    };
    for (n, laptop) in fleet.iter().enumerate() {
        line(n, laptop.site.name, &laptop.unit.model.product, "", "");
    }
    let n_absent = fleet.len() / 18;
    for n in fleet.len()..fleet.len() + n_absent {
        line(n, SITES[n % SITES.len()].name, "Tamsel 14", "", "");
    }
    let spare = fleet.len() + n_absent;
    line(spare, SITES[spare % SITES.len()].name, "Tamsel 14", "yes", "lent to the county show");
    list
}

fn asset_tag(n: usize) -> String {
    format!("HB-{:03}", n + 1)
}

/// The fleet of a seed.
pub fn fleet(n_laptops: usize, seed: u64) -> Vec<PlantedLaptop> {
    let mut random = Random::new(seed);
    let models = catalogue();
    (0..n_laptops)
        .map(|idx| {
            let site = SITES[idx % SITES.len()];
            let model = &models[(idx / SITES.len()) % models.len()];
            laptop(idx, site, model, &mut random)
        })
        .collect()
}

fn laptop(idx: usize, site: Site, model: &LaptopSpec, random: &mut Random) -> PlantedLaptop {
    let drawn = draw(site, model, random);
    let room = Room { ambient_c: site.room_c + random.normal(), ..Room::default() };
    let unit_seed = random.next_u64() >> 12;
    let faults = faults(drawn, random);
    let repaired = repair(drawn, &faults, random);
    let is_repaired = repaired.is_some();
    PlantedLaptop {
        asset_tag: asset_tag(idx),
        site,
        unit: model.unit(unit_seed),
        planted: if is_repaired { Planted::Repaired } else { drawn },
        faults: if is_repaired { Faults { airflow: 0.97, ..Faults::NONE } } else { faults },
        repaired,
        room,
        seed: random.next_u64() >> 12,
    }
}

fn repair(planted: Planted, faults: &Faults, random: &mut Random) -> Option<Repair> {
    let (action, usual_minutes) = match planted {
        Planted::Vents => ("clean", 30.0),
        Planted::Fan => ("fan", 45.0),
        Planted::Contact => ("paste", 50.0),
        _ => return None,
    };
    let minutes = (usual_minutes * (1.0 + 0.15 * random.normal())).max(10.0) as u32;
    (random.uniform() < P_REPAIRED).then_some(Repair { action, minutes, before: *faults })
}

fn draw(site: Site, model: &LaptopSpec, random: &mut Random) -> Planted {
    let fanless = model.fans.is_empty();
    let draw = random.uniform();
    let p_vents = if fanless { 0.0 } else { site.p_clogged };
    let p_fan = if fanless { 0.0 } else { P_FAN };
    if draw < p_vents {
        Planted::Vents
    } else if draw < p_vents + p_fan {
        Planted::Fan
    } else if draw < p_vents + p_fan + P_PASTE {
        Planted::Contact
    } else if random.uniform() < P_CONFUSED {
        Planted::Confused
    } else {
        Planted::Healthy
    }
}

fn faults(planted: Planted, random: &mut Random) -> Faults {
    let mut between = |low: f64, high: f64| low + (high - low) * random.uniform();
    let mut faults = Faults { airflow: between(0.9, 1.0), paste: between(1.0, 1.2), ..Faults::NONE };
    match planted {
        Planted::Healthy | Planted::Repaired => {}
        Planted::Vents => faults.airflow = between(0.30, 0.60),
        Planted::Contact => faults.paste = between(2.1, 3.2),
        Planted::Fan => match between(0.0, 3.0) as u32 {
            0 => faults.fan = 0.0,
            1 => faults.fan = between(0.45, 0.72),
            _ => {
                faults.fan = between(0.6, 0.75);
                faults.fan_late_s = between(15.0, 40.0);
                faults.stumble_per_min = 1.5;
            }
        },
        Planted::Confused => match between(0.0, 3.0) as u32 {
            0 => faults.ambient_c = Some(between(30.0, 34.0)),
            1 => faults.bedding = true,
            _ => faults.background_w = between(1.0, 3.0),
        },
    }
    faults
}

/// The faults as they were `months_ago`: a clog, a worn fan and dry paste come slowly, circumstances come and go.
pub fn faults_then(laptop: &PlantedLaptop, months_ago: u32) -> Faults {
    let latest = &laptop.faults;
    match (&laptop.repaired, laptop.planted) {
        (Some(repair), _) if months_ago > 0 => grown(&repair.before, months_ago - 1),
        // Only the latest check met them.
        (_, Planted::Confused) if months_ago > 0 => Faults { airflow: latest.airflow, ..Faults::NONE },
        (Some(_), _) | (_, Planted::Confused) => *latest,
        _ => grown(latest, months_ago),
    }
}

fn grown(worst: &Faults, months_ago: u32) -> Faults {
    let share = 1.0 - 0.12 * f64::from(months_ago);
    Faults {
        airflow: 1.0 - (1.0 - worst.airflow) * share,
        fan: 1.0 - (1.0 - worst.fan) * if months_ago == 0 { 1.0 } else { share.min(0.6) },
        stumble_per_min: worst.stumble_per_min * if months_ago == 0 { 1.0 } else { share.min(0.6) },
        paste: 1.0 + (worst.paste - 1.0) * share,
        ..*worst
    }
}
