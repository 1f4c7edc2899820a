//! The real transport: HTTPS with the platform's roots, zstd bodies, a limit on time and size.

use std::error::Error as _;
use std::io::Read;
use std::sync::Once;
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::Duration;

use reqwest::Certificate;
use reqwest::blocking::{Client, RequestBuilder};
use reqwest::header::{AUTHORIZATION, CONTENT_ENCODING, CONTENT_TYPE, RETRY_AFTER};
use reqwest::redirect::Policy;

use super::{Answer, Transport};
use crate::failure::Failure;
use crate::hub::HubAddress;
use crate::stop::{StopFlag, StopReason};

const CONNECT_MAX: Duration = Duration::from_secs(10);
/// A record of 0.2 MB over a bad line, and a hub that makes it durable first.
const WHOLE_MAX: Duration = Duration::from_mins(1);
/// A person waits for a verdict that can do without the answer.
const HASTY_CONNECT_MAX: Duration = Duration::from_secs(3);
/// As above, for the whole.
const HASTY_WHOLE_MAX: Duration = Duration::from_secs(5);
/// Pause between two looks at the stop flag while a request is under way.
const LOOK_EVERY: Duration = Duration::from_millis(20);
const ANSWER_BYTES_MAX: u64 = 64 * 1024;
/// Fast, and two thirds of a record's digits go already.
const ZSTD_LEVEL: i32 = 3;
/// Smaller bodies are sent as they are.
const ZSTD_FROM_BYTES: usize = 1024;

/// No answer at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TransportError {
    /// The network or the hub failed; it may come back.
    #[error("{0}")]
    NoAnswer(String),
    /// What answers there cannot prove that it is the hub.
    #[error("its certificate is not one that this machine trusts: {0}")]
    Untrusted(String),
    /// Somebody wants the command to end.
    #[error("{}", .0.words())]
    Stopped(StopReason),
}

impl TransportError {
    /// What to do where the hub cannot prove that it is the hub.
    pub const TRUST: &str = "if the hub's certificate comes from your organisation's own authority, name that authority's certificate with `--ca-file FILE`; if not, do not go on: somebody may stand between here and the hub; ask its administrator";

    fn of(error: &reqwest::Error) -> Self {
        match untrusted(error) {
            Some(why) => Self::Untrusted(why),
            None => Self::NoAnswer(chain(error)),
        }
    }
}

/// A client for one hub.
#[derive(Debug)]
pub struct Http {
    client: Client,
    hub: HubAddress,
    stop: StopFlag,
}

impl Http {
    /// A client for this hub.
    ///
    /// # Errors
    /// When the platform shows no certificate roots for `https`.
    pub fn new(hub: &HubAddress) -> Result<Self, Failure> {
        Self::within(hub, CONNECT_MAX, WHOLE_MAX)
    }

    /// A client for something that can be done without: it waits for little.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn hasty(hub: &HubAddress) -> Result<Self, Failure> {
        Self::within(hub, HASTY_CONNECT_MAX, HASTY_WHOLE_MAX)
    }

    fn within(hub: &HubAddress, connect_max: Duration, whole_max: Duration) -> Result<Self, Failure> {
        install_ring();
        let mut builder = Client::builder()
            .user_agent(concat!("windrow/", env!("CARGO_PKG_VERSION")))
            .redirect(Policy::none())
            .connect_timeout(connect_max)
            .timeout(whole_max)
            .pool_max_idle_per_host(1);
        if !hub.is_https() {
            // No roots needed, so none are read: a machine without any can still post over loopback.
            builder = builder.tls_certs_only([]);
        } else if let Some(pem) = hub.authority() {
            builder = builder.tls_certs_only(certificates(pem)?);
        }
        let client = builder.build().map_err(|e| {
            Failure::new(format!("cannot prepare a connection to `{}`: {}", hub.shown(), chain(&e)))
                .remedy("install the system's certificate roots (Debian: package `ca-certificates`)")
        })?;
        Ok(Self { client, hub: hub.clone(), stop: StopFlag::new() })
    }

    /// The same, and a raised flag ends a request that is under way.
    #[must_use]
    pub fn stopping_at(self, stop: &StopFlag) -> Self {
        Self { stop: stop.clone(), ..self }
    }

    /// Gets a document of at most `bytes_max` bytes; a longer one is cut, and then no document.
    ///
    /// # Errors
    /// When there was no answer at all.
    pub fn get(
        &self,
        endpoint: &str,
        authorization: &str,
        bytes_max: usize,
    ) -> Result<Answer, TransportError> {
        let request = self.client.get(self.hub.endpoint(endpoint)).header(AUTHORIZATION, authorization);
        until_stopped(&self.stop, move || answer(request, bytes_max as u64))
    }
}

