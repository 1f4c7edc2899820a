//! The fan filter: from speeds against due speeds to the distribution of the fan factor.
//!
//! State: wear class (steady, failing) × unit offset × fan factor, with a point at 0 for a seized fan. Two questions
//! stay open until the evidence has spoken: whether the model's firmware holds the speed (closed loop: a worn fan is
//! driven harder and looks well until it runs out of headroom) or the duty (open loop: the speed shows the wear), and
//! whether the laptop always runs in a quiet profile that caps the fan. The first is summed over the model.

#![expect(
    clippy::inline_always,
    reason = "a loop reaches the vector registers only where it is inlined into the caller chosen for them"
)]

use pulp::{Arch, Simd, WithSimd};

use self::paths::{N_COLUMNS, N_QUIET, Paths, Row, Wear, column};
use super::constants::{FanConstants, MONTH_DAYS};
use super::fan_scatter::FanScatter;
use super::vector::{load, store};
use super::wear::Action;
use crate::estimate::stumbles::Stumbles;

mod paths;
#[cfg(test)]
mod plain;

/// One run's evidence about the fan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FanEvidence {
    /// A speed against its due speed.
    Ratio {
        /// Speed over due speed.
        ratio: f64,
        /// Due speed over the map's highest.
        due_share: f64,
        /// Further scatter of this run's ratio.
        doubt: f64,
        /// Odds that this run was made in a quiet profile, given that the laptop usually isn't in one.
        quiet: f64,
        /// How evenly the fan turned meanwhile.
        evenness: Evenness,
    },
    /// How evenly the fan turned, where its speed says nothing.
    Even(Evenness),
    /// No tachometer: how likely the run's airflow is if the fan stands and if it turns.
    Standing {
        /// If it stands.
        stands: f64,
        /// If it turns.
        turns: f64,
    },
}

/// How often a run's fan stumbled, and how often its model's sound fans do.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Evenness {
    /// How often, and in what time.
    pub seen: Stumbles,
    /// Stumbles a second of a fan of this model that is sound.
    pub usual_per_s: f64,
}

/// What happens to a fan, in time order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FanEvent {
    /// A run.
    Seen {
        /// Day.
        day: f64,
        /// What it says.
        evidence: FanEvidence,
    },
    /// A service.
    Serviced {
        /// Day.
        day: f64,
        /// What.
        action: Action,
    },
}

impl FanEvent {
    /// When.
    pub fn day(&self) -> f64 {
        match *self {
            Self::Seen { day, .. } | Self::Serviced { day, .. } => day,
        }
    }
}

/// Grid of the fan factor: a point at 0, then from this value on.
const FROM: f64 = 0.20;
const STEP: f64 = 0.01;
const N_STATES: usize = 92;
const N_OFFSETS: usize = 5;
const N_CLASSES: usize = 2;

/// Distribution of the fan factor.
#[derive(Debug, Clone, PartialEq)]
pub struct FanPosterior {
    /// Probability of each grid value; the first is 0.
    pub states: Vec<f64>,
    /// Probability that the fan is of the failing kind.
    pub failing: f64,
    /// Natural logarithm of the evidence.
    pub log_evidence: f64,
}

/// Fan factor of a grid index.
pub const fn factor_at(k: usize) -> f64 {
    if k == 0 { 0.0 } else { FROM + (k - 1) as f64 * STEP }
}

/// All fan factors of the grid.
static FACTORS: [f32; N_STATES] = {
    let mut out = [0.0; N_STATES];
    let mut k = 0;
    while k < N_STATES {
        out[k] = factor_at(k) as f32;
        k += 1;
    }
    out
};

impl FanPosterior {
    fn new((mut states, failing): (Vec<f64>, f64), log_evidence: f64) -> Self {
        let total: f64 = states.iter().sum();
        for s in &mut states {
            *s /= total;
        }
        Self { states, failing: failing / total, log_evidence }
    }

