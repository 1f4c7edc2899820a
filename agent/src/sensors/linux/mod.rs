//! Linux: hwmon, thermal zones, powercap, cpufreq, thermal_throttle, power_supply, DMI.
//!
//! Files are opened once and read by one short `pread` each; `tree` alone opens them. A channel that can't be read
//! is an empty cell, never a failure. Chips are known by driver, device and label, since their numbers change between boots.

mod attribute;
mod chips;
mod circumstances;
mod counters;
mod cpu_temp;
mod drivers;
mod fans;
mod gauge;
mod identity;
mod inlet;
mod other_temps;
mod power;
mod slow;
mod supply;
mod survey;
#[cfg(test)]
mod tests;
pub(crate) mod tree;

use std::os::fd::BorrowedFd;
use std::path::Path;

use windrow_model::channel::Channel;
use windrow_model::record::wire;

use self::circumstances::Lid;
use self::counters::{Busy, CoreClock, Throttle};
use self::cpu_temp::{Candidate, Rise};
use self::gauge::Gauge;
use self::power::Power;
use self::slow::{Place, SlowReader};
use self::supply::Mains;
pub use self::survey::survey;
use self::tree::Tree;
use crate::check::AMBIENT_PRIOR;
use crate::clock::boot_s;
use crate::machine::{Facts, Reading, Sensors};
use crate::sensors::NoSensors;

/// The sensors of a machine whose file system begins at a root.
#[derive(Debug)]
pub struct LinuxSensors {
    tree: Tree,
    slow: SlowReader,
    cpu: Vec<CpuTemp>,
    /// Which of `cpu` is the CPU's temperature.
    chosen: usize,
    following: Option<Vec<Rise>>,
    ports: Vec<Port>,
    /// The second fan was seen turning, or exists for sure: only then is its 0 a reading.
    second_fan_is_there: bool,
    power: Option<(Power, String)>,
    core_clock: Option<CoreClock>,
    throttle: Throttle,
    busy: Option<Busy>,
    mains: Mains,
    lid: Lid,
    model: wire::Model,
}

#[derive(Debug)]
struct CpuTemp {
    port: Port,
    limit: wire::Limit,
}

/// A channel's value, from a file read in the sweep or from the slow thread.
#[derive(Debug)]
struct Port {
    channel: Channel,
    source: String,
    way: Way,
}

#[derive(Debug)]
enum Way {
    Direct(Gauge),
    Slow(Place),
}

/// Opens the sensors of the machine whose file system begins at `root` (`/`, or a captured tree).
///
/// # Errors
/// Where no CPU temperature can be read; the error says what was looked for.
pub fn open(root: &Path) -> Result<LinuxSensors, NoSensors> {
    let tree = Tree::new(root);
    let now_s = boot_s();
    let chips = chips::list(&tree);
    let candidates = cpu_temp::candidates(&tree, &chips, now_s);
    if candidates.is_empty() {
        return Err(survey::no_sensors(&tree, &chips));
    }
    let mut slow = SlowReader::default();
    let cpu: Vec<CpuTemp> = candidates.into_iter().map(|c| cpu_temp_port(c, &mut slow)).collect();
    let mut ports = Vec::new();
    let second_fan_is_there = add_fans(&tree, &chips, now_s, &mut slow, &mut ports);
    add_other_temps(&tree, &chips, &cpu[0].port.source, now_s, &mut slow, &mut ports);
    let power = power::find(&tree, &chips);
    let mut sensors = LinuxSensors {
        power: power.power.map(|p| (p, power.source)),
        core_clock: CoreClock::find(&tree),
        throttle: Throttle::find(&tree),
        busy: Busy::find(&tree),
        mains: Mains::find(&tree),
        lid: Lid::find(&tree),
        model: identity::model(&tree),
        chosen: 0,
        following: None,
        cpu,
        ports,
        second_fan_is_there,
        slow,
        tree,
    };
    sensors.want_slow_candidates(false);
    sensors.slow.start(&sensors.tree);
    Ok(sensors)
}

/// The kernel's boot id, where it tells.
pub fn boot_id(root: &Path) -> Option<String> {
    identity::boot_id(&Tree::new(root))
}

/// Operating system, kernel and architecture.
pub fn platform(root: &Path) -> wire::Platform {
    identity::platform(&Tree::new(root))
}

