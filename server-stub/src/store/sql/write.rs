//! The one writer: takes what waits, up to a group, writes it in one transaction, commits, and only then answers.
//!
//! Each unit of work stands in a savepoint, so that one that fails takes nothing of the others with it.

use std::collections::BTreeMap;

use tokio::sync::{mpsc, oneshot};
use windrow_model::record::Digest;
use windrow_model::record::chain::{Link, Neighbours, Stored, link_of};

use super::access::AccessWrite;
use super::db::{Connection, Pool, Row, query};
use super::dialect;
use super::facts::{FactWrite, check_came_in_tx, place_by_list_in_tx};
use super::judgements::JudgementWrite;
use super::ledger::{LedgerWrite, append_json_event, append_leaf};
use super::ledger_events::{DeviceEvent, EnrolmentEvent, Placing, ServiceEvent};
use super::notices::NoticeWrite;
use super::read::{digest_of, key_of};
use super::rounds::RoundsWrite;
use super::told;
use crate::ledger::leaf::LeafKind;
use crate::store::{
    Appended, Enrolled, EpochMs, ImportCount, NewDevice, NewInvite, NewMetrics, NewRecord, RunFacts, Service,
    StoreError,
};

/// Runs a unit of work inside a savepoint and undoes it where it fails.
macro_rules! in_savepoint {
    ($connection:expr, $work:expr) => {{
        match crate::store::sql::db::query("SAVEPOINT unit").execute(&mut *$connection).await {
            Err(e) => Err(StoreError::from(e)),
            Ok(_) => {
                let result = $work.await;
                if result.is_err() {
                    let _ = crate::store::sql::db::query("ROLLBACK TO unit").execute(&mut *$connection).await;
                }
                match crate::store::sql::db::query("RELEASE unit").execute(&mut *$connection).await {
                    Err(e) if result.is_ok() => Err(StoreError::from(e)),
                    _ => result,
                }
            }
        }
    }};
}
pub(super) use in_savepoint;

/// Most units of work in one commit. Beyond this the time to commit no longer matters, the wait for it does.
const MAX_GROUP: usize = 64;

pub(super) type Reply<T> = oneshot::Sender<Result<T, StoreError>>;

/// A unit of work that waits for the writer.
pub(super) enum Write {
    Invite(NewInvite, Reply<()>),
    Enrol(NewDevice, Reply<Enrolled>),
    Revoke {
        device_id: String,
        now_ms: EpochMs,
        reply: Reply<bool>,
    },
    Append(Vec<NewRecord>, Reply<Vec<Appended>>),
    Import(Vec<RunFacts>, Reply<ImportCount>),
    Services {
        services: Vec<Service>,
        now_ms: EpochMs,
        reply: Reply<ImportCount>,
    },
    Metrics {
        method_version: &'static str,
        metrics: Vec<NewMetrics>,
        reply: Reply<()>,
    },
    ForgetMetrics {
        method_version: &'static str,
        reply: Reply<u64>,
    },
    Refusal {
        reason: &'static str,
        reply: Reply<()>,
    },
    Access(AccessWrite),
    Facts(FactWrite),
    Judgements(JudgementWrite),
    Ledger(LedgerWrite),
    Notices(NoticeWrite),
    Rounds(RoundsWrite),
    Probe(Reply<()>),
    /// Not in a transaction: it ends the group before it.
    Compact(Reply<()>),
    /// The last job: what was sent before it is done, what comes later is refused.
    Close(Reply<()>),
}

/// An answer held back until the group is durable. `Some`: the commit failed.
pub(super) type HeldAnswer = Box<dyn FnOnce(Option<StoreError>) + Send>;

pub(super) fn hold<T: Send + 'static>(reply: Reply<T>, result: Result<T, StoreError>) -> HeldAnswer {
    Box::new(move |commit_error| {
        // A caller that went away has no use for the answer; its work is done all the same.
        let _ = reply.send(commit_error.map_or(result, Err));
    })
}

