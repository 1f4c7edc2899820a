//! Tells the program what it was compiled by and for: the load's identity in a record.

use std::process::Command;

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    let target = std::env::var("TARGET").unwrap_or_default();
    println!("cargo:rustc-env=WINDROW_TARGET={target}");
    println!("cargo:rustc-env=WINDROW_COMPILER={}", compiler_version());
}

fn compiler_version() -> String {
    let rustc = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let told = Command::new(rustc).arg("--version").output();
    let line = told.map(|o| String::from_utf8_lossy(&o.stdout).trim().to_owned()).unwrap_or_default();
    if line.is_empty() { "rustc".to_owned() } else { line }
}
