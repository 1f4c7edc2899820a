//! `windrow-hub rank`: the fleet by who needs service.

use std::path::PathBuf;

use chrono::{DateTime, SecondsFormat, Utc};
use serde::Serialize;
use windrow_model::METHOD_VERSION;
use windrow_model::cautions;

use super::{Outcome, Setting, as_of, block_on, print, rank_list, rank_why};
use crate::costs::{self, Costs};
use crate::database::{self, Database};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::fleet_table::{self, Explained, Filter};
use crate::judgement;
use crate::output::Output;
use crate::scoring::{self, Band, JudgedFleet, ReasonCode};
use crate::store::{EpochMs, Store};

/// Narrowest table: below it words would be cut to letters.
const MIN_WIDTH: usize = 60;

/// Arguments of `rank`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub rank
  windrow-hub rank --site north --limit 10
  windrow-hub rank --why HB-033
  windrow-hub rank --csv > fleet.csv

Each laptop is judged by its cooling condition over all its runs and services, against its model. Bands: pull now, within \
7 days, next round, retest (the runs don't tell, or are too old), no visit. Emulated and imported runs are marked, and are \
never the measure of others.")]
pub(super) struct Args {
    /// Only this site
    #[arg(long)]
    site: Option<String>,
    /// Only this model
    #[arg(long)]
    model: Option<String>,
    /// Only the first N laptops
    #[arg(long, value_name = "N")]
    limit: Option<usize>,
    /// Judge as of the end of this day (UTC), or of this time (RFC 3339), instead of now
    #[arg(long, value_name = "DAY|TIME", value_parser = as_of)]
    as_of: Option<DateTime<Utc>>,
    /// What this laptop's place rests on: asset tag, device id, or the id's first 8 characters or more
    #[arg(long, value_name = "DEVICE", conflicts_with_all = ["csv", "json"])]
    why: Option<String>,
    /// What things cost, TOML; what it leaves out has its default
    #[arg(long, value_name = "FILE")]
    costs: Option<PathBuf>,
    /// Print all columns as CSV
    #[arg(long, conflicts_with = "json")]
    csv: bool,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Ranked<'a> {
    as_of: String,
    method_version: &'static str,
    laptops: &'a [Explained],
    cautions: &'static [&'static str],
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let as_of = args.as_of.unwrap_or_else(|| setting.clock.now());
    let costs = args.costs.as_deref().map(costs::read).transpose()?;
    let as_of_ms = as_of.timestamp_millis();
    if let Some(asked) = &args.why {
        let told = block_on(why(setting, &database, as_of_ms, costs, asked, output.width()))?;
        print(output, &told.join("\n"))?;
        return Ok(Exit::Done);
    }
    let fleet = block_on(fleet(setting, &database, as_of_ms, costs))?;
    let filter = Filter { site: args.site.clone(), model: args.model.clone(), limit: args.limit };
    let rows = fleet_table::rows(&fleet, &filter);
    if setting.json {
        print_json(&rows, as_of, output)?;
    } else if args.csv {
        print_csv(&rows, output)?;
    } else {
        print_list(&rows, fleet.standings.len(), output)?;
        say_model_events(&fleet, output);
    }
    Ok(Exit::Done)
}

/// Computes what is due, so that nothing that came in is left out, and judges the fleet.
async fn fleet(
    setting: &Setting,
    database: &Database,
    as_of_ms: EpochMs,
    costs: Option<Costs>,
) -> Result<JudgedFleet, Failure> {
    let store = database::open(database).await?;
    let costs = costs::in_force::of_command(&store, costs).await?;
    let fleet = judgement::judged_fleet(&store, &setting.clock, as_of_ms, &costs).await?;
    store.store_close().await;
    Ok(fleet)
}

