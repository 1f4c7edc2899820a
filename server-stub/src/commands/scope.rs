//! `windrow-hub scope`: the list of laptops that should be checked, and how far they were.

use std::path::PathBuf;

use chrono::{DateTime, NaiveDate, SecondsFormat};
use serde::Serialize;

use super::laptop::{no_laptop, one_laptop};
use super::{Outcome, Setting, block_on, plain_text, print};
use crate::access::Role;
use crate::costs::Costs;
use crate::coverage::{self, Coverage, CoverageCounts, CoverageState};
use crate::database::{self, Database};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;
use crate::pages::words::{count as count_of, first_of};
use crate::store::Store;
use crate::store::facts::{
    Actor, FactStore, Merged, ScopeCount, ScopeDeed, ScopeDone, ScopeEntry, ScopeVersion,
};
use crate::{judgement, scope};

/// Arguments of `scope`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub scope import assets.csv
  windrow-hub scope coverage
  windrow-hub scope move A-1042 --site North --place 'floor 2'
  windrow-hub scope retire A-1042 --why 'sold'
  windrow-hub scope assign A-1042 7f3e09ab
  windrow-hub scope merge A-1042 7f3e09ab
  windrow-hub scope list --csv > assets.csv

The file is CSV with a header: tag, model, site, place, from, until, excluded, why; tag and site have to be \
there. Days are written 2026-01-31, excluded is yes or no. Nothing is edited: each change is another entry, and \
`history` shows them all.")]
pub(super) struct Args {
    #[command(subcommand)]
    deed: Deed,
}

#[derive(Debug, clap::Subcommand)]
enum Deed {
    /// Take a list from a file; tags that it doesn't name stay as they are
    Import {
        /// CSV file
        file: PathBuf,
    },
    /// Show the list as it stands
    List {
        /// Only this site
        #[arg(long)]
        site: Option<String>,
        /// As the file that `import` takes
        #[arg(long, conflicts_with = "json")]
        csv: bool,
    },
    /// Show how a tag came to stand as it does
    History {
        /// Asset tag
        tag: String,
    },
    /// How far the list was checked, by site
    Coverage,
    /// A laptop stands somewhere else now
    Move {
        /// Asset tag
        tag: String,
        /// Its new site
        #[arg(long, value_parser = name)]
        site: String,
        /// Its place within the site
        #[arg(long, default_value = "", value_parser = plain_text)]
        place: String,
    },
    /// A laptop is no longer used
    Retire {
        /// Asset tag
        tag: String,
        /// Why
        #[arg(long, value_parser = reason)]
        why: String,
        /// The last day on which it should be checked [default: today]
        #[arg(long, value_name = "YYYY-MM-DD")]
        last_on: Option<NaiveDate>,
    },
    /// A laptop that has joined or was imported carries this tag
    Assign {
        /// Asset tag
        tag: String,
        /// Device id, or its first 8 characters or more
        laptop: String,
    },
    /// After a board swap: the new identity goes on as the old one, with its tag, place and services
    Merge {
        /// The laptop as it was: asset tag or device id
        old: String,
        /// The laptop as it joined anew: device id
        new: String,
    },
}

/// Tags named in one line; the rest is counted, and is all in the JSON.
const MAX_NAMED: usize = 12;

/// Everything here is done at the hub's own command line.
const ACTOR: Actor = Actor { role: Role::Admin, grant_id: None };

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let said = match &args.deed {
        Deed::Import { file } => import(setting, file, &database)?,
        Deed::List { site, csv } => {
            let mut entries = with_store(&database, async |store| Ok(store.scope_list().await?))?;
            entries.retain(|e| site.as_ref().is_none_or(|s| *s == e.site));
            return list(setting, &entries, *csv, output);
        }
        Deed::History { tag } => {
            let versions =
                with_store(&database, async |store| Ok(store.scope_history(tag.trim().to_owned()).await?))?;
            return history(setting, tag, &versions, output);
        }
        Deed::Coverage => {
            let coverage = with_store(&database, async |store| {
                let now_ms = setting.clock.now_ms();
                Ok(judgement::judged_fleet(&store, &setting.clock, now_ms, &Costs::default()).await?.coverage)
            })?;
            return show_coverage(setting, &coverage, output);
        }
        Deed::Move { tag, site, place } => {
            let deed = ScopeDeed::Move { site: site.clone(), place: place.clone() };
            change(setting, tag, deed, &format!("stands at {}", place_words(site, place)), &database)?
        }
        Deed::Retire { tag, why, last_on } => {
            let last_on = last_on.unwrap_or_else(|| setting.clock.now().date_naive());
            let deed = ScopeDeed::Retire { last_on, why: why.clone() };
            change(setting, tag, deed, &format!("is not to be checked after {last_on}"), &database)?
        }
        Deed::Assign { tag, laptop } => assign(setting, tag, laptop, &database)?,
        Deed::Merge { old, new } => merge(setting, old, new, &database)?,
    };
    print(output, &said)?;
    Ok(Exit::Done)
}

