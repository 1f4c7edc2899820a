//! The thermal network of a laptop model and its tangent-linear sensitivities.
//!
//! Three nodes, driven by package power `P` and fan speed `s = n / n_ref`:
//!
//! ```text
//! T_die  relaxes to T_sink + R·P with time constant R_c·e^(lr/2)·C_die,        R = R_c·e^lr
//! C_s·dT_sink/dt = q + q_ext − G·(T_sink − T_a) − G_sc·(T_sink − T_case)
//! C_c·dT_case/dt = G_sc·(T_sink − T_case) − G_ca·(T_case − T_a)
//! G = G_0 + g·e^(α·la)·s^m,   q = P − C_die·dT_die/dt
//! ```
//!
//! m is the exponent of fan speed, α that of flow, [`flow_exponent`].
//!
//! A model of laptop shares [`Shared`]; a run adds [`RunPars`]: log airflow `la`, log contact `lr`, room `ta`, the
//! case's head start `x`, log power gain `lk`. The die is integrated exactly, sink and case by Euler steps of 2 s
//! and less, a fortieth of their time constants. Each step also carries the derivative of the three temperatures by
//! every parameter, so that one pass gives residuals and Jacobian; the numeric Jacobian would cost seventeen passes.

use serde::{Deserialize, Serialize};

use super::single::EXPONENT_RANGE;

/// Number of numbers that all runs of a model share.
pub const N_SHARED: usize = 12;
/// Number of numbers of a run's own.
pub const N_RUN: usize = 5;
/// Shared and own together.
pub const N_ALL: usize = N_SHARED + N_RUN;

/// What all runs of a model share. All but the last three are logarithms of positive quantities.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shared(pub [f64; N_SHARED]);

/// Index into [`Shared`]: ln of the as-new fast resistance, K/W.
pub const LN_RC: usize = 0;
/// ln of the die's (and the sensor's) heat capacity, J/K.
pub const LN_CDIE: usize = 1;
/// ln of the sink's heat capacity, J/K.
pub const LN_CSINK: usize = 2;
/// ln of the conductance to the air without fan, W/K.
pub const LN_G0: usize = 3;
/// ln of the fan's conductance at `n_ref`, W/K.
pub const LN_G: usize = 4;
/// ln of the exponent m of fan speed.
pub const LN_M: usize = 5;
/// ln of the conductance sink to case, W/K.
pub const LN_GSC: usize = 6;
/// ln of the case's heat capacity, J/K.
pub const LN_CCASE: usize = 7;
/// ln of the conductance case to room, W/K.
pub const LN_GCA: usize = 8;
/// Exponent of power in clock beyond the usual one; only where power is told from the clock.
pub const CLOCK_EXP: usize = 9;
/// ln of the idle power's factor; only where power is told from the clock.
pub const IDLE_LN: usize = 10;
/// Heat that the sink carries beside the package power, W.
pub const Q_EXT: usize = 11;

/// Index into [`RunPars`]: log airflow against the model's zero level.
pub const LA: usize = 0;
/// Log contact (fast resistance) against the model's zero level.
pub const LR: usize = 1;
/// Room temperature, °C.
pub const TA: usize = 2;
/// Case over room at the start, K.
pub const X0: usize = 3;
/// Log power gain of the meter.
pub const LK: usize = 4;

/// How much of the fast time constant grows with a run's contact: the rest is the sensor's own lag, which no paste
/// changes. Where the meter's gain is open (no power reading) a time constant that grew in full would make the fit
/// take a third of the contact for power. Calibrated on simulated fleets.
const LAG_BY_CONTACT: f64 = 0.5;

/// How sharply [`flow_exponent`] bends towards its bounds. Calibrated on simulated fleets.
const FLOW_EXPONENT_BEND: f64 = 4.0;