/// The certificates of a PEM text.
///
/// # Errors
/// A text that holds none, or one that is none.
pub fn certificates(pem: &str) -> Result<Vec<Certificate>, Failure> {
    let found = Certificate::from_pem_bundle(pem.as_bytes()).map_err(|e| chain(&e));
    match found {
        Ok(found) if !found.is_empty() => Ok(found),
        other => {
            let why = other.err().unwrap_or_else(|| "it holds no certificate".into());
            Err(Failure::new(format!("cannot use the authority's certificate: {why}"))
                .remedy("give a PEM file: it begins with `-----BEGIN CERTIFICATE-----`"))
        }
    }
}

impl Transport for Http {
    fn post(&mut self, endpoint: &str, body: &[u8]) -> Result<Answer, TransportError> {
        let mut request =
            self.client.post(self.hub.endpoint(endpoint)).header(CONTENT_TYPE, "application/json");
        let packed =
            if body.len() >= ZSTD_FROM_BYTES { zstd::encode_all(body, ZSTD_LEVEL).ok() } else { None };
        request = match packed {
            Some(packed) => request.header(CONTENT_ENCODING, "zstd").body(packed),
            None => request.body(body.to_vec()),
        };
        until_stopped(&self.stop, move || answer(request, ANSWER_BYTES_MAX))
    }
}

/// Does a request in a thread of its own, which isn't waited for once somebody wants the command to end. The hub may
/// have taken the record all the same; the next post of it is then harmless.
fn until_stopped(
    stop: &StopFlag,
    request: impl FnOnce() -> Result<Answer, TransportError> + Send + 'static,
) -> Result<Answer, TransportError> {
    if let Some(reason) = stop.raised() {
        return Err(TransportError::Stopped(reason));
    }
    let (tell, told) = mpsc::channel();
    std::thread::Builder::new()
        .name("post".into())
        .spawn(move || {
            // Nobody listens any more where the command has ended.
            let _ = tell.send(request());
        })
        .map_err(|e| TransportError::NoAnswer(format!("cannot start a thread for the request: {e}")))?;
    loop {
        match told.recv_timeout(LOOK_EVERY) {
            Ok(answer) => return answer,
            Err(RecvTimeoutError::Disconnected) => {
                return Err(TransportError::NoAnswer("the request's thread ended without an answer".into()));
            }
            Err(RecvTimeoutError::Timeout) => {}
        }
        if let Some(reason) = stop.raised() {
            return Err(TransportError::Stopped(reason));
        }
    }
}

fn answer(request: RequestBuilder, bytes_max: u64) -> Result<Answer, TransportError> {
    let response = request.send().map_err(|e| TransportError::of(&e))?;
    let status = response.status().as_u16();
    let retry_after_s =
        response.headers().get(RETRY_AFTER).and_then(|v| v.to_str().ok()).and_then(|v| v.trim().parse().ok());
    let mut answer = Answer { status, retry_after_s, body: Vec::new() };
    // An answer that breaks off has still told its status; only its words are lost. But an acknowledgement is
    // one only when whole.
    let read = response.take(bytes_max).read_to_end(&mut answer.body);
    match read {
        Err(e) if (200..300).contains(&status) => {
            Err(TransportError::NoAnswer(format!("the acknowledgement broke off: {}", chain(&e))))
        }
        _ => Ok(answer),
    }
}