/// Opens the store for one piece of work and closes it again.
fn with_store<T>(
    database: &Database,
    work: impl AsyncFnOnce(crate::store::sql::SqlStore) -> Result<T, Failure>,
) -> Result<T, Failure> {
    block_on(async {
        let store = database::open(database).await?;
        let done = work(store.clone()).await;
        store.store_close().await;
        done
    })
}

fn import(setting: &Setting, file: &std::path::Path, database: &Database) -> Result<String, Failure> {
    let entries = scope::read(file)?;
    let n_named = entries.len();
    // The list may well be the first thing that a hub is given.
    let (count, n_listed, ambiguous) = block_on(async {
        let store = database::open_or_make(database).await?;
        let count = store.scope_import(entries, ACTOR, setting.clock.now_ms()).await?;
        let listed = store.scope_list().await?;
        let laptops = store.laptop_list().await?;
        let ambiguous: Vec<String> =
            coverage::ambiguous_tags(&listed, &laptops).into_iter().map(str::to_owned).collect();
        store.store_close().await;
        Ok((count, listed.len(), ambiguous))
    })?;
    let n_unnamed = n_listed.saturating_sub(n_named);
    if setting.json {
        let said = serde_json::json!({"new": count.n_new, "changed": count.n_changed, "same": count.n_same,
            "not_named": n_unnamed, "listed": n_listed, "ambiguous": ambiguous});
        return Ok(said.to_string());
    }
    let unnamed = match n_unnamed {
        0 => String::new(),
        n => format!("; {n} of the list are not in this file and stay as they are"),
    };
    let doubt = match ambiguous.len() {
        0 => String::new(),
        _ => format!(
            "\nambiguous: {} of one laptop is the id of another, which has no tag; the tag counts. \
                 `windrow-hub scope assign TAG LAPTOP` settles it: {}",
            count_of(ambiguous.len(), "tag", "tags"),
            first_of(ambiguous.iter().map(String::as_str), MAX_NAMED)
        ),
    };
    let ScopeCount { n_new, n_changed, n_same } = count;
    Ok(format!("{n_new} new, {n_changed} changed, {n_same} as before{unnamed}{doubt}"))
}

fn change(
    setting: &Setting,
    tag: &str,
    deed: ScopeDeed,
    done: &str,
    database: &Database,
) -> Result<String, Failure> {
    let tag = tag.trim();
    let became = with_store(database, async |store| {
        if let ScopeDeed::Retire { last_on, .. } = &deed {
            scope::check_last_day(&store.scope_list().await?, tag, *last_on).map_err(|why| {
                Failure::new(why)
                    .remedy("give a later `--last-on`, or import the tag anew with another `from`")
            })?;
        }
        Ok(store.scope_change(tag.to_owned(), deed, ACTOR, setting.clock.now_ms()).await?)
    })?;
    let is_new = match became {
        ScopeDone::Done => true,
        ScopeDone::Same => false,
        ScopeDone::NoSuchTag => return Err(no_tag(tag)),
        ScopeDone::NoSuchLaptop => return Err(no_laptop(tag)),
    };
    Ok(told(setting, tag, is_new, done))
}

fn told(setting: &Setting, tag: &str, is_new: bool, done: &str) -> String {
    if setting.json {
        serde_json::json!({"tag": tag, "changed": is_new}).to_string()
    } else if is_new {
        format!("`{tag}` {done}")
    } else {
        format!("`{tag}` {done}, as before")
    }
}

fn no_tag(tag: &str) -> Failure {
    Failure::new(format!("the list has no tag `{tag}`"))
        .remedy("see `windrow-hub scope list`; a new tag comes in with `windrow-hub scope import`")
}

