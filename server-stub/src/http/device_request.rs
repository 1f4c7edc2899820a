//! A device that asks for something: its signed request, and the device that it proves.

use axum::http::{HeaderMap, Method, StatusCode, header};
use chrono::DateTime;
use windrow_model::record::request::{RequestProof, SKEW_MAX_S};

use super::{Hub, Problem};
use crate::store::Store;

/// The device that a request was proven to come from.
#[derive(Debug, Clone)]
pub(super) struct ProvenDevice(pub(super) String);

/// The proof that a request carries, where it is one of a device.
///
/// # Errors
/// A proof that isn't written as it should be.
pub(super) fn proof_of(headers: &HeaderMap) -> Result<Option<RequestProof>, Problem> {
    let value = headers.get(header::AUTHORIZATION).and_then(|v| v.to_str().ok());
    value.and_then(RequestProof::parse).transpose().map_err(|refusal| Problem::of_refusal(&refusal))
}

/// Proves a request: a known, good device signed just this, just now.
///
/// # Errors
/// Whatever isn't proven.
pub(super) async fn prove<S: Store>(
    hub: &Hub<S>,
    proof: &RequestProof,
    method: &Method,
    path: &str,
) -> Result<ProvenDevice, Problem> {
    is_of_now(proof, hub.clock.now_ms())?;
    let device = hub.store.device_get(proof.device_id.clone()).await.map_err(|e| Problem::of_store(&e))?;
    let device = device.ok_or_else(|| {
        let detail = "no such device has joined here; join it with an invite first";
        Problem::new(StatusCode::FORBIDDEN, "unknown_device", "unknown device", detail)
    })?;
    proof
        .verify(&device.public_key, method.as_str(), path)
        .map_err(|refusal| Problem::of_refusal(&refusal))?;
    if device.revoked_at_ms.is_some() {
        let detail = "this device was revoked; ask the administrator";
        return Err(Problem::new(StatusCode::FORBIDDEN, "revoked_device", "revoked device", detail));
    }
    Ok(ProvenDevice(device.device_id))
}

/// A request that was overheard must not be good for ever.
fn is_of_now(proof: &RequestProof, now_ms: i64) -> Result<(), Problem> {
    let at = DateTime::parse_from_rfc3339(&proof.at).map_err(|_| {
        let why = "`at` is no time of RFC 3339";
        Problem::new(StatusCode::BAD_REQUEST, "bad_format", "request refused", why).about("authorization")
    })?;
    if (now_ms / 1000).abs_diff(at.timestamp()) <= SKEW_MAX_S.unsigned_abs() {
        return Ok(());
    }
    let detail = format!("signed more than {SKEW_MAX_S} s from the hub's time; set the device's clock");
    Err(Problem::new(StatusCode::UNAUTHORIZED, "stale_request", "request too old or too new", detail))
}
