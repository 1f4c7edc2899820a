//! Where the two programs are.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The agent's program.
pub(crate) fn agent() -> PathBuf {
    folder().join("windrow")
}

/// The hub's program.
pub(crate) fn hub() -> PathBuf {
    folder().join("windrow-hub")
}

/// `tests/run` builds everything first and names the folder. Without it the programs are built here, once, so that no
/// test ever runs against an old one.
fn folder() -> &'static Path {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| match std::env::var_os("WINDROW_BINARIES") {
        Some(told) => PathBuf::from(told),
        None => built(),
    })
}

fn built() -> PathBuf {
    let built = Command::new(env!("CARGO"))
        .args(["build", "--locked", "--workspace", "--bins", "--quiet"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .status()
        .expect("cargo starts");
    assert!(built.success(), "the programs could not be built");
    // A test's program stands in `deps`, below the folder of the programs.
    let own = std::env::current_exe().expect("the own program has a path");
    own.ancestors().nth(2).expect("a folder above `deps`").to_owned()
}
