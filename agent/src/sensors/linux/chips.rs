//! The hwmon chips: found by driver name, device and label, never by number.

use super::attribute::{Attribute, Find};
use super::drivers;
use super::tree::Tree;

/// Most chips that are looked at.
const MAX_CHIPS: usize = 128;
/// Most channels of one kind on one chip.
const MAX_INPUTS: usize = 64;
const CLASS: &str = "sys/class/hwmon";

/// One chip as it stands now.
#[derive(Debug, Clone)]
pub(super) struct Chip {
    /// The driver's name for it.
    pub driver: String,
    /// Folder, relative to the root.
    pub dir: String,
    /// Its device, as the bus names it; part of its identity.
    device: Option<String>,
    /// Of several with the same driver and device: which.
    twin: usize,
    /// File names in its folder and, after `device/`, in its device's.
    files: Vec<String>,
    /// How long its driver keeps a reading, s.
    pub keeps_s: f64,
    /// Too slow for a sweep.
    pub slow: bool,
}

/// One numbered input of a chip, such as `temp1` or `fan2`.
#[derive(Debug, Clone)]
pub(super) struct Input {
    /// Path of the value file, relative to the chip's folder.
    pub value: String,
    /// The same without `_input`: the stem of its other files.
    pub stem: String,
    /// Its number.
    pub number: u32,
    /// Its label, where the driver has one.
    pub label: Option<String>,
}

/// All chips, in the kernel's order.
pub(super) fn list(tree: &Tree) -> Vec<Chip> {
    let mut chips: Vec<Chip> = Vec::new();
    for entry in tree.names(CLASS).into_iter().take(MAX_CHIPS) {
        let Some(mut chip) = look(tree, format!("{CLASS}/{entry}")) else { continue };
        chip.twin = chips.iter().filter(|c| c.driver == chip.driver && c.device == chip.device).count();
        chips.push(chip);
    }
    chips
}

fn look(tree: &Tree, dir: String) -> Option<Chip> {
    // `name` is the only file that a chip must have. Old drivers keep it, and all others, in the device's folder.
    let driver = tree.label(&format!("{dir}/name")).or_else(|| tree.label(&format!("{dir}/device/name")))?;
    let device = tree.link_name(&format!("{dir}/device"));
    let mut files = tree.names(&dir);
    files.extend(tree.names(&format!("{dir}/device")).into_iter().map(|n| format!("device/{n}")));
    let keeps_s = drivers::keeps_s(&driver, tree.number(&format!("{dir}/update_interval")));
    let slow = drivers::is_slow(&driver);
    Some(Chip { driver, dir, device, twin: 0, files, keeps_s, slow })
}

impl Chip {
    /// Its inputs of a kind (`temp`, `fan`, `power`) whose value file ends in `_` and `ending`.
    pub(super) fn inputs(&self, tree: &Tree, kind: &str, ending: &str) -> Vec<Input> {
        let mut inputs: Vec<Input> = Vec::new();
        for file in &self.files {
            let Some((stem, number)) = stem_of(file, kind, ending) else { continue };
            let seen = inputs.iter().any(|i| i.number == number);
            if seen || inputs.len() >= MAX_INPUTS {
                continue;
            }
            let label = tree.label(&format!("{}/{stem}_label", self.dir));
            inputs.push(Input { value: file.clone(), stem, number, label });
        }
        inputs.sort_by_key(|i| i.number);
        inputs
    }

    /// Whether it has a file, in its own folder or its device's.
    pub(super) fn has(&self, file: &str) -> bool {
        self.files.iter().any(|f| f == file)
    }

    /// Opens one of its files; it is found again even after the numbers changed.
    pub(super) fn open(&self, tree: &Tree, file: &str) -> std::io::Result<Attribute> {
        Attribute::open(tree, &format!("{}/{file}", self.dir), self.file(file))
    }

    fn file(&self, file: &str) -> ChipFile {
        ChipFile {
            driver: self.driver.clone(),
            device: self.device.clone(),
            twin: self.twin,
            file: file.to_owned(),
        }
    }

    /// Driver and label, the source's name in a record.
    pub(super) fn source(&self, input: &Input) -> String {
        let stem = input.stem.trim_start_matches("device/");
        format!("{}/{}", self.driver, input.label.as_deref().unwrap_or(stem))
    }
}

/// `device/fan1_input`, `fan`, `input` → (`device/fan1`, 1).
fn stem_of(file: &str, kind: &str, ending: &str) -> Option<(String, u32)> {
    let stem = file.strip_suffix(ending)?.strip_suffix('_')?;
    let number = stem.trim_start_matches("device/").strip_prefix(kind)?.parse().ok()?;
    Some((stem.to_owned(), number))
}

/// A chip's file by identity.
#[derive(Debug)]
struct ChipFile {
    driver: String,
    device: Option<String>,
    twin: usize,
    file: String,
}

impl Find for ChipFile {
    fn path(&self, tree: &Tree) -> Option<String> {
        let is_it = |c: &Chip| c.driver == self.driver && c.device == self.device && c.twin == self.twin;
        let chip = list(tree).into_iter().find(is_it)?;
        Some(format!("{}/{}", chip.dir, self.file))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stem_is_taken_only_from_its_own_kind() {
        assert_eq!(stem_of("temp12_input", "temp", "input"), Some(("temp12".to_owned(), 12)));
        assert_eq!(stem_of("device/fan1_input", "fan", "input"), Some(("device/fan1".to_owned(), 1)));
        for file in
            ["temp_input", "temp1_crit", "fan1_input", "tempx_input", "temp99999999999_input", "input"]
        {
            assert_eq!(stem_of(file, "temp", "input"), None, "{file}");
        }
    }
}
