//! `windrow-hub revoke`: a lost or copied laptop key is turned away from now on.

use super::{Outcome, Setting, block_on, print};
use crate::database;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;
use crate::store::Store;

/// Arguments of `revoke`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Example:
  windrow-hub revoke 00112233445566778899aabbccddeeff

Its past records stay. The laptop can come back only as a new device, with a new invite.")]
pub(super) struct Args {
    /// Device id, as `rank` shows it
    device_id: String,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let now_ms = setting.clock.now_ms();
    let found = block_on(async {
        let store = database::open(&database).await?;
        let found = store.device_revoke(args.device_id.clone(), now_ms).await?;
        store.store_close().await;
        Ok(found)
    })?;
    if !found {
        return Err(Failure::new(format!("no device `{}` has joined this hub", args.device_id))
            .remedy("copy the whole id from `windrow-hub rank --json`"));
    }
    let said = if setting.json {
        serde_json::json!({"device_id": args.device_id, "revoked": true}).to_string()
    } else {
        format!("revoked `{}`: no record of it is taken from now on", args.device_id)
    };
    print(output, &said)?;
    Ok(Exit::Done)
}
