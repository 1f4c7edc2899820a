use std::collections::BTreeMap;
use std::sync::OnceLock;

use super::*;
use crate::channel::Channel;
use crate::condition::standing::ModelRun;
use crate::emulate::{RunPlan, model_of, record_run};
use crate::estimate::network_drive::Drive;
use crate::estimate::workers::InTurn;
use crate::history::room;
use crate::record::wire::{Ambient, AmbientSource};
use crate::trace::Trace;

const KNOWN: Option<Ambient> = Some(Ambient { value_c: 23.0, sd_k: 0.5, source: AmbientSource::Told });
const KEY: &str = "Northwick | Tamsel 14 | A | C4";
const AS_OF: &str = "2026-03-02T09:00:00Z";
const LAPTOPS: u64 = 6;

fn recorded(faults: &str, seed: u64) -> Trace {
    let plan = RunPlan { faults: faults.parse().unwrap(), seed, ..RunPlan::default() };
    record_run(&model_of("Tamsel 14").unwrap(), &plan)
}

fn device(number: u64) -> String {
    format!("{number:032x}")
}

/// A standing learned from healthy units, each with two runs.
fn standing() -> &'static ModelStanding {
    static STANDING: OnceLock<ModelStanding> = OnceLock::new();
    STANDING.get_or_init(|| {
        let run = |laptop: u64, nth: u64| ModelRun {
            device: device(laptop),
            day: 20_000.0 + 30.0 * nth as f64,
            room: room(KNOWN),
            on_mains: Some(true),
            firmware: 1,
            drive: Drive::from_trace(&recorded("", 10 * laptop + nth)).unwrap(),
        };
        let runs: Vec<ModelRun> = (0..LAPTOPS).flat_map(|l| [run(l, 0), run(l, 1)]).collect();
        ModelStanding::learn(&Constants::default(), &runs, &BTreeMap::new(), &InTurn).unwrap().0
    })
}

fn published() -> PublishedReference {
    let firmwares = ["1.02".to_owned()];
    PublishedReference::new(&Source {
        provenance: "emulated",
        model_key: KEY,
        as_of: AS_OF,
        firmwares: &firmwares,
        standing: standing(),
    })
}

fn bytes(reference: &PublishedReference) -> Vec<u8> {
    serde_json::to_vec(reference).unwrap()
}

fn run(trace: &Trace) -> OwnRun<'_> {
    OwnRun { trace, day: 20_070.0, ambient: KNOWN, on_mains: Some(true), firmware: "1.02" }
}

#[test]
fn other_laptops_ids_are_not_in_it_and_it_stays_small() {
    let people = bytes(&published());
    let share = standing().share_of(&device(2));
    let own = bytes(&published().for_laptop(&device(2), share, &[]));
    for (document, told) in [(&people, None), (&own, Some(2))] {
        let text = String::from_utf8_lossy(document);
        for laptop in 0..LAPTOPS {
            assert_eq!(text.contains(&device(laptop)), told == Some(laptop), "{laptop}");
        }
        assert!(document.len() < BYTES_MAX / 4, "{} bytes", document.len());
    }
    for (document, others) in [(&own, LAPTOPS as usize - 1), (&people, LAPTOPS as usize)] {
        let read = PublishedReference::read(document).unwrap();
        assert_eq!(read.others(&read.standing), others);
    }
}

#[test]
fn a_laptop_is_judged_by_it_as_the_hub_judges_it() {
    let share = standing().share_of(&device(2));
    let read = PublishedReference::read(&bytes(&published().for_laptop(&device(2), share, &[]))).unwrap();
    let (now, past) = (recorded("", 99), recorded("", 20));
    let past = [OwnRun { day: 20_000.0, ..run(&past) }];
    let here = against_peers(&read, &device(2), &run(&now), &past).unwrap();

    let k = Constants::default();
    let made = |r: &OwnRun<'_>| ModelRun {
        device: device(2),
        day: r.day,
        room: room(r.ambient),
        on_mains: r.on_mains,
        firmware: 1,
        drive: Drive::from_trace(r.trace).unwrap(),
    };
    let runs = [made(&past[0]), made(&run(&now))];
    let evidence: Vec<_> = runs.iter().map(|r| standing().evidence_of(&k, r)).collect();
    let laptop = crate::condition::standing::laptops(&runs, &evidence, &BTreeMap::new(), None).swap_remove(0);
    assert_eq!(here.condition, standing().judge_laptop(&k, laptop));
    assert_eq!((here.own_runs, here.others), (2, LAPTOPS as usize - 1));
}

