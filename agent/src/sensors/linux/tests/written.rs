//! Laptops of several kinds, as their kernels would show them.

use windrow_model::channel::Channel;
use windrow_model::record::wire::LimitSource;

use super::trees::{CPU, PACKAGE_TEMP, RAPL, Written, coretemp_laptop, got, source};
use crate::machine::Sensors;
use crate::sensors::State;
use crate::sensors::linux::{open, survey};

#[test]
fn a_laptop_with_everything_is_read_in_its_units() {
    let w = coretemp_laptop();
    let mut s = w.open();
    let r = s.sweep_at(10.0);
    for (channel, expected) in [
        (Channel::CpuTempC, Some(52.0)),
        (Channel::Fan1Rpm, Some(2400.0)),
        (Channel::Fan2Rpm, None),
        (Channel::Pwm1, Some(88.0)),
        (Channel::CoreClockMhz, Some(2150.0)),
        // Two cores and one package, though four CPUs show them: 10 + 11 + 7.
        (Channel::ThrottleCount, Some(28.0)),
        (Channel::ThrottleMs, Some(70.0)),
        (Channel::BatteryTempC, Some(31.2)),
        (Channel::PackagePowerW, None),
        (Channel::BusyPct, None),
    ] {
        assert_eq!(got(&r, channel), expected, "{channel:?}");
    }
    assert_eq!((r.on_ac, r.lid_closed), (Some(true), Some(false)));
    assert_eq!(source(&s, Channel::CpuTempC).as_deref(), Some("coretemp/Package id 0"));
    let limit = s.limit().unwrap();
    assert_eq!((limit.limit_c, limit.source), (100.0, LimitSource::SensorCritical));
}

#[test]
fn power_and_busy_share_are_those_of_the_interval() {
    let w = coretemp_laptop();
    let mut s = w.open();
    s.sweep_at(10.0);
    w.put(&format!("{RAPL}/energy_uj"), "6000000\n").put("proc/stat", "cpu  110 0 115 825 50 0 0 0 0 0\n");
    let r = s.sweep_at(10.25);
    assert_eq!(got(&r, Channel::PackagePowerW), Some(20.0), "5 J in a quarter of a second");
    assert_eq!(got(&r, Channel::BusyPct), Some(25.0), "25 of 100 ticks");
    // Not counted on: no reading, and the next one covers both intervals.
    assert_eq!(got(&s.sweep_at(10.5), Channel::PackagePowerW), None);
    w.put(&format!("{RAPL}/energy_uj"), "11000000\n");
    assert_eq!(got(&s.sweep_at(10.75), Channel::PackagePowerW), Some(10.0));
}

#[test]
fn the_energy_counter_begins_again_at_its_range() {
    let w = coretemp_laptop();
    let mut s = w.open();
    w.put(&format!("{RAPL}/energy_uj"), "262143328850\n");
    s.sweep_at(10.0);
    w.put(&format!("{RAPL}/energy_uj"), "3000000\n");
    assert_eq!(got(&s.sweep_at(10.25), Channel::PackagePowerW), Some(12.0));
    // After a long gap it may have begun again more than once.
    w.put(&format!("{RAPL}/energy_uj"), "4000000\n");
    assert_eq!(got(&s.sweep_at(100.0), Channel::PackagePowerW), None);
}

#[test]
fn a_reading_that_the_driver_kept_fills_no_second_cell() {
    let w = coretemp_laptop();
    let mut s = w.open();
    let cells: Vec<bool> =
        (0..9).map(|i| got(&s.sweep_at(10.0 + 0.25 * f64::from(i)), Channel::CpuTempC).is_some()).collect();
    assert_eq!(cells, [true, false, false, false, false, true, false, false, false]);
    w.put(PACKAGE_TEMP, "53000\n");
    assert_eq!(got(&s.sweep_at(12.25), Channel::CpuTempC), Some(53.0), "another value is another reading");
}

