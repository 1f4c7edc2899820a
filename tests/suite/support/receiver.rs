//! Somebody who is told of band changes: a TLS server of its own, which keeps what is posted and answers as it is bid.

use std::collections::VecDeque;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ServerConfig, ServerConnection, StreamOwned};

use super::certificates::Certificates;
use super::{PATIENCE, wait_for};

/// What was posted.
#[derive(Debug, Clone)]
pub(crate) struct Posted {
    head: String,
    pub(crate) body: Vec<u8>,
}

impl Posted {
    /// The value of a header, whatever its case.
    #[track_caller]
    pub(crate) fn header(&self, name: &str) -> &str {
        let of = |line: &'_ str| line.split_once(':').is_some_and(|(n, _)| n.eq_ignore_ascii_case(name));
        let line = self.head.lines().find(|line| of(line));
        let line = line.unwrap_or_else(|| panic!("no `{name}` in: {}", self.head));
        line.split_once(':').expect("a colon").1.trim()
    }

    /// Method and path.
    pub(crate) fn asked(&self) -> &str {
        self.head.lines().next().unwrap_or_default()
    }
}

/// The server.
#[derive(Debug)]
pub(crate) struct Receiver {
    pub(crate) address: SocketAddr,
    posted: Arc<Mutex<Vec<Posted>>>,
    answers: Arc<Mutex<VecDeque<String>>>,
    then: Arc<Mutex<String>>,
}

/// An answer without a body.
pub(crate) fn answer(status: u16) -> String {
    format!("HTTP/1.1 {status} So\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
}

impl Receiver {
    /// A server with this certificate that answers 200.
    pub(crate) fn new(certificates: &Certificates) -> Self {
        let config = config(certificates);
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address");
        let receiver = Self {
            address,
            posted: Arc::default(),
            answers: Arc::default(),
            then: Arc::new(Mutex::new(answer(200))),
        };
        let (posted, answers, then) =
            (Arc::clone(&receiver.posted), Arc::clone(&receiver.answers), Arc::clone(&receiver.then));
        thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let Some((mut stream, request)) = read(stream, &config) else { continue };
                posted.lock().expect("not poisoned").push(request);
                let next = answers.lock().expect("not poisoned").pop_front();
                let next = next.unwrap_or_else(|| then.lock().expect("not poisoned").clone());
                let _ = stream.write_all(next.as_bytes());
                stream.conn.send_close_notify();
                let _ = stream.flush();
            }
        });
        receiver
    }

    /// The next answers, before it answers 200 again.
    pub(crate) fn answering(self, answers: &[String]) -> Self {
        self.answers.lock().expect("not poisoned").extend(answers.iter().cloned());
        self
    }

    /// Answers so from now on.
    pub(crate) fn answer_from_now_on(&self, answer: String) {
        *self.then.lock().expect("not poisoned") = answer;
    }

    /// All that was posted so far.
    pub(crate) fn posted(&self) -> Vec<Posted> {
        self.posted.lock().expect("not poisoned").clone()
    }

    /// Waits until so many were posted.
    #[track_caller]
    pub(crate) fn wait_for(&self, n: usize) -> Vec<Posted> {
        wait_for(&format!("post {n}"), || Some(self.posted()).filter(|p| p.len() >= n))
    }
}

fn config(certificates: &Certificates) -> Arc<ServerConfig> {
    let chain: Vec<CertificateDer<'static>> = CertificateDer::pem_file_iter(certificates.file("chain.pem"))
        .expect("a chain")
        .collect::<Result<_, _>>()
        .expect("certificates");
    let key = PrivateKeyDer::from_pem_file(certificates.file("key.pem")).expect("a key");
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ServerConfig::builder_with_provider(provider).with_safe_default_protocol_versions();
    Arc::new(builder.expect("versions").with_no_client_auth().with_single_cert(chain, key).expect("they fit"))
}

/// A whole request; `None` where the caller went away before.
fn read(
    stream: TcpStream,
    config: &Arc<ServerConfig>,
) -> Option<(StreamOwned<ServerConnection, TcpStream>, Posted)> {
    stream.set_read_timeout(Some(PATIENCE)).ok()?;
    let mut stream = StreamOwned::new(ServerConnection::new(Arc::clone(config)).ok()?, stream);
    let mut bytes = Vec::new();
    let mut block = [0_u8; 4096];
    loop {
        let n = stream.read(&mut block).ok().filter(|n| *n > 0)?;
        bytes.extend_from_slice(&block[..n]);
        let Some(end) = bytes.windows(4).position(|w| w == b"\r\n\r\n") else { continue };
        let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
        let length = head
            .lines()
            .find_map(|l| l.to_lowercase().strip_prefix("content-length:")?.trim().parse::<usize>().ok())?;
        if bytes.len() >= end + 4 + length {
            let body = bytes[end + 4..end + 4 + length].to_vec();
            return Some((stream, Posted { head, body }));
        }
    }
}