    /// P(fan factor < x).
    pub fn below(&self, x: f64) -> f64 {
        self.states
            .iter()
            .enumerate()
            .map(|(k, p)| p * ((x - factor_at(k)) / STEP + 0.5).clamp(0.0, 1.0))
            .sum::<f64>()
            .min(1.0)
    }

    /// Quantile of the fan factor.
    pub fn quantile(&self, q: f64) -> f64 {
        let mut sum = 0.0;
        for (k, p) in self.states.iter().enumerate() {
            sum += p;
            if sum >= q {
                return factor_at(k) + if k == 0 { 0.0 } else { STEP * (0.5 - (sum - q) / p) };
            }
        }
        1.0
    }

    /// The mixture of several, weighted.
    pub fn mixture(parts: &[(f64, FanPosterior)]) -> Self {
        let total: f64 = parts.iter().map(|p| p.0).sum();
        let mut out = Self { states: vec![0.0; N_STATES], failing: 0.0, log_evidence: 0.0 };
        for (w, p) in parts {
            let w = w / total;
            out.states.iter_mut().zip(&p.states).for_each(|(o, s)| *o += w * s);
            out.failing += w * p.failing;
            out.log_evidence += w * p.log_evidence;
        }
        out
    }
}

/// How a firmware may drive the fan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FanLoop {
    /// It holds the duty: the speed shows the wear, and how the unit is built.
    Open,
    /// It holds the speed: a worn fan is driven harder, until it runs out of headroom.
    Closed {
        /// Speed that a healthy fan can be driven to, over the highest due speed.
        headroom: f64,
        /// Spread of the units' held speeds about the model's map.
        held_sd: f64,
    },
}

/// A laptop's events as steps of the filter, ready for every way in which the firmware may drive the fan.
#[derive(Debug)]
pub struct FanFilter<'a> {
    c: &'a FanConstants,
    scatter: FanScatter,
    new: [f64; N_STATES],
    steps: Vec<Step>,
}

#[derive(Debug)]
struct Step {
    wear: Wear,
    what: What,
}

/// What follows the wear.
#[derive(Debug)]
enum What {
    Nothing,
    Replaced,
    /// Likelihoods that don't depend on how the firmware drives the fan.
    Alone(Box<Table>),
    Turns(Turns, Box<Tables>),
}

/// Likelihoods of each factor in one run.
#[derive(Debug)]
struct Tables {
    /// Of its speed in a quiet profile.
    capped: Table,
    /// Of how evenly it turned; `None` where that says nothing.
    even: Option<Table>,
}

/// A speed against its due speed.
#[derive(Debug, Clone, Copy)]
struct Turns {
    ratio: f64,
    due_share: f64,
    doubt: f64,
    /// Odds that the run was quiet, if the laptop usually isn't and if it always is.
    quiet: [f32; N_QUIET],
}

/// One number for each fan factor.
type Table = [f32; N_STATES];

impl<'a> FanFilter<'a> {
    /// For events in time order, followed up to day `until`, of a model with this scatter.
    pub fn new(c: &'a FanConstants, scatter: FanScatter, events: &[FanEvent], until: f64) -> Self {
        let mut now = events.first().map_or(until, FanEvent::day);
        let mut wear_to = |day: f64| {
            let wear = wear(c, day - now);
            now = day;
            wear
        };
        let mut steps: Vec<Step> =
            events.iter().map(|e| Step { wear: wear_to(e.day()), what: what(c, e) }).collect();
        steps.push(Step { wear: wear_to(until), what: What::Nothing });
        Self { c, scatter, new: as_new(c), steps }
    }

    /// Runs the filter, for a laptop that usually isn't in a quiet profile and for one that always is.
    pub fn run(&self, driven: FanLoop) -> [FanPosterior; N_QUIET] {
        let paths = Arch::new().dispatch(Follow { filter: self, driven, paths: self.first() });
        [0, 1].map(|quiet| FanPosterior::new(paths.sums(quiet), paths.log_scale[quiet]))
    }

