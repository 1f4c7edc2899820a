//! Readings that are put together from several files: core clock, throttle counters, busy share.

use std::collections::BTreeSet;
use std::os::fd::BorrowedFd;

use windrow_model::channel::Channel;

use super::attribute::Attribute;
use super::tree::Tree;

/// Most files of one kind. A laptop has some dozens of CPUs.
const MAX_FILES: usize = 256;
const CPUS: &str = "sys/devices/system/cpu";

/// The cores' mean clock.
#[derive(Debug)]
pub(super) struct CoreClock {
    /// File and the number of CPUs that it speaks for.
    policies: Vec<(Attribute, u32)>,
}

impl CoreClock {
    pub(super) fn find(tree: &Tree) -> Option<Self> {
        let mut policies = Vec::new();
        for dir in policy_dirs(tree).into_iter().take(MAX_FILES) {
            let Ok(attribute) = Attribute::fixed(tree, &format!("{dir}/scaling_cur_freq")) else { continue };
            let cpus = tree.text(&format!("{dir}/affected_cpus")).unwrap_or_default();
            policies.push((attribute, cpus.split_ascii_whitespace().count().max(1) as u32));
        }
        (!policies.is_empty()).then_some(Self { policies })
    }

    /// Its open files.
    pub(super) fn descriptors(&self) -> impl Iterator<Item = BorrowedFd<'_>> {
        self.policies.iter().filter_map(|(attribute, _)| attribute.descriptor())
    }

    /// MHz, mean over the CPUs that tell.
    pub(super) fn read(&mut self, tree: &Tree, now_s: f64) -> Option<f64> {
        for (attribute, _) in &mut self.policies {
            attribute.fetch();
        }
        let (mut sum, mut n) = (0.0, 0.0);
        for (attribute, cpus) in &mut self.policies {
            let Some(khz) = attribute.number(tree, now_s).filter(|&khz| khz > 0) else { continue };
            sum += khz as f64 * f64::from(*cpus);
            n += f64::from(*cpus);
        }
        let mhz = sum / n / 1000.0;
        Channel::CoreClockMhz.plausible(mhz).then_some(mhz)
    }
}

/// Folders of the frequency policies; older kernels and captured trees have them under each CPU.
pub(super) fn policy_dirs(tree: &Tree) -> Vec<String> {
    let policies: Vec<String> = tree.names(&format!("{CPUS}/cpufreq")).into_iter().collect();
    let policies: Vec<String> =
        policies.iter().filter(|n| n.starts_with("policy")).map(|n| format!("{CPUS}/cpufreq/{n}")).collect();
    if policies.is_empty() {
        cpu_dirs(tree).into_iter().map(|d| format!("{d}/cpufreq")).collect()
    } else {
        policies
    }
}

/// Folders of the CPUs.
pub(super) fn cpu_dirs(tree: &Tree) -> Vec<String> {
    let number =
        |n: &String| n.strip_prefix("cpu").is_some_and(|d| !d.is_empty() && d.parse::<u32>().is_ok());
    tree.names(CPUS).into_iter().filter(number).map(|n| format!("{CPUS}/{n}")).collect()
}

/// The throttle counters, each core and each package once though every sibling CPU repeats them.
#[derive(Debug, Default)]
pub(super) struct Throttle {
    core_counts: Vec<Attribute>,
    package_counts: Vec<Attribute>,
    core_ms: Vec<Attribute>,
    package_ms: Vec<Attribute>,
}

impl Throttle {
    pub(super) fn find(tree: &Tree) -> Self {
        let mut all = Self::default();
        let (mut cores, mut packages) = (BTreeSet::new(), BTreeSet::new());
        for dir in cpu_dirs(tree).into_iter().take(MAX_FILES) {
            let package = tree.number(&format!("{dir}/topology/physical_package_id"));
            let core = tree.number(&format!("{dir}/topology/core_id"));
            let open = |file: &str| Attribute::fixed(tree, &format!("{dir}/thermal_throttle/{file}")).ok();
            // Without a topology each CPU counts as a core of its own.
            let core = core.map_or_else(|| dir.clone(), |c| c.to_string());
            if cores.insert((package, core)) {
                all.core_counts.extend(open("core_throttle_count"));
                all.core_ms.extend(open("core_throttle_total_time_ms"));
            }
            if packages.insert(package) {
                all.package_counts.extend(open("package_throttle_count"));
                all.package_ms.extend(open("package_throttle_total_time_ms"));
            }
        }
        all
    }

