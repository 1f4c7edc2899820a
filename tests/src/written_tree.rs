//! A tree of kernel files that a test writes itself, shaped as the kernel's ABI documents shape them
//! (Documentation/ABI/testing/sysfs-class-{hwmon,powercap,power,thermal}, admin-guide/pm/cpufreq,
//! drivers/thermal/intel/therm_throt.c), and whose values can be rewritten while an agent reads them.
//!
//! A value is rewritten in place and in its own width, so that a reader with an open descriptor never meets a half.
#![allow(clippy::format_collect, reason = "a tree is written once; plain words beat speed here")]

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::os::unix::fs::{FileExt, symlink};
use std::path::{Path, PathBuf};

/// Digits of a value that is rewritten: room for microjoules.
const WIDTH: usize = 15;

/// Where the values of the laptop stand that change in a check.
pub mod place {
    /// CPU temperature, m°C.
    pub const CPU_TEMP: &str = "sys/devices/platform/coretemp.0/hwmon/hwmon3/temp1_input";
    /// Fan speed, rpm.
    pub const FAN: &str = "sys/devices/platform/hp-wmi/hwmon/hwmon5/fan1_input";
    /// Package energy, µJ.
    pub const ENERGY: &str = "sys/devices/virtual/powercap/intel-rapl/intel-rapl:0/energy_uj";
    /// Mains adapter, 0 or 1.
    pub const MAINS: &str = "sys/class/power_supply/AC0/online";
    /// Battery temperature, 0.1 °C.
    pub const BATTERY_TEMP: &str = "sys/class/power_supply/BAT0/temp";
    /// Processor time.
    pub const STAT: &str = "proc/stat";
    /// The lid.
    pub const LID: &str = "proc/acpi/button/lid/LID0/state";
}

/// The tree; removed when dropped.
#[derive(Debug)]
pub struct WrittenTree {
    folder: tempfile::TempDir,
    open: BTreeMap<&'static str, File>,
}

impl WrittenTree {
    /// A laptop at rest, on mains power, with `n_cpus` logical CPUs: temperature, one fan, package energy, clock,
    /// throttle counters, mains, battery, lid.
    pub fn laptop(n_cpus: usize) -> std::io::Result<Self> {
        let folder = tempfile::Builder::new().prefix("windrow-tree-").tempdir()?;
        let tree = Self { folder, open: BTreeMap::new() };
        tree.chips()?;
        tree.power()?;
        tree.processors(n_cpus)?;
        tree.supplies()?;
        tree.machine(n_cpus)?;
        Ok(tree)
    }

    /// Its root.
    pub fn root(&self) -> &Path {
        self.folder.path()
    }

