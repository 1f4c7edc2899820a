//! The two-node network swept over a run, block by block, together with its exact derivatives.
//!
//! Both temperatures and all their derivatives (the *responses*) follow one kind of rule: the next value is the last
//! one times a decay, plus a drive. Within a block all that needs no last value is computed for whole arrays at once;
//! only the rule itself goes from step to step, for several responses side by side.
//!
//! Two responses cost nothing. Start and air together only shift the scale, so that the response to the air is one less
//! that to the start. And capacity and conductances times λ are heat by 1/λ: so the response to ln C is that part of
//! the temperature that start and air make, less the temperature and the responses to ln G0 and ln g.

#![expect(
    clippy::inline_always,
    reason = "a loop reaches the vector registers only where it is inlined into the caller chosen for them"
)]

use super::super::input::Step;
use super::super::lanes::{BLOCK, Lane, exp, lane};
use super::model::{FAN_STILL_BELOW, N_PARAMS, Param, Params};

/// What a parameter vector fixes for the whole sweep.
struct Constants {
    contact: f64,
    per_capacity: f64,
    passive: f64,
    ln_air: f64,
    exponent: f64,
    start: f64,
    ambient: f64,
    lag: f64,
    per_lag: f64,
    extra: f64,
}

impl Constants {
    #[inline(always)]
    fn of(x: &Params) -> Self {
        let at = |param: Param| x[param as usize];
        Self {
            contact: exp(at(Param::LnContact)),
            per_capacity: exp(-at(Param::LnCapacity)),
            passive: exp(at(Param::LnPassive)),
            ln_air: at(Param::LnAir),
            exponent: at(Param::Exponent),
            start: at(Param::SinkStart),
            ambient: at(Param::Ambient),
            lag: exp(at(Param::LnLag)),
            per_lag: exp(-at(Param::LnLag)),
            extra: at(Param::ExtraHeat),
        }
    }
}

/// Up to [`BLOCK`] steps as arrays. What is missing at the end is steps at rest that count for nothing.
#[derive(Debug)]
pub(super) struct Block {
    dt_s: Lane,
    per_dt: Lane,
    /// All steps are as long as the first, as most are: they share their decay by lag.
    is_even: bool,
    heat_w: Lane,
    /// 1 where the fan moves air, else 0.
    turns: Lane,
    ln_fan: Lane,
    /// The sensor's reading, °C.
    pub(super) temp_c: Lane,
    /// Square root of the seconds of evidence in it.
    pub(super) root_weight: Lane,
}

impl Block {
    const AT_REST: Self = Self {
        dt_s: [1.0; BLOCK],
        per_dt: [1.0; BLOCK],
        is_even: false,
        heat_w: [0.0; BLOCK],
        turns: [0.0; BLOCK],
        ln_fan: [0.0; BLOCK],
        temp_c: [0.0; BLOCK],
        root_weight: [0.0; BLOCK],
    };

    /// Lays a run out, once for all evaluations.
    pub(super) fn all_of(steps: &[Step]) -> Vec<Self> {
        steps.chunks(BLOCK).map(Self::of).collect()
    }

    fn of(steps: &[Step]) -> Self {
        let mut block = Self::AT_REST;
        for (i, step) in steps.iter().enumerate() {
            block.dt_s[i] = step.dt_s;
            block.per_dt[i] = 1.0 / step.dt_s;
            block.heat_w[i] = step.heat_w;
            if step.fan > FAN_STILL_BELOW {
                block.turns[i] = 1.0;
                block.ln_fan[i] = step.ln_fan;
            }
            if step.weight_s > 0.0 {
                block.temp_c[i] = step.temp_c;
                block.root_weight[i] = step.weight_s.sqrt();
            }
        }
        block.is_even = block.dt_s.iter().all(|dt_s| *dt_s == block.dt_s[0]);
        block
    }
}

/// What parameters and drive fix for each step before any temperature is known.
struct Rates {
    /// `exp(−dt·G/C)`, `exp(−dt/lag)`.
    sink_decay: Lane,
    lag_decay: Lane,
    /// `dt/C`.
    per_capacity: Lane,
    air: Lane,
    per_conductance: Lane,
    /// Steady state of the sink over the air, K.
    rise: Lane,
    /// Die over sink, K.
    jump: Lane,
    /// By how much the sensor takes over where the sink is at a step's end, and where it was at its begin. The sensor
    /// follows the sink's ramp, of which a share of lag/dt·(1 − decay) is still lacking at the end.
    by_end: Lane,
    by_begin: Lane,
}

impl Rates {
    #[inline(always)]
    fn of(block: &Block, k: &Constants) -> Self {
        let air = lane(|i| block.turns[i] * exp(k.ln_air + k.exponent * block.ln_fan[i]));
        let per_conductance = lane(|i| 1.0 / (k.passive + air[i]));
        let per_capacity = lane(|i| block.dt_s[i] * k.per_capacity);
        let decay_over = |dt_s: f64| exp(-dt_s * k.per_lag);
        let lag_decay = if block.is_even {
            [decay_over(block.dt_s[0]); BLOCK]
        } else {
            lane(|i| decay_over(block.dt_s[i]))
        };
        let lag_share = lane(|i| k.lag * block.per_dt[i] * (1.0 - lag_decay[i]));
        Self {
            sink_decay: lane(|i| exp(-(k.passive + air[i]) * per_capacity[i])),
            rise: lane(|i| (block.heat_w[i] + k.extra) * per_conductance[i]),
            jump: lane(|i| k.contact * block.heat_w[i]),
            by_end: lane(|i| 1.0 - lag_share[i]),
            by_begin: lane(|i| lag_share[i] - lag_decay[i]),
            lag_decay,
            per_capacity,
            air,
            per_conductance,
        }
    }
}

