//! The joint fit: one network for all runs of a model.
//!
//! Gauss–Newton with a Levenberg damping on Huber's loss plus priors. Each run's five numbers are eliminated
//! (Schur complement), so an iteration solves one system of twelve and one of five for each run. A step is taken
//! only if the whole cost falls. Runs are independent given the shared numbers: the caller's workers may share them out.

use nalgebra::{SMatrix, SVector};

use super::network::{
    CLOCK_EXP, Gradient, IDLE_LN, LA, LK, LN_CCASE, LN_CDIE, LN_CSINK, LN_G, LN_G0, LN_GCA, LN_GSC, LN_M,
    LN_RC, LR, N_RUN, N_SHARED, Q_EXT, RunPars, Shared, TA, X0, residuals,
};
use super::network_drive::Drive;
use super::single::EXPONENT_RANGE;
use super::workers::Workers;

type MatS = SMatrix<f64, N_SHARED, N_SHARED>;
type VecS = SVector<f64, N_SHARED>;
type MatR = SMatrix<f64, N_RUN, N_RUN>;
type VecR = SVector<f64, N_RUN>;
type MatSR = SMatrix<f64, N_SHARED, N_RUN>;

/// Huber's loss is quadratic up to this residual, K.
const HUBER_K: f64 = 2.5;
/// Most iterations of a joint fit.
const ITERATIONS_MAX: usize = 60;
/// Most iterations of a single run against standing shared numbers.
const RUN_ITERATIONS_MAX: usize = 25;
/// Damping at which a fit gives up.
const DAMPING_MAX: f64 = 1e8;
/// A fit is at its optimum where the undamped step promises to lower the cost by no more than this share of it. A tenth
/// of a percent of the cost moves no number by more than a small part of its standard error; our choice.
const PROMISE_MAX: f64 = 1e-3;

/// Exponent m of fan speed beforehand: mean, and standard deviation of its logarithm. Mean of what fin stacks have in flow, flow
/// ∝ speed; the width leaves the word to the runs.
const SPEED_EXPONENT: (f64, f64) = (0.75, 0.13);
/// Range of m: from the least exponent that fin stacks have in flow, flow ∝ speed, to the greatest where flow ∝ speed^1.5.
pub(super) const SPEED_EXPONENT_RANGE: (f64, f64) =
    (EXPONENT_RANGE.0, LAMINAR_FLOW_EXPONENT * EXPONENT_RANGE.1);
/// Exponent in speed of a blower's flow at the middle of its curve, Δp = p₀n²·(1 − φ) with φ = ½, against a laminar resistance,
/// Δp ∝ flow; against a turbulent one, Δp ∝ flow², it is 1.
pub(super) const LAMINAR_FLOW_EXPONENT: f64 = 1.5;

/// Prior standard deviation of a number that is held, far below what any number is known to.
const HELD_SD: f64 = 1e-6;

/// Prior means and standard deviations of a run's own numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunPrior {
    /// Means.
    pub mean: RunPars,
    /// Standard deviations.
    pub sd: RunPars,
}

impl RunPrior {
    /// The usual prior of a run: airflow somewhat below as-new and contact somewhat above, both wide.
    /// Calibrated on simulated fleets; the prior on airflow and contact is taken out of the result again.
    pub fn new(ambient_c: f64, ambient_sd_k: f64, case_k: f64, has_power: bool) -> Self {
        let gain_sd = if has_power { 0.02 } else { 0.05 };
        Self { mean: [-0.16, 0.05, ambient_c, case_k, 0.0], sd: [0.35, 0.2, ambient_sd_k, 5.0, gain_sd] }
    }
}

/// What a run's fit gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunFit {
    /// The run's numbers, prior included.
    pub pars: RunPars,
    /// Their standard deviations given the shared numbers, prior included.
    pub sd: RunPars,
    /// Root mean square of the weighted residuals, K.
    pub rms_k: f64,
    /// Its share of the cost.
    pub cost: f64,
    /// Whether the fit came to its optimum. Where it didn't, the numbers are those at which it was given up.
    pub has_converged: bool,
}

/// What a joint fit gives.
#[derive(Debug, Clone, PartialEq)]
pub struct JointFit {
    /// The shared numbers.
    pub shared: Shared,
    /// One for each run, in order.
    pub runs: Vec<RunFit>,
    /// Iterations made.
    pub iterations: usize,
    /// Total cost.
    pub cost: f64,
    /// Whether it came to its optimum, within its iterations and as far as its steps could still lower the cost.
    pub has_converged: bool,
}

/// Prior of the shared numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SharedPrior {
    /// Means, also the start of the fit.
    pub mean: [f64; N_SHARED],
    /// Standard deviations.
    pub sd: [f64; N_SHARED],
}

