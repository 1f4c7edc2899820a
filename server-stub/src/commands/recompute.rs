//! `windrow-hub recompute`: the hub's metrics of all runs, from their traces, again.

use windrow_model::METHOD_VERSION;

use super::{Outcome, Setting, block_on, print};
use crate::exit::Exit;
use crate::output::Output;
use crate::store::Store;
use crate::{database, learning, measure};

/// Arguments of `recompute`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Example:
  windrow-hub recompute

A new method version is computed by `serve` in the background without being asked; results of older versions are kept.")]
pub(super) struct Args {}

pub(super) fn run(setting: &Setting, _args: &Args, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let n_runs = block_on(async {
        let store = database::open(&database).await?;
        let n_forgotten = store.metrics_forget(METHOD_VERSION).await?;
        output.say(&format!(
            "computing again, {n_forgotten} runs had metrics of method version {METHOD_VERSION}"
        ));
        // The standing fits rest on the same traces: the next judging makes them anew.
        learning::forget(&store).await?;
        let n_runs = measure::measure_due(&store, &setting.clock, |_| ()).await?;
        store.store_close().await;
        Ok(n_runs)
    })?;
    let said = if setting.json {
        serde_json::json!({"runs": n_runs, "method_version": METHOD_VERSION}).to_string()
    } else {
        format!("computed the metrics of {n_runs} runs under method version {METHOD_VERSION}")
    };
    print(output, &said)?;
    Ok(Exit::Done)
}
