//! What this machine lets us read, and what can be judged with it.

use std::path::Path;

use windrow_model::channel::Channel;
use windrow_model::record::wire::LimitSource;

use super::chips::{self, Chip};
use super::circumstances::{Lid, power_limits};
use super::counters::{Busy, CoreClock, Throttle};
use super::supply::Mains;
use super::tree::Tree;
use super::{cpu_temp, fans, other_temps, power, supply};
use crate::clock::boot_s;
use crate::sensors::inventory::judges;
use crate::sensors::{Finding, Inventory, NoSensors, State};

/// Looks for everything once.
pub fn survey(root: &Path) -> Inventory {
    let tree = Tree::new(root);
    let chips = chips::list(&tree);
    let now_s = boot_s();
    let mut findings = Vec::new();
    let cpu_source = cpu(&tree, &chips, now_s, &mut findings);
    package_power(&tree, &chips, &mut findings);
    all_fans(&tree, &chips, now_s, &mut findings);
    counted(&tree, &mut findings);
    temperatures(&tree, &chips, &cpu_source, now_s, &mut findings);
    let busy = Busy::find(&tree).map(|_| "stat".to_owned());
    findings.push(of_channel(Channel::BusyPct, busy, ""));
    findings.push(of_channel(Channel::WorkRate, Some("the load itself".to_owned()), ""));
    circumstances(&tree, &mut findings);
    findings.sort_by_key(|f| f.channel.map_or(usize::MAX, |c| c as usize));
    Inventory { findings }
}

/// What was looked for where no CPU temperature was found, and what stands there instead.
pub(super) fn no_sensors(tree: &Tree, chips: &[Chip]) -> NoSensors {
    let drivers: Vec<&str> = chips.iter().map(|c| c.driver.as_str()).take(16).collect();
    let chips_found = if drivers.is_empty() { "no chip there".to_owned() } else { drivers.join(", ") };
    let kinds = tree.names("sys/class/thermal").into_iter().filter(|n| n.starts_with("thermal_zone"));
    let kinds: Vec<String> =
        kinds.take(16).filter_map(|n| tree.label(&format!("sys/class/thermal/{n}/type"))).collect();
    let zones_found = if kinds.is_empty() { "no zone there".to_owned() } else { kinds.join(", ") };
    NoSensors {
        looked_for: vec![
            format!("hwmon chips under `/sys/class/hwmon` ({chips_found})"),
            format!("thermal zones under `/sys/class/thermal` ({zones_found})"),
        ],
    }
}

fn of_channel(channel: Channel, source: Option<String>, note: &str) -> Finding {
    Finding {
        channel: Some(channel),
        what: channel.spec().label.to_owned(),
        state: if source.is_some() { State::Found } else { State::Absent },
        source: source.unwrap_or_default(),
        judges: judges(channel),
        note: note.to_owned(),
    }
}

fn cpu(tree: &Tree, chips: &[Chip], now_s: f64, findings: &mut Vec<Finding>) -> String {
    let candidates = cpu_temp::candidates(tree, chips, now_s);
    let note = candidates.first().map_or_else(String::new, |c| {
        let whose = match c.limit.source {
            LimitSource::SensorCritical => "the sensor's own",
            LimitSource::Default => "the default, since the sensor names none",
        };
        format!("limit {} °C, {whose}; {} candidate(s)", c.limit.limit_c, candidates.len())
    });
    let source = candidates.into_iter().next().map(|c| c.gauge.source);
    findings.push(of_channel(Channel::CpuTempC, source.clone(), &note));
    source.unwrap_or_default()
}

fn package_power(tree: &Tree, chips: &[Chip], findings: &mut Vec<Finding>) {
    let found = power::find(tree, chips);
    let note = if found.energy_denied {
        "permission denied on `energy_uj`: an administrator can grant a group the right to read it, which also lets \
         its members observe other programs' power"
    } else {
        ""
    };
    let mut finding = of_channel(Channel::PackagePowerW, Some(found.source), note);
    finding.state = found.state;
    findings.push(finding);
}

fn all_fans(tree: &Tree, chips: &[Chip], now_s: f64, findings: &mut Vec<Finding>) {
    let mut fans = fans::find(tree, chips, now_s).into_iter();
    for (rpm, pwm) in [(Channel::Fan1Rpm, Channel::Pwm1), (Channel::Fan2Rpm, Channel::Pwm2)] {
        let fan = fans.next();
        let stands = fan.as_ref().is_some_and(|f| f.first_rpm.unwrap_or(0.0) <= 0.0);
        let note = if stands { "reads 0: it stands now, or is not there" } else { "" };
        let pwm_source = fan.as_ref().and_then(|f| f.pwm.as_ref()).map(|g| g.source.clone());
        findings.push(of_channel(rpm, fan.map(|f| f.rpm.source), note));
        findings.push(of_channel(pwm, pwm_source, ""));
    }
}

fn counted(tree: &Tree, findings: &mut Vec<Finding>) {
    let clock = CoreClock::find(tree).map(|_| "cpufreq/scaling_cur_freq".to_owned());
    findings.push(of_channel(Channel::CoreClockMhz, clock, ""));
    let throttle = Throttle::find(tree);
    let source = |there: bool| there.then(|| "thermal_throttle".to_owned());
    findings.push(of_channel(Channel::ThrottleCount, source(throttle.has_count()), ""));
    findings.push(of_channel(Channel::ThrottleMs, source(throttle.has_time()), ""));
}

fn temperatures(tree: &Tree, chips: &[Chip], cpu_source: &str, now_s: f64, findings: &mut Vec<Finding>) {
    for (channel, found) in [
        (Channel::SsdTempC, other_temps::ssd(tree, chips, now_s)),
        (Channel::BoardTempC, other_temps::board(tree, chips, cpu_source, now_s)),
        (Channel::BatteryTempC, other_temps::battery(tree, now_s)),
    ] {
        findings.push(of_channel(channel, found.map(|f| f.gauge.source), ""));
    }
}

fn circumstances(tree: &Tree, findings: &mut Vec<Finding>) {
    let mut add = |what: &str, there: bool, source: &str, judges: &'static str| {
        findings.push(Finding {
            channel: None,
            what: what.to_owned(),
            state: if there { State::Found } else { State::Absent },
            source: if there { source.to_owned() } else { String::new() },
            judges,
            note: String::new(),
        });
    };
    let safe = "whether the load may run";
    let comparable = "what the run may be compared with";
    add("mains power", Mains::find(tree).can_tell(), "power_supply", safe);
    add("battery", !supply::battery_dirs(tree).is_empty(), "power_supply", safe);
    add("lid", Lid::find(tree).can_tell(), "acpi button", safe);
    add("power limits", !power_limits(tree).is_empty(), "intel-rapl constraints", comparable);
    add(
        "platform profile",
        tree.label("sys/firmware/acpi/platform_profile").is_some(),
        "acpi platform_profile",
        comparable,
    );
}
