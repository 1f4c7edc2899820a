//! The agent: sensors, load, safety, the check, and what becomes of its record.
//!
//! `check` knows only the traits of `machine`; Linux, the captured tree and the emulated laptop stand behind them.
//! `commands` knows everything and decides; `spool` knows no network and `post` no sensor.

pub mod browser;
pub mod check;
pub mod cli;
pub mod clock;
pub mod commands;
pub mod due;
pub mod emulated;
pub mod exit;
pub mod failure;
pub mod files;
pub mod held;
pub mod hub;
pub mod identity;
pub mod load;
pub mod machine;
pub mod output;
pub mod post;
pub mod record;
pub mod reference;
pub mod report;
pub mod sensors;
pub mod spool;
pub mod state;
pub mod stop;
pub mod wanted;

use std::io::IsTerminal;

use clap::Parser;

/// The whole program on the process's own streams.
pub fn run_process() -> exit::Exit {
    let mut output = output::Output::of_process();
    match cli::Cli::try_parse() {
        Ok(cli) => commands::run(cli, &mut output),
        Err(error) => usage(&error, &mut output),
    }
}

/// Help goes to stdout and is success; a command line that isn't understood goes to stderr. Both through our streams,
/// so that a closed pipe is quiet.
fn usage(error: &clap::Error, output: &mut output::Output) -> exit::Exit {
    let styled = error.render();
    let coloured =
        |is_terminal: bool| is_terminal && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    if error.use_stderr() {
        let text = if coloured(std::io::stderr().is_terminal()) {
            styled.ansi().to_string()
        } else {
            styled.to_string()
        };
        output.say(text.trim_end());
        return exit::Exit::Usage;
    }
    let text = if coloured(std::io::stdout().is_terminal()) {
        styled.ansi().to_string()
    } else {
        styled.to_string()
    };
    // Help that cannot be written helps nobody, and nothing was lost.
    let _ = output.result(text.trim_end());
    exit::Exit::Done
}
