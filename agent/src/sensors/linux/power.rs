//! Package power: from the processor's energy counters, the graphics driver of a chip that holds both, or a power meter.

use std::os::fd::BorrowedFd;

use windrow_model::channel::Channel;

use super::attribute::Attribute;
use super::chips::Chip;
use super::gauge::Gauge;
use super::tree::Tree;
use crate::sensors::State;

/// Most packages.
const MAX_PACKAGES: usize = 16;
/// Shortest interval between two readings of an energy counter, s. The counter moves once a millisecond; below this its steps show.
const SHORTEST_S: f64 = 0.02;
/// Longest interval, s. Over a longer one, a sleep for example, the counter may have wrapped more than once.
const LONGEST_S: f64 = 5.0;
const CLASS: &str = "sys/class/powercap";

/// Where the package's power comes from.
#[derive(Debug)]
pub(super) enum Power {
    /// Energy counters of all packages.
    Energy(Energy),
    /// A driver that says it in watts.
    Meter(Gauge),
}

/// What was found of package power.
#[derive(Debug)]
pub(super) struct Found {
    pub power: Option<Power>,
    pub state: State,
    pub source: String,
    /// The energy counters are there, and this user may not read them.
    pub energy_denied: bool,
}

/// Looks for it, best first.
pub(super) fn find(tree: &Tree, chips: &[Chip]) -> Found {
    let energy = Energy::find(tree);
    let energy_denied = matches!(&energy, Err(e) if e.kind() == std::io::ErrorKind::PermissionDenied);
    let source = "intel-rapl/package".to_owned();
    if let Ok(Some(energy)) = energy {
        return Found { power: Some(Power::Energy(energy)), state: State::Found, source, energy_denied };
    }
    if let Some(gauge) = meter(tree, chips) {
        let source = gauge.source.clone();
        return Found { power: Some(Power::Meter(gauge)), state: State::Found, source, energy_denied };
    }
    let state = if energy_denied { State::Denied } else { State::Absent };
    let source = if energy_denied { source } else { String::new() };
    Found { power: None, state, source, energy_denied }
}

impl Power {
    /// W; over the interval since the last reading where it comes from energy.
    pub(super) fn read(&mut self, tree: &Tree, now_s: f64) -> Option<f64> {
        match self {
            Self::Energy(energy) => energy.read(tree, now_s),
            Self::Meter(gauge) => gauge.read(tree, now_s),
        }
    }
}

impl Power {
    /// Its open files.
    pub(super) fn descriptors(&self) -> Vec<BorrowedFd<'_>> {
        match self {
            Self::Energy(energy) => energy.zones.iter().filter_map(|z| z.energy_uj.descriptor()).collect(),
            Self::Meter(gauge) => gauge.descriptor().into_iter().collect(),
        }
    }
}

/// Energy counters, one for each package.
#[derive(Debug)]
pub(super) struct Energy {
    zones: Vec<Zone>,
    read_at_s: f64,
}

#[expect(clippy::struct_field_names, reason = "a quantity's name ends in its unit")]
#[derive(Debug)]
struct Zone {
    energy_uj: Attribute,
    range_uj: u64,
    before_uj: Option<u64>,
}

impl Energy {
    /// All packages' counters; `None` where there are none. One that can't be read makes the sum a lie, so then all fail.
    fn find(tree: &Tree) -> std::io::Result<Option<Self>> {
        let mut zones = Vec::new();
        for dir in packages(tree) {
            let energy_uj = Attribute::fixed(tree, &format!("{dir}/energy_uj"))?;
            let range_uj =
                tree.number(&format!("{dir}/max_energy_range_uj")).and_then(|r| u64::try_from(r).ok());
            zones.push(Zone { energy_uj, range_uj: range_uj.unwrap_or(0), before_uj: None });
        }
        Ok((!zones.is_empty()).then_some(Self { zones, read_at_s: f64::NEG_INFINITY }))
    }

