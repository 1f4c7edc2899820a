//! What is known about drivers: how long they keep a reading, and which are too slow to be read in a sweep.

/// What is known about one driver.
struct Known {
    name: &'static str,
    /// How long it keeps a reading, s.
    keeps_s: f64,
    /// Reading it may take many milliseconds.
    slow: bool,
}

const fn known(name: &'static str, keeps_s: f64, slow: bool) -> Known {
    Known { name, keeps_s, slow }
}

/// coretemp: drivers/hwmon/coretemp.c of Linux 6.1 reads the register at most once a second. dell_smm: each call to the
/// firmware takes 10 to 500 ms (Documentation/hwmon/dell-smm-hwmon). adt7475: measured values kept for 2 s
/// (drivers/hwmon/adt7475.c); power_meter: kept for the firmware's sampling time, 1 s seen on a stock kernel; its relatives, nct6775, it87 and the rest from memory. thinkpad, nvme, drivetemp: the value
/// comes over a slow bus or the drive's own command queue; from memory.
const DRIVERS: [Known; 23] = [
    known("coretemp", 1.0, false),
    known("adt7475", 2.0, false),
    known("adt7473", 2.0, false),
    known("adt7476", 2.0, false),
    known("adt7490", 2.0, false),
    known("nct6775", 1.5, false),
    known("nct6776", 1.5, false),
    known("nct6779", 1.5, false),
    known("nct6791", 1.5, false),
    known("nct6798", 1.5, false),
    known("it87", 1.5, false),
    known("f71882fg", 1.0, false),
    known("w83627ehf", 1.5, false),
    known("jc42", 0.3, false),
    known("tmp421", 2.0, false),
    known("power_meter", 1.0, false),
    known("thinkpad", 0.0, true),
    known("dell_smm", 0.0, true),
    known("drivetemp", 0.0, true),
    known("nvme", 0.0, true),
    known("applesmc", 0.0, true),
    known("cros_ec", 0.0, true),
    known("spd5118", 1.0, true),
];

/// Longest period that a chip may say of itself, s. Beyond it the attribute is nonsense.
const LONGEST_PERIOD_S: f64 = 30.0;

/// How long a driver keeps a reading, s: what is known of it, or what the chip's `update_interval` says, whichever is longer.
pub(super) fn keeps_s(driver: &str, update_interval_ms: Option<i64>) -> f64 {
    let known_s = find(driver).map_or(0.0, |k| k.keeps_s);
    let told_s = update_interval_ms.map_or(0.0, |ms| ms as f64 / 1000.0);
    if (0.0..=LONGEST_PERIOD_S).contains(&told_s) { known_s.max(told_s) } else { known_s }
}

/// Whether a driver is read on the slow thread.
pub(super) fn is_slow(driver: &str) -> bool {
    find(driver).is_some_and(|k| k.slow)
}

fn find(driver: &str) -> Option<&'static Known> {
    DRIVERS.iter().find(|k| k.name == driver)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longer_of_known_and_told_counts_and_nonsense_does_not() {
        assert_eq!(keeps_s("coretemp", None), 1.0);
        assert_eq!(keeps_s("coretemp", Some(2500)), 2.5);
        assert_eq!(keeps_s("adt7475", Some(100)), 2.0);
        assert_eq!(keeps_s("k10temp", None), 0.0);
        assert_eq!(keeps_s("lm75", Some(-5)), 0.0);
        assert_eq!(keeps_s("lm75", Some(i64::MAX)), 0.0);
    }
}
