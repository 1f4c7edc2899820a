//! `windrow-hub erase`: free text goes for good; what the ledger proves stays proven.

use super::laptop::one_laptop;
use super::{Outcome, Setting, block_on, print};
use crate::access::Role;
use crate::database;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;
use crate::store::Store;
use crate::store::facts::{Actor, Erased, Erasing, FactStore as _};

/// Arguments of `erase`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub erase visit 7
  windrow-hub erase reasons A-1042
  windrow-hub erase places A-1042
  windrow-hub erase tag A-1042
  windrow-hub erase site 'Quay Street'
  windrow-hub erase grant 3

Days, actions, minutes and the entries themselves stay, and every proof still holds: the ledger has only a salted \
commitment to the text, and the salt goes with it. Copies that exist already, as backups and exports, are not reached.")]
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
    /// Where a laptop stood, and under which tags, before it stood where it stands
    Places {
        /// Asset tag or device id
        laptop: String,
    },
    /// An asset tag, all that the list said of it, and where the laptops stood that carried it
    Tag {
        /// Asset tag
        tag: String,
    },
    /// A site's name and the places in it, wherever they stand
    Site {
        /// Its name
        name: String,
    },
    /// Who holds a grant
    Grant {
        /// Its number, as `grant --list` shows it
        number: i64,
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
            What::Places { laptop } => Erasing::Places(one_laptop(&store, laptop).await?),
            What::Tag { tag } => Erasing::Tag(tag.trim().to_owned()),
            What::Site { name } => Erasing::Site(name.trim().to_owned()),
            What::Grant { number } => Erasing::Grant(*number),
        };
        let actor = Actor { role: Role::Admin, grant_id: None };
        let erased = store.text_erase(what, actor, now_ms).await?;
        store.store_close().await;
        match erased {
            Erased::Done { n_entries } => Ok(n_entries),
            Erased::SiteIsBound => Err(bound()),
        }
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

fn bound() -> Failure {
    Failure::new(
        "a grant that is good is bound to this site, and without the name it would be bound to nothing",
    )
    .remedy("`windrow-hub grant --list` shows it; revoke it first, and give another one")
}

fn nothing(what: &What) -> Failure {
    match what {
        What::Visit { number } => Failure::new(format!("there is no visit {number}"))
            .remedy("`windrow-hub visit list` shows the entries with their numbers"),
        What::Reasons { laptop } => Failure::new(format!("`{laptop}` has no reason to erase"))
            .remedy("nothing is left to do; if another laptop was meant, give its tag or device id"),
        What::Places { laptop } => Failure::new(format!("`{laptop}` has stood nowhere else"))
            .remedy("where it stands now is no history: move it first, or erase its tag"),
        What::Tag { tag } => Failure::new(format!("nothing was ever said of a tag `{tag}`"))
            .remedy("`windrow-hub scope list` shows the tags; nothing is left to do if it was erased before"),
        What::Site { name } => Failure::new(format!("no site `{name}` stands anywhere"))
            .remedy("`windrow-hub scope coverage` shows the sites; a name is written as it stands there"),
        What::Grant { number } => Failure::new(format!("grant {number} has no name to erase"))
            .remedy("`windrow-hub grant --list` shows the grants with their numbers"),
    }
}
