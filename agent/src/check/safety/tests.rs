//! Every stop at its border.

use super::*;

const LIMIT_C: f64 = 100.0;
const DT_S: f64 = 0.25;

/// A healthy loaded sample; the temperature moves a little, as real ones do.
fn healthy(idx: u32) -> Sample {
    Sample {
        at_s: f64::from(idx) * DT_S,
        cpu_c: Some(80.0 + f64::from(idx % 3)),
        fans_rpm: [Some(3000.0), None],
        power_w: Some(20.0),
        work_rate: Some(1e6),
        on_ac: Some(true),
        lid_closed: Some(false),
        battery_c: Some(30.0),
        ..Sample::default()
    }
}

/// The first stop of a loaded run whose samples are changed by `change`, and its time.
fn first_stop(seconds: u32, change: impl Fn(f64, &mut Sample)) -> Option<(EventKind, f64)> {
    let mut guard = Guard::new(LIMIT_C);
    guard.set_loading(true, 0.0);
    (1..=seconds * 4).find_map(|idx| {
        let mut sample = healthy(idx);
        let at_s = sample.at_s;
        change(at_s, &mut sample);
        guard.observe(&sample).map(|s| (s.kind, sample.at_s))
    })
}

#[test]
fn a_healthy_run_is_let_be() {
    assert_eq!(first_stop(200, |_, _| ()), None);
}

#[test]
fn at_the_limit_is_tolerated_for_twenty_seconds_in_all() {
    assert_eq!(first_stop(60, |_, s| s.cpu_c = Some(99.0)), Some((EventKind::AtLimit, 20.0)));
    assert_eq!(first_stop(60, |_, s| s.cpu_c = Some(98.9 + 0.05 * (s.at_s % 2.0))), None);
    let in_pieces = |t: f64, s: &mut Sample| {
        if (t as u32).is_multiple_of(2) {
            s.cpu_c = Some(99.5);
        }
    };
    let (kind, at_s) = first_stop(100, in_pieces).unwrap();
    assert_eq!(kind, EventKind::AtLimit);
    assert!((38.0..=42.0).contains(&at_s), "{at_s}");
}

#[test]
fn over_the_limit_by_more_than_two_kelvin_ends_at_once() {
    assert_eq!(first_stop(10, |_, s| s.cpu_c = Some(102.01)), Some((EventKind::OverLimit, 0.25)));
    assert_eq!(first_stop(10, |_, s| s.cpu_c = Some(102.0)), None);
}

#[test]
fn a_fan_that_stopped_at_the_limit_ends_at_once() {
    let stops = |t: f64, s: &mut Sample| {
        s.cpu_c = Some(if t < 5.0 { 90.0 } else { 100.0 });
        s.fans_rpm[0] = Some(if t < 5.0 { 3000.0 } else { 0.0 });
    };
    assert_eq!(first_stop(10, stops), Some((EventKind::FanStoppedAtLimit, 5.0)));
    // A fan that was never seen turning may be one without a tachometer.
    let never_turned = |_: f64, s: &mut Sample| {
        s.cpu_c = Some(100.0);
        s.fans_rpm[0] = Some(0.0);
    };
    assert_eq!(first_stop(10, never_turned), None);
}

#[test]
fn a_lost_sensor_is_given_three_seconds() {
    let lost = |t: f64, s: &mut Sample| {
        if t > 5.0 {
            s.cpu_c = None;
        }
    };
    assert_eq!(first_stop(20, lost), Some((EventKind::SensorLost, 8.0)));
    let slow = |t: f64, s: &mut Sample| {
        if t % 2.75 != 0.0 {
            s.cpu_c = None;
        }
    };
    assert_eq!(first_stop(60, slow), None);
}

#[test]
fn a_sensor_that_stands_while_power_steps_is_stuck() {
    let stuck = |t: f64, s: &mut Sample| {
        s.cpu_c = Some(45.0);
        s.power_w = Some(if t < 1.0 { 3.0 } else { 25.0 });
    };
    assert_eq!(first_stop(60, stuck), Some((EventKind::SensorStuck, 10.25)));
    let work_only = |t: f64, s: &mut Sample| {
        s.cpu_c = Some(45.0);
        s.power_w = None;
        s.work_rate = Some(if t < 1.0 { 0.0 } else { 1e6 });
    };
    assert_eq!(first_stop(60, work_only), Some((EventKind::SensorStuck, 10.25)));
    // Steady heat in whole degrees stands still for long, and rightly.
    assert_eq!(first_stop(100, |_, s| s.cpu_c = Some(77.0)), None);
}

