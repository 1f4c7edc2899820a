//! `cargo demo`: see README.md.
#![expect(clippy::print_stdout, clippy::print_stderr, reason = "this program's business is to print")]

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;
use windrow_tests::demo::{self, Settings};

/// Shows the whole of Windrow on an invented fleet: checks, a hub, the rank, and how it compares with the truth.
#[derive(Debug, Parser)]
#[command(name = "demo", after_help = "example: cargo demo --laptops 120 --keep demo-files")]
struct Arguments {
    /// Number of laptops.
    #[arg(long, default_value_t = 72, value_parser = clap::value_parser!(u32).range(3..=5000))]
    laptops: u32,
    /// Checks a laptop, a month apart.
    #[arg(long, default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..=24))]
    checks: u32,
    /// Draws the faults and all noise.
    #[arg(long, default_value_t = 2026)]
    seed: u64,
    /// Keeps database, spools and pages in this folder (it must not exist yet).
    #[arg(long, value_name = "FOLDER")]
    keep: Option<PathBuf>,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let settings = Settings {
        n_laptops: arguments.laptops as usize,
        n_checks: arguments.checks,
        seed: arguments.seed,
        keep: arguments.keep,
    };
    match demo::run(&settings, &mut |line| println!("{line}")) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("error: {e:#}");
            ExitCode::FAILURE
        }
    }
}
