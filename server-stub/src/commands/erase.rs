//! `windrow-hub erase`: free text goes for good; what the ledger proves stays proven.

use super::laptop::one_laptop;
use super::{Outcome, Setting, block_on, print};
use crate::access::Role;
use crate::database;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;
use crate::store::Store;
use crate::store::facts::{Actor, Erasing, FactStore as _};

/// Arguments of `erase`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub erase visit 7
  windrow-hub erase reasons A-1042

Day, actions, minutes and the entry itself stay, and every proof still holds: the ledger has only a salted commitment to
the text, and the salt goes with it. Copies that exist already, as backups and exports, are not reached.")]
pub(super) struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// What was found, the parts and the note of a visit's entry, and of all that it corrects
    Visit {
        /// Its number, as `visit list` shows it
        number: i64,
    },
    /// Why a laptop was held, snoozed or asked for a check
    Reasons {
        /// Asset tag or device id
        laptop: String,
    },
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let path = database::path(setting.database.as_deref())?;
    let now_ms = setting.clock.now_ms();
    let n_erased = block_on(async {
        let store = database::open(&path).await?;
        let what = match &args.what {
            What::Visit { number } => Erasing::Visit(*number),
            What::Reasons { laptop } => Erasing::Reasons(one_laptop(&store, laptop).await?),
        };
        let actor = Actor { role: Role::Admin, grant_id: None };
        let n_erased = store.text_erase(what, actor, now_ms).await?;
        store.store_close().await;
        Ok(n_erased)
    })?;
    if n_erased == 0 {
        return Err(nothing(&args.what));
    }
    let said = if setting.json {
        serde_json::json!({"erased": n_erased}).to_string()
    } else {
        format!("erased the texts of {n_erased} {}", if n_erased == 1 { "entry" } else { "entries" })
    };
    print(output, &said)?;
    Ok(Exit::Done)
}

fn nothing(what: &What) -> Failure {
    match what {
        What::Visit { number } => Failure::new(format!("there is no visit {number}"))
            .remedy("`windrow-hub visit list` shows the entries with their numbers"),
        What::Reasons { laptop } => Failure::new(format!("`{laptop}` has no reason to erase"))
            .remedy("nothing is left to do; if another laptop was meant, give its tag or device id"),
    }
}
