//! Parses, calls the library and hands on the exit code. It decides nothing.

use std::process::ExitCode;

fn main() -> ExitCode {
    windrow::run_process().into()
}
