//! Mains power and batteries.

use std::os::fd::BorrowedFd;

use super::attribute::Attribute;
use super::tree::Tree;
use crate::machine::Battery;

/// Most supplies that are looked at: USB ports show one each.
const MAX_SUPPLIES: usize = 32;
/// Mains and lid are states, not channels: they are looked at this often, s, and stand in between. Some firmware takes a
/// millisecond to answer.
const LOOK_EVERY_S: f64 = 0.5;
const CLASS: &str = "sys/class/power_supply";

/// What tells whether the machine runs on mains.
#[derive(Debug)]
pub(super) struct Mains {
    online: Vec<Attribute>,
    battery_status: Vec<Attribute>,
    looked_at_s: f64,
    state: Option<bool>,
}

impl Mains {
    pub(super) fn find(tree: &Tree) -> Self {
        let mut mains = Self {
            online: Vec::new(),
            battery_status: Vec::new(),
            looked_at_s: f64::NEG_INFINITY,
            state: None,
        };
        for supply in supplies(tree) {
            let (list, file) = match supply.kind {
                Kind::Outside => (&mut mains.online, "online"),
                Kind::Battery => (&mut mains.battery_status, "status"),
            };
            list.extend(Attribute::fixed(tree, &format!("{}/{file}", supply.dir)));
        }
        mains
    }

    /// Whether something can tell.
    pub(super) fn can_tell(&self) -> bool {
        !(self.online.is_empty() && self.battery_status.is_empty())
    }

    /// The open files that are read while a supply from outside answers.
    pub(super) fn descriptors(&self) -> impl Iterator<Item = BorrowedFd<'_>> {
        let asked = if self.online.is_empty() { &self.battery_status } else { &self.online };
        asked.iter().filter_map(Attribute::descriptor)
    }

    /// On mains: any supply from outside is on line. Where there is none to ask, a battery that discharges tells.
    pub(super) fn on_ac(&mut self, tree: &Tree, now_s: f64) -> Option<bool> {
        if (0.0..LOOK_EVERY_S).contains(&(now_s - self.looked_at_s)) {
            return self.state;
        }
        self.looked_at_s = now_s;
        self.state = self.by_supplies(tree, now_s).or_else(|| self.by_batteries(tree, now_s));
        self.state
    }

    fn by_supplies(&mut self, tree: &Tree, now_s: f64) -> Option<bool> {
        // 1 is on line, 2 is on line with a programmable voltage.
        let told = self.online.iter_mut().filter_map(|a| a.number(tree, now_s)).map(|v| v > 0);
        told.reduce(|any, one| any || one)
    }

    fn by_batteries(&mut self, tree: &Tree, now_s: f64) -> Option<bool> {
        let status = |bytes: &[u8]| match bytes.trim_ascii() {
            b"Discharging" => Some(false),
            b"Charging" | b"Full" | b"Not charging" => Some(true),
            _ => None,
        };
        let told = self.battery_status.iter_mut().filter_map(|a| a.with_value(tree, now_s, status));
        told.reduce(|all, one| all && one)
    }
}

/// A supply of the machine itself.
struct Supply {
    dir: String,
    kind: Kind,
}

#[derive(PartialEq, Eq)]
enum Kind {
    /// Mains, USB or wireless.
    Outside,
    Battery,
}

fn supplies(tree: &Tree) -> Vec<Supply> {
    let dirs = tree.names(CLASS).into_iter().take(MAX_SUPPLIES).map(|n| format!("{CLASS}/{n}"));
    dirs.filter_map(|dir| {
        // A mouse's or headset's battery says `Device`.
        let of_a_device = tree.text(&format!("{dir}/scope")).is_ok_and(|s| s == "Device");
        let kind = match tree.text(&format!("{dir}/type")).ok()?.as_str() {
            "Battery" => Kind::Battery,
            "Mains" | "USB" | "Wireless" => Kind::Outside,
            _ => return None,
        };
        (!of_a_device).then_some(Supply { dir, kind })
    })
    .collect()
}

/// Folders of the machine's batteries that are in place.
pub(super) fn battery_dirs(tree: &Tree) -> Vec<String> {
    let batteries = supplies(tree).into_iter().filter(|s| s.kind == Kind::Battery).map(|s| s.dir);
    batteries.filter(|dir| tree.number(&format!("{dir}/present")) != Some(0)).collect()
}

/// The batteries taken as one: mean charge, the worst health, the highest temperature.
pub(super) fn battery(tree: &Tree) -> Option<Battery> {
    let dirs = battery_dirs(tree);
    if dirs.is_empty() {
        return None;
    }
    let charges: Vec<f64> = dirs.iter().filter_map(|d| charge_pct(tree, d)).collect();
    let charge_pct = (!charges.is_empty()).then(|| charges.iter().sum::<f64>() / charges.len() as f64);
    let healths: Vec<String> = dirs.iter().filter_map(|d| tree.label(&format!("{d}/health"))).collect();
    let worst = healths.iter().find(|h| !matches!(h.as_str(), "Good" | "Unknown"));
    let health = worst.or_else(|| healths.first()).cloned();
    let statuses: Vec<String> = dirs.iter().filter_map(|d| tree.label(&format!("{d}/status"))).collect();
    let charging = (!statuses.is_empty()).then(|| statuses.iter().any(|s| s == "Charging"));
    let temps = dirs.iter().filter_map(|d| temp_c(tree, d));
    Some(Battery { charge_pct, health, charging, temp_c: temps.reduce(f64::max) })
}

fn charge_pct(tree: &Tree, dir: &str) -> Option<f64> {
    let pct = tree.number(&format!("{dir}/capacity"))? as f64;
    // Some firmware says a little more than 100 when full.
    (0.0..=110.0).contains(&pct).then(|| pct.min(100.0))
}

/// Tenths of a degree, unlike everything else.
fn temp_c(tree: &Tree, dir: &str) -> Option<f64> {
    let temp_c = tree.number(&format!("{dir}/temp"))? as f64 / 10.0;
    windrow_model::channel::Channel::BatteryTempC.plausible(temp_c).then_some(temp_c)
}