    fn first(&self) -> Paths {
        let c = self.c;
        let n_any = (1..N_STATES).filter(|&k| factor_at(k) <= FAILING_UP_TO).count() as f64;
        Paths::new(|class, offset, k| {
            let share = match (class, k) {
                (0, 0) => (1.0 - c.first_failing) * c.first_seized,
                (0, _) => (1.0 - c.first_failing) * (1.0 - c.first_seized) * self.new[k],
                (_, 0) => 0.0,
                _ if factor_at(k) <= FAILING_UP_TO => c.first_failing / n_any,
                _ => 0.0,
            };
            OFFSET_WEIGHTS[offset] * share
        })
    }
}

/// All steps, in the widest registers that the processor has.
struct Follow<'a> {
    filter: &'a FanFilter<'a>,
    driven: FanLoop,
    paths: Paths,
}

impl WithSimd for Follow<'_> {
    type Output = Paths;

    #[inline(always)]
    fn with_simd<S: Simd>(mut self, simd: S) -> Paths {
        let mut likelihoods = [[1.0; _]; N_STATES];
        for step in &self.filter.steps {
            match &step.what {
                What::Nothing | What::Replaced => likelihoods = [[1.0; _]; N_STATES],
                What::Alone(table) => likelihoods = table.map(|l| [l; _]),
                What::Turns(turns, tables) => {
                    let plain = Plain::new(self.filter, turns, self.driven);
                    plain.likelihoods(simd, turns.quiet, &tables.capped, &mut likelihoods);
                    if let Some(even) = &tables.even {
                        for (row, even) in likelihoods.iter_mut().zip(even) {
                            for likelihood in row {
                                *likelihood *= even;
                            }
                        }
                    }
                }
            }
            self.paths.wear_and_see(simd, &step.wear, &likelihoods);
            if matches!(step.what, What::Replaced) {
                self.paths.replace(self.filter.c.replacing_works as f32, &self.filter.new);
            }
        }
        self.paths
    }
}

/// A failing fan may begin anywhere up to this factor.
const FAILING_UP_TO: f64 = 0.97;
/// Below this factor a fan seizes as a worn one.
const WORN_BELOW: f64 = 0.85;
/// Weights of offsets one standard deviation apart.
const OFFSET_WEIGHTS: [f64; N_OFFSETS] = [0.06, 0.24, 0.4, 0.24, 0.06];

/// Offsets of a unit, in standard deviations.
const OFFSETS: [f64; N_OFFSETS] = [-2.0, -1.0, 0.0, 1.0, 2.0];

/// As-new fans: one Gaussian over the grid.
fn as_new(c: &FanConstants) -> [f64; N_STATES] {
    let mut new: [f64; N_STATES] = std::array::from_fn(|k| {
        let z = (factor_at(k) - c.as_new.0) / c.as_new.1;
        if k == 0 { 0.0 } else { (-0.5 * z * z).exp() }
    });
    let sum: f64 = new.iter().sum();
    for p in &mut new {
        *p /= sum;
    }
    new
}

fn wear(c: &FanConstants, days: f64) -> Wear {
    let months = days.max(0.0) / MONTH_DAYS;
    let within = |rate: f64| 1.0 - (-rate * months).exp();
    Wear {
        starts: within(c.failing_starts),
        mean_steps: c.rates.map(|rate| rate * months / STEP),
        seizes: within(c.seizing),
        seizes_worn: within(c.seizing_worn),
        worn_below: (1..N_STATES).find(|&k| factor_at(k) >= WORN_BELOW).unwrap_or(N_STATES),
    }
}

fn what(c: &FanConstants, e: &FanEvent) -> What {
    match *e {
        FanEvent::Serviced { action: Action::Fan, .. } => What::Replaced,
        FanEvent::Serviced { .. } => What::Nothing,
        FanEvent::Seen { evidence: FanEvidence::Standing { stands, turns }, .. } => {
            What::Alone(Box::new(std::array::from_fn(|k| if k == 0 { stands } else { turns } as f32)))
        }
        FanEvent::Seen { evidence: FanEvidence::Even(evenness), .. } => {
            even(c, &evenness).map_or(What::Nothing, |table| What::Alone(Box::new(table)))
        }
        FanEvent::Seen {
            evidence: FanEvidence::Ratio { ratio, due_share, doubt, quiet, evenness }, ..
        } => {
            let odds = [quiet as f32, (1.0 - c.quiet_odds) as f32];
            let turns = Turns { ratio, due_share: due_share.max(DUE_SHARE_MIN), doubt, quiet: odds };
            What::Turns(turns, Box::new(Tables { capped: capped(c, &turns), even: even(c, &evenness) }))
        }
    }
}