    pub(super) fn has_count(&self) -> bool {
        !(self.core_counts.is_empty() && self.package_counts.is_empty())
    }

    pub(super) fn has_time(&self) -> bool {
        !(self.core_ms.is_empty() && self.package_ms.is_empty())
    }

    /// Events since boot over all cores and packages.
    pub(super) fn count(&mut self, tree: &Tree, now_s: f64) -> Option<f64> {
        if !self.has_count() {
            return None;
        }
        Some(sum(&mut self.core_counts, tree, now_s)? + sum(&mut self.package_counts, tree, now_s)?)
    }

    /// The open files that a sweep reads of these.
    pub(super) fn descriptors(&self) -> impl Iterator<Item = BorrowedFd<'_>> {
        let ms = if self.package_ms.is_empty() { &self.core_ms } else { &self.package_ms };
        [&self.core_counts, &self.package_counts, ms].into_iter().flatten().filter_map(Attribute::descriptor)
    }

    /// Time throttled since boot, ms: the packages', or the cores' where no package keeps it.
    pub(super) fn time_ms(&mut self, tree: &Tree, now_s: f64) -> Option<f64> {
        let files = if self.package_ms.is_empty() { &mut self.core_ms } else { &mut self.package_ms };
        if files.is_empty() { None } else { sum(files, tree, now_s) }
    }
}

/// A sum of which a part is missing would look like a counter that steps back: then there is no reading.
fn sum(files: &mut [Attribute], tree: &Tree, now_s: f64) -> Option<f64> {
    for file in &mut *files {
        file.fetch();
    }
    files.iter_mut().map(|f| f.number(tree, now_s).filter(|&v| v >= 0).map(|v| v as f64)).sum()
}

/// Busy share of all logical CPUs between two readings.
#[derive(Debug)]
pub(super) struct Busy {
    stat: Attribute,
    before: Option<(u64, u64)>,
}

impl Busy {
    pub(super) fn find(tree: &Tree) -> Option<Self> {
        let mut stat = Attribute::fixed(tree, "proc/stat").ok()?;
        stat.with_value(tree, f64::NAN, ticks)?;
        Some(Self { stat, before: None })
    }

    /// Its open file.
    pub(super) fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        self.stat.descriptor()
    }

    /// Percent; `None` at the first reading and while no tick has passed.
    pub(super) fn read(&mut self, tree: &Tree, now_s: f64) -> Option<f64> {
        let now = self.stat.with_value(tree, now_s, ticks)?;
        let (before_busy, before_all) = match self.before {
            Some(before) if now.1 == before.1 => return None,
            other => other.unwrap_or(now),
        };
        self.before = Some(now);
        let all = now.1.checked_sub(before_all).filter(|&all| all > 0)?;
        // Idle time may step back a little (proc(5)); the share stays within bounds.
        let busy = now.0.saturating_sub(before_busy).min(all);
        Some(100.0 * busy as f64 / all as f64)
    }
}

/// Busy and all ticks from the first line of /proc/stat: user nice system idle iowait irq softirq steal (proc(5)).
/// Guest time is part of user time already.
fn ticks(bytes: &[u8]) -> Option<(u64, u64)> {
    let line = bytes.split(|&b| b == b'\n').next()?.strip_prefix(b"cpu ")?;
    let fields = line.split(u8::is_ascii_whitespace).filter(|f| !f.is_empty()).take(8);
    let (mut all, mut idle, mut n_fields) = (0_u64, 0_u64, 0);
    for (idx, field) in fields.enumerate() {
        let field = counter(field)?;
        all = all.saturating_add(field);
        if matches!(idx, 3 | 4) {
            idle = idle.saturating_add(field);
        }
        n_fields += 1;
    }
    (n_fields > 3).then_some((all.saturating_sub(idle), all))
}

fn counter(digits: &[u8]) -> Option<u64> {
    digits.iter().try_fold(0_u64, |number, byte| {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 { None } else { number.checked_mul(10)?.checked_add(u64::from(digit)) }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_the_first_lines() {
        assert_eq!(ticks(b"cpu  10 1 5 80 4 0 0 0 7 0\ncpu0 1 1 1 1\n"), Some((16, 100)));
        assert_eq!(ticks(b"cpu  10 1 5 80\n"), Some((16, 96)));
        for bad in [&b""[..], b"cpu  1 2", b"cpu0 1 2 3 4", b"cpu  a b c d", b"\xff\xfe", b"cpu -1 2 3 4"] {
            assert_eq!(ticks(bad), None, "{bad:?}");
        }
    }
}
