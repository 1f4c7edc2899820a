//! One model whose laptops are measured with different channels, on emulated runs: each is judged beside its own kind.

use std::sync::OnceLock;

use super::*;
use crate::channel::Channel;
use crate::condition::fleet::{FleetRun, judge_fleet};
use crate::emulate::{RunPlan, model_of, record_run};
use crate::estimate::network::LN_RC;
use crate::estimate::workers::InTurn;

type Learned = (ModelStanding, Vec<RunEvidence>);

const NO_POWER: &[Channel] = &[Channel::PackagePowerW];
const NO_SPEED: &[Channel] = &[Channel::Fan1Rpm, Channel::Fan2Rpm];
const CLOGGED: &str = "airflow=0.45";

fn drive(faults: &str, without: &[Channel], seed: u64) -> Drive {
    let plan = RunPlan { faults: faults.parse().unwrap(), seed, ..RunPlan::default() };
    let mut trace = record_run(&model_of("Tamsel 14").unwrap(), &plan);
    for channel in without {
        trace.remove_column(*channel);
    }
    Drive::from_trace(&trace).unwrap()
}

fn run(device: u64, nth: u64, faults: &str, without: &[Channel]) -> ModelRun {
    ModelRun {
        device: format!("QU-{device:02}"),
        day: 20_000.0 + 30.0 * nth as f64,
        room: Room { value_c: RunPlan::default().room.ambient_c, sd_k: 0.8 },
        on_mains: Some(true),
        firmware: 1,
        drive: drive(faults, without, 100 * device + nth),
    }
}

/// Laptops of which the first of each half is clogged, two runs each; those from 6 on are measured without power.
fn halves() -> &'static [ModelRun] {
    static RUNS: OnceLock<Vec<ModelRun>> = OnceLock::new();
    RUNS.get_or_init(|| {
        let faults = |device| if device % 6 == 0 { CLOGGED } else { "" };
        let without = |device| if device < 6 { &[][..] } else { NO_POWER };
        let of = |device| [0, 1].map(|nth| run(device, nth, faults(device), without(device)));
        (0..12).flat_map(of).collect()
    })
}

fn learn(runs: &[ModelRun]) -> Learned {
    ModelStanding::learn(&Constants::default(), runs, &BTreeMap::new(), &InTurn).unwrap()
}

fn judged(runs: &[ModelRun], (standing, evidence): &Learned) -> Vec<(String, Condition)> {
    let of = |laptop: Laptop| (laptop.device.clone(), standing.judge_laptop(&Constants::default(), laptop));
    laptops(runs, evidence, &BTreeMap::new(), None).into_iter().map(of).collect()
}

/// As text, since a value that is not known equals itself there.
fn text(of: &impl Serialize) -> String {
    serde_json::to_string(of).unwrap()
}

#[test]
fn the_clogged_of_both_halves_are_found_and_no_other() {
    let runs = halves();
    let learned = learn(runs);
    let parts: Vec<&ModelStanding> = learned.0.parts().collect();
    assert_eq!(
        parts.iter().map(|p| p.fit.channels.words()).collect::<Vec<_>>(),
        ["with power and fan speed", "without power"]
    );
    assert!(parts.iter().all(|p| p.reference.laptops == 6 && p.reference.runs == 12 && p.fitted_runs == 12));
    // Without power only ratios are known, and not how large the resistance is that paste has a share of.
    let share = &Constants::default().paste_share;
    let r_k_per_w = parts[0].fit.shared.0[LN_RC].exp();
    assert_eq!(parts[0].reference.paste_share, share.of(Some(r_k_per_w)));
    assert_eq!(parts[1].reference.paste_share, share.usual);
    assert!(share.of(Some(r_k_per_w)) != share.usual);
    for (at, (device, c)) in judged(runs, &learned).iter().enumerate() {
        let airflow = c.airflow.unwrap();
        if at % 6 == 0 {
            assert!(c.p_clogged > 0.8 && airflow.mid < 0.7, "{device}: {c:?}");
        } else {
            assert!(c.p_clogged < 0.2 && airflow.mid > 0.8, "{device}: {c:?}");
        }
        let is_open = c.cannot_tell.iter().any(|open| open.part == Part::Airflow);
        assert!(!is_open, "{device}: {c:?}");
    }
}

