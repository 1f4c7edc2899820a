//! `windrow-hub rounds`: plan who is serviced where and when, book it, and hand it on as calendar and work sheets.

mod print;

use std::path::{Path, PathBuf};

use chrono::{NaiveDate, NaiveTime};

use super::laptop::one_laptop;
use super::{Outcome, Setting, block_on, print};
use crate::access::Role;
use crate::costs::{self, Costs};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::input::Complaints;
use crate::output::Output;
use crate::pages::sheet;
use crate::rounds::advised::{self, Unbookable};
use crate::rounds::calendar::{self, calendar};
use crate::rounds::dispatch::{self, Judged, Meant, Offered, Request};
use crate::rounds::document::{Document, PlannedVisit};
use crate::rounds::sheet::Sheet;
use crate::rounds::{MAX_DAYS, Why, hours};
use crate::store::facts::Actor;
use crate::store::rounds::RoundsStore;
use crate::store::sql::SqlStore;
use crate::store::{EpochMs, Store};
use crate::{database, judgement, sites};

/// Days of a plan: two working weeks.
const USUAL_DAYS: i64 = 14;
/// Most random visits of a plan.
const MAX_RANDOM: i64 = 100;

/// Arguments of `rounds`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub rounds plan --hours hours.csv --stock stock.csv --costs costs.toml
  windrow-hub rounds plan --from 2026-02-02 --days 10 --random 2
  windrow-hub rounds show --site north
  windrow-hub rounds book --site north --on 2026-02-03
  windrow-hub rounds book A-1042 --move-to 2026-02-04
  windrow-hub rounds book A-1077 --on 2026-02-05
  windrow-hub rounds release A-1042
  windrow-hub rounds calendar --starts 08:30 > rounds.ics
  windrow-hub rounds sheet --site north --on 2026-02-03 > sheet.html
  windrow-hub rounds hours > hours.csv
  windrow-hub rounds costs --set costs.toml

hours.csv has the header site,date,hours; stock.csv has part,model,in_stock,lead_days, where a part is clean, fan or paste \
and the model * stands for all others. What is taken stays until it is taken anew. Days are 2026-01-31.")]
pub(super) struct Args {
    #[command(subcommand)]
    deed: Deed,
}

#[derive(Debug, clap::Subcommand)]
enum Deed {
    /// Plan the rounds anew; what is booked stays booked
    Plan(PlanArgs),
    /// Show the plan
    Show {
        /// Only this site
        #[arg(long)]
        site: Option<String>,
        /// Print the visits as CSV
        #[arg(long, conflicts_with = "json")]
        csv: bool,
    },
    /// Book visits, planned or advised: they stay where they are from now on
    Book {
        /// Asset tags, sheet codes or device ids; none: all of the site and day
        laptops: Vec<String>,
        /// Visits at this site
        #[arg(long)]
        site: Option<String>,
        /// Visits of this day; a laptop that no plan visits is booked for it
        #[arg(long, value_name = "YYYY-MM-DD")]
        on: Option<NaiveDate>,
        /// Book them for this day instead of the planned one
        #[arg(long, value_name = "YYYY-MM-DD")]
        move_to: Option<NaiveDate>,
    },
    /// End bookings: the next plan may move them
    Release {
        /// Asset tags, sheet codes or device ids
        #[arg(required = true)]
        laptops: Vec<String>,
    },
    /// Print technician hours as the file that `plan --hours` takes
    Hours,
    /// Print the parts in stock as the file that `plan --stock` takes
    Stock,
    /// Print what things cost as the file that `--costs` takes
    Costs {
        /// Set it from this file first: it counts wherever no `--costs` is given
        #[arg(long, value_name = "FILE")]
        set: Option<PathBuf>,
    },
    /// Print the rounds as an iCalendar file
    Calendar {
        /// Only this site
        #[arg(long)]
        site: Option<String>,
        /// When a day begins, in the site's own time [default: events are whole days]
        #[arg(long, value_name = "HH:MM", value_parser = time_of_day)]
        starts: Option<NaiveTime>,
    },
    /// Print the work sheet of a day at a site as a page
    Sheet {
        /// The site
        #[arg(long)]
        site: String,
        /// The day
        #[arg(long, value_name = "YYYY-MM-DD")]
        on: NaiveDate,
    },
}

