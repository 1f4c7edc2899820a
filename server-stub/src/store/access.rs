//! Grants and sessions: who may, as the store keeps it.

use std::future::Future;

use windrow_model::record::Digest;

use super::{EpochMs, StoreError};
use crate::access::Role;

/// A grant to be stored: its token only as a hash.
#[derive(Debug, Clone)]
pub struct NewGrant {
    /// SHA-256 of the token.
    pub token_hash: Digest,
    /// What its holder may.
    pub role: Role,
    /// The administrator's word for the holder.
    pub label: String,
    /// The one site it is for; `None`: all.
    pub site: Option<String>,
    /// When it was made.
    pub created_at_ms: EpochMs,
    /// Until when it is good; `None`: until revoked.
    pub expires_at_ms: Option<EpochMs>,
    /// Only where no administrator's grant is good: the first one of a fresh hub.
    pub only_as_first_admin: bool,
}

/// What became of a new grant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Granted {
    /// It is stored.
    Made {
        /// Its number.
        grant_id: i64,
    },
    /// It was to be the first administrator's, and there is one.
    AdminExists,
    /// There are as many good grants as there may be.
    TooMany,
}

/// A stored grant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Grant {
    /// Its number.
    pub grant_id: i64,
    /// What its holder may.
    pub role: Role,
    /// The administrator's word for the holder.
    pub label: String,
    /// The one site it is for; `None`: all.
    pub site: Option<String>,
    /// When it was made.
    pub created_at_ms: EpochMs,
    /// Until when it is good; `None`: until revoked.
    pub expires_at_ms: Option<EpochMs>,
    /// When it was revoked.
    pub revoked_at_ms: Option<EpochMs>,
}

impl Grant {
    /// Whether it is good at a time.
    pub fn is_good(&self, now_ms: EpochMs) -> bool {
        self.revoked_at_ms.is_none() && self.expires_at_ms.is_none_or(|end| now_ms < end)
    }
}

/// A session to be stored.
#[derive(Debug, Clone)]
pub struct NewSession {
    /// SHA-256 of its secret.
    pub secret_hash: Digest,
    /// Whose it is.
    pub grant_id: i64,
    /// Now.
    pub now_ms: EpochMs,
    /// When it ends in any case.
    pub ends_at_ms: EpochMs,
    /// Sessions that nobody used since then are forgotten.
    pub idle_since_ms: EpochMs,
}

/// A stored session with its grant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// Whose it is.
    pub grant: Grant,
    /// When it was last seen.
    pub seen_at_ms: EpochMs,
    /// When it ends in any case.
    pub ends_at_ms: EpochMs,
}

/// Most grants that are good at once.
pub const MAX_GRANTS: u32 = 10_000;
/// Most sessions of a grant; the oldest ends when another begins.
pub const MAX_SESSIONS: u32 = 20;

/// What the store does for access.
pub trait AccessStore {
    /// Stores a grant.
    fn grant_create(&self, grant: NewGrant) -> impl Future<Output = Result<Granted, StoreError>> + Send;
    /// Revokes a grant and ends its sessions; `None`: no such grant. Twice is harmless.
    fn grant_revoke(
        &self,
        grant_id: i64,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<Option<Grant>, StoreError>> + Send;
    /// All grants, the oldest first.
    fn grant_list(&self) -> impl Future<Output = Result<Vec<Grant>, StoreError>> + Send;
    /// The grant of a token, good or not.
    fn grant_of_token(
        &self,
        token_hash: Digest,
    ) -> impl Future<Output = Result<Option<Grant>, StoreError>> + Send;
    /// Begins a session, and forgets those that have ended.
    fn session_begin(&self, session: NewSession) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// The session of a secret, ended or not.
    fn session_get(
        &self,
        secret_hash: Digest,
    ) -> impl Future<Output = Result<Option<Session>, StoreError>> + Send;
    /// Notes that a session was used.
    fn session_touch(
        &self,
        secret_hash: Digest,
        now_ms: EpochMs,
    ) -> impl Future<Output = Result<(), StoreError>> + Send;
    /// Ends a session; one that isn't there has ended.
    fn session_end(&self, secret_hash: Digest) -> impl Future<Output = Result<(), StoreError>> + Send;
}