/// Exponent α of the fan's conductance in flow, where `m` is that in fan speed.
///
/// Flow follows speed in proportion where the resistance is turbulent (Δp ∝ flow²) and faster where part of it is laminar
/// (Δp ∝ flow), so that α lies below m; and it lies below the greatest that a fin stack has, [`EXPONENT_RANGE`]. What m is over
/// it is how flow follows speed. Runs cannot tell α, as only α·la is seen of airflow. The two bounds joined smoothly:
/// 1/α⁴ = 1/m⁴ + 1/0.97⁴.
pub fn flow_exponent(m: f64) -> f64 {
    m * flow_exponent_slope(m).powf(1.0 / FLOW_EXPONENT_BEND)
}

/// d ln α / d ln m.
fn flow_exponent_slope(m: f64) -> f64 {
    1.0 / (1.0 + (m / EXPONENT_RANGE.1).powf(FLOW_EXPONENT_BEND))
}

/// A run's own numbers.
pub type RunPars = [f64; N_RUN];

/// One integration step: means over `dt_s` of what drives the network, and what was read meanwhile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Length, s.
    pub dt_s: f64,
    /// Package power, W; where told from the clock its part that scales with load.
    pub power_w: f64,
    /// ln of clock over reference clock, the factor of [`CLOCK_EXP`]; 0 with a power reading.
    pub ln_clock: f64,
    /// 1 where `power_w` is the idle estimate that [`IDLE_LN`] scales, else 0.
    pub idle: f64,
    /// Additional power that neither of both scales (background work told from the busy share), W.
    pub extra_w: f64,
    /// Fan speed over the model's reference speed.
    pub speed: f64,
    /// Mean CPU temperature over the step's readings, °C; NaN where none.
    pub temp_c: f64,
    /// Where in the step the readings' mean time lies, 0–1.
    pub theta: f64,
    /// Weight of the residual, 1/K².
    pub weight: f64,
}

/// Speeds below this share of the reference count as a standing fan.
const STANDING_SPEED: f64 = 0.02;

/// A gradient by all parameters, the shared ones first.
pub type Gradient = [f64; N_ALL];

#[derive(Clone, Copy)]
struct Node {
    t: f64,
    d: Gradient,
}

/// Runs the network over `steps` and hands `visit` each residual (read − computed) with the computed
/// temperature's gradient and the step's weight. Steps without a reading are integrated but not visited.
pub fn residuals(
    shared: &Shared,
    own: &RunPars,
    start_temp_c: f64,
    steps: &[Step],
    mut visit: impl FnMut(f64, &Gradient, f64),
) {
    let Some(first) = steps.first() else { return };
    let c = Constants::new(shared, own);
    let mut die = Node { t: start_temp_c, d: [0.0; N_ALL] };
    let (p0, dp0) = power(shared, own, first);
    let mut sink = Node { t: start_temp_c - c.r * p0, d: [0.0; N_ALL] };
    for (d, dlnp) in sink.d.iter_mut().zip(dp0) {
        *d = -c.r * dlnp;
    }
    sink.d[LN_RC] -= c.r * p0;
    sink.d[N_SHARED + LR] -= c.r * p0;
    let mut case = Node { t: own[TA] + own[X0], d: [0.0; N_ALL] };
    case.d[N_SHARED + TA] = 1.0;
    case.d[N_SHARED + X0] = 1.0;
    for step in steps {
        let before = die;
        advance(shared, own, &c, step, &mut die, &mut sink, &mut case);
        if step.weight > 0.0 && step.temp_c.is_finite() {
            let th = step.theta;
            let model = before.t + th * (die.t - before.t);
            let mut grad = before.d;
            for (g, d) in grad.iter_mut().zip(die.d) {
                *g += th * (d - *g);
            }
            visit(step.temp_c - model, &grad, step.weight);
        }
    }
}

/// What does not change from step to step.
struct Constants {
    r: f64,
    cdie: f64,
    tau: f64,
    csink: f64,
    g0: f64,
    ln_g: f64,
    alpha: f64,
    ln_g_by_ln_m: f64,
    m: f64,
    gsc: f64,
    ccase: f64,
    gca: f64,
}

