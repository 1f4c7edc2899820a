//! The laptops of a simulated fleet: models, sites, units, and how dust, fan and paste fare over the months.
//!
//! All names and numbers are invented. Where a rate or a share has to be chosen, it is drawn anew for each fleet, so
//! that no two fleets agree in what a judgement could learn by heart.

use std::collections::BTreeMap;

use windrow_model::condition::wear::Action;
use windrow_model::emulate::random::Random;
use windrow_model::emulate::{LaptopSpec, catalogue};

/// Sites and how much dust their air carries, over the fleet's usual.
const SITES: [(&str, f64); 8] = [
    ("Malt House", 0.6),
    ("Tarn Street", 0.7),
    ("Hythe Annexe", 0.8),
    ("Orchard Row", 1.0),
    ("Sorting Shed", 1.2),
    ("Weir Cottage", 1.4),
    ("Joinery", 2.0),
    ("Seed Store", 2.6),
];

/// Days of a month.
const MONTH_DAYS: f64 = 30.44;
/// How long a fleet is watched.
const WATCHED_DAYS: f64 = 720.0;

/// How a fleet departs from the usual: to see whether what was calibrated on usual fleets holds on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kind {
    /// Factor on how fast vents and paste wear and on how many fans fail.
    pub wear: f64,
    /// Factor on all that isn't wear: the units' spread, the rooms' and sensors' scatter, the share of runs made in
    /// trying circumstances.
    pub noise: f64,
}

impl Kind {
    /// The usual.
    pub const USUAL: Self = Self { wear: 1.0, noise: 1.0 };
}

/// A fleet's laptops with what they share.
#[derive(Debug, Clone)]
pub struct Fleet {
    /// How it departs from the usual.
    pub kind: Kind,
    /// Site of each number: mean room temperature, °C, and its yearly swing, K.
    pub sites: Vec<Site>,
    /// The laptops.
    pub laptops: Vec<Laptop>,
    /// Firmwares that came while it was watched, by model.
    pub updates: BTreeMap<String, Update>,
}

/// A firmware that drives a model's fans slower than the one before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Update {
    /// Every run from this day on has it.
    pub day: f64,
    /// Its fan table over the one before.
    pub fan: f64,
    /// Whether the runs tell which firmware they ran under.
    pub is_told: bool,
}

impl Update {
    /// Number of the firmware on a day, as runs tell it; 0 where they don't.
    pub fn number_on(&self, day: f64) -> u32 {
        match (self.is_told, self.is_in_force(day)) {
            (false, _) => 0,
            (true, is_new) => 1 + u32::from(is_new),
        }
    }

    /// Whether it has come by that day.
    pub fn is_in_force(&self, day: f64) -> bool {
        day >= self.day
    }
}

/// A site.
#[derive(Debug, Clone)]
pub struct Site {
    /// Its name.
    pub name: &'static str,
    /// Yearly mean, °C.
    pub room_c: f64,
    /// Half of the swing over the year, K.
    pub season_k: f64,
    /// Dust over the fleet's usual.
    dust: f64,
}

/// One laptop.
#[derive(Debug, Clone)]
pub struct Laptop {
    /// Its id.
    pub device: String,
    /// Its unit, spread about its model.
    pub unit: LaptopSpec,
    /// Number of its site.
    pub site: usize,
    /// Whether it always runs in a quiet profile.
    pub always_quiet: bool,
    /// Days of its runs, rising, and how it stood then.
    pub runs: Vec<(f64, State)>,
    /// What was booked: day and action.
    pub services: Vec<(f64, Action)>,
}

/// How a laptop's cooling stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    /// Airflow over as-new.
    pub airflow: f64,
    /// Speed over due.
    pub fan: f64,
    /// How often a minute the fan's bearing sticks.
    pub stumble_per_min: f64,
    /// Paste and mounting over as-new.
    pub paste: f64,
}

/// What is drawn once for a fleet.
#[derive(Debug, Clone, Copy)]
struct Habits {
    dust_per_month: f64,
    paste_per_month: f64,
    failing_share: f64,
    cleans_per_year: f64,
    works: f64,
}

impl Habits {
    fn draw(wear: f64, random: &mut Random) -> Self {
        let mut about = |usual: f64, sd: f64| usual * (sd * random.normal().clamp(-2.0, 2.0)).exp();
        Self {
            dust_per_month: wear * about(0.006, 0.25),
            paste_per_month: wear * about(0.008, 0.25),
            failing_share: (wear * about(0.13, 0.2)).min(1.0),
            cleans_per_year: about(0.10, 0.3),
            works: about(0.86, 0.03).min(0.95),
        }
    }
}