#[derive(Debug, clap::Args)]
struct PlanArgs {
    /// Take technician hours from this file first
    #[arg(long, value_name = "FILE")]
    hours: Option<PathBuf>,
    /// Take parts in stock from this file first
    #[arg(long, value_name = "FILE")]
    stock: Option<PathBuf>,
    /// What things cost, TOML; what it leaves out has its default
    #[arg(long, value_name = "FILE")]
    costs: Option<PathBuf>,
    /// First day [default: today]
    #[arg(long, value_name = "YYYY-MM-DD")]
    from: Option<NaiveDate>,
    /// How many days
    #[arg(long, default_value_t = USUAL_DAYS as u32, value_parser = clap::value_parser!(u32).range(1..=i64::from(MAX_DAYS)))]
    days: u32,
    /// How many visits to draw by lot among laptops of which nothing is suspected
    #[arg(long, default_value_t = 0, value_parser = clap::value_parser!(u32).range(0..=MAX_RANDOM))]
    random: u32,
    /// Forget the plan before; bookings stay
    #[arg(long)]
    fresh: bool,
}

fn time_of_day(text: &str) -> Result<NaiveTime, String> {
    NaiveTime::parse_from_str(text, "%H:%M").map_err(|_| "give a time of day as 08:30".to_owned())
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    match &args.deed {
        Deed::Plan(args) => plan(setting, args, output),
        Deed::Show { site, csv } => {
            let document = standing_plan(setting, site.as_deref())?;
            print::plan(&document, setting.json, *csv, output)
        }
        Deed::Book { laptops, site, on, move_to } => {
            let chosen = Chosen { laptops, site: site.as_deref(), on: *on };
            book(setting, &chosen, *move_to, output)
        }
        Deed::Release { laptops } => release(setting, laptops, output),
        Deed::Hours => hours_file(setting, output),
        Deed::Stock => stock_file(setting, output),
        Deed::Costs { set } => costs_file(setting, set.as_deref(), output),
        Deed::Calendar { site, starts } => calendar_file(setting, site.as_deref(), *starts, output),
        Deed::Sheet { site, on } => {
            let document = standing_plan(setting, Some(site))?;
            let sheet = Sheet::of(&document, site, *on).ok_or_else(|| {
                Failure::new(format!("nobody goes to `{site}` on {on}"))
                    .remedy("`windrow-hub rounds show` tells who goes where and when")
            })?;
            print(output, &sheet::whole_page(&sheet).into_string())?;
            Ok(Exit::Done)
        }
    }
}

fn plan(setting: &Setting, args: &PlanArgs, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let costs = args.costs.as_deref().map(costs::read).transpose()?;
    let new_hours = read(args.hours.as_deref(), hours::parse_hours)?;
    let new_stock = read(args.stock.as_deref(), hours::parse_stock)?;
    let request = Request {
        from: args.from.unwrap_or_else(|| setting.clock.now().date_naive()),
        n_days: args.days,
        n_random: args.random as usize,
        is_fresh: args.fresh,
    };
    dispatch::check_first_day(request.from, setting.clock.now().date_naive())
        .map_err(|what| Failure::new(what).remedy("give another day with `--from`, or none for today"))?;
    let now_ms = setting.clock.now_ms();
    let document = block_on(async {
        let store = database::open(&database).await?;
        if let Some(hours) = new_hours {
            if let Some(what) = sites::unknown(&store, hours.keys().map(|(site, _)| site.as_str())).await? {
                return Err(Failure::new(what).remedy(
                    "correct the names in the hours' file, or list a new site's laptops first with `windrow-hub scope import`",
                ));
            }
            store.round_hours_put(hours).await?;
        }
        if let Some(stock) = new_stock {
            store.round_stock_put(stock).await?;
        }
        check_hours(&store, request).await?;
        let costs = costs::in_force::of_command(&store, costs).await?;
        let document = planned(&store, setting, &costs, request, now_ms).await?;
        store.store_close().await;
        Ok(document)
    })?;
    print::plan(&document, setting.json, false, output)
}

