//! `POST /v1/devices`: a laptop joins with an invite and proves that it has its key.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::record::enrol::EnrolmentRequest;

use super::openapi::Operation;
use super::{Hub, Problem, body};
use crate::invite;
use crate::store::{Enrolled, NewDevice, Store};

/// The answer to a laptop that joined.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Joined {
    /// The laptop.
    device_id: String,
    /// `new` or `known`.
    state: &'static str,
    /// Schemas of records that this hub takes.
    accepts: [&'static str; 1],
}

/// What the document says of this route.
pub(super) fn operations() -> Vec<Operation> {
    let enrol = Operation::new("POST", "/v1/devices", "A laptop joins")
        .body::<EnrolmentRequest>()
        .answer::<Joined>(200, "it had joined before, with the same key")
        .answer::<Joined>(201, "it has joined")
        .limited_body();
    let enrol = REFUSED_WITH.into_iter().fold(enrol, |o, code| o.problem(StatusCode::FORBIDDEN, code));
    vec![super::records::document_refused(enrol)]
}

/// Codes of an enrolment that is refused for who asks.
const REFUSED_WITH: [&str; 4] = ["device_id_taken", "unknown_invite", "expired_invite", "revoked_device"];

pub(super) async fn enrol<S: Store>(
    State(hub): State<Hub<S>>,
    headers: HeaderMap,
    request: Body,
) -> Result<(StatusCode, Json<Joined>), Problem> {
    let outcome = enrol_counted(&hub, &headers, request).await;
    if let Err(problem) = &outcome {
        hub.count_refusal(problem.code()).await;
    }
    outcome
}

async fn enrol_counted<S: Store>(
    hub: &Hub<S>,
    headers: &HeaderMap,
    request: Body,
) -> Result<(StatusCode, Json<Joined>), Problem> {
    let bytes = body::read(headers, request, &hub.limits).await?;
    let enrolment = EnrolmentRequest::parse_and_verify(&bytes).map_err(|e| Problem::of_refusal(&e))?;
    let device = NewDevice {
        device_id: enrolment.device_id.clone(),
        public_key: enrolment.public_key,
        token_hash: invite::hash(&enrolment.invite),
        now_ms: hub.clock.now_ms(),
    };
    let enrolled = hub.store.device_enrol(device).await.map_err(|e| Problem::of_store(&e))?;
    let (status, state) = match enrolled {
        Enrolled::New => (StatusCode::CREATED, "new"),
        Enrolled::Known => (StatusCode::OK, "known"),
        Enrolled::OtherKey => {
            return Err(refused("device_id_taken", "device_id", "another key has this device id"));
        }
        Enrolled::NoInvite => {
            return Err(refused("unknown_invite", "invite", "no such invite, or it is used up"));
        }
        Enrolled::InviteExpired => return Err(refused("expired_invite", "invite", "the invite has expired")),
        Enrolled::Revoked => return Err(refused("revoked_device", "device_id", "this device was revoked")),
    };
    tracing::info!(device_id = %enrolment.device_id, state, "a laptop joined");
    let joined = Joined { device_id: enrolment.device_id, state, accepts: super::records::ACCEPTS };
    Ok((status, Json(joined)))
}

fn refused(code: &'static str, field: &str, detail: &str) -> Problem {
    Problem::new(StatusCode::FORBIDDEN, code, "enrolment refused", detail).about(field)
}
