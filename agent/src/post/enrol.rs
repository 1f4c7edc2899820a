//! Joining a hub: the invite is shown and the key's possession proven.

use std::time::Duration;

use windrow_model::record::SigningIdentity;

use super::answer::Verdict;
use super::patience::Budget;
use super::{Patience, Transport, TransportError, Wait};
use crate::failure::Failure;

/// The endpoint.
const DEVICES: &str = "v1/devices";

/// Enrols this device.
///
/// # Errors
/// An invite that cannot be one, a hub that says no, or none that answers.
pub fn enrol(
    signing: &SigningIdentity,
    invite: &str,
    hub: &mut dyn Transport,
    wait: &mut dyn Wait,
    patience: Patience,
) -> Result<(), Failure> {
    let request = signing.enrolment_request(invite).map_err(|e| {
        Failure::new(format!("this cannot be an invite: {}", e.why))
            .remedy("copy it as the administrator gave it")
    })?;
    let mut budget = Budget::new(patience);
    for n_tries in 1..=patience.tries_max {
        let (why, after_s) = match hub.post(DEVICES, &request) {
            Err(TransportError::NoAnswer(why)) => (why, None),
            Err(e @ TransportError::Untrusted(_)) => {
                return Err(
                    Failure::new(format!("the hub was not joined: {e}")).remedy(TransportError::TRUST)
                );
            }
            Err(e @ TransportError::Stopped(_)) => {
                return Err(Failure::new(format!("the hub was not joined: {e}"))
                    .remedy("run `windrow join` again with the same invite"));
            }
            Ok(answer) => match answer.verdict() {
                Verdict::Taken => return Ok(()),
                Verdict::Later { why, after_s } => (why, after_s),
                Verdict::NoHub { why } => {
                    return Err(Failure::new(format!("what answers there is not a hub: {why}"))
                        .remedy("check the address"));
                }
                Verdict::Denied { why } | Verdict::Refused { why } => {
                    return Err(Failure::new(format!("the hub refuses the invite: {why}"))
                        .remedy("ask the administrator for a new invite"));
                }
            },
        };
        match budget.next_wait_s(n_tries, after_s, wait.draw()) {
            Some(wait_s) => wait.wait(Duration::from_secs_f64(wait_s)),
            None => return Err(unreachable(&why)),
        }
    }
    Err(unreachable("no try was allowed"))
}

fn unreachable(why: &str) -> Failure {
    Failure::new(format!("the hub cannot be reached: {why}"))
        .remedy("check the address and the network, then run `windrow join` again")
}
