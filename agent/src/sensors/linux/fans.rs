//! The fans: two slots, the CPU's first.

use windrow_model::channel::Channel;

use super::attribute::Attribute;
use super::chips::{Chip, Input};
use super::gauge::Gauge;
use super::tree::Tree;

/// Most fans that are looked at.
const MAX_FANS: usize = 16;

/// A fan as it was found.
#[derive(Debug)]
pub(super) struct Fan {
    pub rpm: Gauge,
    pub pwm: Option<Gauge>,
    pub slow: bool,
    /// What it read when it was found.
    pub first_rpm: Option<f64>,
    /// Its driver names it or its least speed: it exists even while it stands.
    pub vouched: bool,
    cpu: bool,
}

/// The machine's fans, at most two: those that exist for sure, the CPU's before others, then others that turn.
///
/// 0 rpm may be a standing fan or none at all (unused inputs of a chip, a driver's second fan): a nameless one comes
/// last. A named fan keeps its place whether it turns now or not, so that a seized one is seen and two runs compare.
pub(super) fn find(tree: &Tree, chips: &[Chip], now_s: f64) -> Vec<Fan> {
    let mut fans: Vec<Fan> = Vec::new();
    for chip in chips {
        for input in chip.inputs(tree, "fan", "input") {
            fans.extend(of_chip(tree, chip, &input, now_s));
        }
    }
    if fans.is_empty() {
        fans = acpi_fans(tree, now_s);
    }
    fans.truncate(MAX_FANS);
    let perhaps_none = |f: &Fan| !f.vouched && f.first_rpm.unwrap_or(0.0) <= 0.0;
    fans.sort_by_key(|f| (perhaps_none(f), !f.vouched, !f.cpu));
    fans.truncate(2);
    for (fan, (rpm, pwm)) in
        fans.iter_mut().zip([(Channel::Fan1Rpm, Channel::Pwm1), (Channel::Fan2Rpm, Channel::Pwm2)])
    {
        fan.rpm.channel = rpm;
        if let Some(gauge) = &mut fan.pwm {
            gauge.channel = pwm;
        }
    }
    fans
}

fn of_chip(tree: &Tree, chip: &Chip, input: &Input, now_s: f64) -> Option<Fan> {
    let attribute = chip.open(tree, &input.value).ok()?;
    let mut rpm = Gauge::new(Channel::Fan1Rpm, chip.source(input), attribute, 1.0, chip.keeps_s);
    let first_rpm = rpm.peek(tree, now_s);
    let least_rpm = tree.number(&format!("{}/{}_min", chip.dir, input.stem));
    let label = input.label.as_deref().unwrap_or("").to_lowercase();
    Some(Fan {
        rpm,
        pwm: pwm(tree, chip, input),
        slow: chip.slow,
        first_rpm,
        vouched: input.label.is_some() || least_rpm.is_some_and(|rpm| rpm > 0),
        cpu: label.contains("cpu") || label.contains("processor"),
    })
}

fn pwm(tree: &Tree, chip: &Chip, input: &Input) -> Option<Gauge> {
    let file = input.stem.replace("fan", "pwm");
    if !chip.has(&file) {
        return None;
    }
    let attribute = chip.open(tree, &file).ok()?;
    let source = format!("{}/pwm{}", chip.driver, input.number);
    let mut gauge = Gauge::new(Channel::Pwm1, source, attribute, 1.0, chip.keeps_s);
    gauge.peek(tree, f64::NAN)?;
    Some(gauge)
}

/// Fans that the firmware speaks for, where no chip shows them (drivers/acpi/fan_attr.c: `fan_speed_rpm` at the device).
fn acpi_fans(tree: &Tree, now_s: f64) -> Vec<Fan> {
    let mut fans = Vec::new();
    for name in tree.names("sys/class/thermal").into_iter().filter(|n| n.starts_with("cooling_device")) {
        let path = format!("sys/class/thermal/{name}/device/fan_speed_rpm");
        let Ok(attribute) = Attribute::fixed(tree, &path) else { continue };
        let mut rpm = Gauge::new(Channel::Fan1Rpm, "acpi-fan/fan_speed_rpm".to_owned(), attribute, 1.0, 0.0);
        let Some(first) = rpm.peek(tree, now_s) else { continue };
        fans.push(Fan { rpm, pwm: None, slow: false, first_rpm: Some(first), vouched: true, cpu: false });
    }
    fans
}
