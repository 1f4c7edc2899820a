//! The hub that this laptop has joined, and which addresses may be spoken to.

use std::net::{Ipv4Addr, Ipv6Addr};

use reqwest::Url;
use serde::{Deserialize, Serialize};

use crate::failure::Failure;
use crate::files;
use crate::state::StateDir;

const FILE_BYTES_MAX: usize = 128 * 1024;

/// `hub.json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Joined {
    /// Its address.
    pub url: String,
    /// Told to speak plain HTTP beyond this machine.
    #[serde(default)]
    pub plain_http: bool,
    /// When it was joined, RFC 3339.
    pub joined_at: String,
    /// Under which device id.
    pub device_id: String,
    /// The certificate of the authority that vouches for it, PEM; absent: the system's roots do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub authority_pem: Option<String>,
}

/// A hub's address that may be spoken to, and who vouches for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HubAddress {
    url: Url,
    authority_pem: Option<String>,
}

impl HubAddress {
    /// Checks an address: `https`, or `http` to this machine alone unless told otherwise, since a record crosses
    /// the net in the clear with it.
    ///
    /// # Errors
    /// Anything else, with the reason.
    pub fn new(text: &str, plain_http: bool) -> Result<Self, Failure> {
        let wrong = |why: String| {
            Failure::new(format!("cannot use the hub's address `{text}`: {why}"))
                .remedy("give it as `https://hub.example`")
        };
        if !text.contains("://") {
            return Err(wrong("it doesn't begin with `https://`".into()));
        }
        let mut url = Url::parse(text).map_err(|e| wrong(e.to_string()))?;
        if !url.username().is_empty() || url.password().is_some() {
            return Err(wrong("it has a user name or password in it".into()));
        }
        if url.query().is_some() || url.fragment().is_some() {
            return Err(wrong("it has a query or a fragment".into()));
        }
        match url.scheme() {
            "https" => {}
            "http" if plain_http || is_loopback(&url) => {}
            "http" => {
                return Err(Failure::new(format!(
                    "the hub's address `{text}` is plain HTTP and not on this machine"
                ))
                .remedy("use `https://`, or add `--plain-http` if the way there is safe otherwise"));
            }
            other => return Err(wrong(format!("`{other}` is not https"))),
        }
        if !url.path().ends_with('/') {
            // Else the last part of a path prefix would be replaced when joined.
            url.set_path(&format!("{}/", url.path()));
        }
        Ok(Self { url, authority_pem: None })
    }

    /// The same, vouched for by this authority alone (a PEM text) and not by the system's roots.
    #[must_use]
    pub fn vouched_for_by(self, authority_pem: Option<String>) -> Self {
        Self { authority_pem, ..self }
    }

    /// The authority's certificate, PEM, where it isn't the system's roots.
    pub fn authority(&self) -> Option<&str> {
        self.authority_pem.as_deref()
    }

    /// An endpoint below it, for example `v1/records`.
    pub fn endpoint(&self, path: &str) -> String {
        format!("{}{path}", self.url)
    }

    /// As a person writes it.
    pub fn shown(&self) -> &str {
        self.url.as_str().trim_end_matches('/')
    }

    /// Whether records go there encrypted.
    pub fn is_https(&self) -> bool {
        self.url.scheme() == "https"
    }
}

fn is_loopback(url: &Url) -> bool {
    let Some(host) = url.host_str() else { return false };
    // Names are not resolved: `localhost` is the only one that RFC 6761 (section 6.3) reserves for this machine.
    host.eq_ignore_ascii_case("localhost")
        || host.parse::<Ipv4Addr>().is_ok_and(|a| a.is_loopback())
        || host.trim_matches(['[', ']']).parse::<Ipv6Addr>().is_ok_and(|a| a.is_loopback())
}

/// The hub that was joined, where one was.
///
/// # Errors
/// A file that cannot be read or understood.
pub fn joined(state: &StateDir) -> Result<Option<Joined>, Failure> {
    let path = state.file("hub.json");
    let bytes = files::read_limited(&path, FILE_BYTES_MAX).map_err(|e| Failure::at("read", &path, e))?;
    bytes
        .map(|b| {
            serde_json::from_slice(&b)
                .map_err(|e| Failure::at("understand", &path, e).remedy("run `windrow join` again"))
        })
        .transpose()
}

/// Remembers the hub.
///
/// # Errors
/// A file that cannot be written.
pub fn remember(state: &StateDir, joined: &Joined) -> Result<(), Failure> {
    let path = state.file("hub.json");
    let json = serde_json::to_vec_pretty(joined).map_err(|e| Failure::new(e.to_string()))?;
    files::write_atomically(&path, &json).map_err(|e| {
        Failure::at("remember the hub in", &path, e).remedy("make the folder writable, then join again")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_http_stays_on_this_machine_unless_told() {
        for here in ["http://localhost:8080", "http://127.0.0.1", "http://127.9.9.9:1/x", "http://[::1]:80"] {
            HubAddress::new(here, false).unwrap();
        }
        for away in ["http://10.0.2.2:8080", "http://hub.example", "http://localhost.example", "http://[::2]"]
        {
            let refused = HubAddress::new(away, false).unwrap_err();
            assert!(refused.advice().unwrap().contains("--plain-http"), "{away}");
            HubAddress::new(away, true).unwrap();
        }
        HubAddress::new("https://hub.example", false).unwrap();
    }

    #[test]
    fn odd_addresses_are_refused() {
        for odd in
            ["hub.example", "ftp://hub.example", "https://a:b@hub.example", "https://hub.example/?q=1", ""]
        {
            assert!(HubAddress::new(odd, true).is_err(), "{odd}");
        }
    }

    #[test]
    fn a_path_prefix_is_kept() {
        let hub = HubAddress::new("https://hub.example/cooling", false).unwrap();
        assert_eq!(hub.endpoint("v1/records"), "https://hub.example/cooling/v1/records");
        assert_eq!(hub.shown(), "https://hub.example/cooling");
    }
}