/// A value before each step of a block and after its last.
type Course = [f64; BLOCK + 1];

/// The values after each step.
#[inline(always)]
fn after(course: &Course) -> &Lane {
    let [_, after @ ..] = course;
    after
}

/// Lets courses, filled with their drives, decay from step to step.
#[inline(always)]
fn follow<const N: usize>(decay: &Lane, courses: &mut [&mut Course; N]) {
    let mut now: [f64; N] = std::array::from_fn(|n| courses[n][0]);
    for i in 0..BLOCK {
        for n in 0..N {
            now[n] = decay[i] * now[n] + courses[n][i + 1];
            courses[n][i + 1] = now[n];
        }
    }
}

/// The network on its way through a run.
pub(super) struct Sweep {
    k: Constants,
    /// The sink's temperature and its responses to start, extra heat, ln G0, ln g and exponent.
    sink: [Course; 6],
    /// How the sensor follows each of them; the heat's rise over the contact, which is also the response to ln R; the
    /// response to ln lag.
    sensor: [Course; 8],
}

impl Sweep {
    /// At rest: the sensor shows the die as it is under the first step's power.
    #[inline(always)]
    pub(super) fn start(x: &Params, blocks: &[Block]) -> Self {
        let k = Constants::of(x);
        let mut sweep = Self { sink: [[0.0; BLOCK + 1]; 6], sensor: [[0.0; BLOCK + 1]; 8], k };
        let [value, start, ..] = &mut sweep.sink;
        (value[BLOCK], start[BLOCK]) = (sweep.k.start, 1.0);
        let [value, start, _, _, _, _, contact, _] = &mut sweep.sensor;
        (value[BLOCK], start[BLOCK]) = (sweep.k.start, 1.0);
        contact[BLOCK] = sweep.k.contact * blocks.first().map_or(0.0, |b| b.heat_w[0]);
        sweep
    }

    /// Through a block of steps.
    #[inline(always)]
    pub(super) fn advance(&mut self, block: &Block) {
        for course in self.sink.iter_mut().chain(&mut self.sensor) {
            course[0] = course[BLOCK];
        }
        let rates = Rates::of(block, &self.k);
        self.advance_sink(block, &rates);
        self.advance_sensor(block, &rates);
    }

    #[inline(always)]
    fn advance_sink(&mut self, block: &Block, rates: &Rates) {
        let k = &self.k;
        let [value, start, extra, passive, air, exponent] = &mut self.sink;
        for i in 0..BLOCK {
            let lost = 1.0 - rates.sink_decay[i];
            value[i + 1] = lost * (k.ambient + rates.rise[i]);
            start[i + 1] = 0.0;
            extra[i + 1] = lost * rates.per_conductance[i];
        }
        follow(&rates.sink_decay, &mut [value, start, extra]);
        for i in 0..BLOCK {
            let decay = rates.sink_decay[i];
            let above = value[i] - k.ambient - rates.rise[i];
            let by_conductance = (decay - 1.0) * rates.rise[i] * rates.per_conductance[i]
                - above * decay * rates.per_capacity[i];
            passive[i + 1] = by_conductance * k.passive;
            air[i + 1] = by_conductance * rates.air[i];
            exponent[i + 1] = by_conductance * rates.air[i] * block.ln_fan[i];
        }
        follow(&rates.sink_decay, &mut [passive, air, exponent]);
    }

    #[inline(always)]
    fn advance_sensor(&mut self, block: &Block, rates: &Rates) {
        for (sensor, sink) in self.sensor.iter_mut().zip(&self.sink) {
            for i in 0..BLOCK {
                sensor[i + 1] = rates.by_end[i] * sink[i + 1] + rates.by_begin[i] * sink[i];
            }
        }
        let [value, start, extra, passive, air, exponent, contact, lag] = &mut self.sensor;
        for i in 0..BLOCK {
            contact[i + 1] = (1.0 - rates.lag_decay[i]) * rates.jump[i];
        }
        follow(&rates.lag_decay, &mut [value, start, extra, passive, air, exponent, contact]);
        let [sink, ..] = &self.sink;
        for i in 0..BLOCK {
            let behind = value[i] + contact[i] - sink[i] - rates.jump[i];
            let moved = sink[i + 1] - sink[i];
            let decay_by_ln_lag = rates.lag_decay[i] * block.dt_s[i] * self.k.per_lag;
            lag[i + 1] = decay_by_ln_lag * behind - moved * rates.by_begin[i];
        }
        follow(&rates.lag_decay, &mut [lag]);
    }

    /// The sensor's temperature after each step, °C.
    #[inline(always)]
    pub(super) fn sensor_c(&self) -> Lane {
        let [value, _, _, _, _, _, contact, _] = self.sensor.each_ref().map(after);
        lane(|i| value[i] + contact[i])
    }

    /// Its derivatives by all parameters, handed to `see` in the order of [`Param`].
    #[inline(always)]
    pub(super) fn with_derivatives(&self, see: impl FnOnce(&[&Lane; N_PARAMS])) {
        let [value, start, extra, passive, air, exponent, contact, lag] = self.sensor.each_ref().map(after);
        let k = &self.k;
        let ambient = lane(|i| 1.0 - start[i]);
        let capacity = lane(|i| k.ambient * ambient[i] + k.start * start[i] - value[i] - passive[i] - air[i]);
        see(&[contact, &capacity, passive, air, exponent, start, &ambient, lag, extra]);
    }
}
