//! Temperatures beside the CPU's: drive, board, battery.

use windrow_model::channel::Channel;

use super::attribute::Attribute;
use super::chips::{Chip, Input};
use super::gauge::Gauge;
use super::supply;
use super::tree::Tree;

/// A temperature as it was found.
#[derive(Debug)]
pub(super) struct Found {
    pub gauge: Gauge,
    pub slow: bool,
    pub first: f64,
}

/// The drive's temperature.
pub(super) fn ssd(tree: &Tree, chips: &[Chip], now_s: f64) -> Option<Found> {
    let drives = chips.iter().filter(|c| matches!(c.driver.as_str(), "nvme" | "drivetemp"));
    drives.flat_map(|c| c.inputs(tree, "temp", "input").into_iter().map(move |i| (c, i))).find_map(
        |(chip, input)| {
            // `Composite` is input 1, the drive's own overall value.
            if input.number == 1 { of_chip(tree, Channel::SsdTempC, chip, &input, now_s) } else { None }
        },
    )
}

/// The board's temperature, other than the file that serves as the CPU's.
pub(super) fn board(tree: &Tree, chips: &[Chip], cpu_source: &str, now_s: f64) -> Option<Found> {
    let mut ranked: Vec<(u8, &Chip, Input)> = Vec::new();
    for chip in chips {
        let inputs = chip.inputs(tree, "temp", "input");
        ranked.extend(inputs.into_iter().filter_map(|i| Some((rank(chip, &i)?, chip, i))));
    }
    ranked.sort_by_key(|(rank, ..)| std::cmp::Reverse(*rank));
    let others = ranked.into_iter().filter(|(_, chip, input)| chip.source(input) != cpu_source);
    others.into_iter().find_map(|(_, chip, input)| of_chip(tree, Channel::BoardTempC, chip, &input, now_s))
}

/// How well an input speaks for the board; common practice, no source.
fn rank(chip: &Chip, input: &Input) -> Option<u8> {
    let label = input.label.as_deref().unwrap_or("").to_lowercase();
    let says_board = ["board", "systin", "ambient", "system", "skin"].iter().any(|w| label.contains(w));
    match chip.driver.as_str() {
        "nvme" | "drivetemp" | "coretemp" | "k10temp" | "amdgpu" | "iwlwifi_1" => None,
        _ if says_board => Some(90),
        // Its second input is the chip's own temperature, on the board.
        "adt7475" | "adt7473" | "adt7476" | "adt7490" if input.number == 2 => Some(80),
        driver if driver.starts_with("pch") => Some(60),
        "lm75" | "tmp75" if input.number == 1 => Some(50),
        "acpitz" if input.number == 1 => Some(30),
        _ => None,
    }
}

/// The battery's temperature.
pub(super) fn battery(tree: &Tree, now_s: f64) -> Option<Found> {
    supply::battery_dirs(tree).into_iter().find_map(|dir| {
        let attribute = Attribute::fixed(tree, &format!("{dir}/temp")).ok()?;
        let mut gauge = Gauge::new(Channel::BatteryTempC, "battery/temp".to_owned(), attribute, 10.0, 0.0);
        let first = gauge.peek(tree, now_s)?;
        Some(Found { gauge, slow: true, first })
    })
}

fn of_chip(tree: &Tree, channel: Channel, chip: &Chip, input: &Input, now_s: f64) -> Option<Found> {
    let attribute = chip.open(tree, &input.value).ok()?;
    let mut gauge = Gauge::new(channel, chip.source(input), attribute, 1000.0, chip.keeps_s);
    let first = gauge.peek(tree, now_s)?;
    Some(Found { gauge, slow: chip.slow, first })
}
