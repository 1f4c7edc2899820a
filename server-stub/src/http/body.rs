//! Reading a body within limits: packed size, unpacked size, idle time and a deadline.
//!
//! A limit in front of the unpacking alone would let 49 kB become 50 MB; both sides are limited here.

use std::io::Read;

use axum::body::{Body, HttpBody};
use axum::http::{HeaderMap, StatusCode, header};
use http_body_util::BodyExt;
use tokio::time::{Instant, timeout, timeout_at};

use super::{Limits, Problem};

/// Largest body as sent.
pub const MAX_PACKED_BYTES: usize = 4 * 1024 * 1024;
/// Largest form: all fields of a page together.
pub const MAX_FORM_BYTES: usize = 64 * 1024;
/// Largest body once unpacked: room for some hundred records.
pub const MAX_UNPACKED_BYTES: usize = 16 * 1024 * 1024;

/// The whole body, unpacked.
///
/// # Errors
/// A problem that says which limit, or that the packing is unknown or broken.
pub async fn read(headers: &HeaderMap, body: Body, limits: &Limits) -> Result<Vec<u8>, Problem> {
    let packing = packing_of(headers)?;
    // What says beforehand that it is too large isn't read at all.
    if body.size_hint().lower() > MAX_PACKED_BYTES as u64 {
        return Err(too_large("as sent", MAX_PACKED_BYTES));
    }
    let packed = read_packed(body, limits, MAX_PACKED_BYTES).await?;
    if packing == Packing::None {
        return Ok(packed);
    }
    tokio::task::spawn_blocking(move || unpack(packing, &packed)).await.map_err(|_| Problem::internal())?
}

/// A form's bytes.
///
/// # Errors
/// A problem that says which limit.
pub async fn read_form(body: Body, limits: &Limits) -> Result<Vec<u8>, Problem> {
    read_packed(body, limits, MAX_FORM_BYTES).await
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Packing {
    None,
    Gzip,
    Zstd,
}

fn packing_of(headers: &HeaderMap) -> Result<Packing, Problem> {
    let encodings: Vec<_> = headers.get_all(header::CONTENT_ENCODING).iter().collect();
    let unknown = |name: &str| {
        let detail = format!("`{name}` is not accepted here; send `gzip`, `zstd` or nothing");
        Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "unsupported_encoding",
            "unsupported encoding",
            detail,
        )
    };
    match encodings.as_slice() {
        [] => Ok(Packing::None),
        [one] => match one.as_bytes() {
            b"identity" => Ok(Packing::None),
            b"gzip" => Ok(Packing::Gzip),
            b"zstd" => Ok(Packing::Zstd),
            other => Err(unknown(&String::from_utf8_lossy(other))),
        },
        _ => Err(unknown("several encodings")),
    }
}

async fn read_packed(mut body: Body, limits: &Limits, max_bytes: usize) -> Result<Vec<u8>, Problem> {
    let deadline = Instant::now() + limits.body_whole;
    let mut bytes = Vec::new();
    loop {
        let next = timeout_at(deadline, timeout(limits.body_idle, body.frame())).await;
        let Ok(Ok(frame)) = next else { return Err(too_slow(limits)) };
        let Some(frame) = frame else { return Ok(bytes) };
        let Ok(data) = frame.map_err(|_| broken("the connection ended early"))?.into_data() else { continue };
        if bytes.len() + data.len() > max_bytes {
            return Err(too_large("as sent", max_bytes));
        }
        bytes.extend_from_slice(&data);
    }
}

fn unpack(packing: Packing, packed: &[u8]) -> Result<Vec<u8>, Problem> {
    match packing {
        Packing::None => Ok(packed.to_vec()),
        Packing::Gzip => read_limited(flate2::read::MultiGzDecoder::new(packed)),
        Packing::Zstd => read_limited(zstd::Decoder::new(packed).map_err(|_| not_packed_so())?),
    }
}

fn read_limited(source: impl Read) -> Result<Vec<u8>, Problem> {
    let mut bytes = Vec::new();
    let limit = MAX_UNPACKED_BYTES as u64 + 1;
    source.take(limit).read_to_end(&mut bytes).map_err(|_| not_packed_so())?;
    if bytes.len() > MAX_UNPACKED_BYTES {
        return Err(too_large("unpacked", MAX_UNPACKED_BYTES));
    }
    Ok(bytes)
}

pub(super) fn too_large(which: &str, limit_bytes: usize) -> Problem {
    let detail = format!("the body is larger than {limit_bytes} bytes {which}; send less at once");
    Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "body_too_large", "body too large", detail)
}

pub(super) fn too_slow(limits: &Limits) -> Problem {
    let detail = format!(
        "no more of the body came for {} s, or not all within {} s",
        limits.body_idle.as_secs(),
        limits.body_whole.as_secs()
    );
    Problem::new(StatusCode::REQUEST_TIMEOUT, "body_too_slow", "body too slow", detail)
}

fn not_packed_so() -> Problem {
    broken("it breaks off, or is not packed as `Content-Encoding` says; pack it anew, or send it plain")
}

fn broken(why: &str) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, "body_broken", "body cannot be read", why)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_small_body_that_unpacks_to_more_than_the_limit_is_refused() {
        let zeros = vec![0_u8; MAX_UNPACKED_BYTES + 1];
        let bomb = zstd::bulk::compress(&zeros, 3).unwrap();
        assert!(bomb.len() < 10_000, "{}", bomb.len());
        assert_eq!(unpack(Packing::Zstd, &bomb).unwrap_err().code(), "body_too_large");
        let fits = zstd::bulk::compress(&zeros[1..], 3).unwrap();
        assert_eq!(unpack(Packing::Zstd, &fits).unwrap().len(), MAX_UNPACKED_BYTES);
    }

    #[test]
    fn what_is_not_packed_as_it_says_is_refused() {
        assert_eq!(unpack(Packing::Gzip, b"{}").unwrap_err().code(), "body_broken");
        assert_eq!(unpack(Packing::Zstd, b"{}").unwrap_err().code(), "body_broken");
    }
}