fn assign(setting: &Setting, tag: &str, laptop: &str, database: &Database) -> Result<String, Failure> {
    let tag = tag.trim();
    let (device_id, became) = with_store(database, async |store| {
        let device_id = one_laptop(&store, laptop).await?;
        let deed = ScopeDeed::Assign { device_id: device_id.clone() };
        let became = store.scope_change(tag.to_owned(), deed, ACTOR, setting.clock.now_ms()).await?;
        Ok((device_id, became))
    })?;
    let is_new = match became {
        ScopeDone::Done => true,
        ScopeDone::Same => false,
        ScopeDone::NoSuchTag => return Err(no_tag(tag)),
        ScopeDone::NoSuchLaptop => return Err(no_laptop(laptop)),
    };
    Ok(told(setting, tag, is_new, &format!("is carried by `{device_id}`")))
}

fn merge(setting: &Setting, old: &str, new: &str, database: &Database) -> Result<String, Failure> {
    let (old_id, new_id, became) = with_store(database, async |store| {
        let (old_id, new_id) = (one_laptop(&store, old).await?, one_laptop(&store, new).await?);
        let now_ms = setting.clock.now_ms();
        let became = store.laptop_merge(old_id.clone(), new_id.clone(), ACTOR, now_ms).await?;
        Ok((old_id, new_id, became))
    })?;
    let is_new = match became {
        Merged::Done => true,
        Merged::Known => false,
        Merged::NoSuchLaptop => return Err(no_laptop(old)),
        Merged::Taken if old_id == new_id => {
            return Err(Failure::new(format!("`{old}` and `{new}` are the same laptop, `{old_id}`"))
                .remedy("give the device id with which it joined after the board swap"));
        }
        Merged::Taken => {
            return Err(Failure::new(format!(
                "`{old_id}` goes on as another laptop already, or `{new_id}` goes on as one"
            ))
            .remedy("a laptop has one successor; look for the ids in `windrow-hub rank --json`"));
        }
    };
    if setting.json {
        let said = serde_json::json!({"old": old_id, "new": new_id, "changed": is_new});
        return Ok(said.to_string());
    }
    let before = if is_new { "" } else { " already" };
    Ok(format!("`{new_id}` goes on as `{old_id}`{before}, with its tag, place and services"))
}

/// An entry as programs read it.
#[derive(Serialize)]
struct Shown<'a> {
    tag: &'a str,
    model: &'a str,
    site: &'a str,
    place: &'a str,
    from: Option<NaiveDate>,
    until: Option<NaiveDate>,
    excluded: bool,
    why: &'a str,
}

impl<'a> Shown<'a> {
    fn of(e: &'a ScopeEntry) -> Self {
        Self {
            tag: &e.tag,
            model: &e.model,
            site: &e.site,
            place: &e.place,
            from: e.from_on,
            until: e.until_on,
            excluded: e.is_excluded,
            why: &e.why,
        }
    }

    fn cells(&self) -> [String; 8] {
        let day = |day: Option<NaiveDate>| day.map(|d| d.to_string()).unwrap_or_default();
        let text = str::to_owned;
        [
            text(self.tag),
            text(self.model),
            text(self.site),
            text(self.place),
            day(self.from),
            day(self.until),
            text(if self.excluded { "yes" } else { "" }),
            text(self.why),
        ]
    }
}

fn list(setting: &Setting, entries: &[ScopeEntry], csv: bool, output: &mut Output) -> Outcome {
    let shown: Vec<Shown<'_>> = entries.iter().map(Shown::of).collect();
    if setting.json {
        print(output, &json(&shown)?)?;
    } else if csv {
        let bytes = scope::csv(entries).map_err(|e| Failure::new(e.to_string()))?;
        output.bytes(&bytes).map_err(|e| {
            Failure::new(format!("cannot write the list: {e}"))
                .remedy("check that the disk behind the output has room")
        })?;
    } else if shown.is_empty() {
        output.say("the list is empty; `windrow-hub scope import LIST.csv` fills it");
    } else {
        print(output, &table(&scope::COLUMNS, shown.iter().map(Shown::cells)))?;
    }
    Ok(Exit::Done)
}

