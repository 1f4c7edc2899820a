//! Notices in SQL.

use std::collections::HashMap;

use super::SqlStore;
use super::db::{Connection, Row, query, query_scalar};
use super::write::{HeldAnswer, Reply, Write, hold, in_savepoint};
use crate::notices::MAX_WAITING;
use crate::store::notices::{
    LaptopKey, NewNotice, NoticeEnd, NoticeStore, StoredReceiver, ToldBand, WaitingNotice,
};
use crate::store::{EpochMs, StoreError};

/// Writes of this room.
pub(super) enum NoticeWrite {
    Told { receiver: String, told: Vec<ToldBand>, reply: Reply<()> },
    Begin { receiver: String, now_ms: EpochMs, reply: Reply<()> },
    Put { receiver: String, notice: NewNotice, reply: Reply<bool> },
    Tried { row: i64, now_ms: EpochMs, failure: String, reply: Reply<()> },
    End { row: i64, end: NoticeEnd, now_ms: EpochMs, reply: Reply<()> },
    Keep(Vec<String>, Reply<Vec<(String, u64)>>),
}

impl NoticeWrite {
    pub(super) fn refuse(self, why: StoreError) -> HeldAnswer {
        match self {
            Self::Told { reply, .. }
            | Self::Begin { reply, .. }
            | Self::Tried { reply, .. }
            | Self::End { reply, .. } => hold(reply, Err(why)),
            Self::Put { reply, .. } => hold(reply, Err(why)),
            Self::Keep(_, reply) => hold(reply, Err(why)),
        }
    }

    pub(super) async fn run(self, c: &mut Connection) -> HeldAnswer {
        match self {
            Self::Told { receiver, told, reply } => {
                hold(reply, in_savepoint!(c, told_put_in_tx(c, &receiver, &told)))
            }
            Self::Begin { receiver, now_ms, reply } => {
                hold(reply, in_savepoint!(c, begin_in_tx(c, &receiver, now_ms)))
            }
            Self::Put { receiver, notice, reply } => {
                hold(reply, in_savepoint!(c, put_in_tx(c, &receiver, &notice)))
            }
            Self::Tried { row, now_ms, failure, reply } => {
                hold(reply, in_savepoint!(c, tried_in_tx(c, row, now_ms, &failure)))
            }
            Self::End { row, end, now_ms, reply } => {
                hold(reply, in_savepoint!(c, end_in_tx(c, row, end, now_ms)))
            }
            Self::Keep(receivers, reply) => hold(reply, in_savepoint!(c, keep_in_tx(c, &receivers))),
        }
    }
}

async fn told_put_in_tx(c: &mut Connection, receiver: &str, told: &[ToldBand]) -> Result<(), StoreError> {
    // In one statement: a fleet's beginning has one row a laptop.
    query(
        "INSERT INTO notice_told (receiver, device_id, provenance, band) \
         SELECT $1, value ->> 'device_id', value ->> 'provenance', value ->> 'band' FROM json_each($2) WHERE TRUE \
         ON CONFLICT (receiver, device_id, provenance) DO UPDATE SET band = excluded.band",
    )
    .on_postgres(
        "INSERT INTO notice_told (receiver, device_id, provenance, band) \
         SELECT $1, value ->> 'device_id', value ->> 'provenance', value ->> 'band' FROM json_array_elements($2::JSON) \
         ON CONFLICT (receiver, device_id, provenance) DO UPDATE SET band = excluded.band",
    )
    .bind(receiver)
    .bind(json(told)?)
    .execute(c)
    .await?;
    Ok(())
}

async fn begin_in_tx(c: &mut Connection, receiver: &str, now_ms: EpochMs) -> Result<(), StoreError> {
    query("INSERT INTO notice_receiver (receiver, begun_at_ms) VALUES ($1, $2) ON CONFLICT DO NOTHING")
        .bind(receiver)
        .bind(now_ms)
        .execute(c)
        .await?;
    Ok(())
}

async fn put_in_tx(c: &mut Connection, receiver: &str, notice: &NewNotice) -> Result<bool, StoreError> {
    let n_waiting: i64 = query_scalar("SELECT count(*) FROM notice WHERE receiver = $1")
        .bind(receiver)
        .fetch_one(&mut *c)
        .await?;
    if n_waiting.cast_unsigned() >= MAX_WAITING {
        return Ok(false);
    }
    query(
        "INSERT INTO notice (receiver, notice_id, body, n_changes, made_at_ms) VALUES ($1, $2, $3, $4, $5)",
    )
    .bind(receiver)
    .bind(&notice.notice_id)
    .bind(&notice.body)
    .bind(u32::try_from(notice.told.len()).unwrap_or(u32::MAX))
    .bind(notice.made_at_ms)
    .execute(&mut *c)
    .await?;
    told_put_in_tx(c, receiver, &notice.told).await?;
    Ok(true)
}

