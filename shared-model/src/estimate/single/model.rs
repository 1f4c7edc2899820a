//! The two-node network, swept once per evaluation together with its exact derivatives.
//!
//! ```text
//! u    = T_sink + R·P                         the die above its sink
//! τ·dT/dt      = u − T                        die capacity and sensor lag in one
//! C·dT_sink/dt = P + h − G·(T_sink − T_amb)   G = G0 + g·(n / n_ref)^m
//! ```
//!
//! Within a step, power and fan are constant, so the sink moves exactly by one exponential; the sensor follows
//! a ramp from the sink's old to its new value exactly (what the ramp leaves out is below 0.002 K for a 2 s
//! step and a time constant of 100 s).

use super::super::input::Step;
use super::super::lsq::Rows;

/// Number of parameters.
pub const N_PARAMS: usize = 9;

/// The parameters, in the order of vectors and covariances. Positive ones are kept as logarithms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(usize)]
pub enum Param {
    /// ln of the resistance from sink to die, K/W.
    LnContact,
    /// ln of the sink's heat capacity, J/K.
    LnCapacity,
    /// ln of the conductance that needs no fan, W/K.
    LnPassive,
    /// ln of the fan's conductance at the reference speed, W/K.
    LnAir,
    /// Exponent of the fan speed.
    Exponent,
    /// Sink temperature at the first sample, °C.
    SinkStart,
    /// Air temperature, °C.
    Ambient,
    /// ln of the die's and sensor's lag, s.
    LnLag,
    /// Heat into the sink that package power doesn't count, W.
    ExtraHeat,
}

/// A value per parameter.
pub type Params = [f64; N_PARAMS];

const R: usize = Param::LnContact as usize;
const C: usize = Param::LnCapacity as usize;
const G0: usize = Param::LnPassive as usize;
const GA: usize = Param::LnAir as usize;
const M: usize = Param::Exponent as usize;
const S0: usize = Param::SinkStart as usize;
const TA: usize = Param::Ambient as usize;
const LAG: usize = Param::LnLag as usize;
const H: usize = Param::ExtraHeat as usize;

/// Below this share of the reference speed the fan moves no air worth modelling: tachometers read noise there
/// and `n^m` has an infinite slope at 0.
pub const FAN_STILL_BELOW: f64 = 0.02;

/// Residuals beyond this many standard deviations count linearly (Huber).
pub const HUBER_AT: f64 = 2.5;

/// The steps of a run against the network, with priors.
#[derive(Debug)]
pub struct Network<'a> {
    /// The run.
    pub steps: &'a [Step],
    /// Prior means.
    pub prior_mean: Params,
    /// Prior standard deviations.
    pub prior_sd: Params,
    /// Standard deviation of a residual averaged over one second, K.
    pub sd_1s_k: f64,
}

impl Rows<N_PARAMS> for Network<'_> {
    fn rows(&mut self, x: &Params, emit: &mut impl FnMut(f64, &Params)) -> bool {
        let mut state = State::start(x, self.steps.first());
        let constants = Constants::of(x);
        let per_sd = 1.0 / self.sd_1s_k;
        for step in self.steps {
            state.advance(step, &constants);
            if step.weight_s > 0.0 {
                let scale = step.weight_s.sqrt() * per_sd;
                let (value, slope) = huber((state.sensor - step.temp_c) * scale, HUBER_AT);
                let factor = slope * scale;
                emit(value, &state.d_sensor.map(|d| d * factor));
            }
        }
        for j in 0..N_PARAMS {
            let mut row = [0.0; N_PARAMS];
            row[j] = 1.0 / self.prior_sd[j];
            emit((x[j] - self.prior_mean[j]) / self.prior_sd[j], &row);
        }
        state.sensor.is_finite() && state.sink.is_finite()
    }
}

