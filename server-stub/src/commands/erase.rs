//! `windrow-hub erase`: free text goes for good; what the ledger proves stays proven.

use super::laptop::one_laptop;
use super::{Outcome, Setting, block_on, print};
use crate::access::Role;
use crate::database;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;
use crate::store::facts::{Actor, Erased, Erasing};
use crate::store::{EpochMs, Store};

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
  windrow-hub erase unused

Days, actions, minutes and the entries themselves stay, and every proof still holds: the ledger has only a salted \
commitment to the text, and the salt goes with it. Then the database file is rewritten without its unused parts, where \
older copies may stand; a hub that serves waits meanwhile, some seconds a gigabyte. Copies that exist already, as backups and \
exports, are not reached.")]
pub(super) struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    #[command(flatten)]
    Texts(Texts),
    /// What was erased before, from the unused parts of the database file
    Unused,
}

#[derive(Debug, clap::Subcommand)]
enum Texts {
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
    let database = setting.database()?;
    let now_ms = setting.clock.now_ms();
    let (n_erased, compacted) = block_on(async {
        let store = database::open(&database).await?;
        let n_erased = match &args.what {
            What::Texts(texts) => Some(erase(&store, texts, now_ms).await?),
            What::Unused => None,
        };
        let compacted = store.store_compact().await;
        store.store_close().await;
        Ok((n_erased, compacted))
    })?;
    print(output, &said(setting.json, n_erased, compacted.is_ok()))?;
    compacted.map_err(|why| {
        let kept =
            "the database file could not be rewritten: copies of erased texts may stand in its unused parts";
        Failure::new(format!("{kept} ({why})")).remedy("run `windrow-hub erase unused` when less is going on")
    })?;
    Ok(Exit::Done)
}

/// How many entries lost their texts.
async fn erase<S: Store>(store: &S, texts: &Texts, now_ms: EpochMs) -> Result<usize, Failure> {
    let what = match texts {
        Texts::Visit { number } => Erasing::Visit(*number),
        Texts::Reasons { laptop } => Erasing::Reasons(one_laptop(store, laptop).await?),
        Texts::Places { laptop } => Erasing::Places(one_laptop(store, laptop).await?),
        Texts::Tag { tag } => Erasing::Tag(tag.trim().to_owned()),
        Texts::Site { name } => Erasing::Site(name.trim().to_owned()),
        Texts::Grant { number } => Erasing::Grant(*number),
    };
    let actor = Actor { role: Role::Admin, grant_id: None };
    match store.text_erase(what, actor, now_ms).await? {
        Erased::Done { n_entries: 0 } => Err(nothing(texts)),
        Erased::Done { n_entries } => Ok(n_entries),
        Erased::SiteIsBound => Err(bound()),
    }
}

fn said(as_json: bool, n_erased: Option<usize>, is_compacted: bool) -> String {
    match n_erased {
        _ if as_json => serde_json::json!({"erased": n_erased, "is_compacted": is_compacted}).to_string(),
        Some(1) => "erased the texts of 1 entry".to_owned(),
        Some(n) => format!("erased the texts of {n} entries"),
        None if is_compacted => {
            "nothing that was erased before stands in the database file any more".to_owned()
        }
        None => String::new(),
    }
}

fn bound() -> Failure {
    Failure::new(
        "a grant that is good is bound to this site, and without the name it would be bound to nothing",
    )
    .remedy("`windrow-hub grant --list` shows it; revoke it first, and give another one")
}

fn nothing(texts: &Texts) -> Failure {
    match texts {
        Texts::Visit { number } => Failure::new(format!("there is no visit {number}"))
            .remedy("`windrow-hub visit list` shows the entries with their numbers"),
        Texts::Reasons { laptop } => Failure::new(format!("`{laptop}` has no reason to erase"))
            .remedy("nothing is left to do; if another laptop was meant, give its tag or device id"),
        Texts::Places { laptop } => Failure::new(format!("`{laptop}` has stood nowhere else"))
            .remedy("where it stands now is no history: move it first, or erase its tag"),
        Texts::Tag { tag } => Failure::new(format!("nothing was ever said of a tag `{tag}`"))
            .remedy("`windrow-hub scope list` shows the tags; nothing is left to do if it was erased before"),
        Texts::Site { name } => Failure::new(format!("no site `{name}` stands anywhere"))
            .remedy("`windrow-hub scope coverage` shows the sites; a name is written as it stands there"),
        Texts::Grant { number } => Failure::new(format!("grant {number} has no name to erase"))
            .remedy("`windrow-hub grant --list` shows the grants with their numbers"),
    }
}
