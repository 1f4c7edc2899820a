//! Sending what waits, and telling what became of it: for `send` and at the end of `check`.

use chrono::{DateTime, Utc};
use windrow_model::cautions;

use crate::exit::Exit;
use crate::failure::Failure;
use crate::held::{self, Held};
use crate::hub::HubAddress;
use crate::output::Output;
use crate::post::{Http, Patience, RealWait, SendReport, ask, send_all};
use crate::spool::Spool;
use crate::state::StateDir;
use crate::stop::StopFlag;
use crate::wanted::{self, Wanted};

/// Sends all that waits.
///
/// # Errors
/// Files that cannot be read or moved, or no certificate roots.
pub(super) fn send(
    state: &StateDir,
    hub: &HubAddress,
    patience: Patience,
    stop: &StopFlag,
) -> Result<SendReport, Failure> {
    let mut http = Http::new(hub)?.stopping_at(stop);
    let report = send_all(&Spool::new(state), &mut http, &mut RealWait { stop: stop.clone() }, patience)?;
    if report.n_sent > 0 {
        wanted::keep(state, wish(report.check_wanted_by.as_deref(), hub).as_ref())?;
    }
    if report.is_told {
        held::keep(state, hold(report.held.as_deref(), hub).as_ref())?;
    }
    Ok(report)
}

fn wish(by: Option<&str>, hub: &HubAddress) -> Option<Wanted> {
    let by = DateTime::parse_from_rfc3339(by?).ok()?;
    Some(Wanted { by: by.to_utc(), told_at: Utc::now(), hub: hub.shown().to_owned() })
}

fn hold(why: Option<&str>, hub: &HubAddress) -> Option<Held> {
    Some(Held { why: why?.to_owned(), told_at: Utc::now(), hub: hub.shown().to_owned() })
}

/// The hold as it stands now: the hub is asked where it can be, and else it is as the hub last said.
///
/// # Errors
/// Files that cannot be read or written.
pub(super) fn held_now(
    state: &StateDir,
    hub: Option<&HubAddress>,
    stop: &StopFlag,
) -> Result<Option<Held>, Failure> {
    if let Some(hub) = hub
        && let Ok(http) = Http::new(hub)
        && let Some(told) = ask(&Spool::new(state), &mut http.stopping_at(stop))?
    {
        wanted::keep(state, wish(told.check_wanted_by.as_deref(), hub).as_ref())?;
        held::keep(state, hold(told.held.as_deref(), hub).as_ref())?;
    }
    held::held(state)
}

/// Tells what became of the records.
pub(super) fn tell(report: &SendReport, hub: &HubAddress, output: &mut Output) {
    if report.n_sent > 0 {
        output.say(&format!("Sent {} to {}.", records(report.n_sent), hub.shown()));
    }
    for aside in &report.set_aside {
        output.say(&format!("The hub refuses a record for good: {}", aside.why));
        output.say(&format!("  it is set aside at `{}`; the others go on", aside.path.display()));
    }
    if let Some(why) = &report.gave_up {
        output.say(&format!("Not sent to {}: {why}", hub.shown()));
        let waiting = records(report.n_waiting);
        let verb = if report.n_waiting == 1 { "waits" } else { "wait" };
        output.say(&format!("{waiting} {verb} in the spool."));
        if let Some(advice) = &report.advice {
            output.say(&format!("do this: {advice}"));
        }
    }
    if let Some(why) = &report.held {
        output.say(&format!("Your administrator has put this laptop on hold: {why}"));
        output.say(cautions::HELD);
    }
    if let Some(by) = &report.check_wanted_by {
        output.say(&format!("The hub wants a check by {by}."));
    }
}

/// The exit code that follows.
pub(super) fn exit_of(report: &SendReport) -> Exit {
    if report.n_waiting > 0 || !report.set_aside.is_empty() { Exit::Waiting } else { Exit::Done }
}

/// `1 record`, `2 records`.
pub(super) fn records(n: usize) -> String {
    if n == 1 { "1 record".into() } else { format!("{n} records") }
}
