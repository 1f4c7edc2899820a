//! Run analysis against planted faults, lying sensors, and arbitrary input.

use proptest::prelude::*;

use super::*;
use crate::emulate::{Faults, LaptopSpec, RunPlan, Start, catalogue, model_of, record_run};

fn plan(faults: &str) -> RunPlan {
    RunPlan { faults: faults.parse::<Faults>().unwrap(), ..RunPlan::default() }
}

fn office() -> LaptopSpec {
    model_of("Tamsel 14").unwrap()
}

fn run(faults: &str) -> RunAnalysis {
    analyse(&record_run(&office(), &plan(faults)), &RunContext::default())
}

#[track_caller]
fn value(m: Measured) -> f64 {
    m.value().unwrap_or_else(|| panic!("no value: {m:?}"))
}

fn has(analysis: &RunAnalysis, name: &str) -> bool {
    analysis.metrics.quality.contains_key(name)
}

#[test]
fn healthy_run_has_all_metrics_and_no_finding() {
    let healthy = run("");
    assert_eq!(healthy.quality, []);
    let m = &healthy.metrics;
    for metric in [
        m.baseline_c,
        m.rise_rate_early_k_per_s,
        m.rise_rate_sustained_k_per_s,
        m.peak_c,
        m.rise_k,
        m.recovery_half_s,
        m.recovery_slow_half_s,
        m.recovery_to_tenth_s,
        m.fan_delay_s,
        m.fan_gain_rpm,
        m.fan_gain_rpm_per_k,
        m.fan_to_ninety_s,
        m.fan_max_rpm,
        m.fan_flutter_rpm,
        m.fan_spin_down_s,
        m.throttled_load_share,
        m.work_rate_loss,
        m.power_sustained_w,
    ] {
        assert!(value(metric).is_finite() && metric.se().unwrap() >= 0.0, "{m:#?}");
    }
    assert_eq!(m.throttle_first_s, Measured::no(Reason::NotApplicable));
    assert_eq!(value(m.throttled_load_share), 0.0);
    assert!((value(m.power_sustained_w) - 20.0).abs() < 0.5);
}

/// Directions of the fault table in docs/method.md.
#[test]
fn faults_move_the_metrics_in_the_right_direction() {
    let healthy = run("").metrics;
    let clog = run("airflow=0.5").metrics;
    assert!(value(clog.rise_k) > value(healthy.rise_k) + 2.0);
    assert!(value(clog.recovery_slow_half_s) > 1.3 * value(healthy.recovery_slow_half_s));
    assert!(value(clog.fan_max_rpm) > value(healthy.fan_max_rpm));

    let weak = run("fan=0.7").metrics;
    assert!(value(weak.fan_max_rpm) < 0.85 * value(healthy.fan_max_rpm));
    assert!(value(weak.fan_gain_rpm_per_k) < 0.8 * value(healthy.fan_gain_rpm_per_k));

    let late = run("fan-late=25").metrics;
    assert!((value(late.fan_delay_s) - value(healthy.fan_delay_s) - 25.0).abs() < 3.0);

    let paste = run("paste=2.5").metrics;
    assert!(value(paste.rise_rate_early_k_per_s) > value(healthy.rise_rate_early_k_per_s) + 0.2);
    assert!((value(paste.recovery_half_s)) < value(healthy.recovery_half_s));

    let flutter = run("flutter=0.2").metrics;
    assert!(value(flutter.fan_flutter_rpm) > 5.0 * value(healthy.fan_flutter_rpm));

    let hot = run("ambient=31").metrics;
    let moved = value(hot.baseline_c) - value(healthy.baseline_c);
    assert!(moved > 3.0 && moved < 8.5, "{moved}");

    let battery = run("battery").metrics;
    assert!(value(battery.power_sustained_w) < 16.0);
    assert!(value(battery.work_rate_loss) > value(healthy.work_rate_loss) + 0.05);
}

#[test]
fn seized_fan_is_seen_and_its_response_is_not_made_up() {
    let seized = run("fan=0");
    assert!(has(&seized, "fan_still.fan1_rpm"), "{:?}", seized.quality);
    assert_eq!(seized.metrics.fan_delay_s, Measured::no(Reason::FanStill));
    assert_eq!(value(seized.metrics.fan_max_rpm), 0.0);
    let of_two =
        analyse(&record_run(&model_of("Orrin 16 W").unwrap(), &plan("fan2=0")), &RunContext::default());
    assert!(has(&of_two, "fan_still.fan2_rpm"), "{:?}", of_two.quality);
}

