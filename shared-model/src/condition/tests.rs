//! What the condition must do whatever its constants are.

use super::constants::{Constants, N_RATES};
use super::disturbance::{Disturbance, Disturbances};
use super::doubt::{NextStep, Part};
use super::evidence::RunEvidence;
use super::judge::{Condition, Judge, judge_model};
use super::laptop::Laptop;
use super::reference::ModelReference;
use super::wear::{Action, Event, Offsets, WearFilter};
use crate::condition::fan_map::FanReading;
use crate::estimate::stumbles::Stumbles;
use crate::estimate::workers::InTurn;

fn run(day: f64, la: f64, lr: f64) -> RunEvidence {
    RunEvidence {
        day,
        quick: false,
        air: Some((la, 0.045)),
        contact: Some((lr, 0.025)),
        raw_air: la,
        has_rpm: true,
        fans: [
            Some(FanReading { ratio: 0.98, due_share: 0.9, doubt: 0.0, rpm: 4000.0, due_rpm: 4080.0 }),
            None,
        ],
        log_power: 3.0,
        has_power: true,
        by_work_rate: false,
        disturbed: Disturbances::default(),
        on_mains: Some(true),
        firmware: 0,
        room_sd_k: 1.0,
        room_c: 22.0,
        rms_k: 0.45,
        has_converged: true,
        start_delay_s: Some(6.0),
        flutter: Some(0.01),
        stumbles: Some(Stumbles { count: 0, watched_s: 160.0 }),
        throttle_per_s: Some(0.0),
        hot_c: 82.0,
    }
}

fn laptop(runs: Vec<RunEvidence>, services: Vec<(f64, Action)>) -> Laptop {
    let as_of = runs.iter().map(|r| r.day).fold(0.0, f64::max);
    Laptop { device: String::new(), runs, services, as_of }
}

/// Ten laptops near as-new, a run a month.
pub(super) fn healthy() -> Vec<Laptop> {
    (0..10)
        .map(|i| {
            let off = (f64::from(i) - 4.5) * 0.01;
            let runs = (0..8).map(|m| run(30.0 * f64::from(m), -0.06 + off, 0.01 - off / 2.0)).collect();
            Laptop { device: format!("healthy-{i}"), ..laptop(runs, vec![]) }
        })
        .collect()
}

/// The condition of one more laptop among the healthy ones.
fn among_healthy(one: Laptop) -> Condition {
    let mut all = healthy();
    all.push(one);
    judge_model(&Constants::default(), true, &all, &InTurn).1.pop().expect("eleven laptops")
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
    let believed = among_healthy(laptop(runs, vec![]));
    assert!(believed.p_clogged > 0.6, "{}", believed.p_clogged);
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
    let flat = vec![[1.0; N_RATES]; offsets.n];
    let mut last = 0.0;
    for days in [0.0, 30.0, 90.0, 365.0, 3650.0] {
        let p = WearFilter::new(k.air.clone()).run(&[seen], days, offsets).posterior(&k.air, &flat);
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
                r.fans[0].iter_mut().for_each(|f| f.ratio = 0.95 - 0.06 * f64::from(m));
                r
            })
            .collect(),
        vec![],
    ));
    assert!(c.p_fan > 0.8, "{}", c.p_fan);
    assert!(c.p_clogged < 0.1);
}

fn stumbling(mut r: RunEvidence, count: u32) -> RunEvidence {
    r.stumbles = Some(Stumbles { count, watched_s: 160.0 });
    r
}

