//! The exact grid filter of a slow wear: over all runs and services of a laptop, with its own unknown offset.
//!
//! State: rate class × wear × offset. The offset (of the unit against its model, and of the model's zero level) does
//! not change, so the filter runs for every offset of a grid at once and leaves the choice open until the end: the
//! same pass gives the evidence for each zero level, which is how the level of a model is learned, and then the
//! posterior of the laptop given the level. Wear only grows between services; a service puts it back, if it worked.

#![expect(
    clippy::inline_always,
    reason = "a loop reaches the vector registers only where it is inlined into the caller chosen for them"
)]

use std::ops::Range;

use pulp::{Arch, Simd, WithSimd};
use serde::{Deserialize, Serialize};

use self::block::{Block, Growth, LANES, N_CLASSES};
use super::constants::{MONTH_DAYS, WearConstants};
use super::tilt::Classes;
pub use crate::trace::fleet::ServiceAction as Action;

mod block;
#[cfg(test)]
mod plain;

/// What happens to a laptop, in time order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Event {
    /// A run's reading of the wear, offset included, with its standard error and whether it was the quick protocol.
    Seen {
        /// Day.
        day: f64,
        /// Reading.
        value: f64,
        /// Standard error.
        sd: f64,
        /// Quick protocol.
        quick: bool,
    },
    /// A service.
    Serviced {
        /// Day.
        day: f64,
        /// What.
        action: Action,
    },
}

impl Event {
    /// When.
    pub fn day(&self) -> f64 {
        match *self {
            Self::Seen { day, .. } | Self::Serviced { day, .. } => day,
        }
    }
}

/// A filter carries offsets in blocks of this many.
pub const BLOCK: usize = LANES;

/// The offsets that a filter carries: whole multiples of the grid step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Offsets {
    /// First, in steps.
    pub from: i32,
    /// How many.
    pub n: usize,
}

/// Most offsets that a filter carries.
const N_MAX: i32 = 400;
/// Farthest first offset, steps: a factor of e to the power of hundreds, beyond anything physical.
const FROM_MAX: u32 = 100_000;

impl Offsets {
    /// Those within `half_span` of `centre`.
    pub fn around(c: &WearConstants, centre: f64, half_span: f64) -> Self {
        let from = ((centre - half_span) / c.step).floor() as i32;
        let to = ((centre + half_span) / c.step).ceil() as i32;
        Self { from, n: (to - from + 1).clamp(1, N_MAX) as usize }
    }

    /// Whether there are as many as [`Self::around`] can give.
    pub(super) fn is_sound(self) -> bool {
        (1..=N_MAX as usize).contains(&self.n) && self.from.unsigned_abs() <= FROM_MAX
    }

    /// The values.
    pub fn values(self, c: &WearConstants) -> impl Iterator<Item = f64> {
        let step = c.step;
        (0..self.n).map(move |j| (f64::from(self.from) + j as f64) * step)
    }
}

/// What the filter leaves: the joint weights of class, wear and offset, up to a common factor.
#[derive(Debug, Clone, PartialEq)]
pub struct Filtered {
    /// The offsets carried.
    pub offsets: Offsets,
    blocks: Vec<Block>,
}

/// The filter of one kind of wear, made ready: what doesn't depend on the laptop is worked out once.
#[derive(Debug, Clone)]
pub struct WearFilter {
    c: WearConstants,
    /// The state before anything is seen.
    first: Block,
    /// The wear's distribution right after a service that worked.
    reset: Vec<f32>,
}

impl WearFilter {
    /// With these constants.
    pub fn new(c: WearConstants) -> Self {
        Self { first: Block::new(&first_state(&c)), reset: reset(&c), c }
    }

    /// The constants.
    pub const fn constants(&self) -> &WearConstants {
        &self.c
    }

    /// Runs the filter over `events` (in time order) up to day `until`.
    pub fn run(&self, events: &[Event], until: f64, offsets: Offsets) -> Filtered {
        let steps = Steps::new(&self.c, events, until, offsets);
        let mut blocks = vec![self.first.clone(); offsets.n.div_ceil(LANES)];
        Arch::new().dispatch(Follow { steps: &steps, reset: &self.reset, blocks: &mut blocks });
        Filtered { offsets, blocks }
    }
}

/// All blocks through all steps, in the widest registers that the processor has.
struct Follow<'a> {
    steps: &'a Steps,
    reset: &'a [f32],
    blocks: &'a mut [Block],
}

impl WithSimd for Follow<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        for (b, block) in self.blocks.iter_mut().enumerate() {
            self.steps.follow(simd, block, b * LANES, self.reset);
        }
    }
}