#[test]
fn each_half_is_judged_to_the_last_digit_as_without_the_other() {
    let runs = halves();
    let (together, evidence) = learn(runs);
    let (with, without) = runs.split_at(12);
    for (part, half, of_half) in
        [(&together, with, &evidence[..12]), (&together.others[0], without, &evidence[12..])]
    {
        let (alone, own) = learn(half);
        assert!(alone.others.is_empty() && !text(&alone).contains("others"));
        assert_eq!(text(&ModelStanding { others: Vec::new(), ..part.clone() }), text(&alone));
        assert_eq!(text(&of_half), text(&own));
    }
    assert_eq!(judged(runs, &(together, evidence))[6..], judged(without, &learn(without))[..]);
}

#[test]
fn a_run_that_comes_later_is_read_as_it_would_have_been_among_the_others() {
    let runs = halves();
    let (standing, evidence) = learn(runs);
    let again = |i: usize| text(&standing.evidence_of(&Constants::default(), &runs[i]));
    (0..runs.len()).for_each(|i| assert_eq!(again(i), text(&evidence[i]), "{i}"));
    let read: ModelStanding = serde_json::from_str(&text(&standing)).unwrap();
    assert_eq!(text(&read), text(&standing));
    assert!(read.is_sound(&Constants::default()));
    let twice = ModelStanding { others: vec![read.others[0].clone(); 2], ..read.clone() };
    let nested = ModelStanding { others: vec![read.clone()], ..read.others[0].clone() };
    assert!(!twice.is_sound(&Constants::default()) && !nested.is_sound(&Constants::default()));
    let spoils: [fn(&mut ModelReference); 4] = [
        |r| r.fan_scatter.mid = 0.0,
        |r| r.fan_scatter.run_sd = -0.01,
        |r| r.paste_share.mean = 0.0,
        |r| r.stumbles_per_s = -1.0,
    ];
    for spoil in spoils {
        let mut spoiled = read.clone();
        spoil(&mut spoiled.reference);
        assert!(!spoiled.is_sound(&Constants::default()), "{:?}", spoiled.reference.fan_scatter);
    }
}

#[test]
fn a_laptop_that_comes_to_be_measured_with_power_is_judged_by_its_new_runs_from_the_third_on() {
    let k = Constants::default();
    let mut runs = halves().to_vec();
    // It clogs once its power is read.
    let own: Vec<ModelRun> = (0..8)
        .map(|nth| if nth < 5 { run(20, nth, "", NO_POWER) } else { run(20, nth, CLOGGED, &[]) })
        .collect();
    runs.extend(own.iter().cloned());
    let (standing, evidence) = learn(&runs);
    assert_eq!(standing.others.len(), 1);
    let (with_power, _) = standing.share_of("QU-20").expect("it is learned from");
    assert!(with_power.has_power, "as what it is now");
    let evidence = &evidence[halves().len()..];
    assert!(evidence.iter().all(|e| e.air.is_some()), "each run says something, by the fit of its own kind");
    let after = |n: usize| {
        let laptop = laptops(&own[..n], &evidence[..n], &BTreeMap::new(), None).pop().unwrap();
        let judges = standing.judges(&k);
        let measured = judges.measured(laptop);
        let said = measured.laptop.runs.iter().filter(|r| r.air.is_some()).count();
        (measured.channels.has_power, said, measured.condition().p_clogged)
    };
    for n in 1..=7 {
        let (has_power, said, p_clogged) = after(n);
        assert_eq!((has_power, said), (false, n.min(5)), "{n}");
        assert!(p_clogged < 0.2, "{n}: {p_clogged}");
    }
    let (has_power, said, p_clogged) = after(8);
    assert_eq!((has_power, said), (true, 3));
    assert!(p_clogged > 0.8, "{p_clogged}");
}