/// The laptops of a seed.
pub fn fleet(seed: u64, n_laptops: usize, kind: Kind) -> Fleet {
    let mut random = Random::new(seed);
    let habits = Habits::draw(kind.wear, &mut random);
    let sites: Vec<Site> = SITES
        .iter()
        .map(|&(name, dust)| Site {
            name,
            room_c: 22.0 + 1.3 * random.normal(),
            season_k: 1.5 + random.uniform(),
            dust: dust * (0.15 * random.normal()).exp(),
        })
        .collect();
    let models = models(&mut random);
    let weights: Vec<f64> = models.iter().map(|_| 0.4 + random.uniform()).collect();
    let laptops = (0..n_laptops)
        .map(|i| {
            let model = &models[chosen(&weights, &mut random)];
            let site = (random.uniform() * sites.len() as f64) as usize;
            let mut laptop = laptop(i, model, site, sites[site].dust, &habits, &mut random);
            laptop.unit = spread(model, &laptop.unit, kind.noise);
            laptop
        })
        .collect();
    Fleet { kind, sites, laptops, updates: updates(seed, &models) }
}

/// Share of models with fans that get another firmware.
const UPDATED_SHARE: f64 = 0.2;

/// Drawn apart, so that the rest of a seed's fleet is what it would be without.
fn updates(seed: u64, models: &[LaptopSpec]) -> BTreeMap<String, Update> {
    let mut random = Random::new(seed ^ 0x6669_726D_7761_7265);
    let mut draw = |model: &LaptopSpec| {
        let is_updated = random.uniform() < UPDATED_SHARE && !model.fans.is_empty();
        let update = Update {
            day: WATCHED_DAYS * (0.3 + 0.5 * random.uniform()),
            fan: 0.84 + 0.08 * random.uniform(),
            is_told: random.uniform() < 0.5,
        };
        is_updated.then(|| (model.model.product.clone(), update))
    };
    models.iter().filter_map(&mut draw).collect()
}

/// The catalogue's models and a second make of some, all with this fleet's own numbers.
fn models(random: &mut Random) -> Vec<LaptopSpec> {
    let again = ["Tamsel 14", "Velden 14", "Ibbet 13", "Tamsel 15", "Marlow 15"];
    let mut all = catalogue();
    let second =
        all.clone().into_iter().filter(|s| again.contains(&s.model.product.as_str())).map(|mut s| {
            s.model.product.push_str(" II");
            s
        });
    all.extend(second);
    for s in &mut all {
        let mut about = |sd: f64| (sd * random.normal().clamp(-2.0, 2.0)).exp();
        let t = &mut s.thermal;
        t.contact_k_per_w *= about(0.12);
        t.paste_share *= about(0.10);
        t.die_j_per_k *= about(0.15);
        t.sink_j_per_k *= about(0.15);
        t.case_j_per_k *= about(0.15);
        t.passive_w_per_k *= about(0.2);
        t.forced_w_per_k *= about(0.12);
        t.flow_exponent = (t.flow_exponent * about(0.08)).clamp(0.5, 0.9);
        s.power.sustained_w *= about(0.08);
    }
    all
}

fn chosen(weights: &[f64], random: &mut Random) -> usize {
    let mut left = random.uniform() * weights.iter().sum::<f64>();
    weights
        .iter()
        .position(|w| {
            left -= w;
            left < 0.0
        })
        .unwrap_or(weights.len() - 1)
}

/// A unit that is `factor` times as far from its model, in logarithms.
fn spread(model: &LaptopSpec, unit: &LaptopSpec, factor: f64) -> LaptopSpec {
    let mut out = unit.clone();
    let far = |of: f64, it: &mut f64| {
        if of > 0.0 {
            *it = of * (*it / of).powf(factor);
        }
    };
    far(model.thermal.contact_k_per_w, &mut out.thermal.contact_k_per_w);
    far(model.thermal.forced_w_per_k, &mut out.thermal.forced_w_per_k);
    far(model.thermal.passive_w_per_k, &mut out.thermal.passive_w_per_k);
    far(model.power.full_w, &mut out.power.full_w);
    far(model.power.leakage_w, &mut out.power.leakage_w);
    for (model, fan) in model.fans.iter().zip(&mut out.fans) {
        far(model.rpm_max, &mut fan.rpm_max);
        far(model.rpm_min, &mut fan.rpm_min);
    }
    for sensor in [Some(&mut out.sensors.cpu), out.sensors.rpm.as_mut()].into_iter().flatten() {
        sensor.noise *= factor;
    }
    out
}

