//! A check without a terminal: a page in the user's own browser that starts it, shows it, stops it and tells the verdict.
//!
//! The page is served on the loopback interface only, at a port and an address that are new each time. Another user of
//! the machine can reach the port, so nothing is answered without the cookie that the one-time secret was exchanged for.

mod door;
mod launch;
mod live;
mod pages;
mod server;
mod session;

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use maud::Markup;
use windrow_model::protocol::Protocol;

use crate::check::{Observer, StopFlag};
use crate::failure::Failure;
use crate::output::Output;

pub use session::{Ready, Start};

use door::Door;
use session::Session;

/// How long the page waits for the start: a laptop left with an open question should not be loaded an hour later.
const START_WAIT: Duration = Duration::from_mins(15);
/// How long the verdict stays up. It can be kept by then; the record is in the spool in any case.
const VERDICT_WAIT: Duration = Duration::from_mins(30);
/// How often the flag of Ctrl-C is looked at while waiting for a person.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// How long the page's last answer may take to reach the browser.
const LAST_ANSWER: Duration = Duration::from_millis(500);

/// The page of one check.
#[derive(Debug)]
pub struct Window {
    session: Session,
    address: SocketAddr,
    /// Removed from the disk with the window.
    _entry: tempfile::NamedTempFile,
}

impl Window {
    /// Serves the page and opens it in the user's browser.
    ///
    /// # Errors
    /// No free port on the loopback interface, or no folder for the file with the one-time secret.
    pub fn open(
        ready: Ready,
        stop: &StopFlag,
        folder: &std::path::Path,
        output: &mut Output,
    ) -> Result<Self, Failure> {
        let session = Session::new(ready, stop.clone());
        let listener = std::net::TcpListener::bind("127.0.0.1:0")
            .and_then(|l| l.set_nonblocking(true).map(|()| l))
            .map_err(|e| no_page(&format!("no port on the loopback interface: {e}")))?;
        let address = listener.local_addr().map_err(|e| no_page(&e.to_string()))?;
        let door = Door::new(address).map_err(|e| no_page(&format!("no random numbers: {e}")))?;
        let entry = launch::write_entry(&door, folder)
            .map_err(|e| no_page(&format!("cannot write into {}: {e}", folder.display())))?;
        server::start(listener, door, session.clone()).map_err(|e| no_page(&e.to_string()))?;
        launch::open(entry.path(), output);
        Ok(Self { session, address, _entry: entry })
    }

    /// Waits until the person starts the check. `None`: not now.
    pub fn wait_for_start(&self, stop: &StopFlag) -> Option<Start> {
        let until = Instant::now() + START_WAIT;
        loop {
            match self.session.started() {
                Some(session::Answer::Start(start)) => return Some(start),
                Some(session::Answer::NotNow) => break,
                None if stop.raised().is_some() || Instant::now() >= until => break,
                None => std::thread::sleep(LOOK_EVERY),
            }
        }
        self.session.refuse_start();
        std::thread::sleep(LAST_ANSWER);
        None
    }

    /// Shows the check's progress on the page.
    pub fn observer(&self, protocol: Protocol) -> impl Observer {
        live::Live::new(self.session.clone(), protocol)
    }

    /// Shows the verdict: the page to keep, and its body.
    pub fn show_verdict(&self, kept: String, body: Markup) {
        self.session.finish(kept, body);
    }

    /// Keeps the verdict up until the person closes it, Ctrl-C, or half an hour.
    pub fn wait_until_closed(&self, stop: &StopFlag, output: &mut Output) {
        output.say(&format!(
            "The verdict stays in the browser (on {}) until it is closed there; Ctrl-C ends it here.",
            self.address
        ));
        let until = Instant::now() + VERDICT_WAIT;
        // A flag that ended the check is still up; the verdict of what was measured is worth showing all the same.
        let times = stop.times();
        while !self.session.is_closed() && Instant::now() < until && stop.times() == times {
            std::thread::sleep(LOOK_EVERY);
        }
        std::thread::sleep(LAST_ANSWER);
    }
}

fn no_page(why: &str) -> Failure {
    Failure::new(format!("cannot serve the page of the check: {why}"))
        .remedy("run `windrow check` in a terminal")
        .exit(crate::exit::Exit::NotChecked)
}
