//! The commands: what was typed, then what is meant, then the work. One file a command.

mod erase;
mod export;
mod grant;
mod head_key;
mod import;
mod invite;
mod laptop;
mod notify;
mod rank;
mod rank_list;
mod rank_why;
mod recompute;
mod revoke;
mod rounds;
mod run_by_run;
mod scope;
mod serve;
mod verify;
mod visit;

use std::path::PathBuf;
use std::process::ExitCode;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use clap::{Parser, Subcommand};

use crate::clock::WallClock;
use crate::database::{self, Database};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;

/// What every command returns.
type Outcome = Result<Exit, Failure>;

/// The command line.
#[derive(Debug, Parser)]
#[command(
    name = "windrow-hub",
    version,
    about = "Collects laptop cooling checks and ranks the fleet by who needs service",
    after_help = Exit::HELP,
    propagate_version = true
)]
pub struct Line {
    /// Database file, made where it is missing, or address of one on a PostgreSQL server
    /// [default: windrow-hub/hub.sqlite in the user's data folder]
    #[arg(long, global = true, value_name = "FILE|postgres://USER@HOST/NAME")]
    database: Option<PathBuf>,
    /// File of the key that signs the ledger's heads, for a database on a server
    /// [default: windrow-hub/HOST-PORT-NAME.head-key in the user's data folder]
    #[arg(long, global = true, value_name = "FILE")]
    head_key_file: Option<PathBuf>,
    /// Print JSON for programs
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Take enrolments and records over HTTP
    Serve(serve::Args),
    /// Make an invite with which laptops join
    Invite(invite::Args),
    /// Let a person or program in, or see who may
    Grant(grant::Args),
    /// Log what was done at a laptop, correct it, list it
    Visit(visit::Args),
    /// The list of laptops that should be checked, and how far they were
    Scope(scope::Args),
    /// Erase free text for good; what the ledger proves stays proven
    Erase(erase::Args),
    /// Turn a laptop away from now on
    Revoke(revoke::Args),
    /// Take a fleet of recorded runs from trace files
    Import(import::Args),
    /// Show the fleet, by who needs service
    Rank(rank::Args),
    /// See what waits to be told of band changes, or try those who are told
    Notify(notify::Args),
    /// Plan who is serviced where and when, book it, print calendar and work sheets
    Rounds(rounds::Args),
    /// Show the key that signs the ledger's heads, or replace it
    HeadKey(head_key::Args),
    /// Write tables with what proves them, as a folder or a zip
    Export(export::Args),
    /// Check an export offline, and name what was altered
    Verify(verify::Args),
    /// Compute the metrics of all runs again
    Recompute(recompute::Args),
}

/// What a command works with beside its own arguments.
struct Setting {
    database: Option<PathBuf>,
    head_key_file: Option<PathBuf>,
    json: bool,
    clock: WallClock,
}

impl Setting {
    fn database(&self) -> Result<Database, Failure> {
        database::asked(self.database.as_deref(), self.head_key_file.as_deref())
    }
}

/// Runs the process's own command line on its own streams.
pub fn run_process() -> ExitCode {
    // clap prints its own errors and help, and ends with its own codes (2, and 0 for help).
    let line = Line::parse();
    run(line, WallClock::system(), &mut Output::of_process()).into()
}

/// Runs a command line and prints what it fails with.
pub fn run(line: Line, clock: WallClock, output: &mut Output) -> Exit {
    let setting =
        Setting { database: line.database, head_key_file: line.head_key_file, json: line.json, clock };
    let outcome = match line.command {
        Command::Serve(args) => serve::run(&setting, &args, output),
        Command::Invite(args) => invite::run(&setting, &args, output),
        Command::Grant(args) => grant::run(&setting, &args, output),
        Command::Visit(args) => visit::run(&setting, &args, output),
        Command::Scope(args) => scope::run(&setting, &args, output),
        Command::Erase(args) => erase::run(&setting, &args, output),
        Command::Revoke(args) => revoke::run(&setting, &args, output),
        Command::Import(args) => import::run(&setting, &args, output),
        Command::Rank(args) => rank::run(&setting, &args, output),
        Command::Notify(args) => notify::run(&setting, &args, output),
        Command::Rounds(args) => rounds::run(&setting, &args, output),
        Command::HeadKey(args) => head_key::run(&setting, &args, output),
        Command::Export(args) => export::run(&setting, &args, output),
        Command::Verify(args) => verify::run(&setting, &args, output),
        Command::Recompute(args) => recompute::run(&setting, &args, output),
    };
    outcome.unwrap_or_else(|failure| {
        output.say(&format!("error: {failure}"));
        if let Some(remedy) = failure.advice() {
            output.say(&format!("do this: {remedy}"));
        }
        Exit::Failed
    })
}

/// Runs a command's asynchronous part; the store's threads are its own.
fn block_on<T>(work: impl Future<Output = Result<T, Failure>>) -> Result<T, Failure> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build();
    runtime.map_err(|e| Failure::new(format!("cannot start threads: {e}")))?.block_on(work)
}

/// Prints a result.
fn print(output: &mut Output, text: &str) -> Result<(), Failure> {
    output.result(text).map_err(|e| {
        Failure::new(format!("cannot write the result: {e}"))
            .remedy("check that the disk behind the output has room")
    })
}

/// A text that will stand in tables and files: no control characters, not endless.
fn plain_text(text: &str) -> Result<String, String> {
    const MAX_BYTES: usize = 100;
    let text = text.trim();
    if text.chars().any(char::is_control) {
        return Err("control characters are not allowed".into());
    }
    if text.len() > MAX_BYTES {
        return Err(format!("at most {MAX_BYTES} bytes"));
    }
    Ok(text.to_owned())
}

/// A day, which means its end, or a time.
fn as_of(text: &str) -> Result<DateTime<Utc>, String> {
    if let Ok(time) = DateTime::parse_from_rfc3339(text) {
        return Ok(time.to_utc());
    }
    let day = text
        .parse::<NaiveDate>()
        .map_err(|_| "give a day as 2026-01-31, or a time as 2026-01-31T12:00:00Z")?;
    let next = day.succ_opt().ok_or("that day is out of the calendar")?;
    Ok(next.and_time(NaiveTime::MIN).and_utc() - TimeDelta::milliseconds(1))
}
