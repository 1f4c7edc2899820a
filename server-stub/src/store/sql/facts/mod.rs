//! What people say of laptops, in SQL: one file a noun.

mod erasure;
mod laptops;
mod marks;
mod scope;
mod visits;

use serde::Serialize;
use windrow_model::record::canonical;

use super::SqlStore;
use super::write::{HeldAnswer, Reply, Write, hold, in_savepoint};
use crate::ledger::leaf::Commitment;
use crate::store::facts::{
    Actor, Erased, Erasing, FactStore, Laptop, Mark, MarkKind, Marked, Merged, NewMark, NewVisit, ScopeCount,
    ScopeDeed, ScopeDone, ScopeEntry, ScopeVersion, Succession, Visit, VisitLogged,
};
use crate::store::sql::db::{Connection, Row};
use crate::store::{EpochMs, StoreError};

pub(super) use laptops::succession_claim;
pub(super) use marks::{check_came_in_tx, mark_claims};
pub(super) use scope::{place_by_list_in_tx, scope_claim};
pub(super) use visits::visit_claim;

/// A unit of work on facts.
pub(super) enum FactWrite {
    Import { entries: Vec<ScopeEntry>, actor: Actor, now_ms: EpochMs, reply: Reply<ScopeCount> },
    Scope { tag: String, deed: ScopeDeed, actor: Actor, now_ms: EpochMs, reply: Reply<ScopeDone> },
    Merge { old: String, new: String, actor: Actor, now_ms: EpochMs, reply: Reply<Merged> },
    Visit(NewVisit, Reply<VisitLogged>),
    Erase { what: Erasing, actor: Actor, now_ms: EpochMs, reply: Reply<Erased> },
    Mark(NewMark, Reply<Marked>),
    Unmark { device_id: String, kind: MarkKind, actor: Actor, now_ms: EpochMs, reply: Reply<bool> },
}

impl FactWrite {
    pub(super) fn refuse(self, why: StoreError) -> HeldAnswer {
        match self {
            Self::Import { reply, .. } => hold(reply, Err(why)),
            Self::Scope { reply, .. } => hold(reply, Err(why)),
            Self::Merge { reply, .. } => hold(reply, Err(why)),
            Self::Visit(_, reply) => hold(reply, Err(why)),
            Self::Mark(_, reply) => hold(reply, Err(why)),
            Self::Erase { reply, .. } => hold(reply, Err(why)),
            Self::Unmark { reply, .. } => hold(reply, Err(why)),
        }
    }

    pub(super) async fn run(self, c: &mut Connection) -> HeldAnswer {
        match self {
            Self::Import { entries, actor, now_ms, reply } => {
                hold(reply, in_savepoint!(c, scope::import_in_tx(c, &entries, actor, now_ms)))
            }
            Self::Scope { tag, deed, actor, now_ms, reply } => {
                hold(reply, in_savepoint!(c, scope::change_in_tx(c, &tag, &deed, actor, now_ms)))
            }
            Self::Merge { old, new, actor, now_ms, reply } => {
                hold(reply, in_savepoint!(c, laptops::merge_in_tx(c, &old, &new, actor, now_ms)))
            }
            Self::Visit(visit, reply) => hold(reply, in_savepoint!(c, visits::log_in_tx(c, &visit))),
            Self::Erase { what, actor, now_ms, reply } => {
                hold(reply, in_savepoint!(c, erasure::erase_in_tx(c, &what, actor, now_ms)))
            }
            Self::Mark(mark, reply) => hold(reply, in_savepoint!(c, marks::set_in_tx(c, &mark))),
            Self::Unmark { device_id, kind, actor, now_ms, reply } => {
                hold(reply, in_savepoint!(c, marks::end_in_tx(c, &device_id, kind, actor, now_ms)))
            }
        }
    }
}

impl FactStore for SqlStore {
    async fn laptop_find(&self, key: String) -> Result<Vec<String>, StoreError> {
        laptops::find(&self.readers, &key).await
    }

    async fn laptop_get(&self, device_id: String) -> Result<Option<Laptop>, StoreError> {
        Ok(laptops::list(&self.readers, Some(&device_id)).await?.pop())
    }

    async fn laptop_list(&self) -> Result<Vec<Laptop>, StoreError> {
        laptops::list(&self.readers, None).await
    }

    async fn scope_import(
        &self,
        entries: Vec<ScopeEntry>,
        actor: Actor,
        now_ms: EpochMs,
    ) -> Result<ScopeCount, StoreError> {
        self.write(|reply| Write::Facts(FactWrite::Import { entries, actor, now_ms, reply })).await
    }

    async fn scope_change(
        &self,
        tag: String,
        deed: ScopeDeed,
        actor: Actor,
        now_ms: EpochMs,
    ) -> Result<ScopeDone, StoreError> {
        self.write(|reply| Write::Facts(FactWrite::Scope { tag, deed, actor, now_ms, reply })).await
    }

