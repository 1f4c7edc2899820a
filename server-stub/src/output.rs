//! Where words go: results to stdout, everything else to stderr. A closed pipe is a quiet success.

use std::io::{self, IsTerminal, Write};

/// The two streams.
pub struct Output {
    stdout: Box<dyn Write>,
    stderr: Box<dyn Write>,
    stdout_closed: bool,
    width: Option<usize>,
    is_terminal: bool,
}

impl Output {
    /// The process's own streams.
    pub fn of_process() -> Self {
        let is_terminal = io::stdout().is_terminal();
        let width = is_terminal.then(terminal_width).flatten();
        let (stdout, stderr) = (Box::new(io::stdout()), Box::new(io::stderr()));
        Self { stdout, stderr, stdout_closed: false, width, is_terminal }
    }

    /// Streams of a test's own; with a width, stdout is a terminal.
    pub fn to(stdout: Box<dyn Write>, stderr: Box<dyn Write>, width: Option<usize>) -> Self {
        Self { stdout, stderr, stdout_closed: false, width, is_terminal: width.is_some() }
    }

    /// Width of the terminal in columns; `None` where stdout isn't one.
    pub fn width(&self) -> Option<usize> {
        self.width
    }

    /// Whether a person is at the other end of stdout.
    pub fn is_terminal(&self) -> bool {
        self.is_terminal
    }

    /// Bytes of a result as they are.
    ///
    /// # Errors
    /// Anything but a closed pipe, for example a full disk behind a redirection.
    pub fn bytes(&mut self, bytes: &[u8]) -> io::Result<()> {
        if self.stdout_closed {
            return Ok(());
        }
        match self.stdout.write_all(bytes).and_then(|()| self.stdout.flush()) {
            Err(e) if e.kind() == io::ErrorKind::BrokenPipe => {
                self.stdout_closed = true;
                Ok(())
            }
            other => other,
        }
    }

    /// A result with a line feed.
    ///
    /// # Errors
    /// As [`Self::bytes`].
    pub fn result(&mut self, text: &str) -> io::Result<()> {
        self.bytes(format!("{text}\n").as_bytes())
    }

    /// A line beside the results. Nobody to hear it is no failure.
    pub fn say(&mut self, text: &str) {
        let _ = writeln!(self.stderr, "{text}").and_then(|()| self.stderr.flush());
    }
}

impl std::fmt::Debug for Output {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Output").field("width", &self.width).finish_non_exhaustive()
    }
}

fn terminal_width() -> Option<usize> {
    let size = rustix::termios::tcgetwinsize(io::stdout()).ok()?;
    (size.ws_col > 0).then_some(usize::from(size.ws_col))
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
        let mut closed = Output::to(Box::new(Closed), Box::new(io::sink()), None);
        assert!(closed.result("one").is_ok() && closed.result("two").is_ok());
        let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let mut full = Output::to(Box::new(full), Box::new(io::sink()), None);
        assert!(full.result("one").is_err());
    }
}
