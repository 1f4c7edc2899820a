//! Writes trees of kernel files. Paths, units and meanings are those of the kernel's own ABI documents (ABI/testing/
//! sysfs-class-hwmon, sysfs-class-thermal, sysfs-class-powercap, sysfs-class-power) and drivers/thermal/intel/therm_throt.c.

use std::os::unix::fs::symlink;
use std::path::Path;

use tempfile::TempDir;

use crate::machine::Reading;
use crate::sensors::linux::{LinuxSensors, open};
use windrow_model::channel::Channel;

/// A tree in a folder that goes away with it.
pub(super) struct Written {
    dir: TempDir,
}

impl Written {
    pub(super) fn new() -> Self {
        Self { dir: tempfile::tempdir().unwrap() }
    }

    pub(super) fn root(&self) -> &Path {
        self.dir.path()
    }

    pub(super) fn put(&self, path: &str, text: impl AsRef<[u8]>) -> &Self {
        let file = self.root().join(path);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(file, text).unwrap();
        self
    }

    pub(super) fn put_all(&self, dir: &str, files: &[(&str, &str)]) -> &Self {
        for (name, text) in files {
            self.put(&format!("{dir}/{name}"), text);
        }
        self
    }

    pub(super) fn remove(&self, path: &str) -> &Self {
        let place = self.root().join(path);
        if place.is_dir() && !place.is_symlink() {
            std::fs::remove_dir_all(place).unwrap();
        } else {
            std::fs::remove_file(place).unwrap();
        }
        self
    }

    /// A chip as the kernel shows it: its folder at the device, a link in the class, a link back to the device.
    pub(super) fn chip(&self, n: usize, device: &str, driver: &str, files: &[(&str, &str)]) -> &Self {
        let dir = format!("sys/devices/platform/{device}/hwmon/hwmon{n}");
        self.put(&format!("{dir}/name"), format!("{driver}\n")).put_all(&dir, files);
        symlink("../..", self.root().join(&dir).join("device")).unwrap();
        self.link(
            &format!("../../devices/platform/{device}/hwmon/hwmon{n}"),
            &format!("sys/class/hwmon/hwmon{n}"),
        )
    }

    pub(super) fn link(&self, target: &str, at: &str) -> &Self {
        let at = self.root().join(at);
        std::fs::create_dir_all(at.parent().unwrap()).unwrap();
        symlink(target, at).unwrap();
        self
    }

    pub(super) fn open(&self) -> LinuxSensors {
        open(self.root()).unwrap_or_else(|e| panic!("{e}"))
    }
}

pub(super) const CPU: &str = "sys/devices/system/cpu";
pub(super) const RAPL: &str = "sys/class/powercap/intel-rapl:0";
pub(super) const PACKAGE_TEMP: &str = "sys/class/hwmon/hwmon0/temp1_input";

/// A laptop with a package sensor, a fan, energy counters, throttle counters on two cores with two siblings each.
pub(super) fn coretemp_laptop() -> Written {
    let w = Written::new();
    w.chip(
        0,
        "coretemp.0",
        "coretemp",
        &[
            ("temp1_label", "Package id 0\n"),
            ("temp1_input", "52000\n"),
            ("temp1_crit", "100000\n"),
            ("temp2_label", "Core 0\n"),
            ("temp2_input", "51000\n"),
        ],
    );
    w.chip(1, "fanchip.0", "hp", &[("fan1_input", "2400\n"), ("fan2_input", "0\n"), ("pwm1", "88\n")]);
    w.put_all(
        RAPL,
        &[
            ("name", "package-0\n"),
            ("energy_uj", "1000000\n"),
            ("max_energy_range_uj", "262143328850\n"),
            ("constraint_0_name", "long_term\n"),
            ("constraint_0_power_limit_uw", "15000000\n"),
            ("constraint_0_time_window_us", "27983872\n"),
            ("constraint_1_name", "short_term\n"),
            ("constraint_1_power_limit_uw", "0\n"),
        ],
    );
    w.put_all("sys/class/powercap/intel-rapl:0:0", &[("name", "core\n"), ("energy_uj", "5\n")]);
    w.put_all("sys/class/powercap/intel-rapl:1", &[("name", "psys\n"), ("energy_uj", "5\n")]);
    w.put_all("sys/class/powercap/intel-rapl-mmio:0", &[("name", "package-0\n"), ("energy_uj", "5\n")]);
    for cpu in 0..4 {
        throttle_counters(&w, cpu, cpu % 2);
        w.put(
            &format!("{CPU}/cpu{cpu}/cpufreq/scaling_cur_freq"),
            format!("{}\n", 2_000_000 + cpu * 100_000),
        );
    }
    w.put(&format!("{CPU}/online"), "0-3\n");
    w.put("proc/stat", "cpu  100 0 100 800 0 0 0 0 0 0\ncpu0 1 1 1 1\n");
    battery_and_mains(&w);
    w.put("proc/acpi/button/lid/LID0/state", "state:      open\n");
    w
}

fn throttle_counters(w: &Written, cpu: usize, core: usize) {
    let dir = format!("{CPU}/cpu{cpu}");
    w.put_all(&dir, &[("topology/physical_package_id", "0\n"), ("topology/core_id", &format!("{core}\n"))]);
    let counters = [
        ("core_throttle_count", format!("{}\n", 10 + core)),
        ("core_throttle_total_time_ms", format!("{}\n", 100 + core)),
        ("package_throttle_count", "7\n".to_owned()),
        ("package_throttle_total_time_ms", "70\n".to_owned()),
    ];
    for (file, text) in counters {
        w.put(&format!("{dir}/thermal_throttle/{file}"), text);
    }
}

fn battery_and_mains(w: &Written) {
    let class = "sys/class/power_supply";
    w.put_all(&format!("{class}/AC"), &[("type", "Mains\n"), ("online", "1\n")]);
    w.put_all(&format!("{class}/usbc0"), &[("type", "USB\n"), ("online", "0\n")]);
    w.put_all(
        &format!("{class}/BAT0"),
        &[
            ("type", "Battery\n"),
            ("present", "1\n"),
            ("status", "Charging\n"),
            ("capacity", "81\n"),
            ("temp", "312\n"),
            ("health", "Good\n"),
        ],
    );
    w.put_all(
        &format!("{class}/mouse"),
        &[("type", "Battery\n"), ("scope", "Device\n"), ("capacity", "3\n"), ("status", "Discharging\n")],
    );
}

/// One column of a reading, `None` where its cell is empty.
pub(super) fn got(reading: &Reading, channel: Channel) -> Option<f64> {
    reading.get(channel)
}

/// Where a channel is read, as a record would say.
pub(super) fn source(sensors: &LinuxSensors, channel: Channel) -> Option<String> {
    use crate::machine::Sensors;
    sensors.sources().into_iter().find(|s| s.channel == channel.spec().column).map(|s| s.source)
}
