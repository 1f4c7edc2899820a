//! `windrow-hub import`: a fleet of recorded runs from trace files.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::{Outcome, Setting, block_on, print};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::import::{self, Imported, Manifest};
use crate::output::Output;
use crate::pages::words;
use crate::store::{ImportCount, Store};
use crate::{database, measure};

/// Runs that were left out are named up to here; the rest is counted.
const MAX_NAMED: usize = 20;
/// A line of progress every so many runs.
const PROGRESS_EVERY: usize = 1024;

/// Arguments of `import`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Example:
  windrow-hub import fleet/manifest.csv --services fleet/services.csv

The manifest's columns: device_id,model,site,tested_at,ambient_c,on_ac,trace; the services': device_id,date,action with \
clean, fan, paste or none. What cannot be read is named and left out, the rest is taken (exit code 3). Importing again \
is harmless. Imported runs are unsigned, shown as such, and compared only with one another.")]
pub(super) struct Args {
    /// Manifest, CSV
    manifest: PathBuf,
    /// Services that were done, CSV
    #[arg(long, value_name = "FILE")]
    services: Option<PathBuf>,
}

#[derive(Serialize)]
struct Report {
    runs_new: usize,
    runs_known: usize,
    runs_left_out: usize,
    services_new: usize,
    services_known: usize,
    rows_refused: usize,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let manifest = Manifest::read(&args.manifest)?;
    let services = args.services.as_deref().map(import::read_services).transpose()?;
    let mut n_refused = say_complaints(&args.manifest, &manifest.file.complaints, output);
    if let (Some(path), Some(file)) = (&args.services, &services) {
        n_refused += say_complaints(path, &file.complaints, output);
    }
    let database = setting.database()?;
    let n_rows = manifest.file.rows.len();
    let (imported, serviced) = block_on(async {
        let store = database::open_or_make(&database).await?;
        let progress = |n_done| say_progress(output, "read", n_done, n_rows);
        let imported = manifest.import(&store, setting.clock.now_ms(), progress).await?;
        let rows = services.as_ref().map_or(&[][..], |file| &file.rows);
        let serviced = import::import_services(&store, rows, setting.clock.now_ms()).await?;
        measure::measure_due(&store, &setting.clock, |n| {
            say_progress(output, "analysed", n, imported.runs.n_new);
        })
        .await?;
        store.store_close().await;
        Ok((imported, serviced))
    })?;
    say_left_out(&args.manifest, &imported, output);
    let report = Report {
        runs_new: imported.runs.n_new,
        runs_known: imported.runs.n_known,
        runs_left_out: imported.left_out.len(),
        services_new: serviced.n_new,
        services_known: serviced.n_known,
        rows_refused: n_refused,
    };
    show(setting, &report, serviced, output)?;
    let is_whole = n_refused == 0 && imported.left_out.is_empty();
    Ok(if is_whole { Exit::Done } else { Exit::Partial })
}

fn show(
    setting: &Setting,
    report: &Report,
    serviced: ImportCount,
    output: &mut Output,
) -> Result<(), Failure> {
    if setting.json {
        let json = serde_json::to_string(report).map_err(|e| Failure::new(e.to_string()))?;
        return print(output, &json);
    }
    let taken = |n_new: usize, n_known: usize, one: &str, many: &str| match n_known {
        0 => format!("imported {}", words::count(n_new, one, many)),
        known => {
            format!("imported {}; {} here already", words::count(n_new, one, many), words::grouped(known))
        }
    };
    print(output, &taken(report.runs_new, report.runs_known, "run", "runs"))?;
    if serviced.n_new + serviced.n_known > 0 {
        print(output, &taken(serviced.n_new, serviced.n_known, "service", "services"))?;
    }
    let n_out = report.runs_left_out + report.rows_refused;
    if n_out > 0 {
        let rows = words::count(n_out, "row was", "rows were");
        output.say(&format!("{rows} left out, see above; correct the files and import again"));
    } else {
        output.say("`windrow-hub rank` shows who needs service");
    }
    Ok(())
}

fn say_progress(output: &mut Output, what: &str, n_done: usize, n_all: usize) {
    if n_done.is_multiple_of(PROGRESS_EVERY) {
        output.say(&format!("{what} {n_done} of {n_all} runs"));
    }
}

/// Says what is wrong with rows and how many that concerns.
fn say_complaints(path: &Path, complaints: &windrow_model::trace::Complaints, output: &mut Output) -> usize {
    for complaint in &complaints.first {
        output.say(&format!("left out: `{}`: {complaint}", path.display()));
    }
    if complaints.n_more > 0 {
        output.say(&format!("left out: `{}`: and {} more", path.display(), complaints.n_more));
    }
    complaints.first.len() + complaints.n_more
}

fn say_left_out(manifest: &Path, imported: &Imported, output: &mut Output) {
    for left_out in imported.left_out.iter().take(MAX_NAMED) {
        let why = left_out.why.replace('\n', "; ");
        output.say(&format!(
            "left out: `{}`: line {}: trace `{}`: {why}",
            manifest.display(),
            left_out.line,
            left_out.trace
        ));
    }
    let n_more = imported.left_out.len().saturating_sub(MAX_NAMED);
    if n_more > 0 {
        output.say(&format!("left out: and {n_more} more traces"));
    }
}