/// Takes jobs until it is told to close. `pool` gives one connection, which is the writer's.
pub(super) async fn run(pool: Pool, mut jobs: mpsc::Receiver<Write>) {
    let mut group = Vec::with_capacity(MAX_GROUP);
    let mut closed: Option<Reply<()>> = None;
    let mut held = None;
    while closed.is_none() && jobs.recv_many(&mut group, MAX_GROUP).await > 0 {
        if let Some(last) = group.iter().position(|job| matches!(job, Write::Close(_))) {
            group.truncate(last + 1);
            if let Some(Write::Close(reply)) = group.pop() {
                closed = Some(reply);
            }
        }
        while let Some(at) = group.iter().position(|job| matches!(job, Write::Compact(_))) {
            write_group(&pool, &mut held, group.drain(..at)).await;
            if let Write::Compact(reply) = group.remove(0) {
                // A caller that went away has no use for the answer.
                let _ = reply.send(compact(&pool, &mut held).await);
            }
        }
        write_group(&pool, &mut held, group.drain(..)).await;
    }
    // SQLite moves its log into the file here; failing that, the next start does it.
    drop(held);
    pool.close().await;
    if let Some(reply) = closed {
        let _ = reply.send(Ok(()));
    }
}

/// Rewrites the database from its rows alone: pages that were split or moved before an erasure may keep copies of what was
/// erased.
async fn compact(pool: &Pool, held: &mut Option<Connection>) -> Result<(), StoreError> {
    if held.is_none() {
        *held = Some(pool.acquire().await?);
    }
    match held {
        Some(connection) => dialect::compact(connection).await,
        None => Err(StoreError::Closing),
    }
}

/// Why a group was not written.
enum Unwritten {
    Busy,
    Failed(String),
}

impl Unwritten {
    fn of(error: &sqlx::Error) -> Self {
        if dialect::is_busy(error) { Self::Busy } else { Self::Failed(error.to_string()) }
    }

    fn error(&self) -> StoreError {
        match self {
            Self::Busy => StoreError::Busy,
            Self::Failed(why) => StoreError::Database(sqlx::Error::Protocol(why.clone())),
        }
    }
}

async fn write_group(
    pool: &Pool,
    held: &mut Option<Connection>,
    group: impl ExactSizeIterator<Item = Write>,
) {
    if group.len() == 0 {
        return;
    }
    let mut answers = Vec::with_capacity(MAX_GROUP);
    let committed = match begin(pool, held).await {
        Ok(connection) => {
            for job in group {
                answers.push(write_one(connection, job).await);
            }
            dialect::commit(connection).await
        }
        Err(e) => {
            answers.extend(group.map(answer_unwritten));
            Err(e)
        }
    };
    if let Err(e) = &committed {
        tracing::error!(error = %e, n_units = answers.len(), "the database did not commit; nothing was acknowledged");
        // With the connection goes what was not committed.
        abandon(held);
    }
    let failure = committed.err().as_ref().map(Unwritten::of);
    for answer in answers {
        answer(failure.as_ref().map(Unwritten::error));
    }
}

/// Begins on the connection that is held, or on a fresh one where there is none or a server has gone away from it.
async fn begin<'c>(pool: &Pool, held: &'c mut Option<Connection>) -> Result<&'c mut Connection, sqlx::Error> {
    if let Some(connection) = held {
        match dialect::begin_writing(connection).await {
            Ok(()) => {}
            Err(e) if dialect::is_busy(&e) => return Err(e),
            Err(_) => abandon(held),
        }
    }
    if held.is_none() {
        let mut connection = pool.acquire().await?;
        if let Err(e) = dialect::begin_writing(&mut connection).await {
            connection.abandon();
            return Err(e);
        }
        *held = Some(connection);
    }
    held.as_mut().ok_or(sqlx::Error::WorkerCrashed)
}

fn abandon(held: &mut Option<Connection>) {
    if let Some(connection) = held.take() {
        connection.abandon();
    }
}

