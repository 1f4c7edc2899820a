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

#![expect(
    clippy::inline_always,
    reason = "a loop reaches the vector registers only where it is inlined into the caller chosen for them"
)]

use pulp::{Arch, Simd, WithSimd};

use super::super::input::Step;
use super::super::lanes::{BLOCK, lane};
use super::super::lsq::{Summed, Sums};
use super::priors::Priors;
use super::sweep::{Block, Sweep};

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

/// Below this share of the reference speed the fan moves no air worth modelling: tachometers read noise there
/// and `n^m` has an infinite slope at 0.
pub const FAN_STILL_BELOW: f64 = 0.02;

/// Residuals beyond this many standard deviations count linearly (Huber).
pub const HUBER_AT: f64 = 2.5;

/// The steps of a run against the network, with priors.
#[derive(Debug)]
pub struct Network<'a> {
    steps: &'a [Step],
    /// The same, laid out for the sweep.
    blocks: Vec<Block>,
    priors: &'a Priors,
    /// Standard deviation of a residual averaged over one second, K.
    sd_1s_k: f64,
}

impl<'a> Network<'a> {
    /// A run's steps; `sd_1s_k` is the standard deviation of a residual averaged over one second, K.
    pub fn new(steps: &'a [Step], priors: &'a Priors, sd_1s_k: f64) -> Self {
        Self { steps, blocks: Block::all_of(steps), priors, sd_1s_k }
    }

    /// Calls `see(step, modelled sensor temperature)` for each step.
    pub fn replay(&self, x: &Params, mut see: impl FnMut(&Step, f64)) {
        let mut sweep = Sweep::start(x, &self.blocks);
        for (block, steps) in self.blocks.iter().zip(self.steps.chunks(BLOCK)) {
            sweep.advance(block);
            for (step, sensor_c) in steps.iter().zip(sweep.sensor_c()) {
                see(step, sensor_c);
            }
        }
    }

    #[inline(always)]
    fn sum_residuals(&self, x: &Params, sums: &mut Sums<N_PARAMS>) {
        let per_sd = 1.0 / self.sd_1s_k;
        let mut sweep = Sweep::start(x, &self.blocks);
        for block in &self.blocks {
            sweep.advance(block);
            let sensor_c = sweep.sensor_c();
            let scale = lane(|i| block.root_weight[i] * per_sd);
            let residual = lane(|i| (sensor_c[i] - block.temp_c[i]) * scale[i]);
            let weight = lane(|i| huber_weight(residual[i]) * scale[i] * scale[i]);
            let pull = lane(|i| huber_pull(residual[i]) * scale[i]);
            let square = lane(|i| huber_square(residual[i]));
            sweep.with_derivatives(
                #[inline(always)]
                |derivatives| sums.add(derivatives, &weight, &pull, &square),
            );
        }
    }
}

impl Summed<N_PARAMS> for Network<'_> {
    fn sum(&self, x: &Params, sums: &mut Sums<N_PARAMS>) {
        Arch::new().dispatch(SumResiduals { network: self, x, sums: &mut *sums });
        for (j, (mean, sd)) in self.priors.mean.iter().zip(self.priors.sd).enumerate() {
            sums.add_prior(j, x[j] - mean, sd);
        }
    }
}

/// [`Network::sum_residuals`], for the widest registers that the processor has.
struct SumResiduals<'a> {
    network: &'a Network<'a>,
    x: &'a Params,
    sums: &'a mut Sums<N_PARAMS>,
}

impl WithSimd for SumResiduals<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        self.network.sum_residuals(self.x, self.sums);
    }
}

/// Huber's loss, quadratic near zero and linear beyond [`HUBER_AT`]: the square that stands for a residual's.
#[inline(always)]
fn huber_square(residual: f64) -> f64 {
    let size = residual.abs();
    let near = size.min(HUBER_AT);
    near * (2.0 * size - near)
}

/// Half its slope.
#[inline(always)]
fn huber_pull(residual: f64) -> f64 {
    residual.abs().min(HUBER_AT).copysign(residual)
}