async fn tried_in_tx(c: &mut Connection, row: i64, now_ms: EpochMs, failure: &str) -> Result<(), StoreError> {
    query("UPDATE notice SET n_tries = n_tries + 1, tried_at_ms = $1, failure = $2 WHERE notice_row = $3")
        .bind(now_ms)
        .bind(failure)
        .bind(row)
        .execute(c)
        .await?;
    Ok(())
}

async fn end_in_tx(c: &mut Connection, row: i64, end: NoticeEnd, now_ms: EpochMs) -> Result<(), StoreError> {
    let receiver: Option<String> =
        query_scalar("DELETE FROM notice WHERE notice_row = $1 RETURNING receiver")
            .bind(row)
            .fetch_optional(&mut *c)
            .await?;
    let Some(receiver) = receiver else { return Ok(()) };
    let (n_sent, n_given_up, sent_at_ms): (u32, u32, _) = match end {
        NoticeEnd::Sent => (1, 0, Some(now_ms)),
        NoticeEnd::GivenUp => (0, 1, None),
    };
    query(
        "UPDATE notice_receiver SET n_sent = n_sent + $2, n_given_up = n_given_up + $3, \
           last_sent_at_ms = COALESCE($4, last_sent_at_ms) WHERE receiver = $1",
    )
    .bind(receiver)
    .bind(n_sent)
    .bind(n_given_up)
    .bind(sent_at_ms)
    .execute(c)
    .await?;
    Ok(())
}

async fn keep_in_tx(c: &mut Connection, receivers: &[String]) -> Result<Vec<(String, u64)>, StoreError> {
    let known: Vec<String> = query_scalar(
        "SELECT receiver FROM notice_receiver UNION SELECT receiver FROM notice UNION SELECT receiver FROM notice_told \
         ORDER BY receiver",
    )
    .fetch_all(&mut *c)
    .await?;
    let mut gone = Vec::new();
    for receiver in known.into_iter().filter(|receiver| !receivers.contains(receiver)) {
        let n_waiting =
            query("DELETE FROM notice WHERE receiver = $1").bind(&receiver).execute(&mut *c).await?;
        query("DELETE FROM notice_told WHERE receiver = $1").bind(&receiver).execute(&mut *c).await?;
        let had_begun =
            query("DELETE FROM notice_receiver WHERE receiver = $1").bind(&receiver).execute(&mut *c).await?;
        if had_begun > 0 {
            gone.push((receiver, n_waiting));
        }
    }
    Ok(gone)
}