async fn check_hours(store: &SqlStore, request: Request) -> Result<(), Failure> {
    let (hours, _) = store.round_input_get().await?;
    match dispatch::missing(&hours, request) {
        None => Ok(()),
        Some(what) => Err(Failure::new(what)
            .remedy("give `--hours hours.csv` with the header site,date,hours, or other days with `--from` and `--days`")),
    }
}

async fn planned(
    store: &SqlStore,
    setting: &Setting,
    costs: &Costs,
    request: Request,
    now_ms: EpochMs,
) -> Result<Document, Failure> {
    let fleet = judgement::judged_fleet(store, &setting.clock, now_ms, costs).await?;
    Ok(dispatch::plan_rounds(
        store,
        Judged { standings: &fleet.standings, as_of_ms: now_ms },
        costs,
        request,
        now_ms,
    )
    .await?)
}

fn read<T>(path: Option<&Path>, parse: fn(&str) -> Result<T, Complaints>) -> Result<Option<T>, Failure> {
    let Some(path) = path else { return Ok(None) };
    let text = std::fs::read_to_string(path).map_err(|e| {
        Failure::at("read", path, e).remedy("check the path and that the file can be read by you")
    })?;
    let read = parse(&text).map_err(|complaints| {
        Failure::at("use", path, complaints).remedy("correct these lines; nothing was taken from the file")
    })?;
    Ok(Some(read))
}

/// The plan as it stands, of one site or all.
fn standing_plan(setting: &Setting, site: Option<&str>) -> Result<Document, Failure> {
    let database = setting.database()?;
    let document = block_on(async {
        let store = database::open(&database).await?;
        let document = dispatch::open_plan(&store).await?;
        store.store_close().await;
        Ok(document)
    })?;
    let document = document.ok_or_else(no_plan)?;
    Ok(match site {
        Some(site) => document.at_site(site),
        None => document,
    })
}

fn no_plan() -> Failure {
    Failure::new("no rounds are planned yet")
        .remedy("`windrow-hub rounds plan --hours hours.csv` plans them; `--help` tells the file's header")
}

/// Which visits are meant.
struct Chosen<'a> {
    laptops: &'a [String],
    site: Option<&'a str>,
    on: Option<NaiveDate>,
}

fn book(setting: &Setting, chosen: &Chosen<'_>, move_to: Option<NaiveDate>, output: &mut Output) -> Outcome {
    if chosen.laptops.is_empty() && chosen.site.is_none() && chosen.on.is_none() {
        return Err(Failure::new("nothing says which visits to book")
            .remedy("name laptops, or a site and day: `--site north --on 2026-02-03`"));
    }
    let database = setting.database()?;
    let now_ms = setting.clock.now_ms();
    let today = setting.clock.now().date_naive();
    let n_booked = block_on(async {
        let store = database::open(&database).await?;
        let document = dispatch::open_plan(&store).await?;
        let (hours, _) = store.round_input_get().await?;
        let costs = costs::in_force::of_command(&store, None).await?;
        let meant = visits_meant((&store, setting, &costs), document.as_ref(), chosen).await?;
        let offered = Offered { hours: &hours, costs: &costs, today };
        let bookings = dispatch::bookings(&meant, move_to, offered, now_ms).map_err(|what| {
            Failure::new(what).remedy(
                "give another day with `--move-to`, or hours for this one with `windrow-hub rounds plan --hours`",
            )
        })?;
        let n_booked = meant.len();
        let actor = Actor { role: Role::Admin, grant_id: None };
        store.booking_put(bookings.clone(), actor).await?;
        dispatch::mark_booked(&store, &meant, &bookings, &costs, now_ms).await?;
        store.store_close().await;
        Ok(n_booked)
    })?;
    let said = if setting.json {
        serde_json::json!({ "booked": n_booked }).to_string()
    } else {
        format!("{n_booked} booked; `windrow-hub rounds release` lets one go")
    };
    print(output, &said)?;
    Ok(Exit::Done)
}

