//! Where words go: results to stdout, everything else to stderr.
//!
//! A reader that closes the pipe early (`windrow past | head -1`) is quiet success: what is left of the output is
//! dropped and the command still does its work, since a record must not depend on who reads the screen.

use std::io::{self, IsTerminal, Write};

/// The two streams.
pub struct Output {
    stdout: Box<dyn Write>,
    stderr: Box<dyn Write>,
    stdout_closed: bool,
    is_terminal: bool,
}

impl Output {
    /// The process's own streams.
    pub fn of_process() -> Self {
        Self {
            stdout: Box::new(io::stdout()),
            stderr: Box::new(io::stderr()),
            stdout_closed: false,
            is_terminal: io::stderr().is_terminal(),
        }
    }

    /// Streams of a test's own.
    pub fn to(stdout: Box<dyn Write>, stderr: Box<dyn Write>) -> Self {
        Self { stdout, stderr, stdout_closed: false, is_terminal: false }
    }

    /// Whether a person watches stderr: a bar can be drawn.
    pub fn is_terminal(&self) -> bool {
        self.is_terminal
    }

    /// A result, with a line feed.
    ///
    /// # Errors
    /// Anything but a closed pipe, for example a full disk behind a redirection.
    pub fn result(&mut self, text: &str) -> io::Result<()> {
        if self.stdout_closed {
            return Ok(());
        }
        let written = writeln!(self.stdout, "{text}").and_then(|()| self.stdout.flush());
        match written {
            Err(e) if e.kind() == io::ErrorKind::BrokenPipe => {
                self.stdout_closed = true;
                Ok(())
            }
            other => other,
        }
    }

    /// A line beside the results. Nobody to hear it is no failure.
    pub fn say(&mut self, text: &str) {
        let _ = writeln!(self.stderr, "{text}").and_then(|()| self.stderr.flush());
    }

    /// A question, with the cursor behind it.
    pub fn ask(&mut self, text: &str) {
        let _ = write!(self.stderr, "{text} ").and_then(|()| self.stderr.flush());
    }
}

impl std::fmt::Debug for Output {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Output").field("is_terminal", &self.is_terminal).finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Closed;
    impl Write for Closed {
        fn write(&mut self, _: &[u8]) -> io::Result<usize> {
            Err(io::ErrorKind::BrokenPipe.into())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_closed_pipe_is_quiet_success_and_a_full_disk_is_not() {
        let mut closed = Output::to(Box::new(Closed), Box::new(io::sink()));
        assert!(closed.result("one").is_ok() && closed.result("two").is_ok());
        let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let mut full = Output::to(Box::new(full), Box::new(io::sink()));
        assert!(full.result("one").is_err());
    }
}