impl Constants {
    fn new(shared: &Shared, own: &RunPars) -> Self {
        let s = &shared.0;
        let m = s[LN_M].exp();
        let alpha = flow_exponent(m);
        Self {
            r: (s[LN_RC] + own[LR]).exp(),
            cdie: s[LN_CDIE].exp(),
            tau: (s[LN_RC] + s[LN_CDIE] + LAG_BY_CONTACT * own[LR]).exp(),
            csink: s[LN_CSINK].exp(),
            g0: s[LN_G0].exp(),
            ln_g: s[LN_G] + alpha * own[LA],
            alpha,
            ln_g_by_ln_m: alpha * flow_exponent_slope(m) * own[LA],
            m,
            gsc: s[LN_GSC].exp(),
            ccase: s[LN_CCASE].exp(),
            gca: s[LN_GCA].exp(),
        }
    }

    /// The fan's part of the conductance at `speed`, W/K.
    fn fan_conductance(&self, speed: f64) -> f64 {
        if speed < STANDING_SPEED { 0.0 } else { (self.ln_g + self.m * speed.ln()).exp() }
    }
}

/// Power of a step and its gradient.
fn power(shared: &Shared, own: &RunPars, step: &Step) -> (f64, Gradient) {
    let gain = own[LK].exp();
    let main =
        step.power_w * gain * (shared.0[CLOCK_EXP] * step.ln_clock + shared.0[IDLE_LN] * step.idle).exp();
    let p = main + step.extra_w * gain;
    let mut d = [0.0; N_ALL];
    d[CLOCK_EXP] = main * step.ln_clock;
    d[IDLE_LN] = main * step.idle;
    d[N_SHARED + LK] = p;
    (p, d)
}