/// Weights of wear and class before anything is seen: a class that wears faster has worn more.
fn first_state(c: &WearConstants) -> Vec<[f32; N_CLASSES]> {
    let first = |w: f64, rate: f64| -> f64 {
        let worn = |(part, months): &(f64, f64)| part * gamma_two(w, c.first_new + rate * months);
        c.first.iter().map(worn).sum::<f64>() * c.step
    };
    (0..c.n_states)
        .map(|k| (k as f64 + 0.5) * c.step)
        .map(|w| c.rates.map(|(share, rate)| (share * first(w, rate)) as f32))
        .collect()
}

/// Density of a gamma distribution of shape 2 with this mean: what many small, chancy additions come to.
fn gamma_two(x: f64, mean: f64) -> f64 {
    let scale = 0.5 * mean;
    x * (-x / scale).exp() / (scale * scale)
}

/// A laptop's events as steps of the filter, ready for every block of offsets.
struct Steps {
    in_order: Vec<Step>,
    /// Likelihoods of each reading over wear + offset, one table after the other.
    tables: Vec<f32>,
    /// Of a step that reads nothing.
    ones: Vec<f32>,
}

enum Step {
    Grow(Growth),
    GrowAndSee(Growth, Range<usize>),
    Jump(f32, f32),
    Serve(f32),
}

impl Steps {
    fn new(c: &WearConstants, events: &[Event], until: f64, offsets: Offsets) -> Self {
        let table_len = c.n_states + offsets.n.next_multiple_of(LANES);
        let mut out = Self {
            in_order: Vec::with_capacity(2 * events.len() + 1),
            tables: Vec::with_capacity(events.len() * table_len),
            ones: vec![1.0; table_len],
        };
        let is_seen = |e: &&Event| matches!(e, Event::Seen { .. });
        let first_seen = events.iter().find(is_seen).map_or(f64::MAX, Event::day);
        let mut now = events.first().map_or(until, Event::day);
        let mut past = Past::default();
        for e in events {
            if let Some(odds) = past.jump_odds(c, e) {
                out.in_order.push(Step::Jump(odds as f32, (c.sudden.1 / c.step) as f32));
            }
            let growth = growth(c, e.day() - now);
            now = e.day();
            match *e {
                Event::Seen { value, sd, quick, .. } => {
                    let table = out.tables.len()..out.tables.len() + table_len;
                    out.tables.resize(table.end, 0.0);
                    likelihoods(c, (value, sd), quick, offsets, &mut out.tables[table.clone()]);
                    out.in_order.push(Step::GrowAndSee(growth, table));
                }
                Event::Serviced { day, action } => {
                    let still = if day < first_seen { c.booked_before } else { 1.0 };
                    let odds = c.works.get(action as usize).map_or(0.0, |odds| odds * still);
                    out.in_order.extend([Step::Grow(growth), Step::Serve(odds as f32)]);
                }
            }
        }
        out.in_order.push(Step::Grow(growth(c, until - now)));
        out.in_order.retain(Step::does_something);
        out
    }

    /// Takes a block, whose first offset is the `from`th, through all steps.
    #[inline(always)]
    fn follow<S: Simd>(&self, simd: S, block: &mut Block, from: usize, reset: &[f32]) {
        for step in &self.in_order {
            match step {
                Step::Grow(growth) => block.grow_and_see(simd, growth, &self.ones),
                Step::GrowAndSee(growth, table) => {
                    block.grow_and_see(simd, growth, &self.tables[table.clone()][from..]);
                }
                Step::Jump(odds, mean_steps) => block.jump(*odds, *mean_steps),
                Step::Serve(odds) => block.serve(*odds, reset),
            }
        }
    }
}

impl Step {
    fn does_something(&self) -> bool {
        match self {
            Self::Grow(growth) => *growth != Growth::NONE,
            Self::GrowAndSee(..) | Self::Jump(..) => true,
            Self::Serve(odds) => *odds > 0.0,
        }
    }
}

/// A laptop's readings since its last service. That wear grew at once is thought of only where a reading stands out from
/// them: elsewhere it changes nothing that could be seen, and would double the filter's work.
#[derive(Debug, Clone, Copy, Default)]
struct Past {
    lowest: Option<f64>,
    seen_on: Option<f64>,
}

