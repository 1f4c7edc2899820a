//! What judging reads and keeps, in SQL.

use windrow_model::record::Digest;

use super::SqlStore;
use super::db::{Connection, Row, query};
use super::read::{digest_of, json_of};
use super::write::{HeldAnswer, Reply, Write, hold, in_savepoint};
use crate::store::StoreError;
use crate::store::judgements::{JudgementStore, StoredEvidence, StoredStanding, StoredTrace};

/// Writes of this room.
pub(super) enum JudgementWrite {
    Put { version: String, standings: Vec<StoredStanding>, evidence: Vec<StoredEvidence>, reply: Reply<()> },
    Forget(Reply<()>),
}

impl JudgementWrite {
    pub(super) fn refuse(self, why: StoreError) -> HeldAnswer {
        match self {
            Self::Put { reply, .. } | Self::Forget(reply) => hold(reply, Err(why)),
        }
    }

    pub(super) async fn run(self, c: &mut Connection) -> HeldAnswer {
        match self {
            Self::Put { version, standings, evidence, reply } => {
                hold(reply, in_savepoint!(c, put_in_tx(c, &version, &standings, &evidence)))
            }
            Self::Forget(reply) => hold(reply, in_savepoint!(c, forget_in_tx(c))),
        }
    }
}

async fn put_in_tx(
    c: &mut Connection,
    version: &str,
    standings: &[StoredStanding],
    evidence: &[StoredEvidence],
) -> Result<(), StoreError> {
    for standing in standings {
        query(
            "INSERT INTO model_standing (version, provenance, model_key, digest, standing) VALUES ($1, $2, $3, $4, $5) \
             ON CONFLICT (version, provenance, model_key) DO UPDATE SET digest = excluded.digest, standing = excluded.standing",
        )
        .bind(version)
        .bind(&standing.provenance)
        .bind(&standing.model_key)
        .bind(&standing.digest.0[..])
        .bind(&standing.standing_json)
        .execute(&mut *c)
        .await?;
    }
    for run in evidence {
        let (digest, json) = run.made.as_ref().map_or((None, None), |(d, json)| (Some(&d.0[..]), Some(json)));
        query(
            "INSERT INTO run_evidence (run_id, version, standing, evidence) VALUES ($1, $2, $3, $4) \
             ON CONFLICT (run_id, version) DO UPDATE SET standing = excluded.standing, evidence = excluded.evidence",
        )
        .bind(run.run_id)
        .bind(version)
        .bind(digest)
        .bind(json)
        .execute(&mut *c)
        .await?;
    }
    Ok(())
}

async fn forget_in_tx(c: &mut Connection) -> Result<(), StoreError> {
    query("DELETE FROM run_evidence").execute(&mut *c).await?;
    query("DELETE FROM model_standing").execute(&mut *c).await?;
    Ok(())
}

fn stored_evidence(row: &Row) -> Result<StoredEvidence, StoreError> {
    let standing: Option<&[u8]> = row.try_get("standing")?;
    let made = match (standing, row.try_get("evidence")?) {
        (Some(digest), Some(json)) => Some((digest_of(digest, "run_evidence.standing")?, json)),
        _ => None,
    };
    Ok(StoredEvidence { run_id: row.try_get("run_id")?, made })
}

impl JudgementStore for SqlStore {
    async fn trace_list(&self, run_ids: Vec<i64>) -> Result<Vec<StoredTrace>, StoreError> {
        let trace =
            |row: &Row| Ok(StoredTrace { run_id: row.try_get("run_id")?, trace_zstd: row.try_get("trace")? });
        query(
            "SELECT run_id, trace FROM run WHERE run_id IN (SELECT CAST(value AS BIGINT) FROM json_each($1)) AND outcome <> 'not_started' \
             ORDER BY run_id",
        )
        .on_postgres(
            "SELECT run_id, trace FROM run WHERE run_id IN (SELECT value::BIGINT FROM json_array_elements_text($1::JSON)) \
             AND outcome <> 'not_started' ORDER BY run_id",
        )
        .bind(json_of(&run_ids)?)
        .fetch_each(&self.readers, trace)
        .await
    }

