//! `windrow replay`: the verdict on a trace file.

use windrow_model::analysis::{RunContext, analyse};
use windrow_model::record::wire::{Context, Limit, LimitSource, Outcome as RunOutcome};
use windrow_model::trace::file;
use windrow_model::verdict::Origin;

use super::check::exit_of_verdict;
use super::result::{About, Judged};
use super::{print, print_json, settings};
use crate::cli::ReplayArgs;
use crate::exit::Exit;
use crate::failure::{Failure, Outcome};
use crate::files;
use crate::output::Output;

/// What a sensor may claim as its limit (as the check takes it).
const LIMIT_RANGE_C: (f64, f64) = (60.0, 125.0);

pub(super) fn run(args: &ReplayArgs, output: &mut Output) -> Outcome {
    let ambient = args.ambient.as_deref().map(settings::ambient).transpose()?;
    let limit = args.limit.map(limit).transpose()?;
    if let Some(path) = &args.report {
        settings::writable(path)?;
    }
    let bytes = files::read_limited(&args.trace, file::MAX_BYTES)
        .map_err(|e| Failure::at("read the trace", &args.trace, e))?
        .ok_or_else(|| {
            Failure::at("read the trace", &args.trace, "no such file")
                .remedy("name a file that `windrow check --trace FILE` wrote, or one with the same columns")
        })?;
    let read = file::read(&bytes).map_err(|complaints| {
        Failure::new(format!("cannot read the trace `{}`:\n{complaints}", args.trace.display())).remedy(
            "correct the file; columns are time_s, load_pct, cpu_temp_c and, where read, the others of `windrow check --trace`",
        )
    })?;
    let context = Context { ambient, ..Context::default() };
    let run_context =
        RunContext { ambient, limit_c: limit.as_ref().map(|l| l.limit_c), ..RunContext::default() };
    let analysis = analyse(&read.trace, &run_context);
    if analysis.phases.load.is_empty() {
        return Err(Failure::new(format!("there is no load phase in `{}`", args.trace.display()))
            .remedy("record it with `load_pct` over 60 for at least 5 s, or with a `phase` column")
            .exit(Exit::NotChecked));
    }
    let about = About {
        origin: Origin::Imported,
        model: None,
        started_at: None,
        digest: None,
        limit: limit.as_ref(),
        protocol: None,
        context: Some(&context),
        outcome: RunOutcome::Complete,
        events: &[],
        pre_checks: &[],
        sources: &[],
    };
    let judged = Judged::new(about, &read.trace, &analysis);
    if args.json {
        print_json(output, &judged.json())?;
    } else {
        print(output, &judged.text())?;
    }
    if let Some(path) = &args.report {
        judged.write_page(path)?;
        output.say(&format!("Page: {}", path.display()));
    }
    Ok(exit_of_verdict(judged.verdict.standing, RunOutcome::Complete, &[]))
}

fn limit(limit_c: f64) -> Result<Limit, Failure> {
    if (LIMIT_RANGE_C.0..=LIMIT_RANGE_C.1).contains(&limit_c) {
        // Told by a person as what the sensor calls critical.
        return Ok(Limit { limit_c, source: LimitSource::SensorCritical });
    }
    Err(Failure::new(format!("a limit of `{limit_c}` °C is not one of a CPU"))
        .remedy("give the temperature at which this model draws back, 60 to 125 °C")
        .exit(Exit::Usage))
}
