//! Times the single-run fit and writes run, priors, optimum and time for the Python peers in `single_fit.py`.
//!
//! usage: `single_fit OUT.json`

use std::time::Instant;

use anyhow::Context as _;
use serde_json::{Value, json};
use windrow_model::channel::Channel;
use windrow_model::emulate::{RunPlan, catalogue, record_run};
use windrow_model::estimate::input::{Equipment, Run, Step, prepare};
use windrow_model::estimate::single::{Estimate, Knowledge, Priors, fit_run, solve};
use windrow_model::protocol::Protocol;
use windrow_model::trace::Trace;

/// Residual noise of both: the peers minimise the very same sum.
const SD_1S_K: f64 = 1.4;
/// Repetitions; the fastest counts, as for the peers.
const REPEATS: usize = 201;

fn main() -> anyhow::Result<()> {
    let out = std::env::args().nth(1).context("usage: single_fit OUT.json")?;
    let trace = recorded()?;
    let thinned =
        prepare(&trace, &Equipment::default()).map_err(|r| anyhow::anyhow!("not fit for a fit: {r:?}"))?;
    let full = Run { steps: unthinned(&trace, thinned.n_ref_rpm)?, ..thinned.clone() };
    let whole_s = fastest_s(|| {
        std::hint::black_box(fit_run(std::hint::black_box(&trace), &Knowledge::default()));
    });
    let report = json!({
        "whole_fit_s": whole_s,
        "cases": [case("every sample", &full)?, case("thinned", &thinned)?],
    });
    std::fs::write(&out, serde_json::to_vec(&report)?).with_context(|| format!("cannot write `{out}`"))
}

/// 1,300 samples at 4 Hz from the first emulated laptop that shows power and fan speed.
fn recorded() -> anyhow::Result<Trace> {
    let protocol = Protocol { load_s: 150.0, recovery_s: 145.0, ..Protocol::STANDARD };
    let plan = RunPlan { protocol, settle_s: 30.0, ..RunPlan::default() };
    let has_all =
        |trace: &Trace| [Channel::PackagePowerW, Channel::Fan1Rpm].iter().all(|c| trace.column(*c).is_some());
    let mut traces = catalogue().into_iter().map(|spec| record_run(&spec, &plan));
    traces.find(has_all).context("no emulated model shows power and fan speed")
}

/// One step a sample: the work that a peer without thinning has.
fn unthinned(trace: &Trace, n_ref_rpm: f64) -> anyhow::Result<Vec<Step>> {
    let column = |c: Channel| trace.column(c).with_context(|| format!("no `{}`", c.spec().column));
    let (temp, watts, rpm) =
        (column(Channel::CpuTempC)?, column(Channel::PackagePowerW)?, column(Channel::Fan1Rpm)?);
    let (mut steps, mut last_w, mut last_rpm) = (Vec::new(), 3.0, 0.0);
    for i in 0..trace.n_samples() {
        last_w = if watts[i].is_nan() { last_w } else { watts[i] };
        last_rpm = if rpm[i].is_nan() { last_rpm } else { rpm[i] };
        let seen = !temp[i].is_nan();
        let fan = last_rpm / n_ref_rpm;
        steps.push(Step {
            dt_s: 0.25,
            heat_w: last_w,
            fan,
            ln_fan: fan.max(f64::MIN_POSITIVE).ln(),
            temp_c: if seen { temp[i] } else { 0.0 },
            weight_s: if seen { 0.25 } else { 0.0 },
        });
    }
    Ok(steps)
}

fn case(name: &str, run: &Run) -> anyhow::Result<Value> {
    let priors = Priors::handbook(run, None);
    let fit = || solve(run, &priors, priors.mean, SD_1S_K);
    let estimate = fit()?;
    let fit_s = fastest_s(|| {
        std::hint::black_box(fit()).ok();
    });
    Ok(written(name, run, &priors, &estimate, fit_s))
}

fn written(name: &str, run: &Run, priors: &Priors, estimate: &Estimate, fit_s: f64) -> Value {
    let column = |of: fn(&Step) -> f64| run.steps.iter().map(of).collect::<Vec<f64>>();
    let se: Vec<f64> = (0..estimate.params.len()).map(|j| estimate.covariance[j][j].sqrt()).collect();
    json!({
        "name": name,
        "dt_s": column(|s| s.dt_s),
        "heat_w": column(|s| s.heat_w),
        "fan": column(|s| s.fan),
        "temp_c": column(|s| s.temp_c),
        "weight_s": column(|s| s.weight_s),
        "prior_mean": priors.mean,
        "prior_sd": priors.sd,
        "sd_1s_k": SD_1S_K,
        "params": estimate.params,
        "se": se,
        "cost": estimate.cost,
        "evaluations": estimate.evaluations,
        "fit_s": fit_s,
    })
}

/// The fastest of many: what else runs on the machine can only slow a repetition down.
fn fastest_s(mut work: impl FnMut()) -> f64 {
    let timed = |_| {
        let begin = Instant::now();
        work();
        begin.elapsed().as_secs_f64()
    };
    (0..REPEATS).map(timed).fold(f64::INFINITY, f64::min)
}