/// Model and firmware, for machines without sensors too.
pub fn model(root: &Path) -> wire::Model {
    identity::model(&Tree::new(root))
}

fn cpu_temp_port(candidate: Candidate, slow: &mut SlowReader) -> CpuTemp {
    let Candidate { gauge, limit, slow: is_slow, first, .. } = candidate;
    CpuTemp { port: port(gauge, is_slow, Some(first), slow), limit }
}

fn port(gauge: Gauge, is_slow: bool, first: Option<f64>, slow: &mut SlowReader) -> Port {
    let (channel, source) = (gauge.channel, gauge.source.clone());
    let way = if is_slow { Way::Slow(slow.add(gauge, first)) } else { Way::Direct(gauge) };
    Port { channel, source, way }
}

/// Adds the fans' ports; says whether a second fan exists for sure.
fn add_fans(
    tree: &Tree,
    chips: &[chips::Chip],
    now_s: f64,
    slow: &mut SlowReader,
    ports: &mut Vec<Port>,
) -> bool {
    let mut second_is_there = false;
    for (idx, fan) in fans::find(tree, chips, now_s).into_iter().enumerate() {
        second_is_there = idx == 1 && (fan.vouched || fan.first_rpm.is_some_and(|rpm| rpm > 0.0));
        ports.push(port(fan.rpm, fan.slow, fan.first_rpm, slow));
        if let Some(pwm) = fan.pwm {
            ports.push(port(pwm, fan.slow, None, slow));
        }
    }
    second_is_there
}

fn add_other_temps(
    tree: &Tree,
    chips: &[chips::Chip],
    cpu_source: &str,
    now_s: f64,
    slow: &mut SlowReader,
    ports: &mut Vec<Port>,
) {
    let all = [
        other_temps::ssd(tree, chips, now_s),
        other_temps::board(tree, chips, cpu_source, now_s),
        other_temps::battery(tree, now_s),
    ];
    for found in all.into_iter().flatten() {
        ports.push(port(found.gauge, found.slow, Some(found.first), slow));
    }
}

impl Port {
    fn read(&mut self, tree: &Tree, slow: &SlowReader, now_s: f64) -> Option<f64> {
        match &mut self.way {
            Way::Direct(gauge) => gauge.read(tree, now_s),
            Way::Slow(place) => slow.take(*place),
        }
    }
}

impl LinuxSensors {
    /// One sweep at a moment of the boot clock; [`Sensors::sweep`] is this with the clock's own time.
    pub fn sweep_at(&mut self, now_s: f64) -> Reading {
        let mut reading = Reading::NOTHING;
        let mut put = |channel: Channel, value: Option<f64>| {
            reading.values[channel as usize] = value.unwrap_or(f64::NAN);
        };
        let cpu_temp_c =
            read_cpu(&mut self.cpu, self.chosen, &mut self.following, &self.tree, &self.slow, now_s);
        put(Channel::CpuTempC, cpu_temp_c);
        put(Channel::PackagePowerW, self.power.as_mut().and_then(|(p, _)| p.read(&self.tree, now_s)));
        for port in &mut self.ports {
            let mut value = port.read(&self.tree, &self.slow, now_s);
            if port.channel == Channel::Fan2Rpm {
                self.second_fan_is_there |= value.is_some_and(|rpm| rpm > 0.0);
                value = value.filter(|_| self.second_fan_is_there);
            }
            put(port.channel, value);
        }
        put(Channel::CoreClockMhz, self.core_clock.as_mut().and_then(|c| c.read(&self.tree, now_s)));
        put(Channel::ThrottleCount, self.throttle.count(&self.tree, now_s));
        put(Channel::ThrottleMs, self.throttle.time_ms(&self.tree, now_s));
        put(Channel::BusyPct, self.busy.as_mut().and_then(|b| b.read(&self.tree, now_s)));
        reading.on_ac = self.mains.on_ac(&self.tree, now_s);
        reading.lid_closed = self.lid.closed(&self.tree, now_s);
        reading
    }