/// A due speed below this share of the map's highest counts as this.
const DUE_SHARE_MIN: f64 = 0.3;
/// Scatter of the ratio of a standing fan, which shows no speed of its own.
const STANDING_SD: f64 = 0.05;

/// How a run that isn't quiet is seen.
struct Plain {
    ratio: f32,
    standing: f32,
    law: Law,
}

/// What the speed follows.
enum Law {
    /// The firmware holds the duty: the speed shows the wear.
    Driven { robust: Robust, offsets: Columns },
    /// It holds the speed: a worn fan is driven harder, until it runs out of headroom.
    Held { near: Robust, far: Robust, targets: Columns, reach_per_factor: f32 },
}

/// One number for each unit offset; those beyond the last are never weighed.
type Columns = [f32; N_COLUMNS];

impl Plain {
    fn new(filter: &FanFilter<'_>, t: &Turns, driven: FanLoop) -> Self {
        let (c, scatter) = (filter.c, filter.scatter);
        let columns = |of: f64, sd: f64| {
            let mut out = [0.0; N_COLUMNS];
            out.iter_mut().zip(OFFSETS).for_each(|(out, z)| *out = (of * (1.0 + z * sd)) as f32);
            out
        };
        let sd = scatter.run_sd.hypot(t.doubt);
        let law = match driven {
            FanLoop::Open => Law::Driven {
                robust: Robust::new(c, sd),
                offsets: columns(scatter.mid / c.as_new.0, scatter.unit_sd.max(c.open_unit_sd_min)),
            },
            FanLoop::Closed { headroom, held_sd } => Law::Held {
                near: Robust::new(c, sd),
                far: Robust::new(c, sd.hypot(c.short_sd)),
                targets: columns(scatter.mid, held_sd),
                reach_per_factor: (headroom / t.due_share) as f32,
            },
        };
        let ratio = t.ratio as f32;
        Self { ratio, standing: Robust::new(c, STANDING_SD).at(ratio), law }
    }

    /// Likelihood of each factor, quiet hypothesis and unit offset, with the odds that the run was quiet under each.
    #[inline(always)]
    fn likelihoods<S: Simd>(&self, simd: S, odds: [f32; N_QUIET], quiet: &Table, to: &mut [Row; N_STATES]) {
        let columns = S::F32_LANES;
        let odds = odds.map(|q| [simd.splat_f32s(1.0 - q), simd.splat_f32s(q)]);
        for first in (0..N_COLUMNS).step_by(columns) {
            for (k, (row, capped)) in to.iter_mut().zip(quiet).enumerate() {
                let plain = match (k, &self.law) {
                    (0, Law::Driven { .. }) => simd.splat_f32s(self.standing),
                    (_, Law::Driven { robust, offsets }) => {
                        let offsets = load(simd, &offsets[first..first + columns]);
                        let due = simd.mul_f32s(simd.splat_f32s(FACTORS[k]), offsets);
                        robust.at_each(simd, simd.sub_f32s(simd.splat_f32s(self.ratio), due))
                    }
                    (_, Law::Held { near, far, targets, reach_per_factor }) => {
                        let reach = reach_per_factor * FACTORS[k];
                        let robust = if reach < HELD_FROM { far } else { near };
                        let targets = load(simd, &targets[first..first + columns]);
                        // Short of its target, or held there.
                        let (ratio, reach) = (simd.splat_f32s(self.ratio), simd.splat_f32s(reach));
                        let speed = simd.min_f32s(reach, targets);
                        robust.at_each(simd, simd.sub_f32s(ratio, speed))
                    }
                };
                let capped = simd.splat_f32s(*capped);
                for (q, [usual, odds]) in odds.iter().enumerate() {
                    let both = simd.add_f32s(simd.mul_f32s(*usual, plain), simd.mul_f32s(*odds, capped));
                    let at = column(q, first);
                    store(simd, both, &mut row[at..at + columns]);
                }
            }
        }
    }
}