fn laptop(
    number: usize,
    model: &LaptopSpec,
    site: usize,
    dust: f64,
    habits: &Habits,
    random: &mut Random,
) -> Laptop {
    let unit = model.unit(random.next_u64() >> 12);
    let in_use_for = MONTH_DAYS * 36.0 * random.uniform();
    let mut life = Life::new(dust, habits, random);
    let n_runs = 1 + (random.uniform() * 20.0) as usize;
    let from = WATCHED_DAYS * 0.5 * random.uniform();
    let mut days: Vec<f64> = (0..n_runs)
        .map(|_| from + (WATCHED_DAYS - from) * random.uniform())
        .map(|d| d + in_use_for)
        .collect();
    days.sort_by(f64::total_cmp);
    let (mut runs, mut services) = (Vec::new(), Vec::new());
    let mut now = 0.0;
    for day in days {
        while now + MONTH_DAYS < day {
            life.grow(MONTH_DAYS, random);
            now += MONTH_DAYS;
            if let Some(action) = life.serviced(habits, random) {
                services.push((now - in_use_for, action));
            }
        }
        life.grow(day - now, random);
        now = day;
        runs.push((day - in_use_for, life.state()));
    }
    Laptop {
        device: format!("own-{number:04}"),
        unit,
        site,
        always_quiet: random.uniform() < 0.04,
        runs,
        services,
    }
}

/// A laptop's wears as they grow: ln of airflow lost, paste's multiple over 1, share of speed lost.
#[derive(Debug, Clone, Copy)]
struct Life {
    dust: f64,
    paste: f64,
    fan: f64,
    dust_per_month: f64,
    paste_per_month: f64,
    fan_fails_after_months: f64,
    fan_per_month: f64,
    months: f64,
    as_new_fan: f64,
    /// How often a minute its bearing sticks, for each share of speed lost.
    stumble_per_min_and_wear: f64,
}

impl Life {
    fn new(dust: f64, habits: &Habits, random: &mut Random) -> Self {
        let fails = random.uniform() < habits.failing_share;
        let as_new_fan = 1.0 - 0.012 * random.normal().abs();
        // Drawn from a stream of its own: what is drawn next does not depend on it. Half of the bearings never stick.
        let sticks = Random::new(!random.clone().next_u64()).uniform();
        Self {
            dust: 0.03 * random.normal().abs(),
            paste: 0.06 * random.normal().abs(),
            fan: 0.0,
            dust_per_month: habits.dust_per_month * dust * (0.8 * random.normal()).exp(),
            paste_per_month: habits.paste_per_month * (1.1 * random.normal()).exp(),
            fan_fails_after_months: if fails { 50.0 * random.uniform() } else { f64::INFINITY },
            fan_per_month: 0.01 + 0.05 * random.uniform(),
            months: 0.0,
            as_new_fan,
            stumble_per_min_and_wear: if sticks < 0.5 { 0.0 } else { 12.0 * (sticks - 0.5) },
        }
    }

    fn grow(&mut self, days: f64, random: &mut Random) {
        let months = days / MONTH_DAYS;
        let uneven = |random: &mut Random| 2.0 * random.uniform();
        self.months += months;
        self.dust += self.dust_per_month * months * uneven(random);
        // Now and then a felt forms.
        if random.uniform() < 0.003 * months {
            self.dust += 0.3 * random.uniform();
        }
        self.paste += self.paste_per_month * months * uneven(random);
        let failing = (self.months - self.fan_fails_after_months).clamp(0.0, months);
        self.fan += self.fan_per_month * failing;
        let seizes = if self.fan > 0.15 { 0.06 } else { 0.0006 };
        if random.uniform() < seizes * months {
            self.fan = 1.0;
        }
    }

    fn state(&self) -> State {
        State {
            airflow: (-self.dust).exp().max(0.12),
            fan: if self.fan >= 0.6 { 0.0 } else { self.as_new_fan - self.fan },
            stumble_per_min: self.stumble_per_min_and_wear * self.fan,
            paste: (1.0 + self.paste).min(6.0),
        }
    }

    /// What was booked in the month past, if anything; it may have done nothing.
    fn serviced(&mut self, habits: &Habits, random: &mut Random) -> Option<Action> {
        let works = random.uniform() < habits.works;
        // The worse it is, the likelier somebody complains.
        let complaint = |bad: bool| if bad { 0.05 } else { 0.0 };
        let draw = random.uniform();
        let clean = habits.cleans_per_year / 12.0 + complaint(self.dust > 0.6);
        let fan = 0.002 + complaint(self.fan > 0.25);
        let paste = 0.004 + complaint(self.paste > 1.2);
        if draw < clean {
            if works {
                self.dust = 0.05 + 0.04 * random.uniform();
            }
            Some(Action::Clean)
        } else if draw < clean + fan {
            if works {
                (self.fan, self.fan_fails_after_months) = (0.0, f64::INFINITY);
                self.dust *= if random.uniform() < 0.5 { 0.3 } else { 1.0 };
            }
            Some(Action::Fan)
        } else if draw < clean + fan + paste {
            if works {
                self.paste = 0.05 * random.uniform();
                self.dust *= if random.uniform() < 0.5 { 0.3 } else { 1.0 };
            }
            Some(Action::Paste)
        } else if draw < clean + fan + paste + 0.003 {
            Some(Action::None)
        } else {
            None
        }
    }
}