    /// The open files of one sweep in which mains and lid are due, each once: what a bench reads to compare. Slow
    /// drivers' files are not among them.
    pub fn descriptors(&self) -> Vec<BorrowedFd<'_>> {
        let ports = std::iter::once(&self.cpu[self.chosen].port).chain(&self.ports);
        let direct = ports.filter_map(|port| match &port.way {
            Way::Direct(gauge) => gauge.descriptor(),
            Way::Slow(_) => None,
        });
        let power = self.power.iter().flat_map(|(power, _)| power.descriptors());
        let clock = self.core_clock.iter().flat_map(CoreClock::descriptors);
        let throttle = self.throttle.descriptors();
        let busy = self.busy.iter().filter_map(Busy::descriptor);
        let states = self.mains.descriptors().chain(self.lid.descriptor());
        direct.chain(power).chain(clock).chain(throttle).chain(busy).chain(states).collect()
    }

    /// Slow candidates other than the chosen one are read only while they are followed.
    fn want_slow_candidates(&self, wanted: bool) {
        for (idx, cpu) in self.cpu.iter().enumerate() {
            if let Way::Slow(place) = cpu.port.way {
                self.slow.want(place, wanted || idx == self.chosen);
            }
        }
    }
}

/// The chosen CPU temperature; the others are read beside it while they are followed.
fn read_cpu(
    cpu: &mut [CpuTemp],
    chosen: usize,
    following: &mut Option<Vec<Rise>>,
    tree: &Tree,
    slow: &SlowReader,
    now_s: f64,
) -> Option<f64> {
    let Some(rises) = following else { return cpu[chosen].port.read(tree, slow, now_s) };
    let mut value_c = None;
    for (idx, (candidate, rise)) in cpu.iter_mut().zip(rises).enumerate() {
        let Some(c) = candidate.port.read(tree, slow, now_s) else { continue };
        rise.see(c);
        if idx == chosen {
            value_c = Some(c);
        }
    }
    value_c
}

impl Sensors for LinuxSensors {
    fn sweep(&mut self) -> Reading {
        self.sweep_at(boot_s())
    }

    fn facts(&mut self) -> Facts {
        circumstances::facts(&self.tree)
    }

    fn follow_candidates(&mut self) {
        self.want_slow_candidates(true);
        let rises = self.cpu.iter_mut().map(|cpu| {
            let mut rise = Rise::default();
            if let Way::Direct(gauge) = &mut cpu.port.way
                && let Some(now_c) = gauge.peek(&self.tree, boot_s())
            {
                rise.see(now_c);
            }
            rise
        });
        self.following = Some(rises.collect());
    }

    fn keep_the_one_that_rose(&mut self, least_rise_k: f64) -> Option<f64> {
        let rises = self.following.take()?;
        // Candidates stand in order of likelihood.
        let rose = rises.iter().map(Rise::risen_k).position(|k| k.is_some_and(|k| k >= least_rise_k));
        self.chosen = rose.unwrap_or(self.chosen);
        self.want_slow_candidates(false);
        rises[rose?].risen_k()
    }

    fn sources(&self) -> Vec<wire::Source> {
        let of = |channel: Channel, source: &str| wire::Source {
            channel: channel.spec().column.to_owned(),
            source: source.to_owned(),
        };
        let cpu = &self.cpu[self.chosen].port;
        let mut sources = vec![of(cpu.channel, &cpu.source)];
        sources.extend(self.power.iter().map(|(_, source)| of(Channel::PackagePowerW, source)));
        sources.extend(self.ports.iter().map(|p| of(p.channel, &p.source)));
        let counted = [
            (self.core_clock.is_some(), Channel::CoreClockMhz, "cpufreq/scaling_cur_freq"),
            (self.throttle.has_count(), Channel::ThrottleCount, "thermal_throttle"),
            (self.throttle.has_time(), Channel::ThrottleMs, "thermal_throttle"),
            (self.busy.is_some(), Channel::BusyPct, "stat"),
        ];
        sources.extend(counted.iter().filter(|c| c.0).map(|&(_, channel, source)| of(channel, source)));
        sources
    }

    fn limit(&self) -> Option<wire::Limit> {
        Some(self.cpu[self.chosen].limit.clone())
    }

    fn context(&mut self) -> wire::Context {
        let now_s = boot_s();
        let ambient = inlet::ambient(&self.tree, &chips::list(&self.tree), AMBIENT_PRIOR, now_s);
        wire::Context { ambient, ..circumstances::context(&self.tree, &mut self.mains, now_s) }
    }

    fn model(&self) -> wire::Model {
        self.model.clone()
    }
}