/// What is wrong with the certificate, where that is why there was no answer.
fn untrusted(error: &reqwest::Error) -> Option<String> {
    let mut link: Option<&(dyn std::error::Error + 'static)> = error.source();
    while let Some(e) = link {
        // An I/O error's `source` skips the very error that it carries.
        let carried = e.downcast_ref::<std::io::Error>().and_then(std::io::Error::get_ref);
        let tls = carried
            .and_then(|c| c.downcast_ref::<rustls::Error>())
            .or_else(|| e.downcast_ref::<rustls::Error>());
        if let Some(tls @ rustls::Error::InvalidCertificate(_)) = tls {
            return Some(tls.to_string());
        }
        link = e.source().or_else(|| carried.map(|c| c as &(dyn std::error::Error + 'static)));
    }
    None
}

/// Links of a chain of causes that say only that something was asked for over a network.
const SAYS_NOTHING: [&str; 3] = ["error sending request", "client error", "tcp connect error"];

/// The chain of causes without the links that say nothing, unless that is all there is.
fn chain(error: &dyn std::error::Error) -> String {
    let mut links = vec![error.to_string()];
    let mut cause = error.source();
    while let Some(e) = cause {
        links.push(e.to_string());
        cause = e.source();
    }
    let tells = |link: &&String| !SAYS_NOTHING.iter().any(|nothing| link.starts_with(nothing));
    let mut words = links.iter().find(tells).unwrap_or(&links[0]).clone();
    for link in links.iter().filter(tells) {
        if !words.contains(link.as_str()) {
            words = format!("{words}: {link}");
        }
    }
    words
}

fn install_ring() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        // It fails only when a provider is installed already, and then there is one.
        let _ = rustls::crypto::ring::default_provider().install_default();
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;
    use std::net::TcpListener;
    use std::thread;

    /// Answers one connection with these bytes and gives back what was asked.
    fn answering(bytes: &'static [u8]) -> (HubAddress, thread::JoinHandle<Vec<u8>>) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let hub = HubAddress::new(&format!("http://{}", listener.local_addr().unwrap()), false).unwrap();
        let server = thread::spawn(move || {
            let (mut stream, _) = listener.accept().unwrap();
            let mut asked = Vec::new();
            let mut block = [0_u8; 4096];
            while !is_whole(&asked) {
                let n = stream.read(&mut block).unwrap();
                if n == 0 {
                    break;
                }
                asked.extend_from_slice(&block[..n]);
            }
            stream.write_all(bytes).unwrap();
            asked
        });
        (hub, server)
    }

    fn is_whole(asked: &[u8]) -> bool {
        let Some(at) = asked.windows(4).position(|w| w == b"\r\n\r\n") else { return false };
        let head = String::from_utf8_lossy(&asked[..at]).to_lowercase();
        let length =
            head.split("content-length: ").nth(1).and_then(|r| r.lines().next()?.trim().parse().ok());
        asked.len() >= at + 4 + length.unwrap_or(0)
    }

    #[test]
    fn a_large_body_goes_as_zstd_and_the_answer_comes_back_with_its_wait() {
        let (hub, server) = answering(
            b"HTTP/1.1 503 Busy\r\nRetry-After: 7\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{}",
        );
        let body = vec![b'1'; 100_000];
        let answer = Http::new(&hub).unwrap().post("v1/records", &body).unwrap();
        assert_eq!(answer, Answer { status: 503, retry_after_s: Some(7), body: b"{}".to_vec() });
        let asked = server.join().unwrap();
        let at = asked.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
        let head = String::from_utf8_lossy(&asked[..at]).to_lowercase();
        assert!(
            head.starts_with("post /v1/records http/1.1") && head.contains("content-encoding: zstd"),
            "{head}"
        );
        assert_eq!(zstd::decode_all(&asked[at + 4..]).unwrap(), body);
    }

    #[test]
    fn a_broken_acknowledgement_is_none_and_a_redirect_is_not_followed() {
        let (hub, server) = answering(b"HTTP/1.1 201 Created\r\nContent-Length: 100\r\n\r\n{");
        assert!(Http::new(&hub).unwrap().post("v1/records", b"{}").is_err());
        server.join().unwrap();
        let (hub, server) =
            answering(b"HTTP/1.1 302 Found\r\nLocation: http://127.0.0.1:1/\r\nContent-Length: 0\r\n\r\n");
        assert_eq!(Http::new(&hub).unwrap().post("v1/records", b"{}").unwrap().status, 302);
        server.join().unwrap();
    }

    #[test]
    fn nobody_there_is_told_with_its_cause() {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let hub = HubAddress::new(&format!("http://127.0.0.1:{port}"), false).unwrap();
        let error = Http::new(&hub).unwrap().post("v1/records", b"{}").unwrap_err();
        assert!(error.to_string().contains("refused"), "{error}");
    }

    #[test]
    fn a_raised_flag_ends_a_request_that_hangs() {
        let silent = TcpListener::bind("127.0.0.1:0").unwrap();
        let hub = HubAddress::new(&format!("http://{}", silent.local_addr().unwrap()), false).unwrap();
        let stop = StopFlag::new();
        let mut http = Http::new(&hub).unwrap().stopping_at(&stop);
        let raiser = thread::spawn(move || {
            let (asked, _) = silent.accept().unwrap();
            stop.raise(StopReason::Terminate);
            asked
        });
        let ended = http.post("v1/records", b"{}");
        assert_eq!(ended, Err(TransportError::Stopped(StopReason::Terminate)));
        assert_eq!(http.post("v1/records", b"{}"), Err(TransportError::Stopped(StopReason::Terminate)));
        drop(raiser.join().unwrap());
    }

    #[test]
    fn what_is_no_certificate_is_no_authority() {
        for text in ["", "hello", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"] {
            let made = certificates(text).map(|c| c.len());
            // Whether the bytes are a certificate is found out when the client is made.
            assert!(made.is_err() || made.is_ok_and(|n| n == 1), "{text:?}");
        }
        assert!(certificates("hello").unwrap_err().advice().unwrap().contains("BEGIN CERTIFICATE"));
    }
}