#[test]
fn circumstances_are_read_as_the_kernel_means_them() {
    let w = coretemp_laptop();
    w.put("sys/firmware/acpi/platform_profile", "balanced\n")
        .put(&format!("{CPU}/cpufreq/policy0/scaling_governor"), "powersave\n")
        .put(&format!("{CPU}/cpufreq/policy0/energy_performance_preference"), "balance_performance\n")
        .put("sys/devices/platform/thinkpad_acpi/dytc_lapmode", "0\n")
        .put("sys/devices/platform/dock.0/type", "dock_station\n")
        .put("sys/devices/platform/dock.0/docked", "1\n")
        .put("sys/class/drm/card0-eDP-1/status", "connected\n")
        .put("sys/class/drm/card0-DP-1/status", "disconnected\n");
    let mut s = w.open();
    let c = s.context();
    assert_eq!(c.on_ac, Some(true));
    assert_eq!((c.battery_pct, c.battery_charging), (Some(81.0), Some(true)));
    assert_eq!(c.platform_profile.as_deref(), Some("balanced"));
    assert_eq!(c.governor.as_deref(), Some("powersave"));
    assert_eq!(c.energy_preference.as_deref(), Some("balance_performance"));
    assert_eq!((c.lap_mode, c.docked, c.lid_closed), (Some(false), Some(true), Some(false)));
    assert_eq!(c.power_limits.len(), 1, "a limit of 0 is none: {:?}", c.power_limits);
    let limit = &c.power_limits[0];
    assert_eq!((limit.name.as_str(), limit.limit_w), ("long_term", 15.0));
    assert!((limit.window_s.unwrap() - 27.98).abs() < 0.01);
    let facts = s.facts();
    let battery = facts.battery.unwrap();
    assert_eq!((battery.charge_pct, battery.health.as_deref()), (Some(81.0), Some("Good")));
    assert_eq!((battery.temp_c, facts.external_display), (Some(31.2), Some(false)));
    w.put("sys/class/drm/card0-DP-1/status", "connected\n");
    assert_eq!(s.facts().external_display, Some(true));
}

#[test]
fn mains_is_lost_only_when_every_supply_is() {
    let w = coretemp_laptop();
    let mut s = w.open();
    w.put("sys/class/power_supply/AC/online", "0\n").put("sys/class/power_supply/usbc0/online", "1\n");
    assert_eq!(s.sweep_at(1.0).on_ac, Some(true));
    w.put("sys/class/power_supply/usbc0/online", "0\n");
    assert_eq!(s.sweep_at(2.0).on_ac, Some(false));
}

#[test]
fn the_measured_value_comes_before_the_control_value() {
    let w = Written::new();
    w.chip(
        3,
        "0000:00:18.3",
        "k10temp",
        &[
            ("temp1_label", "Tctl\n"),
            ("temp1_input", "71250\n"),
            ("temp2_label", "Tdie\n"),
            ("temp2_input", "61250\n"),
        ],
    );
    let mut s = w.open();
    assert_eq!(source(&s, Channel::CpuTempC).as_deref(), Some("k10temp/Tdie"));
    assert_eq!(s.limit().unwrap().limit_c, 90.0, "it names no critical temperature");
    // This driver keeps nothing: every sweep is a reading.
    assert!((0..4).all(|i| got(&s.sweep_at(f64::from(i) * 0.25), Channel::CpuTempC) == Some(61.25)));
}

#[test]
fn a_slow_controller_is_read_on_its_own_thread_and_given_once() {
    let w = Written::new();
    let files = [
        ("temp1_input", "48000\n"),
        ("temp2_input", "-128000\n"),
        ("fan1_input", "3100\n"),
        ("fan2_input", "65535\n"),
        ("pwm1", "128\n"),
    ];
    w.chip(5, "thinkpad_hwmon", "thinkpad", &files);
    let mut s = w.open();
    let first = s.sweep_at(1.0);
    assert_eq!(got(&first, Channel::CpuTempC), Some(48.0));
    assert_eq!((got(&first, Channel::Fan1Rpm), got(&first, Channel::Fan2Rpm)), (Some(3100.0), None));
    assert_eq!(got(&s.sweep_at(1.01), Channel::CpuTempC), None, "taken a moment ago");
    w.put("sys/class/hwmon/hwmon5/temp1_input", "49000\n");
    // The thread's next round brings it; how soon doesn't matter here.
    let next = std::iter::repeat_with(|| {
        std::thread::sleep(std::time::Duration::from_millis(20));
        got(&s.sweep_at(2.0), Channel::CpuTempC)
    });
    assert_eq!(next.flatten().next(), Some(49.0));
}

#[test]
fn of_two_temperatures_the_one_that_moves_is_kept() {
    let w = Written::new();
    let zone = |n: usize, kind: &str, temp: &str| {
        w.put_all(
            &format!("sys/class/thermal/thermal_zone{n}"),
            &[("type", kind), ("temp", temp), ("mode", "enabled")],
        );
    };
    zone(0, "acpitz", "27800");
    w.chip(
        0,
        "board.0",
        "unheard_of",
        &[("temp1_input", "41000"), ("temp1_label", "CPU"), ("temp2_input", "40000")],
    );
    let mut s = w.open();
    assert_eq!(source(&s, Channel::CpuTempC).as_deref(), Some("unheard_of/CPU"));
    s.follow_candidates();
    w.put("sys/class/hwmon/hwmon0/temp2_input", "47000");
    s.sweep_at(1.0);
    assert_eq!(s.keep_the_one_that_rose(2.0), Some(7.0));
    assert_eq!(source(&s, Channel::CpuTempC).as_deref(), Some("unheard_of/temp2"));
    assert_eq!(got(&s.sweep_at(2.0), Channel::CpuTempC), Some(47.0));
    s.follow_candidates();
    s.sweep_at(3.0);
    assert_eq!(s.keep_the_one_that_rose(2.0), None, "nothing moved");
    assert_eq!(source(&s, Channel::CpuTempC).as_deref(), Some("unheard_of/temp2"), "and the choice stands");
}