impl SharedPrior {
    /// Start values for a model whose median sustained power is `load_w`. Conductances and heat capacities grow
    /// with what a laptop is built to carry, as its power to 0.7. Calibrated on simulated fleets; the standard
    /// deviations are wide enough to leave the word to the runs.
    pub fn new(load_w: f64) -> Self {
        let size = 0.7 * (load_w.clamp(2.0, 200.0) / 20.0).ln();
        let mut mean = [0.0; N_SHARED];
        let mut sd = [1.0; N_SHARED];
        let mut set = |idx: usize, at_20_w: f64, grows: f64, s: f64| {
            mean[idx] = at_20_w.ln() + grows * size;
            sd[idx] = s;
        };
        set(LN_RC, 0.9, -1.0, 0.8);
        set(LN_CDIE, 1.4, 1.0, 0.8);
        set(LN_CSINK, 60.0, 1.0, 0.6);
        set(LN_G0, 0.15, 1.0, 0.8);
        set(LN_G, 0.5, 1.0, 0.8);
        set(LN_M, SPEED_EXPONENT.0, 0.0, SPEED_EXPONENT.1);
        set(LN_GSC, 0.12, 1.0, 0.8);
        set(LN_CCASE, 600.0, 1.0, 0.6);
        set(LN_GCA, 0.4, 1.0, 0.8);
        mean[CLOCK_EXP] = 0.0;
        sd[CLOCK_EXP] = 1.0;
        mean[IDLE_LN] = 0.0;
        sd[IDLE_LN] = 1.0;
        mean[Q_EXT] = 0.0;
        sd[Q_EXT] = 0.02 * load_w.max(1.0);
        Self { mean, sd }
    }
}

/// One run's part of the normal equations.
#[derive(Debug, Clone, Copy)]
struct Block {
    ss: MatS,
    sr: MatSR,
    rr: MatR,
    gs: VecS,
    gr: VecR,
    cost: f64,
    sum_w_r2: f64,
    sum_w: f64,
}

/// A run with its prior.
#[derive(Debug, Clone, Copy)]
pub struct JointRun<'a> {
    /// What drives it.
    pub drive: &'a Drive,
    /// Its prior.
    pub prior: RunPrior,
}

