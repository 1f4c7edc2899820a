//! `windrow-hub notify`: what waits to be told of band changes, and a trial of those who are told.

use std::path::{Path, PathBuf};

use chrono::{DateTime, SecondsFormat};
use serde::Serialize;

use super::{Outcome, Setting, block_on, print};
use crate::database;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::notices::post::Poster;
use crate::notices::{document, list};
use crate::output::Output;
use crate::store::notices::{NoticeStore as _, StoredReceiver, WaitingNotice};
use crate::store::{EpochMs, Store as _};

/// Random bytes of a trial's id.
const ID_BYTES: usize = 16;

/// Arguments of `notify`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub notify
  windrow-hub notify --try notify.toml

Whom the hub tells when a laptop's band changes stands in a file that `windrow-hub serve --notify FILE` reads at its \
start; docs/notices.md has its format, and how a receiver checks a signature. Without --try it lists the receivers that \
the hub knows, and what waits for each.")]
pub(super) struct Args {
    /// Post one notice, marked as a trial, to each receiver of this notify file, and tell what each answered
    #[arg(long = "try", value_name = "FILE")]
    trial: Option<PathBuf>,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    match &args.trial {
        Some(file) => try_all(setting, file, output),
        None => show(setting, output),
    }
}

/// What a receiver said to a trial.
#[derive(Serialize)]
struct Tried {
    receiver: String,
    host: String,
    notice_id: String,
    taken: bool,
    answer: String,
}

fn try_all(setting: &Setting, file: &Path, output: &mut Output) -> Outcome {
    let receivers = list::read(file)?;
    let now = setting.clock.now();
    let tried: Vec<Tried> = block_on(async {
        let mut tried = Vec::with_capacity(receivers.len());
        for receiver in &receivers {
            let notice_id = new_id()?;
            let body = document::trial(now.timestamp_millis(), &notice_id);
            let answer = Poster::new(receiver)?.post(&notice_id, &body, now.timestamp()).await;
            let taken = answer.is_ok();
            let answer = answer.map_or_else(|refused| refused.why, |status| format!("it answered {status}"));
            tried.push(Tried {
                receiver: receiver.name.clone(),
                host: receiver.host(),
                notice_id,
                taken,
                answer,
            });
        }
        Ok(tried)
    })?;
    if setting.json {
        print(output, &json(&tried)?)?;
    } else {
        for t in &tried {
            let what = if t.taken { "taken" } else { "not taken" };
            print(output, &format!("{} at {}: {what}: {}", t.receiver, t.host, t.answer))?;
        }
    }
    match tried.iter().filter(|t| !t.taken).count() {
        0 => Ok(Exit::Done),
        n => Err(Failure::new(format!("{n} of {} trials not taken", tried.len())).remedy(
            "check the address, that the receiver answers 200 to 299 without a redirect, and that both sides have the same secret",
        )),
    }
}

fn new_id() -> Result<String, Failure> {
    let mut id = [0_u8; ID_BYTES];
    getrandom::fill(&mut id).map_err(|e| Failure::new(format!("the system gives no random bytes: {e}")))?;
    Ok(hex::encode(id))
}

/// A receiver and the first of what waits for it.
#[derive(Serialize)]
struct Shown {
    receiver: String,
    told_since: String,
    waiting: u64,
    sent: u64,
    given_up: u64,
    last_sent_at: Option<String>,
    oldest: Option<Oldest>,
}

/// The notice that is tried now.
#[derive(Serialize)]
struct Oldest {
    notice_id: String,
    made_at: String,
    changes: u32,
    tries: u32,
    tried_at: Option<String>,
    failure: String,
}

fn show(setting: &Setting, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let shown = block_on(async {
        let store = database::open(&database).await?;
        let mut shown = Vec::new();
        for receiver in store.notice_receiver_list().await? {
            let oldest = store.notice_next(receiver.receiver.clone()).await?;
            shown.push(Shown::of(receiver, oldest));
        }
        store.store_close().await;
        Ok(shown)
    })?;
    if setting.json {
        print(output, &json(&shown)?)?;
        return Ok(Exit::Done);
    }
    if shown.is_empty() {
        print(output, "nobody is told of band changes yet: `windrow-hub serve --notify FILE` begins it")?;
    }
    for receiver in &shown {
        print(output, &receiver.words())?;
    }
    Ok(Exit::Done)
}

impl Shown {
    fn of(known: StoredReceiver, oldest: Option<WaitingNotice>) -> Self {
        Self {
            receiver: known.receiver,
            told_since: time(known.begun_at_ms),
            waiting: known.n_waiting,
            sent: known.n_sent,
            given_up: known.n_given_up,
            last_sent_at: known.last_sent_at_ms.map(time),
            oldest: oldest.map(|w| Oldest {
                notice_id: w.notice_id,
                made_at: time(w.made_at_ms),
                changes: w.n_changes,
                tries: w.n_tries,
                tried_at: w.tried_at_ms.map(time),
                failure: w.failure,
            }),
        }
    }

    fn words(&self) -> String {
        let last = self.last_sent_at.as_ref().map_or_else(String::new, |at| format!(", the last at {at}"));
        let mut lines = vec![format!(
            "{}: {} waiting, {} taken{last}, {} given up; told of changes since {}",
            self.receiver, self.waiting, self.sent, self.given_up, self.told_since
        )];
        if let Some(oldest) = &self.oldest {
            let tried = match (&oldest.tried_at, oldest.failure.as_str()) {
                (Some(at), why) => format!("tried {} times, the last at {at}: {why}", oldest.tries),
                (None, _) => "not yet tried".to_owned(),
            };
            let changes = if oldest.changes == 1 { "change" } else { "changes" };
            lines.push(format!(
                "  oldest {}, made {}, {} {changes}: {tried}",
                oldest.notice_id, oldest.made_at, oldest.changes
            ));
        }
        lines.join("\n")
    }
}

fn time(ms: EpochMs) -> String {
    DateTime::from_timestamp_millis(ms).unwrap_or_default().to_rfc3339_opts(SecondsFormat::Secs, true)
}

fn json<T: Serialize>(value: &T) -> Result<String, Failure> {
    serde_json::to_string_pretty(value).map_err(|e| Failure::new(e.to_string()))
}
