//! Which of a machine's temperatures is the CPU's: by what is known of drivers and labels, and by whether it moves.

use windrow_model::channel::Channel;
use windrow_model::record::wire::{Limit, LimitSource};

use super::attribute::Attribute;
use super::chips::{Chip, Input};
use super::gauge::Gauge;
use super::tree::Tree;

/// Most candidates that are followed.
const MAX_CANDIDATES: usize = 16;
/// Most zones that are looked at.
const MAX_ZONES: usize = 128;
/// Most trip points of a zone.
const MAX_TRIPS: usize = 16;
/// A sensor's own critical temperature counts within this range, °C (design: outside it is not a CPU's limit).
const LIMIT_C: std::ops::RangeInclusive<f64> = 80.0..=110.0;
/// The limit where the sensor names none, °C.
const DEFAULT_LIMIT_C: f64 = 90.0;

/// A temperature that may be the CPU's.
#[derive(Debug)]
pub(super) struct Candidate {
    /// Higher is likelier.
    pub rank: u8,
    pub gauge: Gauge,
    pub limit: Limit,
    pub slow: bool,
    /// What it read when it was found.
    pub first: f64,
}

/// The candidates that read something now, likeliest first.
pub(super) fn candidates(tree: &Tree, chips: &[Chip], now_s: f64) -> Vec<Candidate> {
    let mut found: Vec<Candidate> = Vec::new();
    for chip in chips {
        for input in chip.inputs(tree, "temp", "input") {
            found.extend(of_chip(tree, chip, &input, now_s));
        }
    }
    found.extend(zones(tree, now_s));
    // A sensor that reads exactly 0 °C indoors is most likely not there; it is taken only where nothing else is.
    found.sort_by_key(|c| (c.first == 0.0, std::cmp::Reverse(c.rank)));
    found.truncate(MAX_CANDIDATES);
    found
}

fn of_chip(tree: &Tree, chip: &Chip, input: &Input, now_s: f64) -> Option<Candidate> {
    let rank = rank(&chip.driver, input.label.as_deref(), input.number)?;
    let faulty = tree.number(&format!("{}/{}_fault", chip.dir, input.stem)) == Some(1);
    if faulty {
        return None;
    }
    let attribute = chip.open(tree, &input.value).ok()?;
    let mut gauge = Gauge::new(Channel::CpuTempC, chip.source(input), attribute, 1000.0, chip.keeps_s);
    let first = gauge.peek(tree, now_s)?;
    let limit = limit(tree.number(&format!("{}/{}_crit", chip.dir, input.stem)));
    Some(Candidate { rank, gauge, limit, slow: chip.slow, first })
}

/// How likely a chip's input is the CPU's temperature; `None`: it surely isn't.
///
/// Known drivers from their kernel documentation (hwmon/coretemp, hwmon/k10temp, admin-guide/laptops/thinkpad-acpi);
/// the order among the rest is common practice, no source.
fn rank(driver: &str, label: Option<&str>, number: u32) -> Option<u8> {
    let label = label.unwrap_or("").to_lowercase();
    let says_cpu =
        ["cpu", "package", "processor", "junction", "tctl", "tdie"].iter().any(|w| label.contains(w));
    let says_other = ["gpu", "ambient", "battery", "sodimm", "board", "ssd", "vrm", "pch", "skin"];
    match driver {
        "coretemp" if label.starts_with("package id") || label.starts_with("physical id") => Some(100),
        "coretemp" => Some(70),
        // Tctl is a control value on a scale of its own; Tdie is the temperature, where both exist.
        "k10temp" if label == "tdie" => Some(100),
        "k10temp" if label == "tctl" => Some(90),
        "k10temp" => Some(80),
        "cpu_thermal" | "soc_thermal" => Some(85),
        "acpitz" => Some(11),
        _ if NEVER_THE_CPU.iter().any(|d| driver.starts_with(d)) => None,
        _ if says_cpu => Some(65),
        _ if says_other.iter().any(|w| label.contains(w)) => None,
        // Its sensor 1 is the CPU's (admin-guide/laptops/thinkpad-acpi).
        "thinkpad" if number == 1 => Some(55),
        "thinkpad" => Some(15),
        // The first remote diode of such a chip sits in the processor; the local one on the board.
        "adt7475" | "adt7473" | "adt7476" | "adt7490" if number == 1 => Some(50),
        "dell_smm" if number == 1 => Some(45),
        _ if number == 1 => Some(8),
        _ => Some(5),
    }
}

/// Drivers of drives, radios, graphics, memory and batteries; by the beginning of the name.
const NEVER_THE_CPU: [&str; 17] = [
    "nvme",
    "drivetemp",
    "iwlwifi",
    "ath1",
    "mt7",
    "rtw",
    "phy",
    "r8169",
    "amdgpu",
    "nouveau",
    "radeon",
    "BAT",
    "spd5118",
    "jc42",
    "ucsi",
    "AC",
    "i915",
];