/// One step of the three nodes with their gradients.
fn advance(
    shared: &Shared,
    own: &RunPars,
    c: &Constants,
    step: &Step,
    die: &mut Node,
    sink: &mut Node,
    case: &mut Node,
) {
    let (p, dp) = power(shared, own, step);
    let z = step.dt_s / c.tau;
    let keep = (-z).exp();
    let gap = sink.t + c.r * p - die.t;
    let new_die = die.t + gap * (1.0 - keep);
    let gfan = c.fan_conductance(step.speed);
    let g = c.g0 + gfan;
    let cap_rate = c.cdie / step.dt_s;
    let q = p - cap_rate * (new_die - die.t);
    let (ks, kc) = (step.dt_s / c.csink, step.dt_s / c.ccase);
    let over_air = sink.t - own[TA];
    let over_case = sink.t - case.t;
    let case_over = case.t - own[TA];
    let dsink = ks * (q + shared.0[Q_EXT] - g * over_air - c.gsc * over_case);
    let dcase = kc * (c.gsc * over_case - c.gca * case_over);

    // Direct effects of the parameters on the die's step; the chain through the states follows in the loop.
    let mut direct_die = [0.0; N_ALL];
    for (o, d) in direct_die.iter_mut().zip(dp) {
        *o = (1.0 - keep) * c.r * d;
    }
    let by_ln_r = (1.0 - keep) * c.r * p;
    direct_die[LN_RC] += by_ln_r - gap * keep * z;
    direct_die[N_SHARED + LR] += by_ln_r - LAG_BY_CONTACT * gap * keep * z;
    direct_die[LN_CDIE] -= gap * keep * z;

    let mut direct_sink = dp;
    direct_sink[LN_CDIE] -= cap_rate * (new_die - die.t);
    direct_sink[Q_EXT] += 1.0;
    direct_sink[LN_G0] -= c.g0 * over_air;
    direct_sink[LN_G] -= gfan * over_air;
    if gfan > 0.0 {
        let by_ln_m = c.ln_g_by_ln_m + c.m * step.speed.ln();
        direct_sink[LN_M] -= gfan * by_ln_m * over_air;
        direct_sink[N_SHARED + LA] -= gfan * c.alpha * over_air;
    }
    direct_sink[LN_GSC] -= c.gsc * over_case;
    direct_sink[N_SHARED + TA] += g;
    let mut direct_case = [0.0; N_ALL];
    direct_case[LN_GSC] = c.gsc * over_case;
    direct_case[LN_GCA] = -c.gca * case_over;
    direct_case[N_SHARED + TA] = c.gca;

    for k in 0..N_ALL {
        let new_die_d = keep * die.d[k] + (1.0 - keep) * sink.d[k] + direct_die[k];
        let dq = direct_sink[k] - cap_rate * (new_die_d - die.d[k]);
        let sink_d = sink.d[k];
        let case_d = case.d[k];
        sink.d[k] += ks * (dq - g * sink_d - c.gsc * (sink_d - case_d));
        case.d[k] += kc * (direct_case[k] + c.gsc * (sink_d - case_d) - c.gca * case_d);
        die.d[k] = new_die_d;
    }
    sink.d[LN_CSINK] -= dsink;
    case.d[LN_CCASE] -= dcase;
    die.t = new_die;
    sink.t += dsink;
    case.t += dcase;
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps() -> Vec<Step> {
        (0..300)
            .map(|i| {
                let loaded = (40..200).contains(&i);
                Step {
                    dt_s: if i % 3 == 0 { 0.5 } else { 2.0 },
                    power_w: if loaded { 24.0 } else { 3.0 },
                    ln_clock: if loaded { 0.02 } else { 0.0 },
                    idle: f64::from(u8::from(!loaded)),
                    extra_w: 0.3,
                    speed: if loaded { 0.9 } else { 0.4 },
                    temp_c: 40.0,
                    theta: 0.6,
                    weight: 1.0,
                }
            })
            .collect()
    }

    #[test]
    fn flow_exponent_lies_below_that_of_speed_and_within_what_fin_stacks_have() {
        let m = |i: i32| 0.55 + 0.01 * f64::from(i);
        for i in 0..=90 {
            let (alpha, next) = (flow_exponent(m(i)), flow_exponent(m(i + 1)));
            assert!(alpha < m(i) && alpha < EXPONENT_RANGE.1 && alpha < next, "{i}: {alpha} {next}");
        }
    }

    #[test]
    fn gradient_is_the_slope_of_the_temperatures() {
        for ln_m in [-0.2, 0.3] {
            gradient_is_the_slope(ln_m);
        }
    }

    fn gradient_is_the_slope(ln_m: f64) {
        let shared = Shared([-0.1, 0.7, 4.3, -2.5, -0.4, ln_m, -2.0, 6.4, -1.0, -0.3, 0.2, 0.8]);
        let own = [-0.2, 0.1, 23.0, 6.0, 0.03];
        let run = |s: &Shared, o: &RunPars| {
            let mut out = Vec::new();
            residuals(s, o, 41.0, &steps(), |r, g, _| out.push((r, *g)));
            out
        };
        let base = run(&shared, &own);
        for k in 0..N_ALL {
            let h = 1e-5;
            let moved = |by: f64| {
                let (mut s, mut o) = (shared, own);
                if k < N_SHARED {
                    s.0[k] += by;
                } else {
                    o[k - N_SHARED] += by;
                }
                run(&s, &o)
            };
            let (up, down) = (moved(h), moved(-h));
            for i in [3, 41, 60, 199, 203, 290] {
                let numeric = -(up[i].0 - down[i].0) / (2.0 * h);
                let analytic = base[i].1[k];
                assert!(
                    (numeric - analytic).abs() < 1e-5 * (1.0 + analytic.abs()),
                    "parameter {k}, step {i}: {analytic} against {numeric}"
                );
            }
        }
    }
}