#[test]
fn a_fan_that_stumbles_is_doubted_although_its_speed_is_due() {
    let runs = |count: u32| (0..4).map(|m| stumbling(run(30.0 * f64::from(m), -0.06, 0.01), count)).collect();
    let of = |count| among_healthy(laptop(runs(count), vec![]));
    let (none, some) = (of(0), of(3));
    assert!(none.p_fan < 0.02, "{}", none.p_fan);
    assert!(some.p_fan > 0.3, "{}", some.p_fan);
    assert!(some.fan.unwrap().low < 0.75, "{some:?}");
    assert_eq!((some.stumbles.count, none.stumbles.count), (3, 0));
    // Once is not enough, and a new fan is judged by itself.
    let once = (0..4).map(|m| stumbling(run(30.0 * f64::from(m), -0.06, 0.01), u32::from(m == 2))).collect();
    assert!(among_healthy(laptop(once, vec![])).p_fan < 0.2);
    let mended: Vec<RunEvidence> =
        (0..8).map(|m| stumbling(run(30.0 * f64::from(m), -0.06, 0.01), if m < 4 { 3 } else { 0 })).collect();
    let mended = among_healthy(laptop(mended, vec![(100.0, Action::Fan)]));
    assert!(mended.p_fan < 0.05, "{}", mended.p_fan);
}

#[test]
fn stumbles_over_hours_are_weighed_too() {
    let of = |count: u32, watched_s: f64| {
        let runs = (0..4).map(|m| {
            let mut r = run(30.0 * f64::from(m), -0.06, 0.01);
            r.stumbles = Some(Stumbles { count, watched_s });
            r
        });
        among_healthy(laptop(runs.collect(), vec![]))
    };
    let (sound, worn) = (of(0, 36_000.0), of(700, 36_000.0));
    assert!(sound.p_fan < 0.02, "{}", sound.p_fan);
    assert!(worn.p_fan > 0.3, "{}", worn.p_fan);
}

#[test]
fn a_stuck_sensor_voids_the_fan_s_speed_and_not_its_stumbles() {
    let stuck = |count| {
        let runs = (0..4).map(|m| {
            let mut r = stumbling(run(30.0 * f64::from(m), -0.06, 0.01), count);
            r.disturbed = r.disturbed.with(Disturbance::StuckSensor);
            r.fans[0].iter_mut().for_each(|f| f.ratio = 0.4);
            r
        });
        among_healthy(laptop(runs.collect(), vec![]))
    };
    assert!(stuck(0).p_fan < 0.1, "{}", stuck(0).p_fan);
    assert!(stuck(4).p_fan > 0.6, "{}", stuck(4).p_fan);
}

#[test]
fn where_all_fans_of_a_model_stumble_that_is_no_fault_and_in_a_small_group_it_is() {
    let k = Constants::default();
    let all = |laptops: Vec<Laptop>, sick: usize| -> Vec<f64> {
        let laptops: Vec<Laptop> = laptops
            .into_iter()
            .enumerate()
            .map(|(i, l)| {
                let runs = l.runs.iter().map(|r| stumbling(*r, if i < sick { 4 } else { 0 })).collect();
                Laptop { runs, ..l }
            })
            .collect();
        judge_model(&k, true, &laptops, &InTurn).1.iter().map(|c| c.p_fan).collect()
    };
    assert!(all(healthy(), 10).iter().all(|p| *p < 0.05));
    let three = all(healthy().into_iter().take(3).collect(), 1);
    assert!(three[0] > 0.6 && three[1] < 0.05 && three[2] < 0.05, "{three:?}");
}

#[test]
fn small_groups_and_empty_laptops_do_not_crash() {
    let k = Constants::default();
    for n in [0, 1, 3] {
        let few: Vec<Laptop> = (0..n)
            .map(|i| Laptop { device: i.to_string(), ..laptop(vec![run(0.0, -0.1, 0.05)], vec![]) })
            .collect();
        let (_, out) = judge_model(&k, true, &few, &InTurn);
        assert_eq!(out.len(), n);
        for c in &out {
            for p in [c.p_clogged, c.p_fan, c.p_contact] {
                assert!((0.0..=1.0).contains(&p), "{p}");
            }
            // One run without peers cannot tell.
            assert!(c.p_clogged < 0.5, "{}", c.p_clogged);
        }
    }
    let empty =
        Laptop { device: String::new(), runs: vec![], services: vec![(3.0, Action::Paste)], as_of: 10.0 };
    let (_, out) = judge_model(&k, true, &[empty], &InTurn);
    assert!(out[0].fan.is_none());
}