impl Network<'_> {
    /// Calls `see(step, modelled sensor temperature)` for each step.
    pub fn replay(&self, x: &Params, mut see: impl FnMut(&Step, f64)) {
        let mut state = State::start(x, self.steps.first());
        let constants = Constants::of(x);
        for step in self.steps {
            state.advance(step, &constants);
            see(step, state.sensor);
        }
    }
}

/// A residual whose square is Huber's loss, and its slope: quadratic within `k`, linear beyond.
#[inline]
pub fn huber(residual: f64, k: f64) -> (f64, f64) {
    let size = residual.abs();
    if size <= k {
        return (residual, 1.0);
    }
    let value = (k * (2.0 * size - k)).sqrt();
    (value.copysign(residual), k / value)
}

/// What a parameter vector fixes for the whole sweep.
struct Constants {
    contact: f64,
    per_capacity: f64,
    passive: f64,
    ln_air: f64,
    exponent: f64,
    ambient: f64,
    lag: f64,
    extra: f64,
}

impl Constants {
    fn of(x: &Params) -> Self {
        Self {
            contact: x[R].exp(),
            per_capacity: (-x[C]).exp(),
            passive: x[G0].exp(),
            ln_air: x[GA],
            exponent: x[M],
            ambient: x[TA],
            lag: x[LAG].exp(),
            extra: x[H],
        }
    }
}

/// Both temperatures with their derivatives by each parameter.
struct State {
    sink: f64,
    sensor: f64,
    d_sink: Params,
    d_sensor: Params,
    /// Step length and `exp(−dt/lag)` of the last step: most steps have the same length.
    lag_decay: (f64, f64),
}

impl State {
    /// At rest: the sensor shows the die as it is under the first step's power.
    fn start(x: &Params, first: Option<&Step>) -> Self {
        let jump = x[R].exp() * first.map_or(0.0, |s| s.heat_w);
        let mut d_sink = [0.0; N_PARAMS];
        d_sink[S0] = 1.0;
        let mut d_sensor = d_sink;
        d_sensor[R] = jump;
        Self { sink: x[S0], sensor: x[S0] + jump, d_sink, d_sensor, lag_decay: (0.0, 1.0) }
    }

    #[inline]
    fn advance(&mut self, step: &Step, k: &Constants) {
        let sink_before = self.sink;
        let d_sink_before = self.d_sink;
        self.advance_sink(step, k);
        self.advance_sensor(step, k, sink_before, &d_sink_before);
    }

    #[inline]
    fn advance_sink(&mut self, step: &Step, k: &Constants) {
        let air = if step.fan > FAN_STILL_BELOW { (k.ln_air + k.exponent * step.ln_fan).exp() } else { 0.0 };
        let conductance = k.passive + air;
        let per_conductance = 1.0 / conductance;
        let rate = step.dt_s * k.per_capacity;
        let decay = (-conductance * rate).exp();
        let rise = (step.heat_w + k.extra) * per_conductance;
        let above = self.sink - k.ambient - rise;

        let by_conductance = -(1.0 - decay) * rise * per_conductance - above * decay * rate;
        for d in &mut self.d_sink {
            *d *= decay;
        }
        self.d_sink[C] += above * decay * rate * conductance;
        self.d_sink[G0] += by_conductance * k.passive;
        if air > 0.0 {
            self.d_sink[GA] += by_conductance * air;
            self.d_sink[M] += by_conductance * air * step.ln_fan;
        }
        self.d_sink[TA] += 1.0 - decay;
        self.d_sink[H] += (1.0 - decay) * per_conductance;
        self.sink = k.ambient + rise + above * decay;
    }