/// Nearer to the due speed than this the speed scatters as little as while it is held.
const HELD_FROM: f32 = 0.99;

/// Likelihood of each factor in a quiet profile, which caps the speed.
fn capped(c: &FanConstants, t: &Turns) -> Table {
    let cap = (c.quiet_cap / t.due_share).min(1.0) as f32;
    let robust = Robust::new(c, c.quiet_sd);
    let mut out = FACTORS.map(|factor| robust.at(t.ratio as f32 - cap * factor));
    out[0] = Robust::new(c, STANDING_SD).at(t.ratio as f32);
    out
}

/// More stumbles than this are no less likely to be something else.
const ODD_MOST: u32 = 10;

/// Likelihood of each factor by how often the fan stumbled: a Poisson count whose rate rises with wear, in a share of
/// the runs as if it were sound, and now and then something else that looks the same. `None` where it wasn't watched.
fn even(c: &FanConstants, e: &Evenness) -> Option<Table> {
    let Stumbles { count, watched_s } = e.seen;
    // False for a NaN too.
    let was_watched = watched_s > 0.0;
    if !was_watched {
        return None;
    }
    let s = &c.stumbling;
    // By logarithms, as either factor may be too small or too large for a number after hours of load.
    let log_factorial: f64 = (1..=count).map(|n| f64::from(n).ln()).sum();
    let poisson = |mean: f64| match count {
        0 => (-mean).exp(),
        _ => (f64::from(count) * mean.ln() - mean - log_factorial).exp(),
    };
    let usual = (e.usual_per_s + s.odd_per_s) * watched_s;
    let sound = poisson(usual);
    let other = s.junk * 0.5_f64.powi(count.min(ODD_MOST).cast_signed());
    Some(FACTORS.map(|factor| {
        // A fan that stands was not watched turning: it was the other one.
        let wear = if factor > 0.0 { (s.from - f64::from(factor)).max(0.0) } else { 0.0 };
        let worn = if wear > 0.0 { poisson(s.per_s.mul_add(wear * watched_s, usual)) } else { sound };
        (s.telling() * s.silent.mul_add(sound - worn, worn) + other) as f32
    }))
}

/// Student's t with 4 degrees of freedom and a floor.
#[derive(Debug, Clone, Copy)]
struct Robust {
    per_sd: f32,
    top: f32,
    floor: f32,
}

impl Robust {
    fn new(c: &FanConstants, sd: f64) -> Self {
        /// Γ(5/2) / (Γ(2)·√(4π)).
        const T4: f64 = 0.375;
        Self { per_sd: (1.0 / sd) as f32, top: ((1.0 - c.junk) * T4 / sd) as f32, floor: c.junk as f32 }
    }

    fn at(self, residual: f32) -> f32 {
        let z = residual * self.per_sd;
        let q = 1.0 / (1.0 + 0.25 * z * z);
        self.top * q * q * q.sqrt() + self.floor
    }

    #[inline(always)]
    fn at_each<S: Simd>(self, simd: S, residual: S::f32s) -> S::f32s {
        let [one, quarter, per_sd, top, floor] =
            [1.0, 0.25, self.per_sd, self.top, self.floor].map(|v| simd.splat_f32s(v));
        let z = simd.mul_f32s(residual, per_sd);
        let q = simd.div_f32s(one, simd.add_f32s(one, simd.mul_f32s(quarter, simd.mul_f32s(z, z))));
        let core = simd.mul_f32s(simd.mul_f32s(simd.mul_f32s(top, q), q), simd.sqrt_f32s(q));
        simd.add_f32s(core, floor)
    }
}
