//! Hollin Bank Growers: an invented fruit-growing cooperative with three sites, whose laptops see very different air.
//!
//! All names and numbers here are invented. The faults are drawn from a seed; the hub never sees them.

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
    /// The room.
    pub room: Room,
    /// Seed of its noise.
    pub seed: u64,
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
    let planted = draw(site, model, random);
    let room = Room { ambient_c: site.room_c + random.normal(), ..Room::default() };
    let unit_seed = random.next_u64() >> 12;
    PlantedLaptop {
        asset_tag: format!("HB-{:03}", idx + 1),
        site,
        unit: model.unit(unit_seed),
        planted,
        faults: faults(planted, random),
        room,
        seed: random.next_u64() >> 12,
    }
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
        Planted::Healthy => {}
        Planted::Vents => faults.airflow = between(0.30, 0.60),
        Planted::Contact => faults.paste = between(2.1, 3.2),
        Planted::Fan => match between(0.0, 3.0) as u32 {
            0 => faults.fan = 0.0,
            1 => faults.fan = between(0.45, 0.72),
            _ => {
                faults.fan = between(0.6, 0.75);
                faults.fan_late_s = between(15.0, 40.0);
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
pub fn faults_then(latest: &Faults, planted: Planted, months_ago: u32) -> Faults {
    if planted == Planted::Confused {
        // Only the latest check met them.
        return if months_ago == 0 { *latest } else { Faults { airflow: latest.airflow, ..Faults::NONE } };
    }
    let grown = 1.0 - 0.12 * f64::from(months_ago);
    Faults {
        airflow: 1.0 - (1.0 - latest.airflow) * grown,
        fan: 1.0 - (1.0 - latest.fan) * if months_ago == 0 { 1.0 } else { grown.min(0.6) },
        paste: 1.0 + (latest.paste - 1.0) * grown,
        ..*latest
    }
}
