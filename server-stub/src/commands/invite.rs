//! `windrow-hub invite`: a token with which laptops join, shown once.

use chrono::{SecondsFormat, TimeDelta};
use serde::Serialize;

use super::{Outcome, Setting, block_on, plain_text, print};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;
use crate::store::{NewInvite, Store};
use crate::{database, invite};

/// Most laptops on one invite: a token that leaks is worth no more than this.
const MAX_USES: u32 = 100_000;
/// Longest life of an invite, days.
const MAX_DAYS: u32 = 366;

/// Arguments of `invite`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Example:
  windrow-hub invite --site north --place 'floor 2' --uses 25 --expires-days 14
On each laptop then: windrow join https://hub.example --invite TOKEN

The token is printed to stdout, once; the hub keeps only its hash.")]
pub(super) struct Args {
    /// Site of the laptops that join with it
    #[arg(long, value_parser = plain_text)]
    site: String,
    /// Place within the site
    #[arg(long, value_parser = plain_text, default_value = "")]
    place: String,
    /// Asset tag, for an invite of one laptop
    #[arg(long, value_parser = plain_text)]
    asset_tag: Option<String>,
    /// How many laptops may join with it
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=i64::from(MAX_USES)))]
    uses: u32,
    /// Days until it expires
    #[arg(long, visible_alias = "expires", value_name = "DAYS", default_value_t = 14,
          value_parser = clap::value_parser!(u32).range(1..=i64::from(MAX_DAYS)))]
    expires_days: u32,
}

#[derive(Serialize)]
struct Made<'a> {
    invite: &'a str,
    site: &'a str,
    place: &'a str,
    asset_tag: &'a str,
    uses: u32,
    expires_at: String,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let asset_tag = args.asset_tag.as_deref().unwrap_or_default();
    if !asset_tag.is_empty() && args.uses > 1 {
        return Err(Failure::new(format!(
            "an asset tag is one laptop's, and this invite is for {}",
            args.uses
        ))
        .remedy("make one invite for each tag, or leave `--asset-tag` out"));
    }
    if args.site.is_empty() {
        return Err(Failure::new("the site has no name").remedy("give one, for example `--site north`"));
    }
    let now = setting.clock.now();
    let expires_at = now + TimeDelta::days(args.expires_days.into());
    let token =
        invite::new_token().map_err(|e| Failure::new(format!("the system gives no random numbers: {e}")))?;
    let new_invite = NewInvite {
        token_hash: invite::hash(&token),
        site: args.site.clone(),
        place: args.place.clone(),
        asset_tag: asset_tag.to_owned(),
        uses: args.uses,
        created_at_ms: now.timestamp_millis(),
        expires_at_ms: expires_at.timestamp_millis(),
    };
    let database = setting.database()?;
    block_on(async {
        let store = database::open_or_make(&database).await?;
        store.invite_create(new_invite).await?;
        store.store_close().await;
        Ok(())
    })?;
    let made = Made {
        invite: &token,
        site: &args.site,
        place: &args.place,
        asset_tag,
        uses: args.uses,
        expires_at: expires_at.to_rfc3339_opts(SecondsFormat::Secs, true),
    };
    show(setting, &made, output)?;
    Ok(Exit::Done)
}

fn show(setting: &Setting, made: &Made<'_>, output: &mut Output) -> Result<(), Failure> {
    if setting.json {
        let json = serde_json::to_string(made).map_err(|e| Failure::new(e.to_string()))?;
        return print(output, &json);
    }
    print(output, made.invite)?;
    let laptops = if made.uses == 1 { "one laptop".to_owned() } else { format!("{} laptops", made.uses) };
    output.say(&format!("good for {laptops} at site `{}` until {}", made.site, made.expires_at));
    output.say("on the laptop: windrow join HUB-ADDRESS --invite TOKEN (the token is not shown again)");
    Ok(())
}
