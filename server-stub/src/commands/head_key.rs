//! `windrow-hub head-key`: the key that signs the ledger's heads, and its successor.

use chrono::{DateTime, SecondsFormat};
use serde::Serialize;

use super::{Outcome, Setting, block_on, print};
use crate::database;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::ledger::head::KeyLink;
use crate::ledger::signing::{self, HeadError};
use crate::output::Output;
use crate::store::{LedgerStore, Store};

/// Arguments of `head-key`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub head-key
  windrow-hub head-key --rotate

The log id names this hub's ledger for good: tell it to your auditors by another way than the exports themselves, on \
paper for example. The key's secret stands in a file beside the database, mode 0600; keep it in the backup. A new key is \
endorsed by the present one, and that is written into the ledger itself.")]
pub(super) struct Args {
    /// Make a new key, endorsed by the present one
    #[arg(long)]
    rotate: bool,
}

/// What is printed.
#[derive(Serialize)]
struct Shown {
    log_id: String,
    public_key: String,
    n_keys: usize,
    secret_file: String,
    rotated: bool,
    tree_size: u64,
    head_signed_at: String,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let now_ms = setting.clock.now_ms();
    let shown = block_on(async {
        let store = database::open(&database).await?;
        if args.rotate {
            signing::rotate(&store, now_ms).await?;
        }
        let head = signing::head_now(&store, now_ms).await?;
        let secret_file = store.head_key_path().display().to_string();
        let (_, keys): (_, Vec<KeyLink>) = signing::key_now(&store, now_ms).await?;
        store.store_close().await;
        let signed_at = DateTime::from_timestamp_millis(head.timestamp_ms.cast_signed());
        Ok(Shown {
            log_id: head.log_id,
            public_key: keys.last().map(|k| k.public_key.clone()).unwrap_or_default(),
            n_keys: keys.len(),
            secret_file,
            rotated: args.rotate,
            tree_size: head.tree_size,
            head_signed_at: signed_at
                .map(|t| t.to_rfc3339_opts(SecondsFormat::Secs, true))
                .unwrap_or_default(),
        })
    })?;
    let said = if setting.json {
        serde_json::to_string(&shown).map_err(|e| Failure::new(e.to_string()))?
    } else {
        words(&shown)
    };
    print(output, &said)?;
    Ok(Exit::Done)
}

fn words(shown: &Shown) -> String {
    let change = if shown.rotated { "a new key was made; the one before it has endorsed it\n" } else { "" };
    let which = if shown.n_keys == 1 {
        "the log's first".to_owned()
    } else {
        format!("number {} of this log", shown.n_keys)
    };
    format!(
        "{change}log id   {}\nkey      {}, {which}\nsecret   `{}`\nhead     {} leaves, signed {}",
        shown.log_id, shown.public_key, shown.secret_file, shown.tree_size, shown.head_signed_at
    )
}

impl From<HeadError> for Failure {
    fn from(error: HeadError) -> Self {
        match error {
            HeadError::Store(e) => e.into(),
            HeadError::Key(e) => {
                let remedy = e.remedy();
                Self::new(e.to_string()).remedy(remedy)
            }
        }
    }
}