/// A tachometer that reads 0 while the laptop cools as with a fan is a sensor fault, not a fan fault.
#[test]
fn zero_rpm_while_cooling_as_with_a_fan_is_the_sensor() {
    let mut trace = record_run(&office(), &RunPlan::default());
    let n = trace.n_samples();
    trace.set_column(Channel::Fan1Rpm, vec![0.0; n]);
    let analysis = analyse(&trace, &RunContext::default());
    assert!(has(&analysis, "rpm_zero_while_cooling"), "{:?}", analysis.quality);
    assert!(!has(&analysis, "fan_still.fan1_rpm"));
}

#[test]
fn throttling_is_counted_from_differences_and_survives_a_reset() {
    let marlow = model_of("Marlow 15").unwrap();
    let trace = record_run(&marlow, &plan("airflow=0.4,paste=2"));
    let m = analyse(&trace, &RunContext::default()).metrics;
    let share = value(m.throttled_load_share);
    assert!(share > 0.05 && share <= 1.0, "{share}");
    assert!(value(m.throttle_first_s) < 170.0);

    let mut wrapped = trace.clone();
    let column = trace.column(Channel::ThrottleMs).unwrap();
    let at = column.len() / 2;
    let zero = column[at];
    wrapped.set_column(
        Channel::ThrottleMs,
        column.iter().enumerate().map(|(i, v)| if i < at { *v } else { v - zero }).collect(),
    );
    let after = value(analyse(&wrapped, &RunContext::default()).metrics.throttled_load_share);
    assert!((after - share).abs() < 0.01, "{after} {share}");
}

#[test]
fn missing_channels_leave_the_other_judgements() {
    for spec in catalogue() {
        let analysis = analyse(&record_run(&spec, &RunPlan::default()), &RunContext::default());
        let m = &analysis.metrics;
        let name = &spec.model.product;
        assert!(value(m.rise_k) > 8.0, "{name}");
        assert!(m.recovery_half_s.value().is_some(), "{name}: {:?}", m.recovery_half_s);
        let has_rpm = spec.sensors.rpm.is_some() && !spec.fans.is_empty();
        assert_eq!(m.fan_max_rpm.value().is_some(), has_rpm, "{name}");
        assert_eq!(m.power_sustained_w.value().is_some(), spec.sensors.power, "{name}");
        assert_eq!(m.throttled_load_share.value().is_some(), spec.sensors.throttle, "{name}");
    }
}

#[test]
fn circumstances_are_found() {
    let busy = run("background=5");
    assert!(
        has(&busy, "background_load.recovery") && has(&busy, "background_load.settle"),
        "{:?}",
        busy.quality
    );
    assert_eq!(busy.metrics.recovery_slow_half_s, Measured::no(Reason::BackgroundLoad));

    let warm = RunPlan { start: Start::Worked { load: 1.0, for_s: 900.0 }, ..RunPlan::default() };
    let warm = analyse(&record_run(&office(), &warm), &RunContext::default());
    assert!(has(&warm, "not_settled") || has(&warm, "warm_start"), "{:?}", warm.quality);

    let on_battery = RunContext { on_ac: Some(false), ..RunContext::default() };
    let battery = analyse(&record_run(&office(), &plan("battery")), &on_battery);
    assert!(has(&battery, "on_battery"));

    let early = RunContext {
        protocol: Some(Protocol { load_s: 600.0, ..Protocol::STANDARD }),
        ..RunContext::default()
    };
    assert!(has(&analyse(&record_run(&office(), &plan("")), &early), "stopped_early"));
}

