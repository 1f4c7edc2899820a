//! Whether this machine is a virtual one. An emulated laptop under a real load is for such machines only: nothing
//! supervises a real one then.

use std::path::Path;

use crate::sensors::linux::tree::Tree;

/// Words in the firmware's names by which virtual machines show themselves; common practice, no source.
const VIRTUAL_WORDS: [&str; 8] =
    ["qemu", "kvm", "vmware", "virtualbox", "xen", "virtual machine", "bochs", "bhyve"];

/// Whether the machine whose file system begins at `root` says that it is virtual.
pub fn machine_is_virtual(root: &Path) -> bool {
    let tree = Tree::new(root);
    cpu_says_so(&tree) || firmware_says_so(&tree) || tree.text("sys/hypervisor/type").is_ok()
}

fn cpu_says_so(tree: &Tree) -> bool {
    let Ok(cpuinfo) = tree.text("proc/cpuinfo") else { return false };
    let mut flags = cpuinfo.lines().filter(|l| l.starts_with("flags"));
    flags.next().is_some_and(|l| l.split_ascii_whitespace().any(|word| word == "hypervisor"))
}

fn firmware_says_so(tree: &Tree) -> bool {
    ["sys_vendor", "product_name", "bios_vendor"].iter().any(|name| {
        let text = tree.text(&format!("sys/class/dmi/id/{name}")).unwrap_or_default().to_lowercase();
        VIRTUAL_WORDS.iter().any(|word| text.contains(word))
    })
}