/// What the square of a far residual's derivative counts, as the loss's root is linearised.
#[inline(always)]
fn huber_weight(residual: f64) -> f64 {
    let size = residual.abs();
    if size > HUBER_AT { HUBER_AT / (2.0 * size - HUBER_AT) } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::lsq::{Dense, Dual, Normal, Options, Rows};

    /// A run whose sensor reads what the network says at other parameters than [`AT`], with a glitch and a mask.
    fn steps() -> Vec<Step> {
        let mut steps: Vec<Step> = (0..400)
            .map(|i| {
                let heat_w = if (40..220).contains(&i) { 25.0 } else { 3.0 };
                let fan = if (60..300).contains(&i) { 0.4 + f64::from(i) / 500.0 } else { 0.01 };
                let dt_s = if i % 7 == 0 { 2.0 } else { 0.5 };
                Step { dt_s, heat_w, fan, ln_fan: fan.ln(), temp_c: f64::NAN, weight_s: dt_s }
            })
            .collect();
        let mut read = Vec::new();
        Network::new(&steps, &PRIORS, 1.0).replay(&TRUTH, |_, sensor_c| read.push(sensor_c));
        for (i, (step, sensor_c)) in steps.iter_mut().zip(read).enumerate() {
            step.temp_c = sensor_c + if i == 150 { 12.0 } else { (i as f64).sin() };
        }
        steps[100].temp_c = f64::NAN;
        steps[100].weight_s = 0.0;
        steps
    }

    const TRUTH: Params = [-0.3, 4.4, -1.4, -0.9, 0.72, 42.0, 24.0, 0.5, 0.5];
    const AT: Params = [-0.1, 4.2, -1.6, -0.7, 0.75, 41.0, 23.0, 0.6, 0.8];
    const PRIORS: Priors = Priors { mean: AT, sd: [0.5, 0.5, 0.7, 0.6, 0.1, 25.0, 3.0, 0.7, 1.0] };

    /// The network as the module's head has it: step by step, differentiated by dual numbers, solved by QR.
    struct Plain<'a>(&'a [Step]);

    impl Plain<'_> {
        fn sensor_c(&self, x: &Params) -> Vec<Dual<N_PARAMS>> {
            let [ln_r, ln_c, ln_g0, ln_g, m, start, ambient, ln_lag, extra] = Dual::parameters(x);
            let (contact, capacity, lag) = (ln_r.exp(), ln_c.exp(), ln_lag.exp());
            let mut sink = start;
            let mut sensor = start + contact * self.0[0].heat_w;
            let mut all = Vec::new();
            for step in self.0 {
                let turns = step.fan > FAN_STILL_BELOW;
                let air = if turns { (ln_g + m * step.fan.ln()).exp() } else { Dual::constant(0.0) };
                let conductance = ln_g0.exp() + air;
                let steady = ambient + (extra + step.heat_w) / conductance;
                let before = sink;
                sink = steady + (sink - steady) * (-conductance * step.dt_s / capacity).exp();
                let decay = (-Dual::constant(step.dt_s) / lag).exp();
                let lacks = (sink - before) * (lag / step.dt_s) * (-decay + 1.0);
                let jump = contact * step.heat_w;
                sensor = sink + jump - lacks + (sensor - before - jump) * decay;
                all.push(sensor);
            }
            all
        }
    }

    impl Rows<N_PARAMS> for Plain<'_> {
        fn rows(&mut self, x: &Params, emit: &mut impl FnMut(f64, &Params)) -> bool {
            for (step, sensor) in self.0.iter().zip(self.sensor_c(x)).filter(|(s, _)| s.weight_s > 0.0) {
                let scale = step.weight_s.sqrt();
                let residual = (sensor.v - step.temp_c) * scale;
                let value = huber_square(residual).sqrt().copysign(residual);
                let slope = huber_pull(residual) / value;
                emit(value, &sensor.d.map(|d| d * scale * slope));
            }
            for j in 0..N_PARAMS {
                let mut row = [0.0; N_PARAMS];
                row[j] = 1.0 / PRIORS.sd[j];
                emit((x[j] - PRIORS.mean[j]) / PRIORS.sd[j], &row);
            }
            true
        }
    }

    #[test]
    fn temperatures_and_derivatives_are_those_of_the_equations() {
        let steps = steps();
        let blocks = Block::all_of(&steps);
        let mut sweep = Sweep::start(&AT, &blocks);
        let mut swept: Vec<Dual<N_PARAMS>> = Vec::new();
        for block in &blocks {
            sweep.advance(block);
            let sensor_c = sweep.sensor_c();
            sweep.with_derivatives(|d| {
                let dual = |i: usize| Dual { v: sensor_c[i], d: std::array::from_fn(|j| d[j][i]) };
                swept.extend((0..BLOCK).map(dual));
            });
        }
        for (i, (wanted, got)) in Plain(&steps).sensor_c(&AT).iter().zip(&swept).enumerate() {
            assert!((wanted.v - got.v).abs() < 1e-10, "step {i}: {} against {}", got.v, wanted.v);
            for j in 0..N_PARAMS {
                let (got, wanted) = (got.d[j], wanted.d[j]);
                assert!((got - wanted).abs() < 1e-10, "step {i}, parameter {j}: {got} against {wanted}");
            }
        }
    }

    /// Cholesky on blocks and QR on the plain equations end at one optimum.
    #[test]
    fn the_minimum_is_that_of_the_equations() {
        let steps = steps();
        let (mut got, mut wanted) = (AT, AT);
        let mut normal = Normal::new(Network::new(&steps, &PRIORS, 1.0));
        let mut dense = Dense::new(Plain(&steps));
        let got_cost = normal.minimise(&mut got, &Options::MEASURED).unwrap().cost;
        let wanted_cost = dense.minimise(&mut wanted, &Options::MEASURED).unwrap().cost;
        assert!((got_cost / wanted_cost - 1.0).abs() < 1e-10, "{got_cost} against {wanted_cost}");
        let (covariance, by_rows) = (normal.covariance().unwrap(), dense.covariance().unwrap());
        for j in 0..N_PARAMS {
            let (se, se_by_rows) = (covariance[j][j].sqrt(), by_rows[j][j].sqrt());
            assert!(
                (got[j] - wanted[j]).abs() < 1e-5 * se,
                "parameter {j}: {} against {}",
                got[j],
                wanted[j]
            );
            assert!((se / se_by_rows - 1.0).abs() < 1e-5, "se of {j}: {se} against {se_by_rows}");
        }
    }

    /// Wide registers and none give the same digits.
    #[test]
    fn sums_are_the_same_on_every_processor() {
        let steps = steps();
        let network = Network::new(&steps, &PRIORS, 1.4);
        let (mut wide, mut plain) = (Sums::NONE, Sums::NONE);
        Arch::new().dispatch(SumResiduals { network: &network, x: &AT, sums: &mut wide });
        network.sum_residuals(&AT, &mut plain);
        assert_eq!(wide, plain);
    }

    /// A step of constant power ends where the equation's steady state is.
    #[test]
    fn the_steady_state_is_ohms_law_for_heat() {
        let step = Step { dt_s: 2.0, heat_w: 20.0, fan: 1.0, ln_fan: 0.0, temp_c: 0.0, weight_s: 1.0 };
        let steps = vec![step; 3000];
        let mut last = 0.0;
        Network::new(&steps, &PRIORS, 1.0).replay(&AT, |_, t| last = t);
        let conductance = AT[Param::LnPassive as usize].exp() + AT[Param::LnAir as usize].exp();
        let heat_w = 20.0 + AT[Param::ExtraHeat as usize];
        let wanted =
            AT[Param::Ambient as usize] + heat_w / conductance + 20.0 * AT[Param::LnContact as usize].exp();
        assert!((last - wanted).abs() < 1e-9, "{last} against {wanted}");
    }

    #[test]
    fn huber_joins_smoothly_and_ends_linear() {
        assert_eq!((huber_square(-2.0), huber_pull(-2.0), huber_weight(-2.0)), (4.0, -2.0, 1.0));
        let edge = HUBER_AT * (1.0 + 1e-12);
        assert!((huber_square(edge) - HUBER_AT * HUBER_AT).abs() < 1e-10);
        assert!((huber_weight(edge) - 1.0).abs() < 1e-10);
        assert_eq!((huber_square(-10.0), huber_pull(-10.0)), (2.5 * (20.0 - 2.5), -2.5));
        assert!(huber_square(f64::NAN).is_nan());
    }
}
