//! Sends what waits, oldest first, so that the hub sees the chain in order.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::answer::Verdict;
use super::patience::Budget;
use super::{Patience, Transport, TransportError, Wait};
use crate::failure::Failure;
use crate::held;
use crate::spool::{Spool, Waiting};

/// The endpoint.
const RECORDS: &str = "v1/records";

/// What became of the records that waited.
#[derive(Debug, Clone, Default, Serialize)]
pub struct SendReport {
    /// Acknowledged now.
    pub n_sent: usize,
    /// Set aside now, with the reasons.
    pub set_aside: Vec<SetAside>,
    /// Still waiting.
    pub n_waiting: usize,
    /// Why it was given up, where it was.
    pub gave_up: Option<String>,
    /// What to do then.
    #[serde(skip)]
    pub advice: Option<String>,
    /// The hub wants a check by this time (RFC 3339).
    pub check_wanted_by: Option<String>,
    /// An administrator holds this laptop back from load, and why.
    pub held: Option<String>,
    /// A hub's own acknowledgement was read: what it says of a hold counts.
    #[serde(skip)]
    pub is_told: bool,
}

/// A record that no hub will take.
#[derive(Debug, Clone, Serialize)]
pub struct SetAside {
    /// Where it lies now.
    pub path: PathBuf,
    /// Why.
    pub why: String,
}

/// The part of the hub's acknowledgement that is used here.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Told {
    /// What no other server's answer has. Without it nothing else is believed.
    #[serde(rename = "results")]
    _results: Vec<serde::de::IgnoredAny>,
    /// The hub wants a check by this time (RFC 3339).
    pub check_wanted_by: Option<String>,
    /// An administrator holds this laptop back from load, and why.
    pub held: Option<String>,
}

/// What became of one record.
enum Fate {
    Sent(Option<Told>),
    Refused { why: String },
    Stop { why: String, advice: Option<String> },
}

/// Sends all waiting records. A record refused for good is set aside and the rest goes on; an unreachable hub ends
/// it, and everything stays where it is.
///
/// # Errors
/// Files that cannot be read or moved.
pub fn send_all(
    spool: &Spool,
    hub: &mut dyn Transport,
    wait: &mut dyn Wait,
    patience: Patience,
) -> Result<SendReport, Failure> {
    let mut report = SendReport::default();
    let mut budget = Budget::new(patience);
    for waiting in spool.waiting()? {
        match send_one(spool, &waiting, hub, wait, patience, &mut budget)? {
            Fate::Sent(told) => {
                spool.acknowledge(&waiting)?;
                report.n_sent += 1;
                // The last acknowledgement counts: by then the hub knew of all records before.
                report.is_told |= told.is_some();
                let Told { check_wanted_by, held, .. } = told.unwrap_or_default();
                (report.check_wanted_by, report.held) = (check_wanted_by, held);
            }
            Fate::Refused { why } => {
                let path = spool.set_aside(&waiting, &why)?;
                report.set_aside.push(SetAside { path, why });
            }
            Fate::Stop { why, advice } => {
                report.gave_up = Some(why);
                report.advice = advice;
                break;
            }
        }
    }
    report.n_waiting = spool.waiting()?.len();
    Ok(report)
}

fn send_one(
    spool: &Spool,
    waiting: &Waiting,
    hub: &mut dyn Transport,
    wait: &mut dyn Wait,
    patience: Patience,
    budget: &mut Budget,
) -> Result<Fate, Failure> {
    let bytes = spool.read(waiting)?;
    for n_tries in 1..=patience.tries_max {
        let (why, after_s) = match hub.post(RECORDS, &bytes) {
            Err(TransportError::NoAnswer(why)) => (why, None),
            Err(e @ TransportError::Untrusted(_)) => return Ok(untrusted(&e)),
            Err(e @ TransportError::Stopped(_)) => return Ok(stopped(&e)),
            Ok(answer) => match answer.verdict() {
                Verdict::Taken => return Ok(Fate::Sent(Told::read(&answer.body))),
                Verdict::Refused { why } => return Ok(Fate::Refused { why }),
                Verdict::Denied { why } => return Ok(denied(why)),
                Verdict::NoHub { why } => return Ok(no_hub(&why)),
                Verdict::Later { why, after_s } => (why, after_s),
            },
        };
        match budget.next_wait_s(n_tries, after_s, wait.draw()) {
            Some(wait_s) => wait.wait(std::time::Duration::from_secs_f64(wait_s)),
            None => return Ok(gave_up(&why, n_tries, after_s)),
        }
    }
    Ok(gave_up("no try was allowed", 0, None))
}

fn gave_up(why: &str, n_tries: u32, after_s: Option<u64>) -> Fate {
    let asked = after_s.map(|s| format!("; the hub asks to wait {s} s")).unwrap_or_default();
    let tries = if n_tries == 1 { "try" } else { "tries" };
    Fate::Stop {
        why: format!("{why} ({n_tries} {tries}{asked})"),
        advice: Some("run `windrow send` later; nothing is lost".into()),
    }
}

fn stopped(error: &TransportError) -> Fate {
    let advice = "run `windrow send` another time; nothing is lost";
    Fate::Stop { why: error.to_string(), advice: Some(advice.into()) }
}

fn untrusted(error: &TransportError) -> Fate {
    Fate::Stop { why: error.to_string(), advice: Some(TransportError::TRUST.into()) }
}

fn denied(why: String) -> Fate {
    Fate::Stop { why, advice: Some("ask the administrator for an invite and run `windrow join`".into()) }
}

fn no_hub(why: &str) -> Fate {
    Fate::Stop {
        why: format!("what answers there is not a hub that this version knows: {why}"),
        advice: Some("check the address; `windrow join` sets another".into()),
    }
}

impl Told {
    fn read(body: &[u8]) -> Option<Self> {
        let told: Self = serde_json::from_slice(body).ok()?;
        // It is shown to a person and comes from outside: only a time passes, and plain words.
        Some(Self {
            check_wanted_by: told.check_wanted_by.filter(|t| chrono::DateTime::parse_from_rfc3339(t).is_ok()),
            held: told.held.map(|why| held::fit_to_show(&why)),
            ..told
        })
    }
}

/// Asks the hub how this laptop stands, by posting its last acknowledged record once more, which changes nothing there.
/// `None`: there is no such record, or the hub doesn't answer or doesn't know it.
///
/// # Errors
/// Files that cannot be read.
pub fn ask(spool: &Spool, hub: &mut dyn Transport) -> Result<Option<Told>, Failure> {
    let Some(last) = spool.past()?.pop() else { return Ok(None) };
    let bytes = spool.read(&last)?;
    let answer = hub.post(RECORDS, &bytes).ok().filter(|a| matches!(a.verdict(), Verdict::Taken));
    Ok(answer.and_then(|answer| Told::read(&answer.body)))
}
