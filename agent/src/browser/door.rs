//! Who is let in: the one that could read the file of the user, from the page's own address, by its own name.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, Ordering};

use axum::http::{HeaderMap, Method, header};
use windrow_model::record::Digest;

/// Bytes of each secret: nothing that can be guessed.
const SECRET_BYTES: usize = 32;
/// Name of the cookie. No `__Host-` prefix: it wants HTTPS, which a loopback address doesn't have.
const COOKIE: &str = "windrow_check";

/// The secrets of one window.
#[derive(Debug)]
pub(super) struct Door {
    host: String,
    origin: String,
    /// Part of the page's address.
    pub(super) path: String,
    once: String,
    cookie: String,
    used: AtomicBool,
}

/// Why a request is turned away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Refusal {
    /// It came under another name: a foreign page's name may point here.
    Host,
    /// It came from another page.
    Origin,
    /// It has no cookie, or not the right one.
    Cookie,
    /// The one-time secret is wrong or used.
    Once,
}

impl Door {
    pub(super) fn new(address: SocketAddr) -> Result<Self, getrandom::Error> {
        let host = address.to_string();
        Ok(Self {
            origin: format!("http://{host}"),
            host,
            path: secret()?,
            once: secret()?,
            cookie: secret()?,
            used: AtomicBool::new(false),
        })
    }

    /// Where the one-time secret is handed in.
    pub(super) fn entry_address(&self) -> String {
        format!("{}/{}/enter", self.origin, self.path)
    }

    /// The one-time secret, for the file that only the user can read.
    pub(super) fn once(&self) -> &str {
        &self.once
    }

    /// Checks the name under which a request came; every request, before anything else.
    pub(super) fn check_host(&self, headers: &HeaderMap) -> Result<(), Refusal> {
        let host = headers.get(header::HOST).and_then(|h| h.to_str().ok());
        if host == Some(self.host.as_str()) { Ok(()) } else { Err(Refusal::Host) }
    }

    /// Checks cookie and, where something is changed, the page from which it came.
    pub(super) fn check(&self, method: &Method, headers: &HeaderMap) -> Result<(), Refusal> {
        if method != Method::GET && method != Method::HEAD {
            let origin = headers.get(header::ORIGIN).and_then(|h| h.to_str().ok());
            if origin != Some(self.origin.as_str()) {
                return Err(Refusal::Origin);
            }
        }
        let has_cookie = headers
            .get_all(header::COOKIE)
            .iter()
            .filter_map(|c| c.to_str().ok())
            .flat_map(|c| c.split(';'))
            .filter_map(|c| c.trim().split_once('='))
            .any(|(name, value)| name == COOKIE && is_same(value, &self.cookie));
        if has_cookie { Ok(()) } else { Err(Refusal::Cookie) }
    }

    /// Exchanges the one-time secret for the cookie's header value.
    pub(super) fn enter(&self, secret: &str) -> Result<String, Refusal> {
        if !is_same(secret, &self.once) || self.used.swap(true, Ordering::SeqCst) {
            return Err(Refusal::Once);
        }
        Ok(format!("{COOKIE}={}; HttpOnly; SameSite=Strict; Path=/{}", self.cookie, self.path))
    }
}

fn secret() -> Result<String, getrandom::Error> {
    let mut bytes = [0; SECRET_BYTES];
    getrandom::fill(&mut bytes)?;
    Ok(hex::encode(bytes))
}

/// Compares digests, so that the time it takes says nothing of the secret.
fn is_same(a: &str, b: &str) -> bool {
    Digest::of(a.as_bytes()) == Digest::of(b.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn door() -> Door {
        Door::new("127.0.0.1:4711".parse().unwrap()).unwrap()
    }

    fn headers(of: &[(header::HeaderName, &str)]) -> HeaderMap {
        of.iter().map(|(name, value)| (name.clone(), value.parse().unwrap())).collect()
    }

    #[test]
    fn the_secret_opens_once() {
        let door = door();
        assert_eq!(door.enter("no"), Err(Refusal::Once));
        assert!(door.enter(&door.once).is_ok());
        assert_eq!(door.enter(&door.once), Err(Refusal::Once));
    }

    #[test]
    fn a_name_that_was_pointed_here_is_turned_away() {
        let door = door();
        assert_eq!(door.check_host(&headers(&[(header::HOST, "evil.example:4711")])), Err(Refusal::Host));
        assert_eq!(door.check_host(&headers(&[])), Err(Refusal::Host));
        assert_eq!(door.check_host(&headers(&[(header::HOST, "127.0.0.1:4711")])), Ok(()));
    }

    #[test]
    fn nothing_is_changed_from_another_page() {
        let door = door();
        let cookie = format!("other=1; {COOKIE}={}", door.cookie);
        let own = headers(&[(header::COOKIE, &cookie), (header::ORIGIN, "http://127.0.0.1:4711")]);
        assert_eq!(door.check(&Method::POST, &own), Ok(()));
        for origin in ["null", "http://127.0.0.1:4712", "http://evil.example"] {
            let foreign = headers(&[(header::COOKIE, &cookie), (header::ORIGIN, origin)]);
            assert_eq!(door.check(&Method::POST, &foreign), Err(Refusal::Origin), "{origin}");
        }
        let silent = headers(&[(header::COOKIE, &cookie)]);
        assert_eq!(door.check(&Method::POST, &silent), Err(Refusal::Origin));
        assert_eq!(door.check(&Method::GET, &silent), Ok(()));
    }

    #[test]
    fn without_the_cookie_nothing_is_answered() {
        let door = door();
        for cookie in ["", "windrow_check=", "windrow_check=0000", "x"] {
            assert_eq!(door.check(&Method::GET, &headers(&[(header::COOKIE, cookie)])), Err(Refusal::Cookie));
        }
    }
}
