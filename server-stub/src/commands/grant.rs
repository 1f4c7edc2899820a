//! `windrow-hub grant`: tokens for people and their programs, each shown once.

use std::fs::{self, File};
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use serde::Serialize;
use tabled::builder::Builder;
use tabled::settings::Style;

use super::{Outcome, Setting, block_on, plain_text, print};
use crate::access::{Role, Secret};
use crate::database::{self, Database};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;
use crate::sites;
use crate::store::access::{AccessStore, Grant, Granted, MAX_GRANTS, NewGrant};
use crate::store::{EpochMs, Store};

/// Longest life of a grant that ends at all, days.
const MAX_DAYS: u32 = 3660;
/// Label of the first grant, unless another is given.
const FIRST_ADMIN: &str = "first admin";

/// Arguments of `grant`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub grant --first-admin
  windrow-hub grant --role technician --name 'bench north' --site north --expires-days 90
  windrow-hub grant --role auditor --name 'yearly audit' --to auditor.token
  windrow-hub grant --list
  windrow-hub grant --revoke 3

Roles: admin (everything), technician (read, log visits, ask for checks), auditor (read and export only). The token \
is shown once, on a terminal or in a file of mode 0600 that `--to` names; the hub keeps only its hash. In a browser it is \
typed into the sign-in page; a program sends it as `Authorization: Bearer TOKEN`.")]
#[command(group(clap::ArgGroup::new("deed").required(true).args(["role", "first_admin", "list", "revoke"])))]
pub(super) struct Args {
    /// What its holder may
    #[arg(long, value_enum, requires = "name")]
    role: Option<Role>,
    /// Make the first administrator's token of a fresh hub; refused where an administrator has one
    #[arg(long)]
    first_admin: bool,
    /// Show all grants, never their tokens
    #[arg(long, conflicts_with_all = ["name", "site", "expires_days", "to"])]
    list: bool,
    /// Revoke the grant of this number, as `--list` shows it; its sessions end
    #[arg(long, value_name = "NUMBER", conflicts_with_all = ["name", "site", "expires_days", "to"])]
    revoke: Option<i64>,
    /// Your own word for whoever gets it
    #[arg(long, value_name = "LABEL", value_parser = plain_text)]
    name: Option<String>,
    /// Only this site
    #[arg(long, value_parser = plain_text, conflicts_with = "first_admin")]
    site: Option<String>,
    /// Days until it expires; without it, it is good until revoked
    #[arg(long, visible_alias = "expires", value_name = "DAYS",
          value_parser = clap::value_parser!(u32).range(1..=i64::from(MAX_DAYS)))]
    expires_days: Option<u32>,
    /// Write the token into this new file, mode 0600, instead of to the terminal
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
}

/// A grant as it is printed: never with its token.
#[derive(Serialize)]
struct Shown {
    grant: i64,
    role: Role,
    name: String,
    site: Option<String>,
    created_at: String,
    expires_at: Option<String>,
    /// `good`, `expired` or `revoked`.
    state: &'static str,
}

/// What `--json` prints of a new grant.
#[derive(Serialize)]
struct Made<'a> {
    grant: i64,
    role: Role,
    name: &'a str,
    /// Only on a terminal; else it is in the file.
    token: Option<&'a str>,
    token_file: Option<&'a Path>,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    if args.list {
        return list(setting, output);
    }
    if let Some(grant_id) = args.revoke {
        return revoke(setting, grant_id, output);
    }
    make(setting, args, output)
}

fn make(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let new = new_grant(setting, args)?;
    if args.to.is_none() && !output.is_terminal() {
        return Err(Failure::new(
            "will not print a token to what is not a terminal: it would stay in a log or file",
        )
        .remedy("add `--to FILE`: the token then goes into a new file that only you can read"));
    }
    let token =
        Secret::new_token().map_err(|e| Failure::new(format!("the system gives no random numbers: {e}")))?;
    let grant = NewGrant { token_hash: token.hash(), ..new };
    let (role, name) = (grant.role, grant.label.clone());
    let database = setting.database()?;
    // The file first: a grant whose token nobody could write down would be of no use.
    if let Some(to) = &args.to {
        write_token(to, &token)?;
    }
    let granted = store_grant(&database, grant, args.first_admin).inspect_err(|_| {
        if let Some(to) = &args.to {
            let _ = fs::remove_file(to);
        }
    })?;
    let made = Made {
        grant: granted,
        role,
        name: &name,
        token: args.to.is_none().then(|| token.reveal()),
        token_file: args.to.as_deref(),
    };
    show_made(setting, &made, output)?;
    Ok(Exit::Done)
}

/// What is meant; the token's hash comes later.
fn new_grant(setting: &Setting, args: &Args) -> Result<NewGrant, Failure> {
    let role = args.role.unwrap_or(Role::Admin);
    let label = args.name.clone().unwrap_or_else(|| FIRST_ADMIN.to_owned());
    if label.is_empty() {
        return Err(
            Failure::new("the grant has no name").remedy("give one, for example `--name 'bench north'`")
        );
    }
    if role == Role::Admin && args.site.is_some() {
        return Err(Failure::new(
            "an administrator's grant cannot be for one site: some changes concern all",
        )
        .remedy("leave `--site` out, or grant `--role technician`"));
    }
    let now = setting.clock.now();
    let expires_at = args.expires_days.map(|days| now + TimeDelta::days(days.into()));
    Ok(NewGrant {
        token_hash: windrow_model::record::Digest([0; 32]),
        role,
        label,
        site: args.site.clone().filter(|site| !site.is_empty()),
        created_at_ms: now.timestamp_millis(),
        expires_at_ms: expires_at.map(|t| t.timestamp_millis()),
        only_as_first_admin: args.first_admin,
    })
}

