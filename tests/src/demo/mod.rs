//! The demo: an invented fleet, checked through the agent's real path, collected by a real hub, ranked, and compared
//! with the faults that were planted.
//!
//! The agent's part and the hub's part know nothing of each other here but the hub's address and an invite, as in
//! the field. Nothing in either is special-cased for the demo.

pub mod compare;
pub mod field;
pub mod hub;
pub mod scenario;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use anyhow::{Context, Result, bail};
use chrono::{Days, Utc};
use rayon::prelude::*;
use windrow::hub::HubAddress;

use self::scenario::PlantedLaptop;

/// Rows of the rank that are shown.
const RANK_ROWS: usize = 15;

/// What was asked of the demo.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Laptops of the fleet.
    pub n_laptops: usize,
    /// Checks a laptop, a month apart.
    pub n_checks: u32,
    /// Draws the faults and all noise.
    pub seed: u64,
    /// A folder to keep everything in.
    pub keep: Option<PathBuf>,
}

/// Runs the demo, telling its progress line by line.
///
/// # Errors
/// Whatever a user of the agent or the hub would be told.
pub fn run(settings: &Settings, say: &mut dyn FnMut(&str)) -> Result<()> {
    let began = Instant::now();
    let (folder, _removed_at_the_end) = folder(settings)?;
    let fleet = scenario::fleet(settings.n_laptops, settings.seed);
    say(&opening(&fleet, settings));
    let database = folder.join("hub.sqlite");
    let running = hub::RunningHub::start(&database)?;
    say(&format!("the hub listens at {}", running.url()));
    let checked = check_all(&fleet, settings, &folder, &running)?;
    let n_records: usize = checked.iter().map(|(c, _)| c.n_sent).sum();
    say(&format!("{} laptops joined; {n_records} records posted and durable", checked.len()));
    running.finish()?;
    say(&format!("collected and computed in {:.1} s", began.elapsed().as_secs_f64()));
    keep_books(&fleet, settings, &folder, &database, say)?;
    let truth: BTreeMap<String, &PlantedLaptop> =
        checked.into_iter().map(|(c, laptop)| (c.device_id, laptop)).collect();
    say("\nthe head of the rank, as `windrow-hub rank --limit 15` prints it:");
    hub::print_rank(&database, RANK_ROWS)?;
    say("\nhow the whole rank compares with what was planted (the hub was never told):");
    say(&compare::compare(&hub::rank(&database)?, &truth).text());
    say(&closing(settings, &folder, began.elapsed().as_secs_f64()));
    Ok(())
}

/// What the cooperative's administrator tells the hub: which laptops should be checked, and what was repaired.
fn keep_books(
    fleet: &[PlantedLaptop],
    settings: &Settings,
    folder: &Path,
    database: &Path,
    say: &mut dyn FnMut(&str),
) -> Result<()> {
    let today = Utc::now().date_naive();
    let since = today - Days::new(field::DAYS_BETWEEN * u64::from(settings.n_checks));
    let list = folder.join("assets.csv");
    std::fs::write(&list, scenario::assets(fleet, since))
        .with_context(|| format!("cannot write `{}`", list.display()))?;
    hub::import_assets(database, &list)?;
    let on = scenario::repaired_on(today);
    let repairs = fleet.iter().filter_map(|l| Some((l, l.repaired.as_ref()?)));
    let mut n_visits = 0;
    for (laptop, repair) in repairs {
        hub::log_visit(database, &laptop.asset_tag, repair, on)?;
        n_visits += 1;
    }
    say(&format!(
        "the list of laptops that should be checked is imported; {n_visits} repairs of {on} are logged"
    ));
    Ok(())
}

fn closing(settings: &Settings, folder: &Path, took_s: f64) -> String {
    let next = if settings.keep.is_some() {
        format!(
            "everything is in `{0}`; try `windrow-hub --database {0}/hub.sqlite rank --csv`, or `windrow --state-dir \
             {0}/laptops/HB-001 past`",
            folder.display()
        )
    } else {
        "nothing is kept; `cargo demo --keep demo-files` keeps the database and every laptop's records"
            .to_owned()
    };
    format!(
        "\ndone in {took_s:.1} s. {next}\nto check this machine: `cargo run --release -p windrow -- check`"
    )
}

fn folder(settings: &Settings) -> Result<(PathBuf, Option<tempfile::TempDir>)> {
    let Some(keep) = &settings.keep else {
        let temporary = tempfile::Builder::new().prefix("windrow-demo-").tempdir()?;
        return Ok((temporary.path().to_owned(), Some(temporary)));
    };
    if keep.exists() {
        bail!("`{}` exists already\ndo this: name a folder that doesn't", keep.display());
    }
    std::fs::create_dir_all(keep).with_context(|| format!("cannot make `{}`", keep.display()))?;
    Ok((keep.clone(), None))
}

fn opening(fleet: &[PlantedLaptop], settings: &Settings) -> String {
    let mut models: Vec<&str> = fleet.iter().map(|l| l.unit.model.product.as_str()).collect();
    models.sort_unstable();
    models.dedup();
    format!(
        "Hollin Bank Growers, an invented cooperative: {} emulated laptops of {} models at {} sites, {} checks each, \
         seed {}",
        fleet.len(),
        models.len(),
        scenario::SITES.len(),
        settings.n_checks,
        settings.seed
    )
}

type CheckedLaptop<'a> = (field::Checked, &'a PlantedLaptop);

fn check_all<'a>(
    fleet: &'a [PlantedLaptop],
    settings: &Settings,
    folder: &Path,
    running: &hub::RunningHub,
) -> Result<Vec<CheckedLaptop<'a>>> {
    let address = HubAddress::new(&running.url(), false).map_err(|e| anyhow::anyhow!("{e}"))?;
    let bar = indicatif::ProgressBar::new(fleet.len() as u64)
        .with_style(indicatif::ProgressStyle::with_template("checking {bar:40} {pos} of {len} laptops")?);
    let n_done = AtomicUsize::new(0);
    let now = Utc::now();
    let checked: Result<Vec<_>> = fleet
        .par_iter()
        .map(|laptop| {
            let invite = running.invite(laptop.site.name, &laptop.asset_tag, 1)?;
            let state = folder.join("laptops").join(&laptop.asset_tag);
            let checked = field::check_laptop(laptop, settings.n_checks, now, &state, &address, &invite)?;
            bar.set_position(n_done.fetch_add(1, Ordering::Relaxed) as u64 + 1);
            Ok((checked, laptop))
        })
        .collect();
    bar.finish_and_clear();
    checked
}