    async fn standing_list(&self, version: String) -> Result<Vec<StoredStanding>, StoreError> {
        let rows =
            query("SELECT provenance, model_key, digest, standing FROM model_standing WHERE version = $1")
                .bind(version)
                .fetch_all(&self.readers)
                .await?;
        rows.iter()
            .map(|row| {
                Ok(StoredStanding {
                    provenance: row.try_get("provenance")?,
                    model_key: row.try_get("model_key")?,
                    digest: digest_of(row.try_get("digest")?, "model_standing.digest")?,
                    standing_json: row.try_get("standing")?,
                })
            })
            .collect()
    }

    async fn evidence_list(
        &self,
        version: String,
        after_run_id: i64,
        limit: u32,
    ) -> Result<Vec<StoredEvidence>, StoreError> {
        query(
            "SELECT run_id, standing, evidence FROM run_evidence WHERE run_id > $1 AND version = $2 \
             ORDER BY run_id LIMIT $3",
        )
        .bind(after_run_id)
        .bind(version)
        .bind(limit)
        .fetch_each(&self.readers, stored_evidence)
        .await
    }

    async fn evidence_list_made(
        &self,
        version: String,
        after_run_id: i64,
        limit: u32,
    ) -> Result<Vec<(i64, Option<Digest>)>, StoreError> {
        let made = |row: &Row| {
            let standing: Option<&[u8]> = row.try_get("standing")?;
            let digest = standing.map(|digest| digest_of(digest, "run_evidence.standing")).transpose()?;
            Ok((row.try_get("run_id")?, digest))
        };
        query(
            "SELECT run_id, standing FROM run_evidence WHERE run_id > $1 AND version = $2 ORDER BY run_id LIMIT $3",
        )
        .bind(after_run_id)
        .bind(version)
        .bind(limit)
        .fetch_each(&self.readers, made)
        .await
    }

    async fn evidence_get(
        &self,
        version: String,
        run_ids: Vec<i64>,
    ) -> Result<Vec<StoredEvidence>, StoreError> {
        query(
            "SELECT run_id, standing, evidence FROM run_evidence \
             WHERE run_id IN (SELECT CAST(value AS BIGINT) FROM json_each($1)) AND version = $2",
        )
        .on_postgres(
            "SELECT run_id, standing, evidence FROM run_evidence \
             WHERE run_id IN (SELECT value::BIGINT FROM json_array_elements_text($1::JSON)) AND version = $2",
        )
        .bind(json_of(&run_ids)?)
        .bind(version)
        .fetch_each(&self.readers, stored_evidence)
        .await
    }

    async fn evidence_list_of_laptop(
        &self,
        version: String,
        device_id: String,
        provenance: String,
        model_key: String,
    ) -> Result<Vec<StoredEvidence>, StoreError> {
        query(
            "SELECT e.run_id, e.standing, e.evidence FROM run r \
             JOIN run_evidence e ON e.run_id = r.run_id AND e.version = $1 \
             WHERE r.device_id = $2 AND r.provenance = $3 AND r.model_key = $4",
        )
        .bind(version)
        .bind(device_id)
        .bind(provenance)
        .bind(model_key)
        .fetch_each(&self.readers, stored_evidence)
        .await
    }

    async fn judgement_put(
        &self,
        version: String,
        standings: Vec<StoredStanding>,
        evidence: Vec<StoredEvidence>,
    ) -> Result<(), StoreError> {
        self.write(|reply| Write::Judgements(JudgementWrite::Put { version, standings, evidence, reply }))
            .await
    }

    async fn judgement_forget(&self) -> Result<(), StoreError> {
        self.write(|reply| Write::Judgements(JudgementWrite::Forget(reply))).await
    }
}
