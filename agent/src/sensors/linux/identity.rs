//! Which model of laptop this is, and on what system it runs. No serial, no asset tag, no host name is ever read.

use windrow_model::record::wire::{Model, Platform};

use super::counters::cpu_dirs;
use super::tree::Tree;

/// What firmware says where its maker forgot to fill it in (lower case); common practice, no source.
const PLACEHOLDERS: [&str; 11] = [
    "to be filled",
    "default string",
    "system product",
    "system manufacturer",
    "system version",
    "system sku",
    "not specified",
    "not applicable",
    "not available",
    "o.e.m.",
    "invalid",
];

/// Model and firmware.
pub(super) fn model(tree: &Tree) -> Model {
    let dmi = |name: &str| tree.label(&format!("sys/class/dmi/id/{name}")).filter(|t| !is_placeholder(t));
    let (product, code) = product(dmi("product_name"), dmi("product_version"), dmi("product_family"));
    let product = product.or_else(|| device_tree_model(tree)).unwrap_or_else(|| "unknown".to_owned());
    let firmware = match (dmi("bios_version"), dmi("ec_firmware_release")) {
        // The fan table is the embedded controller's: another release of it is another firmware.
        (Some(bios), Some(ec)) => format!("{bios}, EC {ec}"),
        (bios, ec) => bios.or(ec).unwrap_or_default(),
    };
    Model {
        vendor: dmi("sys_vendor").unwrap_or_default(),
        product,
        sku: dmi("product_sku").or(code).unwrap_or_default(),
        cpu: cpu_name(tree),
        logical_cpus: logical_cpus(tree),
        firmware,
    }
}

/// The name that a person would know, and the maker's code where that stood in the name's place.
fn product(
    name: Option<String>,
    version: Option<String>,
    family: Option<String>,
) -> (Option<String>, Option<String>) {
    let human = [version, family].into_iter().flatten().find(|t| reads_like_a_name(t));
    match (name, human) {
        (Some(name), Some(human)) if reads_like_a_code(&name) => (Some(human), Some(name)),
        (name, human) => (name.or(human), None),
    }
}

/// One word of capitals and digits, such as `21XX0042`.
fn reads_like_a_code(text: &str) -> bool {
    !text.contains(' ')
        && text.contains(|c: char| c.is_ascii_digit())
        && !text.contains(|c: char| c.is_lowercase())
}

fn reads_like_a_name(text: &str) -> bool {
    text.contains(' ') && text.contains(|c: char| c.is_lowercase())
}

fn is_placeholder(text: &str) -> bool {
    let lower = text.to_lowercase();
    let only_marks = !lower.contains(|c: char| c.is_alphanumeric());
    let one_digit_over = lower.chars().all(|c| matches!(c, '0' | 'x' | '.' | ' '));
    let one_word = matches!(lower.as_str(), "none" | "unknown" | "oem");
    only_marks || one_digit_over || one_word || PLACEHOLDERS.iter().any(|p| lower.starts_with(p))
}

fn device_tree_model(tree: &Tree) -> Option<String> {
    tree.label("proc/device-tree/model").or_else(|| tree.label("sys/firmware/devicetree/base/model"))
}

fn cpu_name(tree: &Tree) -> String {
    let cpuinfo = tree.text("proc/cpuinfo").unwrap_or_default();
    let field = |key: &str| {
        let lines = cpuinfo.lines().filter_map(|l| l.split_once(':'));
        lines.filter(|(k, _)| k.trim() == key).find_map(|(_, v)| super::tree::clean(v))
    };
    field("model name").or_else(|| field("Hardware")).or_else(|| field("Processor")).unwrap_or_default()
}

fn logical_cpus(tree: &Tree) -> u32 {
    let online = tree.text("sys/devices/system/cpu/online").ok().and_then(|text| count_list(&text));
    let n = online.unwrap_or_else(|| cpu_dirs(tree).len() as u32);
    n.clamp(1, windrow_model::record::limits::MAX_LOGICAL_CPUS)
}

/// `0-3,8` → 5.
fn count_list(text: &str) -> Option<u32> {
    text.split(',').try_fold(0_u32, |n, part| {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let span = last.trim().parse::<u32>().ok()?.checked_sub(first.trim().parse().ok()?)?;
        n.checked_add(span.checked_add(1)?)
    })
}

pub(super) fn platform(tree: &Tree) -> Platform {
    Platform {
        os: std::env::consts::OS.to_owned(),
        kernel: tree.label("proc/sys/kernel/osrelease").unwrap_or_default(),
        arch: std::env::consts::ARCH.to_owned(),
    }
}

pub(super) fn boot_id(tree: &Tree) -> Option<String> {
    tree.label("proc/sys/kernel/random/boot_id")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn placeholders_are_no_names() {
        for text in
            ["To Be Filled By O.E.M.", "Default string", "0", "x.x", "None", "System Product Name", "---"]
        {
            assert!(is_placeholder(text), "{text}");
        }
        for text in ["Alder 14", "1.12", "Xenon 5", "Nonet 3"] {
            assert!(!is_placeholder(text), "{text}");
        }
    }

    #[test]
    fn a_code_gives_way_to_the_name_a_person_knows() {
        let some = |t: &str| Some(t.to_owned());
        let (name, code) = product(some("21XX0042"), some("Alder Slim 14"), some("Alder"));
        assert_eq!((name.as_deref(), code.as_deref()), (Some("Alder Slim 14"), Some("21XX0042")));
        let (name, code) = product(some("Alder 14"), some("1.0"), None);
        assert_eq!((name.as_deref(), code), (Some("Alder 14"), None));
        assert_eq!(product(None, None, None), (None, None));
    }

    #[test]
    fn lists_of_cpus_are_counted() {
        for (text, n) in
            [("0", Some(1)), ("0-3", Some(4)), ("0-3,8,10-11", Some(7)), ("3-0", None), ("x", None)]
        {
            assert_eq!(count_list(text), n, "{text}");
        }
        assert_eq!(count_list("0-4294967295"), None);
    }
}