async fn visits_meant(
    (store, setting, costs): (&SqlStore, &Setting, &Costs),
    document: Option<&Document>,
    chosen: &Chosen<'_>,
) -> Result<Vec<Meant>, Failure> {
    let is_meant = |v: &PlannedVisit| {
        chosen.site.is_none_or(|site| site == v.laptop.site) && chosen.on.is_none_or(|on| on == v.day)
    };
    if chosen.laptops.is_empty() {
        let free =
            document.ok_or_else(no_plan)?.visits.iter().filter(|v| v.why != Why::Booked && is_meant(v));
        let visits: Vec<Meant> = free.map(Meant::planned).collect();
        if visits.is_empty() {
            return Err(Failure::new("no visit that isn't booked already is planned there and then")
                .remedy("`windrow-hub rounds show` tells who goes where and when"));
        }
        return Ok(visits);
    }
    let open = dispatch::open_bookings(store).await?;
    let mut visits = Vec::new();
    // Judged once, and only where a laptop is named that no plan visits.
    let mut fleet = None;
    for key in chosen.laptops {
        let device_id = laptop_of(store, key, document).await?;
        if let Some(other) = document.and_then(|d| d.visit_of(&device_id)).filter(|v| !is_meant(v)) {
            let (day, site) = (other.day, &other.laptop.site);
            return Err(Failure::new(format!(
                "`{key}` cannot be booked so: its visit is planned for {day} at {site}"
            ))
            .remedy(
                "leave `--on` and `--site` out to book that one; `--move-to DAY` books it for another day",
            ));
        }
        if let Some(meant) = document.and_then(|d| Meant::of(&device_id, d, &open)) {
            visits.push(meant);
            continue;
        }
        let now_ms = setting.clock.now_ms();
        if fleet.is_none() {
            fleet = Some(judgement::judged_fleet(store, &setting.clock, now_ms, costs).await?);
        }
        let standings = fleet.as_ref().map_or(&[][..], |fleet| &fleet.standings);
        let judged = Judged { standings, as_of_ms: now_ms };
        let meant = match advised::meant(store, judged, &device_id, costs, now_ms).await? {
            Ok(meant) if chosen.site.is_none_or(|site| site == meant.site) => meant,
            Ok(_) => return Err(no_visit(key, "it stands at another site")),
            Err(Unbookable::NotAdvised) => {
                return Err(no_visit(key, "no visit of it is planned, and none is advised"));
            }
            Err(Unbookable::Because(what)) => return Err(no_visit(key, &what)),
        };
        visits.push(meant.wanted_on(chosen.on));
    }
    Ok(visits)
}

fn no_visit(key: &str, why: &str) -> Failure {
    Failure::new(format!("`{key}` cannot be booked: {why}")).remedy(
        "`windrow-hub rounds show` tells who goes where and when, `windrow-hub rank` who is to be seen to",
    )
}

/// The laptop that is meant by a sheet's code, an asset tag or an id.
async fn laptop_of(store: &SqlStore, key: &str, document: Option<&Document>) -> Result<String, Failure> {
    match document.and_then(|d| d.visit_by_code(key)) {
        Some(visit) => Ok(visit.laptop.device_id.clone()),
        None => one_laptop(store, key).await,
    }
}

