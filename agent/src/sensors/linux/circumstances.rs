//! What a run may be compared with: power limits, profile, lid, dock, displays, lap.

use std::os::fd::BorrowedFd;

use windrow_model::record::wire::{Context, PowerLimit};

use super::attribute::Attribute;
use super::counters::policy_dirs;
use super::power::packages;
use super::tree::Tree;
use super::{supply, supply::Mains};
use crate::machine::Facts;

/// Most constraints of one package; the kernel's driver has three.
const MAX_CONSTRAINTS: usize = 8;
/// Most limits in all, as a record takes them.
const MAX_LIMITS: usize = 16;
/// A larger power limit is none, W.
const LARGEST_LIMIT_W: f64 = 1000.0;
/// A longer averaging window is none, s.
const LONGEST_WINDOW_S: f64 = 3600.0;
/// The lid is looked at this often, s.
const LOOK_EVERY_S: f64 = 0.5;

/// Everything that this machine tells about its circumstances.
pub(super) fn context(tree: &Tree, mains: &mut Mains, now_s: f64) -> Context {
    let battery = supply::battery(tree);
    let policy = policy_dirs(tree).into_iter().next().unwrap_or_default();
    Context {
        on_ac: mains.on_ac(tree, now_s),
        battery_pct: battery.as_ref().and_then(|b| b.charge_pct),
        battery_charging: battery.as_ref().and_then(|b| b.charging),
        power_limits: power_limits(tree),
        platform_profile: tree.label("sys/firmware/acpi/platform_profile"),
        governor: tree.label(&format!("{policy}/scaling_governor")),
        energy_preference: tree.label(&format!("{policy}/energy_performance_preference")),
        lid_closed: Lid::find(tree).closed(tree, now_s),
        docked: docked(tree),
        lap_mode: tree.number("sys/devices/platform/thinkpad_acpi/dytc_lapmode").map(|v| v != 0),
        ..Context::default()
    }
}

pub(super) fn facts(tree: &Tree) -> Facts {
    Facts { battery: supply::battery(tree), external_display: external_display(tree) }
}

/// The package's power limits, which every user may read.
pub(super) fn power_limits(tree: &Tree) -> Vec<PowerLimit> {
    let dirs = packages(tree);
    let several = dirs.len() > 1;
    let mut limits = Vec::new();
    for (p, dir) in dirs.iter().enumerate() {
        for k in 0..MAX_CONSTRAINTS {
            let Some(name) = tree.label(&format!("{dir}/constraint_{k}_name")) else { continue };
            let name = if several { format!("{name} {p}") } else { name };
            limits.extend(power_limit(tree, dir, k, name));
        }
    }
    limits.truncate(MAX_LIMITS);
    limits
}

fn power_limit(tree: &Tree, dir: &str, k: usize, name: String) -> Option<PowerLimit> {
    let micro = |what: &str| tree.number(&format!("{dir}/constraint_{k}_{what}")).map(|v| v as f64 * 1e-6);
    let limit_w = micro("power_limit_uw").filter(|w| *w > 0.0 && *w <= LARGEST_LIMIT_W)?;
    let window_s = micro("time_window_us").filter(|s| *s > 0.0 && *s <= LONGEST_WINDOW_S);
    Some(PowerLimit { name, limit_w, window_s })
}

fn docked(tree: &Tree) -> Option<bool> {
    let docks = tree.names("sys/devices/platform").into_iter().filter(|n| n.starts_with("dock."));
    let dir = |n: String| format!("sys/devices/platform/{n}");
    // Drive and battery bays use the same driver.
    let stations =
        docks.map(dir).filter(|d| tree.text(&format!("{d}/type")).is_ok_and(|t| t == "dock_station"));
    let told = stations.filter_map(|d| tree.number(&format!("{d}/docked"))).map(|v| v > 0);
    told.reduce(|any, one| any || one)
}

/// A connected display other than the built-in one, by the connectors' names.
fn external_display(tree: &Tree) -> Option<bool> {
    let built_in = |name: &str| ["eDP", "LVDS", "DSI", "Writeback"].iter().any(|kind| name.contains(kind));
    let connectors =
        tree.names("sys/class/drm").into_iter().filter(|n| n.starts_with("card") && n.contains('-'));
    let outside = connectors.filter(|n| !built_in(n));
    let told = outside.filter_map(|n| tree.text(&format!("sys/class/drm/{n}/status")).ok());
    told.map(|status| status == "connected").reduce(|any, one| any || one)
}

/// The lid's switch.
#[derive(Debug)]
pub(super) struct Lid {
    state: Option<Attribute>,
    looked_at_s: f64,
    closed: Option<bool>,
}

impl Lid {
    pub(super) fn find(tree: &Tree) -> Self {
        let dir = "proc/acpi/button/lid";
        let open = |name: String| Attribute::fixed(tree, &format!("{dir}/{name}/state")).ok();
        let state = tree.names(dir).into_iter().find_map(open);
        Self { state, looked_at_s: f64::NEG_INFINITY, closed: None }
    }

    pub(super) fn can_tell(&self) -> bool {
        self.state.is_some()
    }

    /// Its open file.
    pub(super) fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        self.state.as_ref()?.descriptor()
    }

    pub(super) fn closed(&mut self, tree: &Tree, now_s: f64) -> Option<bool> {
        if !(0.0..LOOK_EVERY_S).contains(&(now_s - self.looked_at_s)) {
            self.looked_at_s = now_s;
            self.closed = self.state.as_mut().and_then(|state| state.with_value(tree, now_s, closed_by));
        }
        self.closed
    }
}

/// `state:      open` or `state:      closed`.
fn closed_by(bytes: &[u8]) -> Option<bool> {
    match bytes.split(u8::is_ascii_whitespace).rfind(|word| !word.is_empty())? {
        b"closed" => Some(true),
        b"open" => Some(false),
        _ => None,
    }
}