    /// Writes a file that stays as it is.
    pub fn put(&self, relative: &str, text: &str) -> std::io::Result<()> {
        let path = self.root().join(relative);
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent)?;
        }
        fs::write(path, text)
    }

    /// Rewrites a number in place.
    pub fn set(&mut self, relative: &'static str, value: i64) -> std::io::Result<()> {
        self.rewrite(relative, &format!("{value:0WIDTH$}\n"))
    }

    /// Rewrites the busy and idle time of all processors, in ticks of 10 ms (proc(5)).
    pub fn set_processor_time(&mut self, busy_ticks: u64, idle_ticks: u64) -> std::io::Result<()> {
        self.rewrite(place::STAT, &format!("cpu  {busy_ticks:012} 0 0 {idle_ticks:012} 0 0 0 0 0 0\n"))
    }

    /// Takes a file away, as a driver does when its device goes.
    pub fn remove(&mut self, relative: &'static str) -> std::io::Result<()> {
        self.open.remove(relative);
        fs::remove_file(self.root().join(relative))
    }

    /// Empties a file: a read then finds no number, as where the driver has no value.
    pub fn empty(&mut self, relative: &'static str) -> std::io::Result<()> {
        self.opened(relative)?.set_len(0)
    }

    fn rewrite(&mut self, relative: &'static str, text: &str) -> std::io::Result<()> {
        self.opened(relative)?.write_all_at(text.as_bytes(), 0)
    }

    fn opened(&mut self, relative: &'static str) -> std::io::Result<&File> {
        if !self.open.contains_key(relative) {
            let path = self.root().join(relative);
            let file = OpenOptions::new().write(true).create(true).truncate(false).open(path)?;
            self.open.insert(relative, file);
        }
        Ok(&self.open[relative])
    }

    fn link(&self, from: &str, to: &str) -> std::io::Result<()> {
        let from = self.root().join(from);
        if let Some(parent) = from.parent() {
            fs::create_dir_all(parent)?;
        }
        symlink(PathBuf::from(to), from)
    }

    fn chips(&self) -> std::io::Result<()> {
        let coretemp = "sys/devices/platform/coretemp.0/hwmon/hwmon3";
        for (name, text) in [
            ("name", "coretemp\n"),
            ("temp1_label", "Package id 0\n"),
            ("temp1_input", "000000000040000\n"),
            ("temp1_max", "100000\n"),
            ("temp1_crit", "100000\n"),
            ("temp1_crit_alarm", "0\n"),
            ("temp2_label", "Core 0\n"),
            ("temp2_input", "39000\n"),
            ("temp2_crit", "100000\n"),
        ] {
            self.put(&format!("{coretemp}/{name}"), text)?;
        }
        let fans = "sys/devices/platform/hp-wmi/hwmon/hwmon5";
        for (name, text) in [("name", "hp\n"), ("fan1_input", "000000000002000\n"), ("pwm1_enable", "2\n")] {
            self.put(&format!("{fans}/{name}"), text)?;
        }
        self.link(&format!("{coretemp}/device"), "../../../coretemp.0")?;
        self.link(&format!("{fans}/device"), "../../../hp-wmi")?;
        self.link("sys/class/hwmon/hwmon3", "../../devices/platform/coretemp.0/hwmon/hwmon3")?;
        self.link("sys/class/hwmon/hwmon5", "../../devices/platform/hp-wmi/hwmon/hwmon5")
    }

    fn power(&self) -> std::io::Result<()> {
        let zone = "sys/devices/virtual/powercap/intel-rapl/intel-rapl:0";
        for (name, text) in [
            ("name", "package-0\n"),
            ("energy_uj", "000000001000000\n"),
            ("max_energy_range_uj", "262143328850\n"),
            ("constraint_0_name", "long_term\n"),
            ("constraint_0_power_limit_uw", "20000000\n"),
            ("constraint_0_time_window_us", "27983872\n"),
            ("constraint_1_name", "short_term\n"),
            ("constraint_1_power_limit_uw", "28000000\n"),
            ("constraint_1_time_window_us", "2440\n"),
        ] {
            self.put(&format!("{zone}/{name}"), text)?;
        }
        self.link("sys/class/powercap/intel-rapl:0", "../../devices/virtual/powercap/intel-rapl/intel-rapl:0")
    }

    fn processors(&self, n_cpus: usize) -> std::io::Result<()> {
        for cpu in 0..n_cpus {
            let policy = format!("sys/devices/system/cpu/cpufreq/policy{cpu}");
            for (name, text) in [
                ("scaling_cur_freq", "1200000\n"),
                ("scaling_governor", "powersave\n"),
                ("energy_performance_preference", "balance_performance\n"),
                ("cpuinfo_max_freq", "3600000\n"),
                ("cpuinfo_min_freq", "400000\n"),
            ] {
                self.put(&format!("{policy}/{name}"), text)?;
            }
            let here = format!("sys/devices/system/cpu/cpu{cpu}");
            for (name, text) in [
                ("topology/physical_package_id", "0\n".to_owned()),
                ("topology/core_id", format!("{}\n", cpu / 2)),
                ("thermal_throttle/core_throttle_count", "3\n".to_owned()),
                ("thermal_throttle/core_throttle_total_time_ms", "40\n".to_owned()),
                ("thermal_throttle/package_throttle_count", "5\n".to_owned()),
                ("thermal_throttle/package_throttle_total_time_ms", "70\n".to_owned()),
            ] {
                self.put(&format!("{here}/{name}"), &text)?;
            }
        }
        Ok(())
    }

    fn supplies(&self) -> std::io::Result<()> {
        for (name, text) in [
            ("AC0/type", "Mains\n"),
            ("AC0/online", "000000000000001\n"),
            ("BAT0/type", "Battery\n"),
            ("BAT0/present", "1\n"),
            ("BAT0/status", "Full\n"),
            ("BAT0/capacity", "90\n"),
            ("BAT0/health", "Good\n"),
            ("BAT0/temp", "000000000000300\n"),
        ] {
            self.put(&format!("sys/class/power_supply/{name}"), text)?;
        }
        Ok(())
    }

    fn machine(&self, n_cpus: usize) -> std::io::Result<()> {
        let cpuinfo: String =
            (0..n_cpus).map(|n| format!("processor\t: {n}\nmodel name\t: Invented CPU 5\n\n")).collect();
        for (name, text) in [
            ("sys/class/dmi/id/sys_vendor", "Invented\n"),
            ("sys/class/dmi/id/product_name", "Fourteen\n"),
            ("sys/class/dmi/id/product_sku", "F14-1\n"),
            ("sys/class/dmi/id/bios_version", "1.04\n"),
            ("sys/class/dmi/id/chassis_type", "10\n"),
            (place::LID, "state:      open  \n"),
            (place::STAT, "cpu  000000001000 0 0 000000100000 0 0 0 0 0 0\n"),
            ("proc/sys/kernel/osrelease", "6.1.0-test\n"),
            ("proc/sys/kernel/random/boot_id", "5b4b6a0e-9f0e-4b5e-8e0e-2f6d3f0c9a11\n"),
            ("proc/cpuinfo", &cpuinfo),
        ] {
            self.put(name, text)?;
        }
        Ok(())
    }
}
