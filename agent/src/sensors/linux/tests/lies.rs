//! What kernel files say that isn't so, and what they do that they should not.

use proptest::prelude::*;
use windrow_model::channel::{CHANNELS, Channel};

use super::trees::{CPU, PACKAGE_TEMP, RAPL, Written, coretemp_laptop, got};
use crate::machine::{Reading, Sensors};
use crate::sensors::linux::{open, platform, survey};

fn cpu_reads(text: &[u8]) -> Option<f64> {
    let w = coretemp_laptop();
    let mut s = w.open();
    w.put(PACKAGE_TEMP, text);
    got(&s.sweep_at(100.0), Channel::CpuTempC)
}

#[test]
fn values_that_cannot_be_true_are_no_readings() {
    for lie in ["255000", "-128000", "-650788984", "127500", "", "N/A", "\u{0}", "99999999999999999999"] {
        assert_eq!(cpu_reads(lie.as_bytes()), None, "{lie:?}");
    }
    assert_eq!(cpu_reads(b"\xff\xfe\n"), None);
    assert_eq!(cpu_reads(b"125000"), Some(125.0));
    assert_eq!(cpu_reads(b"-10000\n"), Some(-10.0));
}

#[test]
fn a_vanished_file_is_an_empty_cell_and_not_a_failure() {
    let w = coretemp_laptop();
    let mut s = w.open();
    w.remove("sys").remove("proc");
    for k in 0..4 {
        let _: Reading = s.sweep_at(10.0 + f64::from(k));
    }
    assert_eq!(s.context().power_limits, []);
}

#[test]
fn a_standing_fan_with_a_least_speed_reads_0() {
    let w = Written::new();
    w.put_all("sys/class/thermal/thermal_zone0", &[("type", "acpitz"), ("temp", "45000")]);
    // Fan files in the device's folder, as old drivers have them.
    w.chip(0, "applesmc.768", "applesmc", &[]);
    w.put_all(
        "sys/devices/platform/applesmc.768",
        &[("fan1_input", "0"), ("fan1_min", "2160"), ("fan1_label", "Left side  "), ("fan2_input", "1998")],
    );
    let r = w.open().sweep_at(0.0);
    assert_eq!((got(&r, Channel::Fan1Rpm), got(&r, Channel::Fan2Rpm)), (Some(0.0), Some(1998.0)));
}

#[test]
fn a_second_fan_that_reads_0_is_nothing_until_it_turns() {
    let w = coretemp_laptop();
    let mut s = w.open();
    let second = |s: &mut crate::sensors::linux::LinuxSensors, t: f64| got(&s.sweep_at(t), Channel::Fan2Rpm);
    assert_eq!(second(&mut s, 0.0), None);
    w.put("sys/class/hwmon/hwmon1/fan2_input", "2000\n");
    assert_eq!(second(&mut s, 1.0), Some(2000.0));
    w.put("sys/class/hwmon/hwmon1/fan2_input", "0\n");
    assert_eq!(second(&mut s, 2.0), Some(0.0), "it was seen turning: now it stands");
}

#[test]
fn a_part_of_the_throttle_counters_is_no_sum() {
    let w = coretemp_laptop();
    let mut s = w.open();
    w.put(&format!("{CPU}/cpu1/thermal_throttle/core_throttle_count"), "?");
    assert_eq!(got(&s.sweep_at(0.0), Channel::ThrottleCount), None);
    assert_eq!(got(&s.sweep_at(0.3), Channel::ThrottleMs), Some(70.0));
}

#[test]
fn names_and_labels_are_made_fit_to_be_shown() {
    let w = Written::new();
    w.chip(0, "x", "k10temp", &[("temp1_input", "50000")]);
    w.put("sys/class/hwmon/hwmon0/temp1_label", b"T\x01ctl\xff\x00\n");
    w.put_all(
        "sys/class/dmi/id",
        &[
            ("sys_vendor", "Meadow\u{7} Works\n"),
            ("product_name", "To Be Filled By O.E.M.\n"),
            ("product_family", "Alder Slim 14\n"),
            ("bios_version", "1.07\n"),
            ("product_serial", "SECRET-1\n"),
            ("board_serial", "SECRET-2\n"),
            ("chassis_asset_tag", "SECRET-3\n"),
        ],
    );
    w.put("proc/sys/kernel/osrelease", "6.1.0-test\n");
    let s = w.open();
    let (model, sources) = (s.model(), s.sources());
    assert_eq!(sources[0].source, "k10temp/T ctl");
    assert_eq!((model.vendor.as_str(), model.product.as_str()), ("Meadow Works", "Alder Slim 14"));
    assert!(!format!("{model:?}").contains("SECRET"));
    assert_eq!(platform(w.root()).kernel, "6.1.0-test");
}

#[test]
fn a_pipe_in_a_tree_blocks_nothing() {
    let w = coretemp_laptop();
    w.remove(&format!("{RAPL}/energy_uj"));
    let path = w.root().join(RAPL).join("energy_uj");
    let made = std::process::Command::new("mkfifo").arg(&path).status();
    assert!(made.is_ok_and(|s| s.success()), "mkfifo");
    assert_eq!(got(&w.open().sweep_at(0.0), Channel::PackagePowerW), None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn whatever_the_files_say_nothing_panics_and_readings_stay_in_range(
        bytes in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..40), 8),
        number in any::<i64>(),
    ) {
        let w = coretemp_laptop();
        let mut early = open(w.root()).ok();
        let files = [
            PACKAGE_TEMP.to_owned(), format!("{RAPL}/energy_uj"), format!("{RAPL}/max_energy_range_uj"),
            "proc/stat".to_owned(), format!("{CPU}/cpu0/cpufreq/scaling_cur_freq"),
            "sys/class/power_supply/BAT0/temp".to_owned(), "sys/class/hwmon/hwmon1/fan1_input".to_owned(),
            format!("{CPU}/cpu0/thermal_throttle/core_throttle_count"),
        ];
        for (file, bytes) in files.iter().zip(&bytes) {
            w.put(file, bytes);
        }
        w.put("sys/class/hwmon/hwmon0/temp2_input", number.to_string());
        let _ = survey(w.root());
        for sensors in [&mut early, &mut open(w.root()).ok()].into_iter().flatten() {
            for t in [5.0, 5.25, 4.0, f64::NAN, 1e300] {
                let reading = sensors.sweep_at(t);
                for spec in &CHANNELS {
                    let value = reading.get(spec.channel);
                    prop_assert!(value.is_none_or(|v| spec.channel.plausible(v)), "{} {value:?}", spec.column);
                }
            }
            let _ = (sensors.context(), sensors.facts(), sensors.limit());
        }
    }
}
