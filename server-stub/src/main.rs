//! Parses the command line and runs it; everything else is the library's.

use std::process::ExitCode;

fn main() -> ExitCode {
    windrow_hub::commands::run_process()
}