fn answer_unwritten(job: Write) -> HeldAnswer {
    let not_begun = || StoreError::Database(sqlx::Error::WorkerCrashed);
    match job {
        Write::Invite(_, r)
        | Write::Probe(r)
        | Write::Compact(r)
        | Write::Close(r)
        | Write::Metrics { reply: r, .. }
        | Write::Refusal { reply: r, .. } => hold(r, Err(not_begun())),
        Write::Enrol(_, r) => hold(r, Err(not_begun())),
        Write::Revoke { reply: r, .. } => hold(r, Err(not_begun())),
        Write::Append(_, r) => hold(r, Err(not_begun())),
        Write::Import(_, r) | Write::Services { reply: r, .. } => hold(r, Err(not_begun())),
        Write::ForgetMetrics { reply: r, .. } => hold(r, Err(not_begun())),
        Write::Access(work) => work.refuse(not_begun()),
        Write::Facts(work) => work.refuse(not_begun()),
        Write::Judgements(work) => work.refuse(not_begun()),
        Write::Ledger(write) => write.refuse(not_begun()),
        Write::Notices(work) => work.refuse(not_begun()),
        Write::Rounds(work) => work.refuse(not_begun()),
    }
}

async fn write_one(connection: &mut Connection, job: Write) -> HeldAnswer {
    match job {
        Write::Invite(invite, reply) => {
            hold(reply, in_savepoint!(connection, invite_create_in_tx(connection, &invite)))
        }
        Write::Enrol(device, reply) => {
            hold(reply, in_savepoint!(connection, device_enrol_in_tx(connection, &device)))
        }
        Write::Revoke { device_id, now_ms, reply } => {
            hold(reply, in_savepoint!(connection, device_revoke_in_tx(connection, &device_id, now_ms)))
        }
        Write::Append(records, reply) => {
            hold(reply, in_savepoint!(connection, record_append_in_tx(connection, &records)))
        }
        Write::Import(runs, reply) => {
            hold(reply, in_savepoint!(connection, run_import_in_tx(connection, &runs)))
        }
        Write::Services { services, now_ms, reply } => {
            hold(reply, in_savepoint!(connection, service_import_in_tx(connection, &services, now_ms)))
        }
        Write::Metrics { method_version, metrics, reply } => {
            hold(reply, in_savepoint!(connection, metrics_put_in_tx(connection, method_version, &metrics)))
        }
        Write::ForgetMetrics { method_version, reply } => {
            hold(reply, in_savepoint!(connection, metrics_forget_in_tx(connection, method_version)))
        }
        Write::Refusal { reason, reply } => {
            hold(reply, in_savepoint!(connection, refusal_count_in_tx(connection, reason)))
        }
        Write::Access(work) => work.run(connection).await,
        Write::Facts(work) => work.run(connection).await,
        Write::Judgements(work) => work.run(connection).await,
        Write::Ledger(write) => write.run(connection).await,
        Write::Notices(work) => work.run(connection).await,
        Write::Rounds(work) => work.run(connection).await,
        Write::Probe(reply) | Write::Compact(reply) | Write::Close(reply) => hold(reply, Ok(())),
    }
}