fn zones(tree: &Tree, now_s: f64) -> Vec<Candidate> {
    let names = tree.names("sys/class/thermal").into_iter().filter(|n| n.starts_with("thermal_zone"));
    names.take(MAX_ZONES).filter_map(|name| zone(tree, &format!("sys/class/thermal/{name}"), now_s)).collect()
}

fn zone(tree: &Tree, dir: &str, now_s: f64) -> Option<Candidate> {
    let kind = tree.label(&format!("{dir}/type"))?;
    let rank = zone_rank(&kind)?;
    let off = tree.text(&format!("{dir}/mode")).is_ok_and(|mode| mode == "disabled");
    if off {
        return None;
    }
    let attribute = Attribute::fixed(tree, &format!("{dir}/temp")).ok()?;
    let mut gauge = Gauge::new(Channel::CpuTempC, format!("zone/{kind}"), attribute, 1000.0, 0.0);
    let first = gauge.peek(tree, now_s)?;
    Some(Candidate { rank, gauge, limit: limit(critical_trip(tree, dir)), slow: false, first })
}

fn zone_rank(kind: &str) -> Option<u8> {
    let lower = kind.to_lowercase();
    let never = ["gpu", "int34", "iwlwifi", "pch", "battery", "wifi"].iter().any(|w| lower.contains(w));
    match lower.as_str() {
        "x86_pkg_temp" => Some(95),
        _ if never => None,
        "acpitz" => Some(10),
        _ if lower.starts_with("cpu") || lower.contains("-cpu") => Some(60),
        // The processor's own entry in the firmware's thermal table.
        "tcpu" | "b0d4" => Some(55),
        _ if lower.starts_with("soc") => Some(50),
        // A system on a chip whose one sensor is named for the part, such as `bcm2835_thermal`.
        _ if lower.ends_with("_thermal") || lower.ends_with("-thermal") => Some(30),
        _ => None,
    }
}

fn critical_trip(tree: &Tree, dir: &str) -> Option<i64> {
    let is_critical =
        |k: &usize| tree.text(&format!("{dir}/trip_point_{k}_type")).is_ok_and(|kind| kind == "critical");
    let k = (0..MAX_TRIPS).find(is_critical)?;
    tree.number(&format!("{dir}/trip_point_{k}_temp"))
}

/// The limit from what the sensor calls critical, millidegrees.
fn limit(critical_mc: Option<i64>) -> Limit {
    match critical_mc.map(|mc| mc as f64 / 1000.0) {
        Some(limit_c) if LIMIT_C.contains(&limit_c) => Limit { limit_c, source: LimitSource::SensorCritical },
        _ => Limit { limit_c: DEFAULT_LIMIT_C, source: LimitSource::Default },
    }
}

/// What each candidate did since it was followed.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Rise {
    first_c: Option<f64>,
    highest_c: Option<f64>,
}

impl Rise {
    pub(super) fn see(&mut self, value_c: f64) {
        self.first_c.get_or_insert(value_c);
        self.highest_c = Some(self.highest_c.map_or(value_c, |h| h.max(value_c)));
    }

    pub(super) fn risen_k(&self) -> Option<f64> {
        Some(self.highest_c? - self.first_c?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_labels_come_before_guesses() {
        let order = [
            ("k10temp", Some("Tdie"), 2),
            ("k10temp", Some("Tctl"), 1),
            ("coretemp", Some("Core 0"), 2),
            ("dell_smm", Some("CPU"), 2),
            ("thinkpad", None, 1),
            ("adt7475", None, 1),
            ("dell_smm", None, 1),
            ("acpitz", None, 1),
            ("unheard_of", None, 1),
        ];
        let ranks: Vec<u8> = order.iter().map(|&(d, l, n)| rank(d, l, n).unwrap()).collect();
        assert!(ranks.windows(2).all(|w| w[0] > w[1]), "{ranks:?}");
        assert_eq!(rank("coretemp", Some("Physical id 0"), 1), rank("coretemp", Some("Package id 0"), 1));
        for driver in ["nvme", "iwlwifi_1", "BAT0", "amdgpu", "drivetemp"] {
            assert_eq!(rank(driver, Some("CPU"), 1), None, "{driver}");
        }
        assert_eq!(rank("dell_smm", Some("Ambient"), 3), None);
    }

    #[test]
    fn a_limit_that_is_no_limit_gives_the_default() {
        for (mc, expected_c) in [
            (Some(100_000), 100.0),
            (Some(80_000), 80.0),
            (Some(110_000), 110.0),
            (Some(79_999), 90.0),
            (Some(110_001), 90.0),
            (Some(65_261_850), 90.0),
            (Some(-273_150), 90.0),
            (Some(0), 90.0),
            (None, 90.0),
        ] {
            assert_eq!(limit(mc).limit_c, expected_c, "{mc:?}");
        }
    }
}
