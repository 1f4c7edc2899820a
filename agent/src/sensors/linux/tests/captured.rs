//! Trees captured from real machines: test data of the Go library prometheus/procfs (commit 3c943fdb) and of
//! prometheus/node_exporter (commit a7dcc3a0), Apache-2.0. They are read where WINDROW_OPEN_DATA names their folder.

use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use tempfile::TempDir;
use windrow_model::channel::{CHANNELS, Channel};

use super::trees::got;
use crate::machine::Sensors;
use crate::sensors::State;
use crate::sensors::linux::{chips, open, survey, tree::Tree};

/// A copy of a captured tree whose links are links again: the captures may hold them as files with the target in them.
fn captured(name: &str) -> Option<TempDir> {
    let Some(data) = std::env::var_os("WINDROW_OPEN_DATA") else {
        println!("left out: captured tree `{name}` (WINDROW_OPEN_DATA isn't set)");
        return None;
    };
    let from = PathBuf::from(data).join("sysfs-captures").join(name);
    if !from.is_dir() {
        println!("left out: captured tree `{name}` (not under WINDROW_OPEN_DATA)");
        return None;
    }
    let to = tempfile::tempdir().unwrap();
    copy(&from, to.path());
    Some(to)
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let (from, to) = (entry.as_ref().unwrap().path(), to.join(entry.unwrap().file_name()));
        if from.is_symlink() {
            symlink(std::fs::read_link(&from).unwrap(), to).unwrap();
        } else if from.is_dir() {
            copy(&from, &to);
        } else {
            let bytes = std::fs::read(&from).unwrap();
            match std::str::from_utf8(&bytes) {
                Ok(target) if target.starts_with("../") && !target.contains('\n') => {
                    symlink(target, to).unwrap();
                }
                _ => std::fs::write(to, bytes).unwrap(),
            }
        }
    }
}

#[test]
fn captured_server_is_read() {
    let Some(tree) = captured("node-fixtures") else { return };
    let drivers: Vec<String> = chips::list(&Tree::new(tree.path())).into_iter().map(|c| c.driver).collect();
    assert!(
        ["coretemp", "applesmc", "nct6779", "asus"].iter().all(|d| drivers.iter().any(|f| f == d)),
        "{drivers:?}"
    );
    let n_entries = std::fs::read_dir(tree.path().join("sys/class/hwmon")).unwrap().count();
    assert_eq!(drivers.len(), n_entries - 1, "hwmon4 has no name and is no chip");
    let mut s = open(tree.path()).unwrap();
    let r = s.sweep_at(0.0);
    assert_eq!(s.sources()[0].source, "coretemp/Physical id 0");
    assert_eq!(got(&r, Channel::CpuTempC), Some(55.0));
    assert_eq!(s.limit().unwrap().limit_c, 100.0);
    assert_eq!(r.on_ac, Some(false));
    let fans = [got(&r, Channel::Fan1Rpm), got(&r, Channel::Fan2Rpm)];
    assert_eq!(fans[0], Some(0.0), "it has a least speed of 2160 rpm and stands");
    assert_eq!(fans[1], Some(1998.0), "its neighbour turns");
    assert!(got(&r, Channel::ThrottleCount).is_some());
}

#[test]
fn captured_board_without_a_cpu_chip_is_read_by_its_zone() {
    let Some(tree) = captured("procfs") else { return };
    let mut s = open(tree.path()).unwrap();
    let r = s.sweep_at(0.0);
    let cpu_temp_c = got(&r, Channel::CpuTempC).unwrap();
    assert!(
        (cpu_temp_c - 49.925).abs() < 1e-9,
        "the zone at -44 °C is a constant of the firmware: {cpu_temp_c}"
    );
    assert_eq!(s.limit().unwrap().limit_c, 90.0);
    assert!(s.facts().battery.unwrap().charge_pct.is_some());
    assert!(s.context().power_limits.iter().all(|l| l.limit_w > 0.0));
    assert_eq!(survey(tree.path()).channel(Channel::SsdTempC).unwrap().state, State::Found);
}

#[test]
fn captured_trees_give_nothing_that_cannot_be_true() {
    for name in ["node-fixtures", "procfs"] {
        let Some(tree) = captured(name) else { continue };
        let mut s = open(tree.path()).unwrap();
        for t in 0..8 {
            let r = s.sweep_at(f64::from(t) * 0.25);
            for spec in &CHANNELS {
                assert!(
                    r.get(spec.channel).is_none_or(|v| spec.channel.plausible(v)),
                    "{name} {}",
                    spec.column
                );
            }
        }
        for source in s.sources() {
            assert!(!source.source.chars().any(char::is_control), "{source:?}");
        }
    }
}
