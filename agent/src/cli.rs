//! What was typed. What is meant by it is decided in each command's own settings, before anything begins.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use windrow_model::emulate;

use crate::exit::Exit;
use crate::state;

/// Checks this laptop's cooling: sensors, a controlled load, a plain verdict.
#[derive(Debug, Parser)]
#[command(
    name = "windrow",
    version,
    max_term_width = 100,
    after_help = Exit::HELP,
    after_long_help = concat_help(),
    arg_required_else_help = true,
    disable_help_subcommand = true
)]
pub struct Cli {
    /// Folder for identity, spool and past checks [default: $WINDROW_STATE_DIR, else $XDG_STATE_HOME/windrow].
    #[arg(long, global = true, value_name = "FOLDER")]
    pub state_dir: Option<PathBuf>,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

fn concat_help() -> String {
    format!(
        "Example:\n  windrow check --report page.html\n\n{}\n\nEnvironment:\n  {}  folder for identity, spool and past checks\n  NO_COLOR           no colour",
        Exit::HELP,
        state::VARIABLE
    )
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Check this laptop's cooling: rest, load, rest, verdict.
    #[command(after_help = CHECK_EXAMPLE)]
    Check(CheckArgs),
    /// Show what this machine lets us read, and what can be judged with it.
    #[command(after_help = "Example:\n  windrow survey")]
    Survey(SurveyArgs),
    /// Join a hub with an invite from its administrator.
    #[command(
        after_help = "Example:\n  windrow join https://hub.example --invite 7QKX-...\n  windrow join https://hub.example --invite - < invite.txt"
    )]
    Join(JoinArgs),
    /// Send the records that wait in the spool.
    #[command(after_help = "Example:\n  windrow send")]
    Send(SendArgs),
    /// List this laptop's past checks.
    #[command(after_help = "Example:\n  windrow past\n  windrow past 3 --report page.html")]
    Past(PastArgs),
    /// Tell when a check is due, and make a timer that looks for it.
    #[command(
        after_help = "Examples:\n  windrow schedule\n  windrow schedule --install --every 14 --at 12:30"
    )]
    Schedule(ScheduleArgs),
    /// Analyse a trace file that was recorded before, here or elsewhere.
    #[command(after_help = "Example:\n  windrow replay trace.csv --ambient 22 --report page.html")]
    Replay(ReplayArgs),
}

const CHECK_EXAMPLE: &str = "Examples:
  windrow check                             the standard check, about 7 minutes
  windrow check --quick --report page.html  the short one, with a page to keep
  windrow check --open                      started, watched and stopped in your browser
  windrow check --ambient 21.5±0.5          with the room's temperature
  windrow check --emulate airflow=0.5       an emulated laptop with half its airflow, at once";

/// `windrow check`.
#[expect(clippy::struct_excessive_bools, reason = "each is a switch of the command line")]
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// The short check: 60 s of load; judges fan and contact.
    #[arg(long)]
    pub quick: bool,
    /// Room temperature in °C, with its standard deviation if known.
    #[arg(long, value_name = "C[±SD]", allow_negative_numbers = true)]
    pub ambient: Option<String>,
    /// Write a page to keep: one HTML file.
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,
    /// Write the recorded samples: a CSV file.
    #[arg(long, value_name = "FILE")]
    pub trace: Option<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
    /// Print the whole record, as it is sent.
    #[arg(long, conflicts_with = "json")]
    pub show_record: bool,
    /// Post to this hub instead of the one that was joined.
    #[arg(long, value_name = "URL")]
    pub hub: Option<String>,
    /// Keep the record in the spool and post nothing now.
    #[arg(long, conflicts_with = "hub")]
    pub keep: bool,
    /// Allow plain HTTP to a hub that is not on this machine.
    #[arg(long)]
    pub plain_http: bool,
    /// Trust the hub's certificate by this authority's certificate alone: a PEM file.
    #[arg(long, value_name = "FILE")]
    pub ca_file: Option<PathBuf>,
    /// Start, watch and stop the check on a page in your browser, for a check without a terminal.
    #[arg(long, conflicts_with_all = ["yes", "json", "show_record"])]
    pub open: bool,
    /// Ask nothing and start: for unattended checks.
    #[arg(long, short = 'y')]
    pub yes: bool,
    /// Check only when the last whole check is this many days old, or the hub wants one.
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..=3650))]
    pub if_due: Option<u32>,
    /// Check an emulated laptop with these faults, in virtual time.
    #[arg(
        long,
        value_name = "FAULTS",
        num_args = 0..=1,
        default_missing_value = "",
        long_help = emulate_help()
    )]
    pub emulate: Option<String>,
    /// Model of the emulated laptop.
    #[arg(long, value_name = "NAME", requires = "emulate", default_value = "Tamsel 14", long_help = models_help())]
    pub model_like: String,
    /// Seed of the emulated laptop's noise.
    #[arg(long, value_name = "N", requires = "emulate", default_value_t = 1)]
    pub seed: u64,
    /// Drive the emulated laptop by the load really applied, in real time.
    #[arg(long, requires = "emulate")]
    pub real_time: bool,
    /// Lengths of settle, load and recovery in seconds, for test benches.
    #[arg(long, value_name = "S,L,R", hide = true, conflicts_with = "quick", value_delimiter = ',')]
    pub phases: Option<Vec<f64>>,
    /// Busy share that still counts as idle, %, for test benches: an emulated processor is never quiet.
    #[arg(long, value_name = "PCT", hide = true)]
    pub busy_limit: Option<f64>,
    /// Read sensors below this folder instead of `/`, for test benches.
    #[arg(long, value_name = "FOLDER", hide = true, conflicts_with = "emulate")]
    pub root: Option<PathBuf>,
}