#[test]
fn lying_sensors_are_found_and_do_not_move_the_metrics() {
    let trace = record_run(&office(), &RunPlan::default());
    let honest = analyse(&trace, &RunContext::default());
    let mut lying = trace.clone();
    let mut temps = trace.column(Channel::CpuTempC).unwrap().to_vec();
    for (idx, lie) in [(100, 0.0), (300, -128.0), (500, 127.0), (700, 99.0), (1100, 99.0), (1300, 255.0)] {
        temps[idx] = lie;
    }
    lying.set_column(Channel::CpuTempC, temps);
    let analysis = analyse(&lying, &RunContext::default());
    assert!(
        has(&analysis, "out_of_range.cpu_temp_c") && has(&analysis, "jump.cpu_temp_c"),
        "{:?}",
        analysis.quality
    );
    let close = |a: Measured, b: Measured| (value(a) - value(b)).abs() <= 0.5 * a.se().unwrap().max(0.2);
    assert!(close(honest.metrics.peak_c, analysis.metrics.peak_c));
    assert!(close(honest.metrics.recovery_slow_half_s, analysis.metrics.recovery_slow_half_s));

    let mut alike = trace.clone();
    for channel in [Channel::Fan1Rpm, Channel::Fan2Rpm] {
        alike.set_column(channel, vec![2900.0; trace.n_samples()]);
    }
    let alike = analyse(&alike, &RunContext::default());
    assert!(has(&alike, "fans_frozen_alike"));
    assert_eq!(alike.metrics.fan_max_rpm, Measured::no(Reason::SensorStuck));
}

#[test]
fn stuck_temperature_is_found_at_an_edge_and_over_a_whole_load() {
    let trace = record_run(&office(), &RunPlan::default());
    let mut held = trace.column(Channel::CpuTempC).unwrap().to_vec();
    let off = find_phases(&trace).load.end;
    // As hot as at the load's end, long after the die has cooled.
    let as_at_end = held[off - 2];
    held[off + 1..off + 34].fill(as_at_end);
    let mut caught_up = trace.clone();
    caught_up.set_column(Channel::CpuTempC, held);
    let analysis = analyse(&caught_up, &RunContext::default());
    assert!(has(&analysis, "sensor_stuck.cpu_temp_c"), "{:?}", analysis.quality);
    assert_eq!(analysis.metrics.recovery_slow_half_s, Measured::no(Reason::SensorStuck));

    let frozen = run("sensor-stuck-at=30");
    assert!(has(&frozen, "sensor_stuck.cpu_temp_c"), "{:?}", frozen.quality);
    assert!(!has(&run(""), "sensor_stuck.cpu_temp_c"));
}

#[test]
fn sleep_gap_is_found_and_voids_the_recovery() {
    let mut trace = record_run(&office(), &RunPlan::default());
    let at = find_phases(&trace).recovery.start + 40;
    for t in &mut trace.time_s[at..] {
        *t += 900.0;
    }
    let analysis = analyse(&trace, &RunContext::default());
    assert!(has(&analysis, "sleep_gap.recovery"));
    assert_eq!(analysis.metrics.recovery_half_s, Measured::no(Reason::SleepGap));
}

#[test]
fn slow_sensor_is_told() {
    let mut spec = office();
    spec.sensors.cpu.lag_s = 14.0;
    let analysis = analyse(&record_run(&spec, &RunPlan::default()), &RunContext::default());
    assert!(has(&analysis, "sensor_lag"), "{:?}", analysis.quality);
}

/// A phase that is too short gives a bound, not a guess.
#[test]
fn what_the_phase_is_too_short_for_is_censored() {
    let protocol = Protocol { recovery_s: 25.0, ..Protocol::STANDARD };
    let short = RunPlan { protocol, ..plan("fan=0") };
    let m = analyse(&record_run(&office(), &short), &RunContext::default()).metrics;
    let Measured::Over { over } = m.recovery_half_s else { panic!("{:?}", m.recovery_half_s) };
    assert!((over - 25.0).abs() < 0.5);
}

fn all(m: &wire::Metrics) -> Vec<(&'static str, Measured)> {
    vec![
        ("baseline", m.baseline_c),
        ("early", m.rise_rate_early_k_per_s),
        ("sustained", m.rise_rate_sustained_k_per_s),
        ("peak", m.peak_c),
        ("rise", m.rise_k),
        ("half", m.recovery_half_s),
        ("slow half", m.recovery_slow_half_s),
        ("to tenth", m.recovery_to_tenth_s),
        ("fan delay", m.fan_delay_s),
        ("fan gain", m.fan_gain_rpm),
        ("fan max", m.fan_max_rpm),
        ("work", m.work_rate_loss),
        ("power", m.power_sustained_w),
    ]
}