/// What of a change is to go.
#[derive(Debug, Clone, Copy)]
pub(super) enum OfChanges<'a> {
    /// Tag and site, where the tag is this.
    Tagged(&'a str),
    /// Tag and site of this laptop.
    Laptop(&'a str),
    /// The site, where it is this.
    Site(&'a str),
}

impl OfChanges<'_> {
    fn word(&self) -> &str {
        let (Self::Tagged(word) | Self::Laptop(word) | Self::Site(word)) = self;
        word
    }

    /// The field that tells whether a change is meant, and those that go.
    const fn fields(&self) -> (&'static str, &'static [&'static str]) {
        match self {
            Self::Tagged(_) => ("asset_tag", &["asset_tag", "site"]),
            Self::Laptop(_) => ("device_id", &["asset_tag", "site"]),
            Self::Site(_) => ("site", &["site"]),
        }
    }
}

/// Erases places and tags from notices that wait; says how many notices had them.
pub(super) async fn erase_in_tx(c: &mut Connection, what: OfChanges<'_>) -> Result<usize, StoreError> {
    let rows = query("SELECT notice_row, body FROM notice WHERE replace(body, $1, '') <> body")
        .bind(json(what.word())?)
        .fetch_all(&mut *c)
        .await?;
    let mut n_erased = 0;
    for row in &rows {
        let Some(body) = without(row.try_get("body")?, what)? else { continue };
        query("UPDATE notice SET body = $1 WHERE notice_row = $2")
            .bind(body)
            .bind(row.try_get::<i64>("notice_row")?)
            .execute(&mut *c)
            .await?;
        n_erased += 1;
    }
    Ok(n_erased)
}

/// The body without it; `None`: it isn't there.
fn without(body: &str, what: OfChanges<'_>) -> Result<Option<String>, StoreError> {
    let corrupt = |e: serde_json::Error| StoreError::Corrupt { column: "notice.body", why: e.to_string() };
    let mut notice: serde_json::Value = serde_json::from_str(body).map_err(corrupt)?;
    let (field, goes) = what.fields();
    let mut is_there = false;
    for change in notice["changes"].as_array_mut().into_iter().flatten() {
        if change[field].as_str() == Some(what.word()) {
            for field in goes {
                is_there |= change[field] != "";
                change[field] = "".into();
            }
        }
    }
    is_there.then(|| serde_json::to_string(&notice).map_err(corrupt)).transpose()
}

/// As JSON. Both for a statement's bound lists, and for a text as it stands between quotes in stored JSON.
pub(super) fn json<T: serde::Serialize + ?Sized>(value: &T) -> Result<String, StoreError> {
    serde_json::to_string(value)
        .map_err(|e| StoreError::Corrupt { column: "notice_told.device_id", why: e.to_string() })
}

fn waiting_of(row: &Row) -> Result<WaitingNotice, StoreError> {
    Ok(WaitingNotice {
        row: row.try_get("notice_row")?,
        receiver: row.try_get("receiver")?,
        notice_id: row.try_get("notice_id")?,
        body: row.try_get("body")?,
        n_changes: row.try_get("n_changes")?,
        made_at_ms: row.try_get("made_at_ms")?,
        n_tries: row.try_get("n_tries")?,
        tried_at_ms: row.try_get("tried_at_ms")?,
        failure: row.try_get("failure")?,
    })
}

fn receiver_of(row: &Row) -> Result<StoredReceiver, StoreError> {
    let count = |column| row.try_get::<i64>(column).map(i64::cast_unsigned);
    Ok(StoredReceiver {
        receiver: row.try_get("receiver")?,
        begun_at_ms: row.try_get("begun_at_ms")?,
        n_waiting: count("n_waiting")?,
        n_sent: count("n_sent")?,
        n_given_up: count("n_given_up")?,
        last_sent_at_ms: row.try_get("last_sent_at_ms")?,
    })
}

impl NoticeStore for SqlStore {
    async fn notice_told_list(
        &self,
        receiver: String,
    ) -> Result<Option<HashMap<LaptopKey, String>>, StoreError> {
        let begun = query("SELECT 1 FROM notice_receiver WHERE receiver = $1")
            .bind(&receiver)
            .fetch_optional(&self.readers)
            .await?;
        if begun.is_none() {
            return Ok(None);
        }
        let rows = query("SELECT device_id, provenance, band FROM notice_told WHERE receiver = $1")
            .bind(&receiver)
            .fetch_all(&self.readers)
            .await?;
        let told =
            |row: &Row| Ok(((row.try_get("device_id")?, row.try_get("provenance")?), row.try_get("band")?));
        rows.iter().map(told).collect::<Result<_, StoreError>>().map(Some)
    }

    async fn notice_told_put(&self, receiver: String, told: Vec<ToldBand>) -> Result<(), StoreError> {
        self.write(|reply| Write::Notices(NoticeWrite::Told { receiver, told, reply })).await
    }

    async fn notice_begin(&self, receiver: String, now_ms: EpochMs) -> Result<(), StoreError> {
        self.write(|reply| Write::Notices(NoticeWrite::Begin { receiver, now_ms, reply })).await
    }

    async fn notice_put(&self, receiver: String, notice: NewNotice) -> Result<bool, StoreError> {
        self.write(|reply| Write::Notices(NoticeWrite::Put { receiver, notice, reply })).await
    }

    async fn notice_next(&self, receiver: String) -> Result<Option<WaitingNotice>, StoreError> {
        let row = query("SELECT * FROM notice WHERE receiver = $1 ORDER BY notice_row LIMIT 1")
            .bind(receiver)
            .fetch_optional(&self.readers)
            .await?;
        row.as_ref().map(waiting_of).transpose()
    }

    async fn notice_tried(&self, row: i64, now_ms: EpochMs, failure: String) -> Result<(), StoreError> {
        self.write(|reply| Write::Notices(NoticeWrite::Tried { row, now_ms, failure, reply })).await
    }

    async fn notice_end(&self, row: i64, end: NoticeEnd, now_ms: EpochMs) -> Result<(), StoreError> {
        self.write(|reply| Write::Notices(NoticeWrite::End { row, end, now_ms, reply })).await
    }

    async fn notice_receivers_keep(&self, receivers: Vec<String>) -> Result<Vec<(String, u64)>, StoreError> {
        self.write(|reply| Write::Notices(NoticeWrite::Keep(receivers, reply))).await
    }

    async fn notice_receiver_list(&self) -> Result<Vec<StoredReceiver>, StoreError> {
        let rows = query(
            "SELECT r.*, (SELECT count(*) FROM notice n WHERE n.receiver = r.receiver) AS n_waiting \
             FROM notice_receiver r ORDER BY r.receiver",
        )
        .fetch_all(&self.readers)
        .await?;
        rows.iter().map(receiver_of).collect()
    }
}