#[test]
fn a_zone_alone_is_enough_and_gives_its_critical_trip() {
    let w = Written::new();
    w.put_all(
        "sys/class/thermal/thermal_zone0",
        &[
            ("type", "acpitz\n"),
            ("temp", "45000\n"),
            ("trip_point_0_type", "passive\n"),
            ("trip_point_0_temp", "20800\n"),
            ("trip_point_1_type", "critical\n"),
            ("trip_point_1_temp", "98000\n"),
        ],
    );
    let mut s = w.open();
    assert_eq!(got(&s.sweep_at(0.0), Channel::CpuTempC), Some(45.0));
    assert_eq!(s.limit().unwrap().limit_c, 98.0);
    assert_eq!(s.sweep_at(1.0).on_ac, None, "it doesn't tell");
}

#[test]
fn a_firmware_fan_without_a_chip_is_read_at_its_device() {
    let w = Written::new();
    w.put_all("sys/class/thermal/thermal_zone0", &[("type", "acpitz"), ("temp", "45000")]);
    w.put("sys/devices/PNP0C0B:00/fan_speed_rpm", "2750\n");
    w.put("sys/class/thermal/cooling_device0/type", "Fan\n");
    w.link("../../../devices/PNP0C0B:00", "sys/class/thermal/cooling_device0/device");
    let mut s = w.open();
    assert_eq!(got(&s.sweep_at(0.0), Channel::Fan1Rpm), Some(2750.0));
}

#[test]
fn a_chip_that_comes_back_under_another_number_is_found_again() {
    let w = coretemp_laptop();
    let mut s = w.open();
    s.sweep_at(10.0);
    let mut attribute = super::super::chips::list(&super::super::Tree::new(w.root()))[0]
        .open(&super::super::Tree::new(w.root()), "temp1_input")
        .unwrap();
    attribute.forget();
    w.remove("sys/class/hwmon/hwmon0")
        .remove("sys/devices/platform/coretemp.0/hwmon")
        .chip(7, "coretemp.0", "coretemp", &[("temp1_label", "Package id 0\n"), ("temp1_input", "66000\n")])
        .chip(0, "other.0", "nvme", &[("temp1_input", "11000\n")]);
    assert_eq!(attribute.number(&super::super::Tree::new(w.root()), 20.0), Some(66_000));
}

#[test]
fn no_sensor_says_what_was_looked_for() {
    let w = Written::new();
    w.chip(0, "nvme0", "nvme", &[("temp1_input", "40000\n")]);
    let said = open(w.root()).unwrap_err().to_string();
    assert!(
        said.contains("/sys/class/hwmon") && said.contains("nvme") && said.contains("no zone there"),
        "{said}"
    );
    assert!(open(Written::new().root()).is_err());
}

#[test]
fn the_survey_tells_what_is_there_and_what_is_not() {
    let inventory = survey(coretemp_laptop().root());
    let state = |channel| inventory.channel(channel).unwrap().state.clone();
    for channel in
        [Channel::CpuTempC, Channel::PackagePowerW, Channel::Fan1Rpm, Channel::Pwm1, Channel::BatteryTempC]
    {
        assert_eq!(state(channel), State::Found, "{channel:?}");
    }
    for channel in [Channel::SsdTempC, Channel::Pwm2] {
        assert_eq!(state(channel), State::Absent, "{channel:?}");
    }
    let nothing = survey(Written::new().root());
    assert_eq!(nothing.channel(Channel::CpuTempC).unwrap().state, State::Absent);
    assert!(
        nothing.findings.iter().all(|f| f.state == State::Absent || f.channel == Some(Channel::WorkRate))
    );
}

#[test]
fn a_denied_energy_counter_is_said_and_fails_nothing() {
    use std::os::unix::fs::PermissionsExt;
    let w = coretemp_laptop();
    let file = w.root().join(RAPL).join("energy_uj");
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o000)).unwrap();
    let readable_anyway = std::fs::File::open(&file).is_ok();
    if readable_anyway {
        println!("left out: this user reads files of mode 0000, so nothing can be denied to it");
        return;
    }
    let mut s = w.open();
    assert_eq!(got(&s.sweep_at(0.0), Channel::PackagePowerW), None);
    let inventory = survey(w.root());
    let finding = inventory.channel(Channel::PackagePowerW).unwrap();
    assert_eq!(finding.state, State::Denied);
    assert!(finding.note.contains("permission denied"), "{}", finding.note);
}
