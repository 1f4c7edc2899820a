//! Holds, snoozes and wanted checks of a laptop: set, ended.

use chrono::NaiveDate;

use super::denied::Denied;
use crate::access::Viewer;
use crate::http::Hub;
use crate::store::facts::{Actor, MarkKind, Marked, NewMark};
use crate::store::{EpochMs, Store};
use crate::visits;

/// Longest snooze, and the latest day for a check that is asked for: a year and a day, lest a mistyped year take a laptop
/// out of the rounds for ever; our choice.
const LATEST_MS: EpochMs = 367 * 24 * 60 * 60 * 1000;

pub(in crate::http) const CANNOT_BE_ASKED: &str = "cannot_be_asked";
pub(in crate::http) const NO_SUCH_LAPTOP: &str = "no_such_laptop";

/// What is asked of a laptop.
#[derive(Debug, Clone, Copy)]
pub(in crate::http) enum MarkAsked<'a> {
    /// A check, by the end of a day.
    Ask { until: Option<NaiveDate>, why: &'a str },
    /// To be put off until the end of a day.
    Snooze { until: Option<NaiveDate>, why: &'a str },
    /// No load and no visit.
    Hold { why: &'a str },
    /// The end of a hold and a snooze.
    Release,
}

/// The same, once it can be.
#[derive(Debug)]
pub(in crate::http) enum MarkDeed {
    Set { kind: MarkKind, until_ms: Option<EpochMs>, why: String },
    Release,
}

impl MarkDeed {
    /// Reads what is asked.
    ///
    /// # Errors
    /// What is wrong with it.
    pub(in crate::http) fn read(asked: MarkAsked<'_>, now_ms: EpochMs) -> Result<Self, Denied> {
        let later = |what: &str, until: Option<NaiveDate>| match until {
            None => Err(Denied::bad("until", format!("{what} needs a day"))),
            Some(day) => match visits::end_of_day_ms(day).filter(|ms| *ms > now_ms) {
                Some(ms) if ms - now_ms > LATEST_MS => Err(Denied::bad(
                    "until",
                    format!("{what} lasts a year at most; what is to last longer is a hold"),
                )),
                Some(ms) => Ok(Some(ms)),
                None => Err(Denied::bad("until", format!("{what} needs a day that is not over yet"))),
            },
        };
        let plain = |why: &str| {
            visits::reason(why).map_err(|what| Denied::bad("why", format!("the field `why`: {what}")))
        };
        let given = |what: &str, why: &str| {
            let why = plain(why)?;
            if why.is_empty() { Err(Denied::bad("why", format!("{what} needs a reason"))) } else { Ok(why) }
        };
        let set = |kind, until_ms, why| Self::Set { kind, until_ms, why };
        Ok(match asked {
            MarkAsked::Ask { until, why } => {
                set(MarkKind::Check, later("asking for a check", until)?, plain(why)?)
            }
            MarkAsked::Snooze { until, why } => {
                set(MarkKind::Snooze, later("a snooze", until)?, given("a snooze", why)?)
            }
            MarkAsked::Hold { why } => set(MarkKind::Hold, None, given("a hold", why)?),
            MarkAsked::Release => Self::Release,
        })
    }

    /// Does it to a laptop that the viewer may see.
    ///
    /// # Errors
    /// Why it cannot be.
    pub(in crate::http) async fn apply<S: Store>(
        &self,
        hub: &Hub<S>,
        viewer: &Viewer,
        device_id: &str,
    ) -> Result<(), Denied> {
        let now_ms = hub.clock.now_ms();
        let Self::Set { kind, until_ms, why } = self else {
            for kind in [MarkKind::Hold, MarkKind::Snooze] {
                hub.store.mark_end(device_id.to_owned(), kind, Actor::of(viewer), now_ms).await?;
            }
            return Ok(());
        };
        let mark = NewMark {
            device_id: device_id.to_owned(),
            kind: *kind,
            why: why.clone(),
            until_ms: *until_ms,
            actor: Actor::of(viewer),
            now_ms,
        };
        match hub.store.mark_set(mark).await? {
            Marked::Set => Ok(()),
            Marked::NoSuchLaptop => Err(Denied::NoSuch { code: NO_SUCH_LAPTOP, what: "laptop" }),
            Marked::CannotBeAsked => {
                let what = "only a laptop that has joined, and isn't revoked, can be asked for a check";
                Err(Denied::not_now(CANNOT_BE_ASKED, what))
            }
        }
    }
}