fn store_grant(database: &Database, grant: NewGrant, is_first: bool) -> Result<i64, Failure> {
    let granted = block_on(async {
        // Only the first grant begins a hub; for the others a mistyped path must not look like one.
        let store =
            if is_first { database::open_or_make(database).await? } else { database::open(database).await? };
        if let Some(what) = sites::unknown(&store, grant.site.as_deref().into_iter()).await? {
            return Err(Failure::new(what).remedy("name one of these with `--site`, or list a new site's laptops first with `windrow-hub scope import`"));
        }
        let granted = store.grant_create(grant).await?;
        store.store_close().await;
        Ok(granted)
    })?;
    match granted {
        Granted::Made { grant_id } => Ok(grant_id),
        Granted::AdminExists => Err(Failure::new("this hub has an administrator already")
            .remedy("make more with `windrow-hub grant --role admin --name LABEL`; `windrow-hub grant --list` shows them")),
        Granted::TooMany => Err(Failure::new(format!("there are {MAX_GRANTS} good grants already"))
            .remedy("revoke what is no longer used, see `windrow-hub grant --list`")),
    }
}

/// Writes the token into a new file that only its owner may read.
fn write_token(path: &Path, token: &Secret) -> Result<(), Failure> {
    let made = File::options().write(true).create_new(true).mode(0o600).open(path);
    let mut file = made.map_err(|e| {
        Failure::at("make the file", path, e)
            .remedy("name a file that does not exist yet, in a folder you may write")
    })?;
    let written = file.write_all(format!("{}\n", token.reveal()).as_bytes()).and_then(|()| file.sync_all());
    written.map_err(|e| {
        let _ = fs::remove_file(path);
        Failure::at("write", path, e).remedy("check that the disk has room")
    })
}

fn show_made(setting: &Setting, made: &Made<'_>, output: &mut Output) -> Result<(), Failure> {
    if setting.json {
        return print_json(made, output);
    }
    if let Some(token) = made.token {
        print(output, token)?;
        output.say("this token is not shown again");
    }
    if let Some(file) = made.token_file {
        output.say(&format!("the token is in `{}`, and nowhere else", file.display()));
    }
    output.say(&format!("grant {}: {} `{}`", made.grant, made.role, made.name));
    Ok(())
}

fn list(setting: &Setting, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let grants = block_on(async {
        let store = database::open(&database).await?;
        let grants = store.grant_list().await?;
        store.store_close().await;
        Ok(grants)
    })?;
    let now_ms = setting.clock.now_ms();
    let shown: Vec<Shown> = grants.into_iter().map(|grant| shown(grant, now_ms)).collect();
    if setting.json {
        print_json(&shown, output)?;
    } else if shown.is_empty() {
        output.say("nobody has a grant yet; `windrow-hub grant --first-admin` makes the first");
    } else {
        print(output, &table(&shown))?;
    }
    Ok(Exit::Done)
}

fn table(shown: &[Shown]) -> String {
    let mut builder = Builder::default();
    builder.push_record(["number", "role", "name", "site", "made", "expires", "state"]);
    for grant in shown {
        builder.push_record([
            grant.grant.to_string(),
            grant.role.to_string(),
            grant.name.clone(),
            grant.site.clone().unwrap_or_else(|| "all".to_owned()),
            grant.created_at.clone(),
            grant.expires_at.clone().unwrap_or_else(|| "never".to_owned()),
            grant.state.to_owned(),
        ]);
    }
    let mut table = builder.build();
    table.with(Style::sharp());
    table.to_string()
}

fn revoke(setting: &Setting, grant_id: i64, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let now_ms = setting.clock.now_ms();
    let revoked = block_on(async {
        let store = database::open(&database).await?;
        let revoked = store.grant_revoke(grant_id, now_ms).await?;
        store.store_close().await;
        Ok(revoked)
    })?;
    let Some(grant) = revoked else {
        return Err(Failure::new(format!("there is no grant {grant_id}"))
            .remedy("take the number from `windrow-hub grant --list`"));
    };
    let shown = shown(grant, now_ms);
    if setting.json {
        print_json(&shown, output)?;
    } else {
        print(output, &format!("revoked grant {grant_id} of `{}`; its sessions have ended", shown.name))?;
    }
    Ok(Exit::Done)
}

fn shown(grant: Grant, now_ms: EpochMs) -> Shown {
    let state = match (grant.is_good(now_ms), grant.revoked_at_ms) {
        (true, _) => "good",
        (false, Some(_)) => "revoked",
        (false, None) => "expired",
    };
    Shown {
        grant: grant.grant_id,
        role: grant.role,
        site: grant.site,
        created_at: time(grant.created_at_ms),
        expires_at: grant.expires_at_ms.map(time),
        name: grant.label,
        state,
    }
}

fn time(ms: EpochMs) -> String {
    let time: Option<DateTime<Utc>> = DateTime::from_timestamp_millis(ms);
    time.map(|t| t.to_rfc3339_opts(SecondsFormat::Secs, true)).unwrap_or_default()
}

fn print_json(value: &impl Serialize, output: &mut Output) -> Result<(), Failure> {
    let json = serde_json::to_string(value).map_err(|e| Failure::new(e.to_string()))?;
    print(output, &json)
}