#[test]
fn one_laptop_alone_in_its_set_is_judged_with_a_wide_interval_and_three_find_the_clogged_one() {
    let with = &halves()[..12];
    let measured_so = |n: u64| {
        let mut runs = with.to_vec();
        let faults = |device| if device == 32 { CLOGGED } else { "" };
        runs.extend((30..30 + n).flat_map(|d| [0, 1].map(|nth| run(d, nth, faults(d), NO_SPEED))));
        let learned = learn(&runs);
        judged(&runs, &learned).split_off(6)
    };
    let alone = measured_so(1);
    let among = judged(with, &learn(with));
    let width = |c: &Condition| c.airflow.map(|i| i.high - i.low).unwrap();
    assert!(width(&alone[0].1) > 1.5 * width(&among[1].1), "{alone:?}");
    assert!(alone[0].1.p_clogged < 0.3 && alone[0].1.fan.is_some(), "{alone:?}");
    let three = measured_so(3);
    let odds: Vec<f64> = three.iter().map(|(_, c)| c.p_clogged).collect();
    assert!(odds[2] > 0.5 && odds[0].max(odds[1]) < 0.3, "{odds:?}");
}

#[test]
fn a_speed_that_was_read_once_does_not_make_the_air_of_other_runs_surer() {
    let runs: Vec<ModelRun> = (40..44)
        .flat_map(|d| [0, 1, 2].map(|nth| run(d, nth, "", if d == 40 && nth == 0 { &[] } else { NO_SPEED })))
        .collect();
    let (standing, evidence) = learn(&runs);
    assert!(standing.others.is_empty() && !standing.fit.channels.has_rpm);
    let k = Constants::default();
    let (floor, offset_sd) = k.air_scatter_without_rpm;
    let (is_floor, is_offset_sd) = standing.reference.air_scatter;
    assert!(is_floor >= floor && is_offset_sd >= offset_sd, "{:?}", standing.reference.air_scatter);
    // The first run says nothing of the air: without it the laptop's airflow is as wide.
    let of = |from: usize| {
        let laptop = laptops(&runs[from..3], &evidence[from..3], &BTreeMap::new(), None).pop().unwrap();
        standing.judge_laptop(&k, laptop).airflow
    };
    assert_eq!(of(0), of(1));
}

#[test]
fn a_run_with_channels_with_which_no_laptop_is_measured_says_nothing_and_bends_nothing() {
    let whole = &halves()[..12];
    let mut mixed = whole.to_vec();
    mixed.push(run(1, 2, "", NO_SPEED));
    let ((alone, _), (together, evidence)) = (learn(whole), learn(&mixed));
    assert!(together.others.is_empty());
    assert_eq!(text(&alone.fit), text(&together.fit));
    assert!(evidence[12].air.is_none() && evidence[12].contact.is_none());
    // Its power is none of the reasons: a fleet of it in turn is judged.
    assert!(evidence[12].log_power.is_finite());
}

#[test]
fn a_fleet_is_judged_the_same_way() {
    let runs = halves();
    let fleet = runs.iter().map(|r| FleetRun {
        device: r.device.clone(),
        model: "Tamsel 14".to_owned(),
        site: String::new(),
        day: r.day,
        day_of_year: 100.0,
        ambient_c: Some(r.room.value_c),
        on_mains: r.on_mains,
        firmware: r.firmware,
        drive: r.drive.clone(),
    });
    let (models, judged) = judge_fleet(&Constants::default(), fleet.collect(), &BTreeMap::new(), &InTurn);
    assert_eq!((models.len(), models[0].standing.others.len(), judged.len()), (1, 1, 12));
    for (at, laptop) in judged.iter().enumerate() {
        assert_eq!(laptop.condition.p_clogged > 0.5, at % 6 == 0, "{laptop:?}");
        assert!(laptop.condition.airflow.is_some() && laptop.n_runs == 2);
    }
}
