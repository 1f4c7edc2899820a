//! The commands. Each resolves its settings first, then works, then shows; the exit code is its answer.

pub mod check;
mod join;
mod kept;
mod own_past;
mod past;
mod post;
mod replay;
mod result;
mod schedule;
mod send;
mod settings;
mod signals;
mod survey;

use crate::cli::{Cli, Command};
use crate::exit::Exit;
use crate::failure::{Failure, Outcome};
use crate::output::Output;
use crate::state::{self, StateDir, Surroundings};

/// Runs a command and prints what went wrong, once.
pub fn run(cli: Cli, output: &mut Output) -> Exit {
    match dispatch(cli, output) {
        Ok(exit) => exit,
        Err(failure) => {
            output.say(&format!("error: {failure}"));
            if let Some(advice) = failure.advice() {
                output.say(&format!("do this: {advice}"));
            }
            failure.code()
        }
    }
}

fn dispatch(cli: Cli, output: &mut Output) -> Outcome {
    let told = cli.state_dir;
    let open = || StateDir::open(state::place(told.as_deref(), &Surroundings::of_process())?);
    match cli.command {
        Command::Check(args) => check::run(&args, open, output),
        Command::Survey(args) => survey::run(&args, output),
        Command::Join(args) => join::run(&args, &open()?, output),
        Command::Send(args) => send::run(&args, &open()?, output),
        Command::Past(args) => past::run(&args, &open()?, output),
        Command::Schedule(args) => schedule::run(&args, &open()?, output),
        Command::Replay(args) => replay::run(&args, output),
    }
}

/// A result on stdout; a full disk behind a redirection is told, a closed pipe is not.
fn print(output: &mut Output, text: &str) -> Result<(), Failure> {
    output.result(text).map_err(|e| Failure::new(format!("cannot write the result to standard output: {e}")))
}

/// A result as JSON.
fn print_json<T: serde::Serialize>(output: &mut Output, value: &T) -> Result<(), Failure> {
    let text = serde_json::to_string_pretty(value).map_err(|e| Failure::new(e.to_string()))?;
    print(output, &text)
}