async fn invite_create_in_tx(c: &mut Connection, invite: &NewInvite) -> Result<(), StoreError> {
    query(
        "INSERT INTO invite (token_hash, site, place, asset_tag, uses_left, created_at_ms, expires_at_ms) \
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(&invite.token_hash.0[..])
    .bind(&invite.site)
    .bind(&invite.place)
    .bind(&invite.asset_tag)
    .bind(invite.uses)
    .bind(invite.created_at_ms)
    .bind(invite.expires_at_ms)
    .execute(c)
    .await?;
    Ok(())
}

async fn device_enrol_in_tx(c: &mut Connection, device: &NewDevice) -> Result<Enrolled, StoreError> {
    let known = query("SELECT public_key, revoked_at_ms FROM device WHERE device_id = $1")
        .bind(&device.device_id)
        .fetch_optional(&mut *c)
        .await?;
    if let Some(row) = known {
        let revoked: Option<EpochMs> = row.try_get("revoked_at_ms")?;
        let same_key = key_of(row.try_get("public_key")?)?.to_bytes() == device.public_key.to_bytes();
        return Ok(match (same_key, revoked) {
            (false, _) => Enrolled::OtherKey,
            (true, Some(_)) => Enrolled::Revoked,
            (true, None) => Enrolled::Known,
        });
    }
    let invite = query(
        "SELECT invite_id, site, place, asset_tag, expires_at_ms FROM invite \
         WHERE token_hash = $1 AND uses_left > 0",
    )
    .bind(&device.token_hash.0[..])
    .fetch_optional(&mut *c)
    .await?;
    let Some(invite) = invite else { return Ok(Enrolled::NoInvite) };
    if invite.try_get::<EpochMs>("expires_at_ms")? < device.now_ms {
        return Ok(Enrolled::InviteExpired);
    }
    query("UPDATE invite SET uses_left = uses_left - 1 WHERE invite_id = $1")
        .bind(invite.try_get::<i64>("invite_id")?)
        .execute(&mut *c)
        .await?;
    query("INSERT INTO device (device_id, public_key, enrolled_at_ms) VALUES ($1, $2, $3)")
        .bind(&device.device_id)
        .bind(&device.public_key.to_bytes()[..])
        .bind(device.now_ms)
        .execute(&mut *c)
        .await?;
    let placing = Placing {
        asset_tag: invite.try_get("asset_tag")?,
        place: invite.try_get("place")?,
        site: invite.try_get("site")?,
    };
    let commitment = placing.commit()?;
    let event = EnrolmentEvent {
        device_id: &device.device_id,
        public_key: device.public_key.to_hex(),
        placing_commitment: commitment.digest.to_hex(),
    };
    append_json_event(c, LeafKind::Enrolment, &event, device.now_ms).await?;
    query(
        "INSERT INTO \"placing\" (device_id, from_ms, asset_tag, site, place, salt) VALUES ($1, $2, $3, $4, $5, $6)",
    )
    .bind(&device.device_id)
    .bind(device.now_ms)
    .bind(&placing.asset_tag)
    .bind(placing.site)
    .bind(placing.place)
    .bind(&commitment.salt[..])
    .execute(&mut *c)
    .await?;
    place_by_list_in_tx(c, &placing.asset_tag, device.now_ms).await?;
    Ok(Enrolled::New)
}

async fn device_revoke_in_tx(
    c: &mut Connection,
    device_id: &str,
    now_ms: EpochMs,
) -> Result<bool, StoreError> {
    let done = query("UPDATE device SET revoked_at_ms = $1 WHERE device_id = $2 AND revoked_at_ms IS NULL")
        .bind(now_ms)
        .bind(device_id)
        .execute(&mut *c)
        .await?;
    if done > 0 {
        append_json_event(c, LeafKind::Revocation, &DeviceEvent { device_id }, now_ms).await?;
        return Ok(true);
    }
    let known = query("SELECT 1 FROM device WHERE device_id = $1").bind(device_id).fetch_optional(c).await?;
    Ok(known.is_some())
}

async fn record_append_in_tx(c: &mut Connection, records: &[NewRecord]) -> Result<Vec<Appended>, StoreError> {
    let mut answers = Vec::with_capacity(records.len());
    for record in records {
        answers.push(append_one_in_tx(c, record).await?);
    }
    Ok(answers)
}

async fn append_one_in_tx(c: &mut Connection, record: &NewRecord) -> Result<Appended, StoreError> {
    if run_is_known(c, record.facts.digest).await? {
        return Ok(Appended::Known);
    }
    let me = Stored { sequence: record.sequence, digest: record.facts.digest, previous: record.previous };
    let link = link_of(&me, record.root, &neighbours_in_tx(c, &record.facts.device_id, &me).await?);
    run_insert(c, &record.facts, Some((record, link))).await?;
    relink_next_in_tx(c, record).await?;
    append_leaf(c, LeafKind::Record, record.facts.digest, record.facts.received_at_ms).await?;
    check_came_in_tx(c, record).await?;
    Ok(Appended::Stored { link: link.name() })
}

/// A record that came late may close the gap before the next one, or show that the next is a fork.
async fn relink_next_in_tx(c: &mut Connection, record: &NewRecord) -> Result<(), StoreError> {
    let device_id = &record.facts.device_id;
    let next = query(
        "SELECT sequence, digest, previous_digest FROM run WHERE device_id = $1 AND sequence > $2 \
         ORDER BY sequence, run_id LIMIT 1",
    )
    .bind(device_id)
    .bind(record.sequence.cast_signed())
    .fetch_optional(&mut *c)
    .await?;
    let Some(next) = next.as_ref().map(stored_link).transpose()? else { return Ok(()) };
    let link = link_of(&next, record.root, &neighbours_in_tx(c, device_id, &next).await?);
    query("UPDATE run SET link = $1 WHERE digest = $2")
        .bind(link.name())
        .bind(next.digest.0.to_vec())
        .execute(c)
        .await?;
    Ok(())
}

async fn run_is_known(c: &mut Connection, digest: Digest) -> Result<bool, StoreError> {
    let row = query("SELECT 1 FROM run WHERE digest = $1").bind(digest.0.to_vec()).fetch_optional(c).await?;
    Ok(row.is_some())
}

async fn neighbours_in_tx(
    c: &mut Connection,
    device_id: &str,
    me: &Stored,
) -> Result<Neighbours, StoreError> {
    let sequence = me.sequence.cast_signed();
    // Where a chain has forked, the branch that this record names, or that names it, is its own.
    let before = query(
        "SELECT sequence, digest, previous_digest FROM run WHERE device_id = $1 AND sequence < $2 \
         ORDER BY sequence DESC, digest = $3 DESC, run_id LIMIT 1",
    )
    .bind(device_id)
    .bind(sequence)
    .bind(me.previous.0.to_vec())
    .fetch_optional(&mut *c)
    .await?;
    let same = query(
        "SELECT sequence, digest, previous_digest FROM run WHERE device_id = $1 AND sequence = $2 AND digest <> $3 LIMIT 1",
    )
    .bind(device_id)
    .bind(sequence)
    .bind(me.digest.0.to_vec())
    .fetch_optional(&mut *c)
    .await?;
    let next = query(
        "SELECT sequence, digest, previous_digest FROM run WHERE device_id = $1 AND sequence = $2 \
         ORDER BY previous_digest = $3 DESC, run_id LIMIT 1",
    )
    .bind(device_id)
    .bind(sequence.saturating_add(1))
    .bind(me.digest.0.to_vec())
    .fetch_optional(c)
    .await?;
    let stored = |row: Option<Row>| row.as_ref().map(stored_link).transpose();
    Ok(Neighbours { before: stored(before)?, same: stored(same)?, next: stored(next)? })
}

fn stored_link(row: &Row) -> Result<Stored, StoreError> {
    Ok(Stored {
        sequence: row.try_get::<i64>("sequence")?.cast_unsigned(),
        digest: digest_of(row.try_get("digest")?, "run.digest")?,
        previous: digest_of(row.try_get("previous_digest")?, "run.previous_digest")?,
    })
}

async fn run_insert(
    c: &mut Connection,
    facts: &RunFacts,
    signed: Option<(&NewRecord, Link)>,
) -> Result<(), StoreError> {
    query(
        "INSERT INTO run (device_id, digest, provenance, sequence, previous_digest, link, header, trace, model_key, \
           model_name, site, load_mix, protocol, outcome, channels, ambient_c, ambient_sd_k, on_ac, tested_at_ms, received_at_ms, \
           firmware) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21)",
    )
    .bind(&facts.device_id)
    .bind(&facts.digest.0[..])
    .bind(facts.provenance)
    .bind(signed.map(|(r, _)| r.sequence.cast_signed()))
    .bind(signed.map(|(r, _)| &r.previous.0[..]))
    .bind(signed.map(|(_, link)| link.name()))
    .bind(signed.map(|(r, _)| &r.header_json[..]))
    .bind(&facts.trace_zstd)
    .bind(&facts.model_key)
    .bind(&facts.model_name)
    .bind(&facts.site)
    .bind(&facts.load_mix)
    .bind(&facts.protocol)
    .bind(&facts.outcome)
    .bind(&facts.channels)
    .bind(facts.ambient_c)
    .bind(facts.ambient_sd_k)
    .bind(facts.on_ac)
    .bind(facts.tested_at_ms)
    .bind(facts.received_at_ms)
    .bind(&facts.firmware)
    .execute(c)
    .await?;
    Ok(())
}

async fn run_import_in_tx(c: &mut Connection, runs: &[RunFacts]) -> Result<ImportCount, StoreError> {
    let mut count = ImportCount::default();
    let mut laptops: BTreeMap<&str, EpochMs> = BTreeMap::new();
    for facts in runs {
        if run_is_known(c, facts.digest).await? {
            count.n_known += 1;
        } else {
            run_insert(c, facts, None).await?;
            append_leaf(c, LeafKind::ImportedRun, facts.digest, facts.received_at_ms).await?;
            laptops.insert(&facts.device_id, facts.received_at_ms);
            count.n_new += 1;
        }
    }
    for (device_id, now_ms) in laptops {
        place_by_list_in_tx(c, device_id, now_ms).await?;
    }
    Ok(count)
}

async fn service_import_in_tx(
    c: &mut Connection,
    services: &[Service],
    now_ms: EpochMs,
) -> Result<ImportCount, StoreError> {
    let mut count = ImportCount::default();
    for service in services {
        let done = query(
            "INSERT INTO service (device_id, serviced_on, action) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
        )
        .bind(&service.device_id)
        .bind(service.serviced_on.to_string())
        .bind(service.action.name())
        .execute(&mut *c)
        .await?;
        if done > 0 {
            let event = ServiceEvent {
                device_id: &service.device_id,
                serviced_on: service.serviced_on.to_string(),
                action: service.action.name(),
            };
            append_json_event(c, LeafKind::Service, &event, now_ms).await?;
            count.n_new += 1;
        } else {
            count.n_known += 1;
        }
    }
    Ok(count)
}

async fn metrics_put_in_tx(
    c: &mut Connection,
    method_version: &str,
    metrics: &[NewMetrics],
) -> Result<(), StoreError> {
    for m in metrics {
        query(
            "INSERT INTO run_metrics (run_id, method_version, metrics, agrees, computed_at_ms) \
             VALUES ($1, $2, $3, $4, $5) ON CONFLICT (run_id, method_version) DO UPDATE SET \
             metrics = excluded.metrics, agrees = excluded.agrees, computed_at_ms = excluded.computed_at_ms",
        )
        .bind(m.run_id)
        .bind(method_version)
        .bind(&m.metrics_json)
        .bind(m.agrees)
        .bind(m.computed_at_ms)
        .execute(&mut *c)
        .await?;
        told::put_in_tx(c, m.run_id, method_version, &m.metrics_json).await?;
    }
    Ok(())
}

async fn metrics_forget_in_tx(c: &mut Connection, method_version: &str) -> Result<u64, StoreError> {
    query("DELETE FROM run_told WHERE method_version = $1").bind(method_version).execute(&mut *c).await?;
    let done =
        query("DELETE FROM run_metrics WHERE method_version = $1").bind(method_version).execute(c).await?;
    Ok(done)
}

async fn refusal_count_in_tx(c: &mut Connection, reason: &str) -> Result<(), StoreError> {
    query(
        "INSERT INTO refusal_count (reason, n) VALUES ($1, 1) ON CONFLICT (reason) DO UPDATE SET n = refusal_count.n + 1",
    )
    .bind(reason)
    .execute(c)
    .await?;
    Ok(())
}
