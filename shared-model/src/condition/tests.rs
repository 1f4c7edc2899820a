//! What the condition must do whatever its constants are.

use super::constants::Constants;
use super::judge::{Condition, Laptop, RunEvidence, judge_model};
use super::wear::{Action, Event, Offsets, filter};
use crate::condition::fan_map::FanReading;

fn run(day: f64, la: f64, lr: f64) -> RunEvidence {
    RunEvidence {
        day,
        quick: false,
        air: Some((la, 0.045)),
        contact: Some((lr, 0.025)),
        raw_air: la,
        has_rpm: true,
        fans: vec![FanReading { ratio: 0.98, due_share: 0.9, spread: 0.03 }],
        log_power: 3.0,
        stuck: false,
    }
}

fn laptop(runs: Vec<RunEvidence>, services: Vec<(f64, Action)>) -> Laptop {
    let as_of = runs.iter().map(|r| r.day).fold(0.0, f64::max);
    Laptop { runs, services, as_of }
}

/// Ten laptops near as-new, a run a month.
fn healthy() -> Vec<Laptop> {
    (0..10)
        .map(|i| {
            let off = (f64::from(i) - 4.5) * 0.01;
            laptop((0..8).map(|m| run(30.0 * f64::from(m), -0.06 + off, 0.01 - off / 2.0)).collect(), vec![])
        })
        .collect()
}

/// The condition of one more laptop among the healthy ones.
fn among_healthy(one: Laptop) -> Condition {
    let mut all = healthy();
    all.push(one);
    judge_model(&Constants::default(), true, &all).1.pop().expect("eleven laptops")
}

#[test]
fn steady_loss_of_air_is_a_clog_and_nothing_else() {
    let c = among_healthy(laptop(
        (0..8).map(|m| run(30.0 * f64::from(m), -0.1 - 0.07 * f64::from(m), 0.01)).collect(),
        vec![],
    ));
    assert!(c.p_clogged > 0.9, "{}", c.p_clogged);
    assert!(c.p_fan < 0.1 && c.p_contact < 0.1, "{} {}", c.p_fan, c.p_contact);
}

#[test]
fn one_odd_run_hardly_moves_it() {
    let mut runs: Vec<_> = (0..8).map(|m| run(30.0 * f64::from(m), -0.06, 0.01)).collect();
    runs[7].air = Some((-0.7, 0.045));
    let odd = among_healthy(laptop(runs.clone(), vec![]));
    assert!(odd.p_clogged < 0.3, "{}", odd.p_clogged);
    // Said twice more, it is believed.
    runs.push(run(225.0, -0.7, 0.01));
    runs.push(run(232.0, -0.7, 0.01));
    assert!(among_healthy(laptop(runs, vec![])).p_clogged > 0.6);
}

#[test]
fn a_service_resets_what_it_serviced_if_the_next_run_agrees() {
    let mut runs: Vec<_> = (0..6).map(|m| run(30.0 * f64::from(m), -0.6, 0.3)).collect();
    let cleaned = vec![(160.0, Action::Clean)];
    runs.push(run(170.0, -0.08, 0.3));
    let worked = among_healthy(laptop(runs.clone(), cleaned.clone()));
    assert!(worked.p_clogged < 0.1, "{}", worked.p_clogged);
    assert!(worked.p_contact > 0.8, "cleaning renews no paste: {}", worked.p_contact);
    runs[6] = run(170.0, -0.6, 0.3);
    let in_vain = among_healthy(laptop(runs, cleaned));
    assert!(in_vain.p_clogged > 0.8, "{}", in_vain.p_clogged);
}

#[test]
fn without_a_service_wear_only_grows() {
    let k = Constants::default();
    let seen = Event::Seen { day: 0.0, value: 0.4, sd: 0.05, quick: false };
    let offsets = Offsets::around(&k.air, 0.0, 0.2);
    let flat = vec![1.0; offsets.n];
    let mut last = 0.0;
    for days in [0.0, 30.0, 90.0, 365.0, 3650.0] {
        let p = filter(&k.air, &[seen], days, offsets).posterior(&k.air, &flat);
        let sum: f64 = p.states.iter().sum();
        assert!((sum - 1.0).abs() < 1e-9, "{sum}");
        let above = p.above(0.357);
        assert!(above >= last, "after {days} days {above} is below {last}");
        last = above;
    }
}

#[test]
fn a_slow_fan_is_a_fan_fault() {
    let c = among_healthy(laptop(
        (0..6)
            .map(|m| {
                let mut r = run(30.0 * f64::from(m), -0.06, 0.01);
                r.fans[0].ratio = 0.95 - 0.06 * f64::from(m);
                r
            })
            .collect(),
        vec![],
    ));
    assert!(c.p_fan > 0.8, "{}", c.p_fan);
    assert!(c.p_clogged < 0.1);
}

#[test]
fn small_groups_and_empty_laptops_do_not_crash() {
    let k = Constants::default();
    for n in [0, 1, 3] {
        let few: Vec<Laptop> = (0..n).map(|_| laptop(vec![run(0.0, -0.1, 0.05)], vec![])).collect();
        let (_, out) = judge_model(&k, true, &few);
        assert_eq!(out.len(), n);
        for c in &out {
            for p in [c.p_clogged, c.p_fan, c.p_contact] {
                assert!((0.0..=1.0).contains(&p), "{p}");
            }
            // One run without peers cannot tell.
            assert!(c.p_clogged < 0.5, "{}", c.p_clogged);
        }
    }
    let empty = Laptop { runs: vec![], services: vec![(3.0, Action::Paste)], as_of: 10.0 };
    let (_, out) = judge_model(&k, true, &[empty]);
    assert!(out[0].fan.is_none());
}

#[test]
fn the_same_runs_always_give_the_same_judgement() {
    let k = Constants::default();
    // In words, since a reference may hold a NaN; not `assert_eq`, whose message would be pages long.
    let judged = || format!("{:?}", judge_model(&k, true, &healthy()));
    assert!(judged() == judged());
}