#[test]
fn lost_mains_a_closed_lid_and_a_hot_battery_end_at_once() {
    let at_two = |t: f64| t >= 2.0;
    assert_eq!(first_stop(9, |t, s| s.on_ac = Some(!at_two(t))), Some((EventKind::AcLost, 2.0)));
    assert_eq!(first_stop(9, |t, s| s.lid_closed = Some(at_two(t))), Some((EventKind::LidClosed, 2.0)));
    assert_eq!(
        first_stop(9, |_, s| s.lid_closed = Some(true)),
        None,
        "closed from the start: pre-check's matter"
    );
    assert_eq!(first_stop(9, |_, s| s.battery_c = Some(45.0)), None);
    assert_eq!(first_stop(9, |_, s| s.battery_c = Some(45.1)), Some((EventKind::BatteryHot, 0.25)));
    let warms = |t: f64, s: &mut Sample| s.battery_c = Some(if at_two(t) { 33.1 } else { 30.0 });
    assert_eq!(first_stop(9, warms), Some((EventKind::BatteryHot, 2.0)));
}

#[test]
fn a_sampler_that_fell_behind_or_a_machine_that_slept_ends_the_load() {
    let mut guard = Guard::new(LIMIT_C);
    guard.set_loading(true, 0.0);
    assert_eq!(guard.observe(&Sample { at_s: 1.0, ..healthy(0) }), None);
    let late = guard.observe(&Sample { at_s: 2.1, ..healthy(1) }).unwrap();
    assert_eq!(late.kind, EventKind::Deadline);
    let mut guard = Guard::new(LIMIT_C);
    guard.set_loading(true, 0.0);
    let slept = guard.observe(&Sample { at_s: 30.0, slept_s: 29.0, ..healthy(1) }).unwrap();
    assert_eq!(slept.kind, EventKind::Slept);
}

#[test]
fn before_the_load_only_what_forbids_it_stops() {
    let mut guard = Guard::new(LIMIT_C);
    assert_eq!(guard.observe(&Sample { at_s: 0.0, ..healthy(0) }), None);
    assert_eq!(guard.observe(&Sample { at_s: 60.0, ..healthy(1) }), None, "a gap at rest is no danger");
    let unplugged = Sample { at_s: 61.0, on_ac: Some(false), ..healthy(2) };
    assert_eq!(guard.observe(&unplugged).unwrap().kind, EventKind::AcLost);
}

#[test]
fn a_rested_temperature_gets_its_ten_seconds_from_the_load_on() {
    let mut guard = Guard::new(LIMIT_C);
    let sample = |idx: u32, power_w: f64, work_rate: f64| Sample {
        cpu_c: Some(41.0),
        power_w: Some(power_w),
        work_rate: Some(work_rate),
        ..healthy(idx)
    };
    for idx in 1..=240 {
        assert_eq!(guard.observe(&sample(idx, 3.0, 0.0)), None);
    }
    guard.set_loading(true, 60.0);
    let first = (241..400).find_map(|idx| guard.observe(&sample(idx, 25.0, 1e6)).map(|s| (s.kind, idx)));
    assert_eq!(first, Some((EventKind::SensorStuck, 280)), "10 s after the load began at sample 240");
}

#[test]
fn mains_that_cannot_be_read_any_more_count_as_lost_where_they_were_there() {
    let vanishes = |t: f64, s: &mut Sample| s.on_ac = (t < 5.0).then_some(true);
    assert_eq!(first_stop(20, vanishes), Some((EventKind::AcLost, 7.75)));
    assert_eq!(first_stop(20, |_, s| s.on_ac = None), None, "a machine that never told");
}

#[test]
fn a_load_that_does_no_work_is_a_fault() {
    let ends = |t: f64, s: &mut Sample| s.work_rate = Some(if t <= 5.0 { 1e6 } else { 0.0 });
    assert_eq!(first_stop(20, ends), Some((EventKind::LoadFault, 8.0)));
    assert_eq!(first_stop(20, |_, s| s.work_rate = None), None);
}
