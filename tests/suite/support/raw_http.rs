//! A client that knows nothing but HTTP/1.1's framing (RFC 9112): a second opinion beside the agent's own client.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};

use serde_json::Value;

use super::PATIENCE;

/// An answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: Vec<u8>,
}

impl Answer {
    /// The body as JSON.
    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&self.body)))
    }
}

/// Posts a body; `headers` are whole lines.
///
/// # Errors
/// When the answer isn't whole.
pub(crate) fn post(to: SocketAddr, path: &str, headers: &[&str], body: &[u8]) -> std::io::Result<Answer> {
    exchange(to, "POST", path, headers, body)
}

/// Gets something; `headers` are whole lines.
///
/// # Errors
/// When the answer isn't whole.
pub(crate) fn get(to: SocketAddr, path: &str, headers: &[&str]) -> std::io::Result<Answer> {
    exchange(to, "GET", path, headers, b"")
}

fn exchange(
    to: SocketAddr,
    method: &str,
    path: &str,
    headers: &[&str],
    body: &[u8],
) -> std::io::Result<Answer> {
    let mut stream = TcpStream::connect(to)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    let headers: String = headers.iter().flat_map(|line| [*line, "\r\n"]).collect();
    let length = body.len();
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: {to}\r\nConnection: close\r\n{headers}Content-Length: {length}\r\n\r\n"
    );
    stream.write_all(head.as_bytes())?;
    stream.write_all(body)?;
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes)?;
    parse(&bytes).ok_or_else(|| std::io::ErrorKind::UnexpectedEof.into())
}

fn parse(bytes: &[u8]) -> Option<Answer> {
    let end = bytes.windows(4).position(|w| w == b"\r\n\r\n")?;
    let head = std::str::from_utf8(&bytes[..end]).ok()?.to_owned();
    let status = head.split(' ').nth(1)?.parse().ok()?;
    let length =
        head.lines().find_map(|l| l.to_lowercase().strip_prefix("content-length:")?.trim().parse().ok());
    let body = bytes[end + 4..].to_vec();
    // An acknowledgement that broke off is none.
    (length == Some(body.len())).then_some(Answer { status, head, body })
}