    #[inline]
    fn advance_sensor(&mut self, step: &Step, k: &Constants, sink_before: f64, d_sink_before: &Params) {
        if self.lag_decay.0 != step.dt_s {
            self.lag_decay = (step.dt_s, (-step.dt_s / k.lag).exp());
        }
        let decay = self.lag_decay.1;
        // Share of the sink's move that the sensor still lacks at the step's end.
        let lag_share = k.lag / step.dt_s * (1.0 - decay);
        let jump = k.contact * step.heat_w;
        let moved = self.sink - sink_before;
        let behind = self.sensor - sink_before - jump;

        for ((d_sensor, d_sink), before) in self.d_sensor.iter_mut().zip(&self.d_sink).zip(d_sink_before) {
            *d_sensor = decay * (*d_sensor - before) + d_sink - lag_share * (d_sink - before);
        }
        self.d_sensor[R] += (1.0 - decay) * jump;
        let decay_by_ln_lag = decay * step.dt_s / k.lag;
        self.d_sensor[LAG] += decay_by_ln_lag * behind - moved * (lag_share - decay);
        self.sensor = self.sink + jump - moved * lag_share + behind * decay;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps() -> Vec<Step> {
        (0..400)
            .map(|i| {
                let heat_w = if (40..220).contains(&i) { 25.0 } else { 3.0 };
                let fan = if (60..300).contains(&i) { 0.4 + f64::from(i) / 500.0 } else { 0.0 };
                let dt_s = if i % 7 == 0 { 2.0 } else { 0.5 };
                Step { dt_s, heat_w, fan, ln_fan: fan.ln(), temp_c: 40.0, weight_s: dt_s }
            })
            .collect()
    }

    const AT: Params = [-0.1, 4.2, -1.6, -0.7, 0.75, 41.0, 23.0, 0.6, 0.8];

    /// The sweep's derivatives against central differences of its own values.
    #[test]
    fn derivatives_are_those_of_the_values() {
        let steps = steps();
        let sensors = |x: &Params| {
            let net = Network { steps: &steps, prior_mean: AT, prior_sd: [1.0; 9], sd_1s_k: 1.0 };
            let mut all = Vec::new();
            net.replay(x, |_, t| all.push(t));
            all
        };
        let mut state = State::start(&AT, steps.first());
        let constants = Constants::of(&AT);
        let exact: Vec<Params> = steps
            .iter()
            .map(|s| {
                state.advance(s, &constants);
                state.d_sensor
            })
            .collect();
        for j in 0..N_PARAMS {
            let nudged = |by: f64| {
                let mut x = AT;
                x[j] += by;
                sensors(&x)
            };
            let (up, down) = (nudged(1e-5), nudged(-1e-5));
            for (i, row) in exact.iter().enumerate() {
                let difference = (up[i] - down[i]) / 2e-5;
                assert!(
                    (difference - row[j]).abs() < 1e-6 * (1.0 + row[j].abs()),
                    "step {i}, parameter {j}: {difference} against {}",
                    row[j]
                );
            }
        }
    }

    /// A step of constant power ends where the equation's steady state is.
    #[test]
    fn the_steady_state_is_ohms_law_for_heat() {
        let step = Step { dt_s: 2.0, heat_w: 20.0, fan: 1.0, ln_fan: 0.0, temp_c: 0.0, weight_s: 1.0 };
        let steps = vec![step; 3000];
        let net = Network { steps: &steps, prior_mean: AT, prior_sd: [1.0; 9], sd_1s_k: 1.0 };
        let mut last = 0.0;
        net.replay(&AT, |_, t| last = t);
        let conductance = AT[G0].exp() + AT[GA].exp();
        let wanted = AT[TA] + (20.0 + AT[H]) / conductance + 20.0 * AT[R].exp();
        assert!((last - wanted).abs() < 1e-9, "{last} against {wanted}");
    }

    #[test]
    fn huber_joins_smoothly_and_ends_linear() {
        assert_eq!(huber(2.0, 2.5), (2.0, 1.0));
        let (value, slope) = huber(-2.5, 2.5);
        assert!((value + 2.5).abs() < 1e-12 && (slope - 1.0).abs() < 1e-12);
        let (value, _) = huber(10.0, 2.5);
        assert!((value * value - 2.5 * (20.0 - 2.5)).abs() < 1e-12);
    }
}
