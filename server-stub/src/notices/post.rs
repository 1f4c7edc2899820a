//! One try: a signed post over TLS. No redirect is followed, and of the answer only its status is looked at.

use std::error::Error as _;
use std::sync::Once;
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, RETRY_AFTER};
use reqwest::redirect::Policy;
use reqwest::{Certificate, Client, Url};

use super::list::Receiver;
use super::secret::NoticeSecret;
use crate::failure::Failure;

/// Longest wait for a connection.
const CONNECT_MAX: Duration = Duration::from_secs(10);
/// Longest wait for the status, connection and body included.
pub const WHOLE_MAX: Duration = Duration::from_secs(30);
/// Names the notice: whoever has seen it may drop it.
pub const ID_HEADER: &str = "Windrow-Notice-Id";
/// When it was posted, seconds since the Unix epoch; signed with the body.
pub const TIME_HEADER: &str = "Windrow-Notice-Time";
/// `v1=` and the HMAC-SHA256 of time, a full stop and the body, in hexadecimal.
pub const SIGNATURE_HEADER: &str = "Windrow-Notice-Signature";

/// An authority whose certificates are believed in place of the system's.
#[derive(Debug, Clone)]
pub struct Authority(Vec<Certificate>);

impl Authority {
    /// From a PEM text.
    ///
    /// # Errors
    /// What it is, if it holds no certificate.
    pub fn from_pem(pem: &[u8]) -> Result<Self, String> {
        match Certificate::from_pem_bundle(pem) {
            Ok(certificates) if !certificates.is_empty() => Ok(Self(certificates)),
            _ => Err("holds no PEM certificate".into()),
        }
    }
}

/// A try in vain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// Why, in words of ours: nothing that the receiver wrote.
    pub why: String,
    /// How long the receiver asked to be left alone.
    pub retry_after: Option<Duration>,
}

/// Posts to one receiver.
#[derive(Debug)]
pub struct Poster {
    client: Client,
    url: Url,
    secret: NoticeSecret,
}

impl Poster {
    /// For a receiver.
    ///
    /// # Errors
    /// Where the system shows no certificate roots, or the receiver's own authority is none.
    pub fn new(receiver: &Receiver) -> Result<Self, Failure> {
        install_ring();
        let mut builder = Client::builder()
            .user_agent(concat!("windrow-hub/", env!("CARGO_PKG_VERSION")))
            .https_only(true)
            .redirect(Policy::none())
            .referer(false)
            .connect_timeout(CONNECT_MAX)
            .timeout(WHOLE_MAX)
            .pool_max_idle_per_host(0);
        if let Some(Authority(certificates)) = &receiver.authority {
            builder = builder.tls_certs_only(certificates.iter().cloned());
        }
        let client = builder.build().map_err(|e| {
            let what = format!("cannot prepare a connection to `{}`: {}", receiver.name, cause(&e));
            Failure::new(what).remedy(
                "check its `ca_file`, or install the system's certificate roots (Debian: package `ca-certificates`)",
            )
        })?;
        Ok(Self { client, url: receiver.url.clone(), secret: receiver.secret.clone() })
    }

    /// Posts a notice; the answer's status where the receiver took it.
    ///
    /// # Errors
    /// Anything but a status of 200 to 299.
    pub async fn post(&self, notice_id: &str, body: &str, now_s: i64) -> Result<u16, Refused> {
        let request = self
            .client
            .post(self.url.clone())
            .header(CONTENT_TYPE, "application/json")
            .header(ID_HEADER, notice_id)
            .header(TIME_HEADER, now_s)
            .header(SIGNATURE_HEADER, self.secret.signature(now_s, body.as_bytes()))
            .body(body.to_owned());
        // The answer is dropped with its body unread, and with it the connection.
        let answer = request.send().await.map_err(|e| Refused { why: no_answer(&e), retry_after: None })?;
        let status = answer.status();
        if status.is_success() {
            return Ok(status.as_u16());
        }
        let wished = answer.headers().get(RETRY_AFTER).and_then(|v| v.to_str().ok()?.trim().parse().ok());
        let note = if status.is_redirection() { "; redirects are not followed" } else { "" };
        Err(Refused {
            why: format!("it answered {}{note}", status.as_u16()),
            retry_after: wished.map(Duration::from_secs),
        })
    }
}

fn no_answer(error: &reqwest::Error) -> String {
    if error.is_timeout() {
        let s = if error.is_connect() { CONNECT_MAX } else { WHOLE_MAX }.as_secs();
        return format!("no answer within {s} s");
    }
    format!("no answer: {}", cause(error))
}

/// The first cause: the links above it say only that something was posted, and where to.
fn cause(error: &reqwest::Error) -> String {
    let mut link: Option<&(dyn std::error::Error + 'static)> = error.source();
    let mut words = "the request could not be made".to_owned();
    while let Some(e) = link {
        words = e.to_string();
        link = e.source();
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