#[derive(Serialize)]
struct ShownVersion<'a> {
    changed_at: String,
    change: &'static str,
    by_role: &'a str,
    #[serde(flatten)]
    entry: Shown<'a>,
}

fn history(setting: &Setting, tag: &str, versions: &[ScopeVersion], output: &mut Output) -> Outcome {
    if versions.is_empty() {
        return Err(no_tag(tag));
    }
    let shown: Vec<ShownVersion<'_>> = versions
        .iter()
        .map(|v| ShownVersion {
            changed_at: DateTime::from_timestamp_millis(v.changed_at_ms)
                .map(|t| t.to_rfc3339_opts(SecondsFormat::Secs, true))
                .unwrap_or_default(),
            change: v.change.name(),
            by_role: &v.by_role,
            entry: Shown::of(&v.entry),
        })
        .collect();
    if setting.json {
        print(output, &json(&shown)?)?;
    } else {
        let columns: Vec<&str> =
            ["at", "change", "by"].into_iter().chain(scope::COLUMNS.into_iter().skip(1)).collect();
        let rows = shown.iter().map(|v| {
            let head = [v.changed_at.clone(), v.change.to_owned(), v.by_role.to_owned()];
            head.into_iter().chain(v.entry.cells().into_iter().skip(1)).collect::<Vec<_>>()
        });
        print(output, &table(&columns, rows))?;
    }
    Ok(Exit::Done)
}

#[derive(Serialize)]
struct ShownCoverage {
    as_of: String,
    has_list: bool,
    all: CoverageCounts,
    by_site: std::collections::BTreeMap<String, CoverageCounts>,
}

fn show_coverage(setting: &Setting, coverage: &Coverage, output: &mut Output) -> Outcome {
    let all = coverage.counts(None);
    if setting.json {
        let as_of = DateTime::from_timestamp_millis(coverage.as_of_ms).unwrap_or_default();
        let shown = ShownCoverage {
            as_of: as_of.to_rfc3339_opts(SecondsFormat::Secs, true),
            has_list: coverage.has_list,
            all,
            by_site: coverage.by_site(),
        };
        print(output, &json(&shown)?)?;
        return Ok(Exit::Done);
    }
    if !coverage.has_list {
        output.say("there is no list of laptops that should be checked; `windrow-hub scope import LIST.csv` fills it");
    }
    let columns = [
        "site",
        "to be checked",
        "checked",
        "cannot tell",
        "not checked",
        "excluded",
        "not due",
        "not in list",
    ];
    let row = |site: &str, c: &CoverageCounts| {
        let numbers = [
            c.n_due(),
            c.n_checked,
            c.n_cannot_tell,
            c.n_not_checked(),
            c.n_excluded,
            c.n_not_due,
            c.n_not_in_list,
        ];
        std::iter::once(site.to_owned()).chain(numbers.iter().map(usize::to_string)).collect::<Vec<_>>()
    };
    let sites = coverage.by_site();
    let rows = sites.iter().map(|(site, c)| row(if site.is_empty() { "site unknown" } else { site }, c));
    print(output, &table(&columns, rows.chain([row("all", &all)])))?;
    for (why, n) in &all.not_checked {
        output.say(&format!("{}, {}: {n}", CoverageState::NotChecked.words(), why.words()));
    }
    Ok(Exit::Done)
}

fn json(value: &impl Serialize) -> Result<String, Failure> {
    serde_json::to_string(value).map_err(|e| Failure::new(e.to_string()))
}

fn table<R: IntoIterator<Item = String>>(columns: &[&str], rows: impl Iterator<Item = R>) -> String {
    let mut builder = tabled::builder::Builder::default();
    builder.push_record(columns.iter().map(|c| (*c).to_owned()));
    rows.for_each(|row| builder.push_record(row));
    let mut table = builder.build();
    table.with(tabled::settings::Style::sharp());
    table.to_string()
}

fn place_words(site: &str, place: &str) -> String {
    if place.is_empty() { site.to_owned() } else { format!("{site}, {place}") }
}

fn name(text: &str) -> Result<String, String> {
    let text = plain_text(text)?;
    if text.is_empty() { Err("give a name".into()) } else { Ok(text) }
}

fn reason(text: &str) -> Result<String, String> {
    let text = scope::why(text)?;
    if text.is_empty() { Err("give a reason".into()) } else { Ok(text) }
}
