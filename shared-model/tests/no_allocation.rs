//! The single-run fit's inner loop takes no memory from the heap, held by an allocator that counts.
//!
//! A test program of its own: the counting allocator serves the whole of it.

use allocation_counter::measure;
use windrow_model::channel::Channel;
use windrow_model::emulate::{RunPlan, catalogue, record_run};
use windrow_model::estimate::input::{Equipment, Run, prepare};
use windrow_model::estimate::single::{Estimate, Priors, solve};

/// Residual noise of every fit here.
const SD_1S_K: f64 = 1.4;
/// Made once before the loop: the run laid out for vector registers, and the minimiser's two vectors of nine numbers, its
/// step and its trial point.
const ALLOCATIONS_BEFORE_LOOP: u64 = 3;

fn run() -> Run {
    let has_all = |spec: &_| {
        let trace = record_run(spec, &RunPlan::default());
        let all = [Channel::PackagePowerW, Channel::Fan1Rpm].iter().all(|c| trace.column(*c).is_some());
        all.then_some(trace)
    };
    let trace = catalogue().iter().find_map(has_all).expect("a model that shows power and fan speed");
    prepare(&trace, &Equipment::default()).expect("a run that is fit for a fit")
}

/// Allocations of one minimisation, and the minimum.
fn counted(run: &Run, priors: &Priors, start: [f64; 9]) -> (u64, Estimate) {
    let mut estimate = None;
    let count = measure(|| estimate = Some(solve(run, priors, start, SD_1S_K))).count_total;
    (count, estimate.expect("measured").expect("a minimum"))
}

#[test]
fn the_fit_allocates_nothing_in_its_loop() {
    let run = run();
    let priors = Priors::handbook(&run, None);
    let (from_priors, far) = counted(&run, &priors, priors.mean);
    let (from_minimum, near) = counted(&run, &priors, far.params);
    assert!(
        far.evaluations > near.evaluations + 2,
        "{} and {} evaluations",
        far.evaluations,
        near.evaluations
    );
    assert_eq!(from_priors, ALLOCATIONS_BEFORE_LOOP, "{} evaluations", far.evaluations);
    assert_eq!(from_minimum, ALLOCATIONS_BEFORE_LOOP, "{} evaluations", near.evaluations);
}

/// The number must not depend on how long the run is either.
#[test]
fn a_longer_run_allocates_no_more() {
    let short = run();
    let mut long = short.clone();
    long.steps.extend_from_within(..);
    let priors = Priors::handbook(&short, None);
    let (count, estimate) = counted(&long, &priors, priors.mean);
    assert_eq!(count, ALLOCATIONS_BEFORE_LOOP, "{} evaluations", estimate.evaluations);
}

/// The counter counts: else the tests above could not fail.
#[test]
fn the_counter_counts() {
    let count = measure(|| drop(std::hint::black_box(vec![1_u8; 64]))).count_total;
    assert_eq!(count, 1);
}
