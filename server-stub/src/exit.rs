//! Exit codes: the one list, and the one place that turns an end into a number.

use std::process::ExitCode;

/// How a command ended. The numbers are documented in `windrow-hub --help` and don't change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Done.
    Done = 0,
    /// It failed; the message says what, where and what to do.
    Failed = 1,
    /// The command line isn't understood (clap's own number).
    Usage = 2,
    /// Some of the input was left out; the rest was done.
    Partial = 3,
    /// What was to be verified is not as it was given out.
    Altered = 4,
}

impl Exit {
    /// What `--help` says of the codes.
    pub const HELP: &'static str = "\
Exit codes:
  0  done
  1  failed; the message says what, where and what to do
  2  the command line is not understood
  3  done in part: some of the input was left out, each piece named
  4  what was to be verified was altered; each place is named";
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn help_lists_every_code() {
        for exit in [Exit::Done, Exit::Failed, Exit::Usage, Exit::Partial, Exit::Altered] {
            assert!(Exit::HELP.contains(&format!("\n  {}  ", exit as u8)), "{exit:?}");
        }
    }
}