impl Past {
    /// The odds that the wear grew at once before this event, where that is thought of.
    fn jump_odds(&mut self, c: &WearConstants, event: &Event) -> Option<f64> {
        let (per_month, _, from) = c.sudden;
        match *event {
            Event::Seen { day, value, .. } => {
                let stands_out = self.lowest.is_some_and(|low| (value - low) * c.gain > from);
                let months = (day - self.seen_on.unwrap_or(day)).max(0.0) / MONTH_DAYS;
                self.lowest = Some(self.lowest.map_or(value, |low| low.min(value)));
                self.seen_on = Some(day);
                (stands_out && months > 0.0).then(|| -(-per_month * months).exp_m1())
            }
            // A service that doesn't touch this part leaves what was seen of it.
            Event::Serviced { action, .. } => {
                if c.works.get(action as usize).is_some_and(|odds| *odds > 0.0) {
                    self.lowest = None;
                }
                None
            }
        }
    }
}

fn growth(c: &WearConstants, days: f64) -> Growth {
    Growth::new(c.rates.map(|(_, rate)| rate * days.max(0.0) / MONTH_DAYS / c.step))
}

fn reset(c: &WearConstants) -> Vec<f32> {
    let shape = |k: usize| {
        let z = ((k as f64 + 0.5) * c.step - c.reset.0) / c.reset.1;
        (-0.5 * z * z).exp()
    };
    let norm: f64 = (0..c.n_states).map(shape).sum();
    (0..c.n_states).map(|k| (shape(k) / norm) as f32).collect()
}

/// Likelihoods of a reading over wear + offset, from the first wear at the first offset on in grid steps: Student's t
/// with 4 degrees of freedom, a one-sided tail and a floor.
fn likelihoods(c: &WearConstants, (value, sd): (f64, f64), quick: bool, offsets: Offsets, to: &mut [f32]) {
    /// Γ(5/2) / (Γ(2)·√(4π)).
    const T4: f64 = 0.375;
    /// Width over which a reading that says nothing is spread, log units.
    const JUNK_SPAN: f64 = 2.0;
    let (quick_sd, quick_low) = if quick { c.quick } else { (0.0, 0.0) };
    let se = c.se_factor * sd;
    let sd = (se * se + c.noise_floor * c.noise_floor + quick_sd * quick_sd).sqrt();
    let first = (value + quick_low) * c.gain - (0.5 + f64::from(offsets.from)) * c.step;
    let (share, mean) = c.tail;
    let (z_first, z_step) = ((first / sd) as f32, (c.step / sd) as f32);
    let core = ((1.0 - share - c.junk) * T4 / sd) as f32;
    let junk = (c.junk / JUNK_SPAN) as f32;
    for (likelihood, i) in to.iter_mut().zip(0_i32..) {
        let z = z_first - i as f32 * z_step;
        let q = 1.0 / (1.0 + 0.25 * z * z);
        *likelihood = core * q * q * q.sqrt() + junk;
    }
    // The tail is for residuals above 0. They fall by one step each, so that it grows by one factor each.
    let n_above = (first / c.step).ceil().max(0.0) as usize;
    let (mut tail, growth) = (share / mean * (-first / mean).exp(), (c.step / mean).exp());
    for likelihood in to.iter_mut().take(n_above) {
        *likelihood += tail as f32;
        tail *= growth;
    }
}

impl Filtered {
    /// Evidence of each offset and class, up to the factor of [`Self::log_scale`].
    pub fn evidence(&self) -> Vec<Classes> {
        let top = self.log_scale();
        let of_block = |b: &Block| {
            let factor = (b.log_scale() - top).exp();
            b.evidence().map(|of_offset| of_offset.map(|e| e * factor))
        };
        let mut out: Vec<Classes> = self.blocks.iter().flat_map(of_block).collect();
        out.truncate(self.offsets.n);
        out
    }

    /// Natural logarithm of the common factor of the weights.
    pub fn log_scale(&self) -> f64 {
        self.blocks.iter().map(Block::log_scale).fold(f64::MIN, f64::max)
    }

    /// Each wear's and class's weight with the offsets and classes weighted by `prior`, scaled so that they sum to 1.
    pub fn weights(&self, c: &WearConstants, prior: &[Classes]) -> Weights {
        let top = self.log_scale();
        let mut by_wear = vec![[0.0; N_CLASSES]; c.n_states];
        for (block, prior) in self.blocks.iter().zip(prior.chunks(LANES)) {
            let mut factors = [[0.0; N_CLASSES]; LANES];
            let factor = (block.log_scale() - top).exp();
            factors.iter_mut().zip(prior).for_each(|(f, p)| *f = p.map(|p| p * factor));
            block.add_to(&mut by_wear, &factors);
        }
        Weights::new(&by_wear)
    }

    /// The laptop's wear with the offsets and classes weighted by `prior`.
    pub fn posterior(&self, c: &WearConstants, prior: &[Classes]) -> Posterior {
        self.weights(c, prior).posterior(c, &[1.0; N_CLASSES])
    }
}

