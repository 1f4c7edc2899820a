//! `windrow join`: enrols this laptop at a hub and remembers it.

use std::io::Read;
use std::path::Path;

use chrono::{SecondsFormat, Utc};
use serde::Serialize;
use windrow_model::record::limits::MAX_INVITE_BYTES;

use super::settings::HubWords;
use super::{print, print_json};
use crate::cli::JoinArgs;
use crate::exit::Exit;
use crate::failure::{Failure, Outcome};
use crate::hub::{self, HubAddress, Joined};
use crate::identity;
use crate::output::Output;
use crate::post::{Http, Patience, RealWait, enrol};
use crate::spool::Spool;
use crate::state::StateDir;

#[derive(Debug, Serialize)]
struct JoinJson<'a> {
    hub: &'a str,
    device_id: &'a str,
    records_waiting: usize,
}

pub(super) fn run(args: &JoinArgs, state: &StateDir, output: &mut Output) -> Outcome {
    let words = HubWords::of(Some(&args.hub), args.plain_http, args.ca_file.as_deref())?;
    let address = HubAddress::new(&args.hub, args.plain_http)?.vouched_for_by(words.authority_pem.clone());
    let invite = read_invite(&args.invite)?;
    let _lock = state.lock()?;
    let identity = identity::load_or_make(state, &identity::fingerprint(Path::new("/")), Utc::now())?;
    let signing = &identity.signing;
    enrol::enrol(
        signing,
        &invite,
        &mut Http::new(&address)?,
        &mut RealWait::default(),
        Patience::AFTER_CHECK,
    )?;
    let joined = Joined {
        url: address.shown().to_owned(),
        plain_http: args.plain_http,
        joined_at: Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true),
        device_id: signing.device_id().to_owned(),
        authority_pem: words.authority_pem,
    };
    hub::remember(state, &joined)?;
    let n_waiting = Spool::new(state).waiting()?.len();
    if args.json {
        let json = JoinJson { hub: &joined.url, device_id: &joined.device_id, records_waiting: n_waiting };
        print_json(output, &json)?;
    } else {
        print(output, &format!("Joined {} as device {}.", joined.url, joined.device_id))?;
        if n_waiting > 0 {
            output.say(&format!("{n_waiting} records wait; `windrow send` sends them."));
        }
    }
    Ok(Exit::Done)
}

fn read_invite(told: &str) -> Result<String, Failure> {
    if told != "-" {
        return Ok(told.trim().to_owned());
    }
    let mut text = String::new();
    let limit = MAX_INVITE_BYTES as u64 + 64;
    std::io::stdin()
        .lock()
        .take(limit)
        .read_to_string(&mut text)
        .map_err(|e| Failure::new(format!("cannot read the invite from standard input: {e}")))?;
    Ok(text.trim().to_owned())
}