#[test]
fn judged_one_by_one_is_judged_all_at_once() {
    let k = Constants::default();
    let mut all = healthy();
    all.push(laptop(
        (0..8).map(|m| run(30.0 * f64::from(m), -0.1 - 0.07 * f64::from(m), 0.2)).collect(),
        vec![],
    ));
    let (reference, full) = judge_model(&k, true, &all, &InTurn);
    // Through the store and back.
    let stored = serde_json::to_string(&reference).expect("written");
    let reference: ModelReference = serde_json::from_str(&stored).expect("read");
    let judge = Judge::new(&k, true, &reference);
    for (l, c) in all.iter().zip(&full) {
        let runs: Vec<RunEvidence> = l
            .runs
            .iter()
            .map(|r| serde_json::from_str(&serde_json::to_string(r).expect("written")).expect("read"))
            .collect();
        assert_eq!(judge.laptop(&Laptop { runs, ..l.clone() }), *c, "{}", l.device);
    }
}

#[test]
fn a_step_of_the_whole_model_is_one_event_and_no_sick_laptops() {
    let k = Constants::default();
    let mut all = healthy();
    // From day 120 on a firmware drives every fan 20 % slower, and each laptop cools less for it.
    for r in all.iter_mut().flat_map(|l| &mut l.runs).filter(|r| r.day >= 120.0) {
        r.air = r.air.map(|(v, sd)| (v - 0.3, sd));
        r.raw_air -= 0.3;
        r.fans[0].iter_mut().for_each(|f| f.ratio *= 0.8);
        r.firmware = 2;
    }
    for r in all.iter_mut().flat_map(|l| &mut l.runs).filter(|r| r.day < 120.0) {
        r.firmware = 1;
    }
    let sick = (0..8).map(|m| run(30.0 * f64::from(m), -0.1 - 0.07 * f64::from(m), 0.01)).collect();
    all.push(Laptop { device: "sick".to_owned(), ..laptop(sick, vec![]) });
    let (reference, out) = judge_model(&k, true, &all, &InTurn);
    let of = |part: Part| reference.events.iter().filter(|e| e.part == part).collect::<Vec<_>>();
    for (part, step) in [(Part::Airflow, -0.3), (Part::Fan, 0.8_f64.ln())] {
        let found = of(part);
        assert_eq!(found.len(), 1, "{:?}", reference.events);
        assert!((found[0].log_step - step).abs() < 0.02, "{found:?}");
        assert!((found[0].day - 120.0).abs() < 1.0, "{found:?}");
    }
    assert!(of(Part::Contact).is_empty());
    for c in &out[..10] {
        assert!(c.p_clogged < 0.1 && c.p_fan < 0.1, "{} {}", c.p_clogged, c.p_fan);
    }
    assert!(out[10].p_clogged > 0.8, "{}", out[10].p_clogged);
}

#[test]
fn what_the_runs_dont_say_comes_with_the_cheapest_step() {
    let mut quick = run(0.0, -0.2, 0.02);
    (quick.quick, quick.air) = (true, None);
    let c = among_healthy(laptop(vec![quick], vec![]));
    let air = c.cannot_tell.iter().find(|d| d.part == Part::Airflow);
    assert_eq!(air.map(|d| d.next), Some(NextStep::StandardCheck));
    let c = among_healthy(laptop((0..8).map(|m| run(30.0 * f64::from(m), -0.06, 0.01)).collect(), vec![]));
    assert_eq!(c.cannot_tell, vec![]);
}

#[test]
fn the_same_runs_always_give_the_same_judgement() {
    let k = Constants::default();
    // In words, since a reference may hold a NaN; not `assert_eq`, whose message would be pages long.
    let judged = || format!("{:?}", judge_model(&k, true, &healthy(), &InTurn));
    assert!(judged() == judged());
}