/// What one laptop's place rests on.
async fn why(
    setting: &Setting,
    database: &Database,
    as_of_ms: EpochMs,
    costs: Option<Costs>,
    asked: &str,
    width: Option<usize>,
) -> Result<Vec<String>, Failure> {
    let store = database::open(database).await?;
    let costs = costs::in_force::of_command(&store, costs).await?;
    let fleet = judgement::judged_fleet(&store, &setting.clock, as_of_ms, &costs).await?;
    let told = rank_why::why(&store, &fleet, asked, &costs.currency, width.map(|w| w.max(MIN_WIDTH))).await;
    store.store_close().await;
    told
}

fn print_json(rows: &[Explained], as_of: DateTime<Utc>, output: &mut Output) -> Result<(), Failure> {
    let ranked = Ranked {
        as_of: as_of.to_rfc3339_opts(SecondsFormat::Secs, true),
        method_version: METHOD_VERSION,
        laptops: rows,
        cautions: cautions::SERVICE,
    };
    let json = serde_json::to_string_pretty(&ranked).map_err(|e| Failure::new(e.to_string()))?;
    print(output, &json)
}

fn print_csv(rows: &[Explained], output: &mut Output) -> Result<(), Failure> {
    let csv = fleet_table::csv(rows).map_err(|e| Failure::new(format!("cannot write CSV: {e}")))?;
    output.bytes(&csv).map_err(|e| {
        Failure::new(format!("cannot write the result: {e}"))
            .remedy("check that the disk behind the output has room")
    })
}

fn print_list(rows: &[Explained], n_laptops: usize, output: &mut Output) -> Result<(), Failure> {
    if rows.is_empty() {
        let said = if n_laptops == 0 {
            "no laptop has been checked yet; `windrow-hub invite` makes the invite with which they join"
        } else {
            "no laptop fits; `windrow-hub rank` without a filter shows all"
        };
        output.say(said);
        return Ok(());
    }
    print(output, &rank_list::list(rows, output.width()))?;
    say_summary(rows, n_laptops, output);
    Ok(())
}

/// Steps that all laptops of a model made together: no laptop's fault, and taken out of each one's judgement.
fn say_model_events(fleet: &JudgedFleet, output: &mut Output) {
    for told in scoring::events::all(fleet) {
        output.say(&format!("model event: {told}"));
    }
}

fn say_summary(rows: &[Explained], n_laptops: usize, output: &mut Output) {
    let n = |band: Band| rows.iter().filter(|r| r.band() == band).count();
    let n_because = |code: ReasonCode| rows.iter().filter(|r| r.reason_code() == code).count();
    let n_cannot_tell = rows.iter().filter(|r| r.reason_code().cannot_tell()).count();
    output.say(&format!(
        "\n{} of {n_laptops} laptops shown: {} pull now, {} within 7 days, {} next round, {} retest, {} no visit",
        rows.len(),
        n(Band::PullNow),
        n(Band::WithinSevenDays),
        n(Band::NextRound),
        n(Band::Retest),
        n(Band::NoVisit),
    ));
    if n_cannot_tell > 0 {
        output.say(&format!(
            "{n_cannot_tell} of those shown could not be judged from their runs; the line under each says what would tell"
        ));
    }
    let n_too_old = n_because(ReasonCode::TooOld);
    if n_too_old > 0 {
        output.say(&format!(
            "{n_too_old} were last checked too long ago; for how the fleet stood on a day, add `--as-of YYYY-MM-DD`"
        ));
    }
    let n_disputed = rows.iter().filter(|r| r.is_disputed()).count();
    if n_disputed > 0 {
        output.say(&format!(
            "{n_disputed} sent other metrics than their traces give; the hub's own count, and `--json` says which (agent_metrics_agree)"
        ));
    }
    let is_service_advised = rows.iter().any(|r| r.band() <= Band::NextRound);
    if is_service_advised {
        output.say("Before anybody opens a laptop:");
        for caution in cautions::SERVICE {
            output.say(&format!("  {caution}"));
        }
    }
}