#[test]
fn a_laptop_is_judged_by_the_part_with_the_channels_of_its_run_and_only_its_share_of_that_is_taken_out() {
    let k = Constants::default();
    let without_power = |mut trace: Trace| {
        trace.remove_column(Channel::PackagePowerW);
        trace
    };
    let made = |laptop: u64, trace: &Trace, day: f64| ModelRun {
        device: device(laptop),
        day,
        room: room(KNOWN),
        on_mains: Some(true),
        firmware: 1,
        drive: Drive::from_trace(trace).unwrap(),
    };
    // As many laptops without power, one check each; number 20 among them.
    let mut runs: Vec<ModelRun> = (0..LAPTOPS)
        .flat_map(|l| [0, 1].map(|nth| made(l, &recorded("", 10 * l + nth), 20_000.0 + 30.0 * nth as f64)))
        .collect();
    runs.extend((20..20 + LAPTOPS).map(|l| made(l, &without_power(recorded("", 10 * l)), 20_000.0)));
    let standing = ModelStanding::learn(&k, &runs, &BTreeMap::new(), &InTurn).unwrap().0;
    let source = Source {
        provenance: "emulated",
        model_key: KEY,
        as_of: AS_OF,
        firmwares: &["1.02".to_owned()],
        standing: &standing,
    };
    let document =
        bytes(&PublishedReference::new(&source).for_laptop(&device(20), standing.share_of(&device(20)), &[]));
    assert!(document.len() < BYTES_MAX / 4, "{} bytes", document.len());
    let read = PublishedReference::read(&document).unwrap();
    assert_eq!((read.measured.has_power, read.others.len()), (true, 1));
    assert_eq!((read.others[0].measured.has_power, read.others[0].laptops), (false, LAPTOPS as usize));
    let text = String::from_utf8_lossy(&document);
    assert!((0..20 + LAPTOPS).all(|l| text.contains(&device(l)) == (l == 20)), "no other laptop is named");

    let now = without_power(recorded("airflow=0.45", 99));
    let here = against_peers(&read, &device(20), &run(&now), &[]).unwrap();
    assert_eq!(here.measured.map(|m| m.has_power), Some(false));
    assert_eq!((here.others, here.runs), (LAPTOPS as usize - 1, LAPTOPS as usize));
    assert!(here.condition.p_clogged > 0.5, "{:?}", here.condition);
    let own = [made(20, &now, 20_070.0)];
    let evidence = [standing.evidence_of(&k, &own[0])];
    let laptop = crate::condition::standing::laptops(&own, &evidence, &BTreeMap::new(), None).swap_remove(0);
    assert_eq!(here.condition, standing.judge_laptop(&k, laptop), "as the hub judges it");
    // Its power is read now: it is beside the others of that part, of which none is itself.
    let with_power = against_peers(&read, &device(20), &run(&recorded("", 98)), &[run(&now)]).unwrap();
    assert_eq!((with_power.measured.map(|m| m.has_power), with_power.others), (Some(true), LAPTOPS as usize));
    assert!(with_power.condition.p_clogged < 0.3, "what the run before said doesn't count here");
}

#[test]
fn clogged_vents_show_beside_healthy_peers_and_health_does_too() {
    let reference = published();
    let stranger = device(77);
    let clogged = recorded("airflow=0.45", 5);
    let c = against_peers(&reference, &stranger, &run(&clogged), &[]).unwrap().condition;
    assert!(c.p_clogged > 0.5, "{c:?}");
    let healthy = recorded("", 6);
    let c = against_peers(&reference, &stranger, &run(&healthy), &[]).unwrap().condition;
    assert!(c.p_clogged < 0.2 && c.p_fan < 0.2 && c.p_contact < 0.3, "{c:?}");
    // The peers' bands are in the model's own as-new units.
    let air = reference.peers.airflow_fraction.unwrap();
    assert!(air.low <= air.mid && air.mid <= air.high && (0.7..1.3).contains(&air.mid), "{air:?}");
    assert_eq!(against_peers(&reference, &stranger, &run(&Trace::empty()), &[]), None);
}

#[test]
fn a_service_of_its_own_is_known_to_the_laptop() {
    let reference = published();
    let (clogged, now) = (recorded("airflow=0.45", 5), recorded("", 6));
    let past = [OwnRun { day: 20_010.0, ..run(&clogged) }];
    let odds = |services: &[(f64, Action)]| {
        let told = reference.clone().for_laptop(&device(77), None, services);
        against_peers(&told, &device(77), &run(&now), &past).unwrap().condition.p_clogged
    };
    assert!(odds(&[(20_040.5, Action::Clean)]) < odds(&[]), "a cleaning must explain the better run");
}

#[test]
fn another_version_or_a_broken_document_is_not_used() {
    let good: serde_json::Value = serde_json::from_slice(&bytes(&published())).unwrap();
    let read = |change: &dyn Fn(&mut serde_json::Value)| {
        let mut changed = good.clone();
        change(&mut changed);
        PublishedReference::read(&serde_json::to_vec(&changed).unwrap())
    };
    assert!(read(&|_| ()).is_ok());
    for path in ["/schema", "/method_version", "/standing/version", "/standing/constants_version"] {
        let other = read(&|v| *v.pointer_mut(path).unwrap() = "0".into());
        assert!(matches!(other, Err(Unusable::OtherVersion(_))), "{path}: {other:?}");
    }
    for path in ["/standing/reference/air/log_weights", "/standing/fan_maps/0/due_rpm"] {
        let other = read(&|v| *v.pointer_mut(path).unwrap() = serde_json::json!([1.0]));
        assert!(matches!(other, Err(Unusable::Unreadable(_))), "{path}: {other:?}");
    }
    let huge = read(&|v| *v.pointer_mut("/standing/reference/air/offsets/n").unwrap() = 1e15.into());
    assert!(huge.is_err());
    let own = read(&|v| v["own"] = serde_json::json!({"device_id": "x", "services": [[-1e300, "clean"]]}));
    assert!(own.is_err());
    assert!(PublishedReference::read(b"{}").is_err() && PublishedReference::read(b"").is_err());
    assert_eq!(PublishedReference::read(&vec![b' '; BYTES_MAX + 1]), Err(Unusable::TooLarge));
}

#[test]
fn ids_differ_by_provenance_and_model_and_stay_the_same() {
    // SHA-256 by another program: printf 'measured\nA | B | C | D' | sha256sum | cut -c1-16
    assert_eq!(model_id("measured", "A | B | C | D"), "5d3308fd121c762c");
    assert_ne!(model_id("measured", KEY), model_id("emulated", KEY));
}