    fn read(&mut self, tree: &Tree, now_s: f64) -> Option<f64> {
        let interval_s = now_s - self.read_at_s;
        if (0.0..SHORTEST_S).contains(&interval_s) {
            return None;
        }
        let mut now_uj = [0_u64; MAX_PACKAGES];
        for (zone, now) in self.zones.iter_mut().zip(&mut now_uj) {
            *now = u64::try_from(zone.energy_uj.number(tree, now_s)?).ok()?;
        }
        let steps = self.zones.iter().zip(&now_uj).map(|(z, &now)| step_uj(z.before_uj?, now, z.range_uj));
        let step_uj: Option<u64> = steps.sum();
        if step_uj == Some(0) && interval_s <= LONGEST_S {
            // Not counted on since: no reading yet. The next one covers this interval too.
            return None;
        }
        for (zone, now) in self.zones.iter_mut().zip(now_uj) {
            zone.before_uj = Some(now);
        }
        self.read_at_s = now_s;
        let watts = step_uj? as f64 * 1e-6 / interval_s;
        let believable = interval_s <= LONGEST_S && Channel::PackagePowerW.plausible(watts);
        believable.then_some(watts)
    }
}

/// Energy between two readings of a counter that begins again at 0 after `range_uj` (Documentation/power/powercap:
/// the range is added once on a decrease).
pub(super) fn step_uj(before: u64, after: u64, range_uj: u64) -> Option<u64> {
    if after >= before {
        return Some(after - before);
    }
    (before <= range_uj).then(|| range_uj - before + after)
}

/// The packages' folders: `intel-rapl:P`, not their parts `intel-rapl:P:D`, nor the same counters by another way, nor
/// the platform's (`psys`).
pub(super) fn packages(tree: &Tree) -> Vec<String> {
    let is_package = |name: &String| name.starts_with("intel-rapl:") && name.matches(':').count() == 1;
    let dirs = tree.names(CLASS).into_iter().filter(is_package).map(|n| format!("{CLASS}/{n}"));
    let named = dirs.filter(|d| tree.text(&format!("{d}/name")).is_ok_and(|n| n.starts_with("package")));
    named.take(MAX_PACKAGES).collect()
}

fn meter(tree: &Tree, chips: &[Chip]) -> Option<Gauge> {
    let socket = chips.iter().filter(|c| c.driver == "amdgpu" && is_whole_socket(tree, c));
    let meters = chips.iter().filter(|c| c.driver == "power_meter");
    socket.chain(meters).find_map(|chip| watts_of(tree, chip))
}

/// Only a chip with processor and graphics in one has the `vddnb` rail (drivers/gpu/drm/amd/pm/amdgpu_pm.c; from memory);
/// a separate graphics card's power says nothing about the processor.
fn is_whole_socket(tree: &Tree, chip: &Chip) -> bool {
    chip.inputs(tree, "in", "input").iter().any(|i| i.label.as_deref() == Some("vddnb"))
}

fn watts_of(tree: &Tree, chip: &Chip) -> Option<Gauge> {
    for ending in ["average", "input"] {
        for input in chip.inputs(tree, "power", ending) {
            let averaged_ms = tree.number(&format!("{}/{}_average_interval", chip.dir, input.stem));
            let keeps_s = chip.keeps_s.max(super::drivers::keeps_s("", averaged_ms));
            let Ok(attribute) = chip.open(tree, &input.value) else { continue };
            return Some(Gauge::new(Channel::PackagePowerW, chip.source(&input), attribute, 1e6, keeps_s));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_counter_that_began_again_is_counted_on() {
        // The captured trees' range, 262 143 328 850 µJ.
        let range = 262_143_328_850;
        assert_eq!(step_uj(10, 15, range), Some(5));
        assert_eq!(step_uj(range - 10, 15, range), Some(25));
        assert_eq!(step_uj(7, 7, range), Some(0));
        assert_eq!(step_uj(range + 1, 0, range), None, "beyond its own range");
        assert_eq!(step_uj(5, 1, 0), None, "no range told");
    }
}