/// The run as it would have been sampled at half the rate: of each two samples the later, a slower channel's reading
/// kept whichever it was in.
fn at_half_the_rate(trace: &Trace) -> Trace {
    let mut half = Trace::empty();
    half.time_s = trace.time_s.chunks_exact(2).map(|pair| pair[1]).collect();
    half.phase = trace.phase.as_ref().map(|p| p.chunks_exact(2).map(|pair| pair[1]).collect());
    for channel in trace.channels() {
        let pairs = trace.column(channel).unwrap().chunks_exact(2);
        half.set_column(channel, pairs.map(|p| if p[1].is_nan() { p[0] } else { p[1] }).collect());
    }
    half
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn metrics_do_not_depend_on_when_the_clock_began(shift_s in -1e6..1e6_f64, seed in 0..1000_u64) {
        let trace = record_run(&office(), &RunPlan { seed, ..RunPlan::default() });
        let mut shifted = trace.clone();
        for t in &mut shifted.time_s {
            *t += shift_s;
        }
        let (a, b) = (analyse(&trace, &RunContext::default()), analyse(&shifted, &RunContext::default()));
        for ((name, x), (_, y)) in all(&a.metrics).into_iter().zip(all(&b.metrics)) {
            match (x, y) {
                (Measured::Value { value: x, .. }, Measured::Value { value: y, .. }) => {
                    prop_assert!((x - y).abs() <= 1e-4 * x.abs().max(1.0), "{} {} {}", name, x, y);
                }
                (x, y) => prop_assert_eq!(x, y, "{}", name),
            }
        }
    }

    #[test]
    fn half_as_many_samples_give_the_same_metrics_within_their_errors(seed in 0..1000_u64) {
        let trace = record_run(&office(), &RunPlan { seed, ..RunPlan::default() });
        let full = analyse(&trace, &RunContext::default());
        let half = analyse(&at_half_the_rate(&trace), &RunContext::default());
        for ((name, x), (_, y)) in all(&full.metrics).into_iter().zip(all(&half.metrics)) {
            let (Some(vx), Some(vy)) = (x.value(), y.value()) else {
                prop_assert_eq!(x, y, "{}", name);
                continue;
            };
            let se = x.se().unwrap().hypot(y.se().unwrap());
            prop_assert!((vx - vy).abs() <= 3.0 * se, "{}: {:?} {:?}", name, x, y);
        }
    }
}

fn any_value() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => 0.0..120.0_f64,
        1 => Just(f64::NAN),
        1 => Just(0.0),
        1 => prop::num::f64::NORMAL,
        1 => Just(65535.0),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn no_trace_makes_it_panic(
        steps in prop::collection::vec(prop_oneof![4 => 0.05..2.0_f64, 1 => 0.05..500.0_f64], 0..120),
        values in prop::collection::vec(any_value(), 15 * 120),
        present in prop::collection::vec(any::<bool>(), 15),
        load in prop::collection::vec(0..4_u8, 120),
        named in any::<bool>(),
    ) {
        let mut trace = Trace::empty();
        let mut t = 0.0;
        for step in &steps {
            t += step;
            trace.time_s.push(t);
        }
        let n = trace.n_samples();
        for (idx, spec) in crate::channel::CHANNELS.iter().enumerate() {
            if present[idx] {
                trace.set_column(spec.channel, values[idx * 120..idx * 120 + n].to_vec());
            }
        }
        let bursts: Vec<f64> = (0..n).map(|i| if load[i / 20] > 1 { 100.0 } else { 0.0 }).collect();
        trace.set_column(Channel::LoadPct, bursts);
        if named {
            let third = |i: usize| [Phase::Settle, Phase::Load, Phase::Recovery][(3 * i / n.max(1)).min(2)];
            trace.phase = Some((0..n).map(third).collect());
        }
        let analysis = analyse(&trace, &RunContext::default());
        prop_assert!(analysis.phases.load.end <= n);
        for (name, m) in all(&analysis.metrics) {
            let finite = match m {
                Measured::Value { value, se } => value.is_finite() && se.is_finite(),
                Measured::Over { over } => over.is_finite(),
                Measured::No { .. } => true,
            };
            prop_assert!(finite, "{}: {:?}", name, m);
        }
    }
}