/// Fits a model's shared numbers and its runs' own together.
pub fn fit(runs: &[JointRun<'_>], prior: &SharedPrior, workers: &impl Workers) -> JointFit {
    let start: Vec<RunPars> = runs.iter().map(|r| r.prior.mean).collect();
    fit_from(runs, prior, Shared(prior.mean), start, workers)
}

/// As [`fit`], from a standing fit's numbers: a refit when new runs came takes few iterations.
pub fn fit_from(
    runs: &[JointRun<'_>],
    prior: &SharedPrior,
    start: Shared,
    start_runs: Vec<RunPars>,
    workers: &impl Workers,
) -> JointFit {
    fit_within(ITERATIONS_MAX, runs, prior, start, start_runs, workers)
}

/// As [`fit_from`], of at most so many iterations.
pub(super) fn fit_within(
    iterations_max: usize,
    runs: &[JointRun<'_>],
    prior: &SharedPrior,
    start: Shared,
    start_runs: Vec<RunPars>,
    workers: &impl Workers,
) -> JointFit {
    let mut shared = start;
    let mut own = start_runs;
    let evaluate =
        |shared: &Shared, own: &[RunPars]| workers.map(runs.len(), |i| block(shared, &own[i], &runs[i]));
    let total = |shared: &Shared, blocks: &[Block]| {
        shared_cost(shared, prior) + blocks.iter().map(|b| b.cost).sum::<f64>()
    };
    let mut blocks = evaluate(&shared, &own);
    let mut cost = total(&shared, &blocks);
    let mut damping = 1e-3;
    let mut iterations = 0;
    while iterations < iterations_max && damping < DAMPING_MAX {
        iterations += 1;
        let Some((ds, dr)) = step_within(&shared, prior, &blocks, damping) else {
            damping *= 10.0;
            continue;
        };
        let (next_shared, next_own) = moved(&shared, &own, &ds, &dr);
        let next_blocks = evaluate(&next_shared, &next_own);
        let next_cost = total(&next_shared, &next_blocks);
        if next_cost < cost {
            let gain = cost - next_cost;
            (shared, own, blocks, cost) = (next_shared, next_own, next_blocks, next_cost);
            damping = (damping * 0.2).max(1e-7);
            if gain < 1e-5 * cost.max(1.0) {
                break;
            }
        } else {
            damping *= 8.0;
        }
    }
    let has_converged = step_within(&shared, prior, &blocks, 0.0).is_some_and(|(ds, dr)| {
        promise(&shared, &own, prior, &blocks, &ds, &dr) <= PROMISE_MAX * cost.max(1.0)
    });
    let of_run = |(b, p): (&Block, &RunPars)| run_fit(b, p, has_converged);
    let fits = blocks.iter().zip(&own).map(of_run).collect();
    JointFit { shared, runs: fits, iterations, cost, has_converged }
}

/// Fits one run against standing shared numbers.
pub fn fit_run(run: &JointRun<'_>, shared: &Shared) -> RunFit {
    let mut own = run.prior.mean;
    let mut now = block(shared, &own, run);
    let mut damping = 1e-3;
    for _ in 0..RUN_ITERATIONS_MAX {
        let Some(step) = damped(&now.rr, damping).cholesky().map(|c| c.solve(&now.gr)) else { break };
        let next_own = moved_run(&own, &step);
        let next = block(shared, &next_own, run);
        if next.cost < now.cost {
            let gain = now.cost - next.cost;
            (own, now) = (next_own, next);
            damping = (damping * 0.2).max(1e-7);
            if gain < 1e-6 * now.cost.max(1.0) {
                break;
            }
        } else {
            damping *= 8.0;
            if damping > DAMPING_MAX {
                break;
            }
        }
    }
    let step = now.rr.cholesky().map(|c| c.solve(&now.gr));
    let has_converged =
        step.is_some_and(|step| 0.5 * now.gr.dot(&within(&own, &step)) <= PROMISE_MAX * now.cost.max(1.0));
    run_fit(&now, &own, has_converged)
}

fn run_fit(b: &Block, own: &RunPars, has_converged: bool) -> RunFit {
    let mut sd = [f64::INFINITY; N_RUN];
    if let Some(cov) = b.rr.cholesky().map(|c| c.inverse()) {
        for (k, s) in sd.iter_mut().enumerate() {
            *s = cov[(k, k)].max(0.0).sqrt();
        }
    }
    RunFit { pars: *own, sd, rms_k: (b.sum_w_r2 / b.sum_w.max(1e-12)).sqrt(), cost: b.cost, has_converged }
}

/// Residuals, Jacobian and prior of one run, contracted to its part of the normal equations.
fn block(shared: &Shared, own: &RunPars, run: &JointRun<'_>) -> Block {
    const N: usize = N_SHARED + N_RUN;
    let mut h = [[0.0_f64; N]; N];
    let mut g = [0.0_f64; N];
    let (mut cost, mut sum_w_r2, mut sum_w) = (0.0, 0.0, 0.0);
    let drive = run.drive;
    residuals(shared, own, drive.start_temp_c, &drive.steps, |r, grad: &Gradient, weight| {
        let size = r.abs();
        let robust = if size <= HUBER_K { 1.0 } else { HUBER_K / size };
        cost += weight * if size <= HUBER_K { 0.5 * r * r } else { HUBER_K * (size - 0.5 * HUBER_K) };
        sum_w_r2 += weight * robust * r * r;
        sum_w += weight;
        let w = weight * robust;
        for i in 0..N {
            let wi = w * grad[i];
            g[i] += wi * r;
            for j in 0..=i {
                h[i][j] += wi * grad[j];
            }
        }
    });
    if !cost.is_finite() {
        cost = f64::MAX / 1e6;
    }
    let at = |i: usize, j: usize| if i >= j { h[i][j] } else { h[j][i] };
    let mut rr = MatR::from_fn(|i, j| at(N_SHARED + i, N_SHARED + j));
    let mut gr = VecR::from_fn(|i, _| g[N_SHARED + i]);
    for k in 0..N_RUN {
        let p = 1.0 / (run.prior.sd[k] * run.prior.sd[k]);
        let off = run.prior.mean[k] - own[k];
        rr[(k, k)] += p;
        gr[k] += p * off;
        cost += 0.5 * p * off * off;
    }
    Block {
        ss: MatS::from_fn(at),
        sr: MatSR::from_fn(|i, j| at(i, N_SHARED + j)),
        rr,
        gs: VecS::from_fn(|i, _| g[i]),
        gr,
        cost,
        sum_w_r2,
        sum_w,
    }
}

fn damped<const D: usize>(m: &SMatrix<f64, D, D>, damping: f64) -> SMatrix<f64, D, D> {
    let mut out = *m;
    for k in 0..D {
        out[(k, k)] *= 1.0 + damping;
    }
    out
}

fn shared_cost(shared: &Shared, prior: &SharedPrior) -> f64 {
    let z = |k: usize| (shared.0[k] - prior.mean[k]) / prior.sd[k];
    (0..N_SHARED).map(|k| 0.5 * z(k) * z(k)).sum()
}

/// The damped step within what can be true. Where it would carry m past the bound at which it stands, m is held and the
/// rest solved anew: cut off afterwards, the step would be right for none of the others.
fn step_within(
    shared: &Shared,
    prior: &SharedPrior,
    blocks: &[Block],
    damping: f64,
) -> Option<(VecS, Vec<VecR>)> {
    let (ds, dr) = newton_step(shared, prior, blocks, damping)?;
    let is_cut = ds[LN_M] != 0.0 && moved_shared(shared, &ds).0[LN_M] == shared.0[LN_M];
    if !is_cut {
        return Some((ds, dr));
    }
    let mut held = *prior;
    held.mean[LN_M] = shared.0[LN_M];
    held.sd[LN_M] = HELD_SD;
    newton_step(shared, &held, blocks, damping)
}

/// The damped Gauss–Newton step, the runs' numbers eliminated. `None` where the system is singular.
fn newton_step(
    shared: &Shared,
    prior: &SharedPrior,
    blocks: &[Block],
    damping: f64,
) -> Option<(VecS, Vec<VecR>)> {
    let mut s = MatS::zeros();
    let mut g = VecS::zeros();
    for k in 0..N_SHARED {
        let p = 1.0 / (prior.sd[k] * prior.sd[k]);
        s[(k, k)] = p;
        g[k] = p * (prior.mean[k] - shared.0[k]);
    }
    let mut inverses = Vec::with_capacity(blocks.len());
    for b in blocks {
        let inv = damped(&b.rr, damping).cholesky()?.inverse();
        let through = b.sr * inv;
        s += b.ss - through * b.sr.transpose();
        g += b.gs - through * b.gr;
        inverses.push(inv);
    }
    let ds = damped(&s, damping).cholesky()?.solve(&g);
    let dr = blocks.iter().zip(&inverses).map(|(b, inv)| inv * (b.gr - b.sr.transpose() * ds)).collect();
    ds.iter().all(|v| v.is_finite()).then_some((ds, dr))
}

/// By how much a step promises to lower the cost, were it quadratic; a number that stands at its bound promises nothing.
fn promise(
    shared: &Shared,
    own: &[RunPars],
    prior: &SharedPrior,
    blocks: &[Block],
    ds: &VecS,
    dr: &[VecR],
) -> f64 {
    let pull = |k: usize| (prior.mean[k] - shared.0[k]) / (prior.sd[k] * prior.sd[k]);
    let reached = moved_shared(shared, ds);
    let ds = VecS::from_fn(|k, _| reached.0[k] - shared.0[k]);
    let of_shared = (0..N_SHARED).map(|k| pull(k) * ds[k]).sum::<f64>();
    let of_run = |((b, own), d): ((&Block, &RunPars), &VecR)| b.gs.dot(&ds) + b.gr.dot(&within(own, d));
    let of_runs = blocks.iter().zip(own).zip(dr).map(of_run).sum::<f64>();
    0.5 * (of_shared + of_runs)
}

fn moved(shared: &Shared, own: &[RunPars], ds: &VecS, dr: &[VecR]) -> (Shared, Vec<RunPars>) {
    let largest = ds.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    let scale = if largest > 0.7 { 0.7 / largest } else { 1.0 };
    let s = moved_shared(shared, &(ds * scale));
    (s, own.iter().zip(dr).map(|(o, d)| moved_run(o, &(d * scale))).collect())
}

/// The shared numbers moved by a step, within what can be true.
fn moved_shared(shared: &Shared, ds: &VecS) -> Shared {
    let mut s = *shared;
    for k in 0..N_SHARED {
        s.0[k] += ds[k];
    }
    s.0[LN_M] = s.0[LN_M].clamp(SPEED_EXPONENT_RANGE.0.ln(), SPEED_EXPONENT_RANGE.1.ln());
    s
}

/// As much of a step as leaves a run's numbers within what can be true.
fn within(own: &RunPars, step: &VecR) -> VecR {
    let reached = moved_run(own, step);
    VecR::from_fn(|k, _| reached[k] - own[k])
}

/// A run's numbers moved by a step, within what can be true.
fn moved_run(own: &RunPars, step: &VecR) -> RunPars {
    let mut o = *own;
    for k in 0..N_RUN {
        o[k] += step[k];
    }
    o[LA] = o[LA].clamp(-5.0, 1.5);
    o[LR] = o[LR].clamp(-1.5, 2.0);
    o[TA] = o[TA].clamp(-20.0, 60.0);
    o[X0] = o[X0].clamp(-30.0, 50.0);
    o[LK] = o[LK].clamp(-0.7, 0.7);
    o
}
