//! Exit codes: the one list, and the one place that turns an end into a number.

use std::process::ExitCode;

/// How a command ended. The numbers are documented in `windrow --help` and don't change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Exit {
    /// Done, and nothing asks for attention.
    Done = 0,
    /// It failed; the message says what, where and what to do.
    Failed = 1,
    /// The command line isn't understood (clap's own number).
    Usage = 2,
    /// The check was made and asks for attention: a fault or a suspicion.
    Attention = 3,
    /// No check was made, or not to its end: a pre-check, no sensors, "not now", an interrupt.
    NotChecked = 4,
    /// Records still wait in the spool, or one was set aside.
    Waiting = 5,
}

impl Exit {
    /// What `--help` says of the codes.
    pub const HELP: &'static str = "\
Exit codes:
  0  done, nothing asks for attention
  1  failed; the message says what, where and what to do
  2  the command line is not understood
  3  the check found a fault or a suspicion
  4  no check was made, or not to its end (a pre-check, no sensors, \"not now\", Ctrl-C)
  5  records still wait in the spool, or one was refused and set aside";
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
        use Exit::{Attention, Done, Failed, NotChecked, Usage, Waiting};
        for exit in [Done, Failed, Usage, Attention, NotChecked, Waiting] {
            assert!(Exit::HELP.contains(&format!("\n  {}  ", exit as u8)), "{exit:?}");
        }
    }
}