/// A laptop's wear by class, small enough to be kept for a whole fleet.
#[derive(Debug, Clone, PartialEq)]
pub struct Weights(Vec<[f32; N_CLASSES]>);

impl Weights {
    /// From weights up to a common factor. Where they have none, anything is as likely.
    fn new(by_wear: &[[f64; N_CLASSES]]) -> Self {
        let total: f64 = by_wear.as_flattened().iter().sum();
        let is_sound = total > 0.0 && total.is_finite();
        let share = |p: f64| if is_sound { p / total } else { 1.0 / (N_CLASSES * by_wear.len()) as f64 };
        Self(by_wear.iter().map(|row| row.map(|p| share(p) as f32)).collect())
    }

    /// Probability of each rate class.
    pub fn classes(&self) -> [f64; N_CLASSES] {
        let mut out = [0.0; N_CLASSES];
        for row in &self.0 {
            out.iter_mut().zip(row).for_each(|(sum, p)| *sum += f64::from(*p));
        }
        out
    }

    /// The wear's distribution with the classes' shares changed by these factors.
    pub fn posterior(&self, c: &WearConstants, factors: &[f64; N_CLASSES]) -> Posterior {
        let tilted = |row: &[f32; N_CLASSES]| std::array::from_fn(|i| f64::from(row[i]) * factors[i]);
        Posterior::new(c.step, self.0.iter().map(tilted).collect())
    }
}

/// The distribution of a laptop's wear.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Grid step.
    pub step: f64,
    /// Probability of each grid cell; cell k spans k·step to (k+1)·step.
    pub states: Vec<f64>,
    /// The same for each rate class.
    pub by_class: Vec<[f64; N_CLASSES]>,
}

impl Posterior {
    /// From weights up to a common factor. Where they have none, anything is as likely.
    fn new(step: f64, mut by_class: Vec<[f64; N_CLASSES]>) -> Self {
        let weights = by_class.as_flattened_mut();
        let total: f64 = weights.iter().sum();
        if total > 0.0 && total.is_finite() {
            for p in weights {
                *p /= total;
            }
        } else {
            weights.fill(1.0 / weights.len() as f64);
        }
        Self { step, states: by_class.iter().map(|row| row.iter().sum()).collect(), by_class }
    }

    /// Of one Gaussian reading, all wear as likely before it; the rate classes are left open.
    pub(super) fn of_one(step: f64, n_states: usize, value: f64, sd: f64) -> Self {
        let log = |cell: usize| -0.5 * (((cell as f64 + 0.5) * step - value) / sd).powi(2);
        let top = (0..n_states).map(log).fold(f64::MIN, f64::max);
        Self::new(step, (0..n_states).map(|cell| [(log(cell) - top).exp(); N_CLASSES]).collect())
    }

    /// The wear's distribution some days on, without a service between.
    #[must_use]
    pub fn after(&self, c: &WearConstants, days: f64) -> Self {
        let growth = growth(c, days);
        let keep = growth.keep();
        let mut by_class = self.by_class.clone();
        let mut carry = [0.0; N_CLASSES];
        for row in &mut by_class {
            for class in 0..N_CLASSES {
                carry[class] = keep[class] * carry[class] + (1.0 - keep[class]) * row[class];
                row[class] = carry[class];
            }
        }
        if let Some(last) = by_class.last_mut() {
            last.iter_mut().zip(growth.at_end()).for_each(|(p, factor)| *p *= factor);
        }
        Self::new(c.step, by_class)
    }

    /// P(wear > x).
    pub fn above(&self, x: f64) -> f64 {
        let at = (x / self.step).max(0.0);
        let (cell, part) = (at.floor() as usize, at.fract());
        let beyond: f64 = self.states.iter().skip(cell + 1).sum();
        beyond + self.states.get(cell).map_or(0.0, |p| p * (1.0 - part))
    }

    /// Quantile of the wear.
    pub fn quantile(&self, q: f64) -> f64 {
        let mut sum = 0.0;
        for (k, p) in self.states.iter().enumerate() {
            if sum + p >= q && *p > 0.0 {
                return (k as f64 + (q - sum) / p) * self.step;
            }
            sum += p;
        }
        self.states.len() as f64 * self.step
    }

    /// Mean of a function of the wear.
    pub fn mean_of(&self, f: impl Fn(f64) -> f64) -> f64 {
        self.states.iter().enumerate().map(|(k, p)| p * f((k as f64 + 0.5) * self.step)).sum()
    }
}