    async fn laptop_merge(
        &self,
        old: String,
        new: String,
        actor: Actor,
        now_ms: EpochMs,
    ) -> Result<Merged, StoreError> {
        self.write(|reply| Write::Facts(FactWrite::Merge { old, new, actor, now_ms, reply })).await
    }

    async fn laptop_past(&self, device_id: String) -> Result<Vec<Succession>, StoreError> {
        laptops::past(&self.readers, device_id).await
    }

    async fn scope_list(&self) -> Result<Vec<ScopeEntry>, StoreError> {
        scope::list(&self.readers).await
    }

    async fn scope_history(&self, tag: String) -> Result<Vec<ScopeVersion>, StoreError> {
        scope::history(&self.readers, &tag).await
    }

    async fn visit_log(&self, visit: NewVisit) -> Result<VisitLogged, StoreError> {
        self.write(|reply| Write::Facts(FactWrite::Visit(visit, reply))).await
    }

    async fn visit_list(
        &self,
        device_id: Option<String>,
        after_visit_id: i64,
        limit: u32,
    ) -> Result<Vec<Visit>, StoreError> {
        visits::list(&self.readers, device_id.as_deref(), after_visit_id, limit).await
    }

    async fn serviced_since(&self, since_ms: EpochMs) -> Result<Vec<String>, StoreError> {
        visits::serviced_since(&self.readers, since_ms).await
    }

    async fn text_erase(&self, what: Erasing, actor: Actor, now_ms: EpochMs) -> Result<Erased, StoreError> {
        self.write(|reply| Write::Facts(FactWrite::Erase { what, actor, now_ms, reply })).await
    }

    async fn mark_set(&self, mark: NewMark) -> Result<Marked, StoreError> {
        self.write(|reply| Write::Facts(FactWrite::Mark(mark, reply))).await
    }

    async fn mark_end(
        &self,
        device_id: String,
        kind: MarkKind,
        actor: Actor,
        now_ms: EpochMs,
    ) -> Result<bool, StoreError> {
        self.write(|reply| Write::Facts(FactWrite::Unmark { device_id, kind, actor, now_ms, reply })).await
    }

    async fn mark_list(&self, device_id: Option<String>, now_ms: EpochMs) -> Result<Vec<Mark>, StoreError> {
        marks::list(&self.readers, device_id.as_deref(), now_ms).await
    }
}

/// A commitment to free texts, over the canonical form of the struct that holds them.
pub(super) fn commit(texts: &impl Serialize) -> Result<Commitment, StoreError> {
    let corrupt = |why: String| StoreError::Corrupt { column: "free text", why };
    let bytes = canonical::to_bytes(texts).map_err(|e| corrupt(e.to_string()))?;
    let text = std::str::from_utf8(&bytes).map_err(|e| corrupt(e.to_string()))?;
    Commitment::new(text).map_err(|e| StoreError::NoRandomness(e.to_string()))
}

/// The commitment that a stored salt and texts give, hex; empty where the salt is gone or is none.
pub(super) fn committed(salt: Option<&[u8]>, texts: &impl Serialize) -> Result<String, StoreError> {
    let corrupt = |why: String| StoreError::Corrupt { column: "free text", why };
    let Some(salt) = salt.and_then(|salt| salt.try_into().ok()) else { return Ok(String::new()) };
    let bytes = canonical::to_bytes(texts).map_err(|e| corrupt(e.to_string()))?;
    let text = std::str::from_utf8(&bytes).map_err(|e| corrupt(e.to_string()))?;
    Ok(Commitment::with_salt(salt, text).digest.to_hex())
}

/// Whether a row's salt was erased.
pub(super) fn is_erased(salt: Option<&[u8]>) -> bool {
    salt.is_none_or(<[u8]>::is_empty)
}

/// An event's body as a row gives it.
pub(super) fn body_of(event: &impl Serialize) -> Result<Vec<u8>, StoreError> {
    canonical::to_bytes(event)
        .map_err(|e| StoreError::Corrupt { column: "ledger_event.body", why: e.to_string() })
}

/// A stored value by way of its text.
fn parsed<T>(
    row: &Row,
    column: &'static str,
    parse: impl FnOnce(&str) -> Option<T>,
) -> Result<T, StoreError> {
    let text: String = row.try_get(column)?;
    parse(&text).ok_or(StoreError::Corrupt { column, why: format!("`{text}`") })
}

/// The same, where there may be none.
fn parsed_optional<T>(
    row: &Row,
    column: &'static str,
    parse: impl FnOnce(&str) -> Option<T>,
) -> Result<Option<T>, StoreError> {
    let text: Option<String> = row.try_get(column)?;
    let Some(text) = text else { return Ok(None) };
    parse(&text).map(Some).ok_or(StoreError::Corrupt { column, why: format!("`{text}`") })
}
