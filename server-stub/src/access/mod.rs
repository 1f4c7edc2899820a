//! Who may do what: roles, the tokens that carry them, sessions of browsers, and the bound on tries.
//!
//! Knows no HTTP and no SQL. A token or a session's secret has 256 random bits and is stored as a plain SHA-256: there
//! is nothing to search, so a slow hash would only cost time. It is looked up by that hash, and a comparison of hashes
//! says nothing of the secret through its timing.

mod tries;

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use subtle::ConstantTimeEq;
use windrow_model::record::Digest;

pub use tries::Tries;

/// Random bytes of a token or a secret.
const SECRET_BYTES: usize = 32;
/// First characters of a token, so that a person knows what it is when it turns up somewhere.
const TOKEN_PREFIX: &str = "wg-";
/// Longest token that is looked at.
pub const MAX_TOKEN_BYTES: usize = 100;

/// A session that nobody used for so long has ended. Common practice, no source.
pub const SESSION_IDLE_MS: i64 = 30 * 60 * 1000;
/// A session ends after so long in any case: a working day. Common practice, no source.
pub const SESSION_WHOLE_MS: i64 = 12 * 60 * 60 * 1000;
/// A session's use is written down no more often than this: reading a page must not cost a write each time.
pub const SESSION_TOUCH_MS: i64 = 60 * 1000;

/// What a person, or a program of theirs, may do. A laptop's own role stands in its key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Everything.
    Admin,
    /// Read the fleet, log visits, ask for checks.
    Technician,
    /// Read and export only.
    Auditor,
}

impl Role {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Admin, Self::Technician, Self::Auditor];

    /// Its name in tables and files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Admin => "admin",
            Self::Technician => "technician",
            Self::Auditor => "auditor",
        }
    }

    /// The role of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.name() == name)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Some of the roles.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Roles(u8);

impl Roles {
    /// Whoever has a grant.
    pub const ALL: Self = Self(0b111);
    /// Administrators alone.
    pub const ADMIN: Self = Self::of(Role::Admin);
    /// Those who do the work.
    pub const WORK: Self = Self::ADMIN.and(Role::Technician);
    /// Those who answer for the tables.
    pub const AUDIT: Self = Self::ADMIN.and(Role::Auditor);

    /// One role.
    pub const fn of(role: Role) -> Self {
        Self(1 << role as u8)
    }

    /// These and another one.
    #[must_use]
    pub const fn and(self, role: Role) -> Self {
        Self(self.0 | Self::of(role).0)
    }

    /// Whether it is one of these.
    pub const fn contains(self, role: Role) -> bool {
        self.0 & Self::of(role).0 != 0
    }
}

/// A secret that doesn't print.
#[derive(Clone)]
pub struct Secret(String);

impl Secret {
    /// A new token of a grant.
    ///
    /// # Errors
    /// If the system gives no randomness.
    pub fn new_token() -> Result<Self, getrandom::Error> {
        Ok(Self(format!("{TOKEN_PREFIX}{}", random_hex()?)))
    }

    /// A new secret of a session.
    ///
    /// # Errors
    /// If the system gives no randomness.
    pub fn new_session() -> Result<Self, getrandom::Error> {
        Ok(Self(random_hex()?))
    }

    /// What somebody gave; `None` where it cannot be one.
    pub fn given(text: &str) -> Option<Self> {
        let text = text.trim();
        let is_plausible = !text.is_empty() && text.len() <= MAX_TOKEN_BYTES;
        is_plausible.then(|| Self(text.to_owned()))
    }

    /// The words themselves, for the one place that shows them.
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// What the store keeps of it.
    pub fn hash(&self) -> Digest {
        Digest::of(self.0.as_bytes())
    }

    /// The token that a session's forms carry. It follows from the session's secret, so that it needs no storage, and
    /// the secret doesn't follow from it.
    pub fn csrf(&self) -> Csrf {
        Csrf(Digest::of(format!("windrow-csrf/1\n{}", self.0).as_bytes()).to_hex())
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(…)")
    }
}

fn random_hex() -> Result<String, getrandom::Error> {
    let mut bytes = [0_u8; SECRET_BYTES];
    getrandom::fill(&mut bytes)?;
    Ok(hex::encode(bytes))
}

/// What a form of this session must carry.
#[derive(Clone, PartialEq, Eq)]
pub struct Csrf(String);

impl Csrf {
    /// For the form's hidden field.
    pub fn field(&self) -> &str {
        &self.0
    }

    /// Whether a form carried it; takes the same time wherever they differ.
    pub fn is(&self, given: &str) -> bool {
        self.0.as_bytes().ct_eq(given.as_bytes()).into()
    }
}

impl fmt::Debug for Csrf {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Csrf(…)")
    }
}

/// Whoever sent a request, once that is proven.
#[derive(Debug, Clone)]
pub struct Viewer {
    /// What they may do.
    pub role: Role,
    /// Their grant.
    pub grant_id: i64,
    /// The grant's label.
    pub label: String,
    /// The one site that they may see and change; `None`: all.
    pub site: Option<String>,
    /// What their forms must carry; `None` for a program with a bearer token, which has no forms.
    pub csrf: Option<Csrf>,
}

impl Viewer {
    /// For a form's hidden field; empty where there is no session.
    pub fn csrf_field(&self) -> &str {
        self.csrf.as_ref().map_or("", Csrf::field)
    }

    /// Whether a laptop at this site is theirs to see.
    pub fn sees(&self, site: &str) -> bool {
        self.site.as_deref().is_none_or(|own| own == site)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sets_of_roles_hold_what_was_put_in() {
        for role in Role::ALL {
            assert!(Roles::ALL.contains(role));
            assert_eq!(Roles::of(role).contains(Role::Admin), role == Role::Admin);
            assert_eq!(Role::from_name(role.name()), Some(role));
        }
        assert!(Roles::WORK.contains(Role::Technician) && !Roles::WORK.contains(Role::Auditor));
        assert!(Roles::AUDIT.contains(Role::Auditor) && !Roles::AUDIT.contains(Role::Technician));
    }

    #[test]
    fn secrets_are_long_differ_and_do_not_print() {
        let (one, other) = (Secret::new_token().unwrap(), Secret::new_token().unwrap());
        assert_eq!(one.reveal().len(), TOKEN_PREFIX.len() + 64);
        assert_ne!(one.hash(), other.hash());
        assert_eq!(format!("{one:?} {:?}", one.csrf()), "Secret(…) Csrf(…)");
        assert!(one.csrf().is(one.csrf().field()) && !one.csrf().is(other.csrf().field()));
        assert!(!one.csrf().is("") && !one.csrf().is(&one.csrf().field()[1..]));
        assert!(Secret::given(" \n").is_none() && Secret::given(&"x".repeat(MAX_TOKEN_BYTES + 1)).is_none());
        assert_eq!(Secret::given(&format!("{}\n", one.reveal())).unwrap().hash(), one.hash());
    }
}