fn emulate_help() -> String {
    format!(
        "Check an emulated laptop with these faults, in virtual time. Without faults it is a healthy one. Faults: {}",
        emulate::faults::allowed()
    )
}

fn models_help() -> String {
    let names: Vec<String> = emulate::catalogue().into_iter().map(|s| s.model.product).collect();
    format!("Model of the emulated laptop, one of: {}", names.join(", "))
}

/// `windrow survey`.
#[derive(Debug, Args)]
pub struct SurveyArgs {
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
    /// Read sensors below this folder instead of `/`, for test benches.
    #[arg(long, value_name = "FOLDER", hide = true)]
    pub root: Option<PathBuf>,
}

/// `windrow join`.
#[derive(Debug, Args)]
pub struct JoinArgs {
    /// The hub's address.
    #[arg(value_name = "URL")]
    pub hub: String,
    /// The invite; `-` reads it from standard input, so that it shows in no process list.
    #[arg(long, value_name = "INVITE")]
    pub invite: String,
    /// Allow plain HTTP to a hub that is not on this machine.
    #[arg(long)]
    pub plain_http: bool,
    /// Trust the hub's certificate by this authority's certificate alone: a PEM file.
    #[arg(long, value_name = "FILE")]
    pub ca_file: Option<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

/// `windrow send`.
#[derive(Debug, Args)]
pub struct SendArgs {
    /// Send to this hub instead of the one that was joined.
    #[arg(long, value_name = "URL")]
    pub hub: Option<String>,
    /// Allow plain HTTP to a hub that is not on this machine.
    #[arg(long)]
    pub plain_http: bool,
    /// Trust the hub's certificate by this authority's certificate alone: a PEM file.
    #[arg(long, value_name = "FILE")]
    pub ca_file: Option<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

/// `windrow past`.
#[derive(Debug, Args)]
pub struct PastArgs {
    /// Show this check's verdict again, by its number in the list.
    #[arg(value_name = "NUMBER")]
    pub number: Option<u64>,
    /// Write that check's page again.
    #[arg(long, value_name = "FILE", requires = "number")]
    pub report: Option<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

/// `windrow schedule`.
#[derive(Debug, Args)]
pub struct ScheduleArgs {
    /// Days from one whole check to the next.
    #[arg(long, value_name = "DAYS", default_value_t = 7, value_parser = clap::value_parser!(u32).range(1..=3650))]
    pub every: u32,
    /// Time of day at which the timer looks, within an hour.
    #[arg(long, value_name = "HH:MM", default_value = "12:30")]
    pub at: String,
    /// Make the timer: systemd's, for this user; for root, the system's.
    #[arg(long, conflicts_with = "remove")]
    pub install: bool,
    /// Take the timer away.
    #[arg(long)]
    pub remove: bool,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

/// `windrow replay`.
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// The trace file (CSV).
    #[arg(value_name = "TRACE")]
    pub trace: PathBuf,
    /// Room temperature in °C, with its standard deviation if known.
    #[arg(long, value_name = "C[±SD]", allow_negative_numbers = true)]
    pub ambient: Option<String>,
    /// The CPU temperature at which this model draws back, °C, where it is known.
    #[arg(long, value_name = "C")]
    pub limit: Option<f64>,
    /// Write a page to keep: one HTML file.
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent_and_every_command_has_an_example() {
        Cli::command().debug_assert();
        for command in Cli::command().get_subcommands() {
            let help = command.get_after_help().map(ToString::to_string).unwrap_or_default();
            assert!(help.contains(&format!("windrow {}", command.get_name())), "{}", command.get_name());
        }
    }

    #[test]
    fn phases_are_one_word_with_commas() {
        let Command::Check(check) =
            Cli::try_parse_from(["windrow", "check", "--phases", "20,30.5,30"]).unwrap().command
        else {
            panic!("not a check")
        };
        assert_eq!(check.phases, Some(vec![20.0, 30.5, 30.0]));
    }

    #[test]
    fn faults_may_be_left_out() {
        let faults = |args: &[&str]| match Cli::try_parse_from(args).unwrap().command {
            Command::Check(check) => check.emulate,
            other => panic!("{other:?}"),
        };
        assert_eq!(faults(&["windrow", "check"]), None);
        assert_eq!(faults(&["windrow", "check", "--emulate"]).as_deref(), Some(""));
        assert_eq!(faults(&["windrow", "check", "--emulate", "fan=0"]).as_deref(), Some("fan=0"));
    }
}