fn release(setting: &Setting, laptops: &[String], output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let now_ms = setting.clock.now_ms();
    let n_ended = block_on(async {
        let store = database::open(&database).await?;
        let document = dispatch::open_plan(&store).await?;
        let mut device_ids = Vec::new();
        for key in laptops {
            device_ids.push(laptop_of(&store, key, document.as_ref()).await?);
        }
        let costs = costs::in_force::of_command(&store, None).await?;
        let n_ended = store.booking_end(device_ids.clone()).await?;
        dispatch::mark_released(&store, &device_ids, &costs, now_ms).await?;
        store.store_close().await;
        Ok(n_ended)
    })?;
    let said = if setting.json {
        serde_json::json!({ "released": n_ended }).to_string()
    } else {
        format!("{n_ended} released; the next plan may move them")
    };
    print(output, &said)?;
    Ok(Exit::Done)
}

fn hours_file(setting: &Setting, output: &mut Output) -> Outcome {
    let (all, _) = input(setting)?;
    if setting.json {
        let rows: Vec<_> = all
            .iter()
            .map(|((site, day), minutes)| serde_json::json!({"site": site, "date": day, "hours": f64::from(*minutes) / 60.0}))
            .collect();
        print(output, &serde_json::json!(rows).to_string())?;
    } else {
        print(output, hours::write_hours(&all)?.trim_end())?;
    }
    Ok(Exit::Done)
}

fn stock_file(setting: &Setting, output: &mut Output) -> Outcome {
    let (_, all) = input(setting)?;
    if setting.json {
        let rows: Vec<_> = all
            .iter()
            .map(|((part, model), s)| serde_json::json!({"part": part, "model": model, "in_stock": s.in_stock, "lead_days": s.lead_days}))
            .collect();
        print(output, &serde_json::json!(rows).to_string())?;
    } else {
        print(output, hours::write_stock(&all)?.trim_end())?;
    }
    Ok(Exit::Done)
}

fn costs_file(setting: &Setting, set: Option<&Path>, output: &mut Output) -> Outcome {
    let set = set.map(costs::read_text).transpose()?;
    let database = setting.database()?;
    let now_ms = setting.clock.now_ms();
    let toml = block_on(async {
        let store = database::open(&database).await?;
        if let Some(toml) = set {
            store.costs_put(toml, Actor { role: Role::Admin, grant_id: None }, now_ms).await?;
        }
        let stored = store.costs_get().await?;
        store.store_close().await;
        Ok::<_, Failure>(stored.map_or_else(costs::example, |stored| stored.toml))
    })?;
    if setting.json {
        print(output, &serde_json::json!({ "toml": toml }).to_string())?;
    } else {
        print(output, toml.trim_end())?;
    }
    Ok(Exit::Done)
}

fn input(setting: &Setting) -> Result<(hours::Hours, hours::Stock), Failure> {
    let database = setting.database()?;
    block_on(async {
        let store = database::open(&database).await?;
        let input = store.round_input_get().await?;
        store.store_close().await;
        Ok(input)
    })
}

fn calendar_file(
    setting: &Setting,
    site: Option<&str>,
    starts: Option<NaiveTime>,
    output: &mut Output,
) -> Outcome {
    let database = setting.database()?;
    let (document, events) = block_on(async {
        let store = database::open(&database).await?;
        let document = dispatch::read_plan(&store).await?;
        let events = store.round_event_list().await?;
        store.store_close().await;
        Ok((document, events))
    })?;
    let document = document.ok_or_else(no_plan)?;
    let text = calendar(Some(&document), &events, &calendar::Setting { site, starts });
    output.bytes(text.as_bytes()).map_err(|e| {
        Failure::new(format!("cannot write the result: {e}"))
            .remedy("check that the disk behind the output has room")
    })?;
    Ok(Exit::Done)
}
