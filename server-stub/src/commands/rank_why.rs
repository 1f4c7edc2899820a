//! `windrow-hub rank --why DEVICE`: what one laptop's place in the rank rests on, in plain lines.

use windrow_model::cautions;
use windrow_model::condition::judge::Interval;

use super::run_by_run::{self, RunByRun};
use crate::failure::Failure;
use crate::scoring::words::{piece, step_words};
use crate::scoring::{Fault, JudgedFleet, Standing, events};
use crate::store::Store;

/// The laptop by its device id or asset tag, told in lines.
///
/// # Errors
/// Where there is no such laptop.
pub(super) async fn why<S: Store>(
    store: &S,
    fleet: &JudgedFleet,
    asked: &str,
    width: Option<usize>,
) -> Result<Vec<String>, Failure> {
    let is_asked = |s: &&Standing| s.device_id() == asked || *s.last.asset_tag == *asked;
    let found: Vec<&Standing> = fleet.standings.iter().filter(is_asked).collect();
    if found.is_empty() {
        return Err(Failure::new(format!("there is no checked laptop `{asked}`"))
            .remedy("give the whole device id, or the asset tag; `windrow-hub rank --csv` lists both"));
    }
    let mut lines = Vec::new();
    for standing in found {
        let runs = run_by_run::gather(store, fleet, standing).await?;
        lines.extend(told(fleet, standing, runs.as_ref(), width));
    }
    Ok(lines)
}

fn told(fleet: &JudgedFleet, s: &Standing, runs: Option<&RunByRun>, width: Option<usize>) -> Vec<String> {
    let run = &s.last;
    let mut lines = vec![
        format!("{} ({}), {}, {}", s.device_id(), run.kind.of.provenance, run.kind.model_name, run.kind.site),
        format!("{}: {}", s.band.words(), s.reason),
    ];
    if let Some(due_on) = s.due_on {
        lines.push(format!("due on {due_on}, expected benefit of a visit {:.0}", s.visit_benefit));
    }
    lines.extend(condition(s));
    lines.extend(s.evidence.iter().filter(|e| e.peers.is_some()).map(|e| format!("last run: {}", piece(e))));
    if let Some(model) = fleet.models.get(&run.kind.of) {
        lines.push(format!(
            "compared within {} laptops and {} runs of its model",
            model.reference.laptops, model.reference.runs
        ));
        let firmwares = fleet.firmwares.names(&run.kind.of);
        let events = model.reference.events.iter();
        lines.extend(events.map(|e| format!("model event: {}", events::words(e, firmwares))));
    }
    if let Some(service) = &s.last_service {
        let actions: Vec<&str> = service.actions.iter().map(|a| a.name()).collect();
        lines.push(format!("last service on {}: {}", service.on, actions.join(", ")));
    }
    let v = &fleet.versions;
    lines.push(format!(
        "{} runs, {} fitted; method {}, standing {}, constants {}, rule {}, costs {}",
        s.n_runs, s.n_fitted_runs, v.method, v.standing, v.constants, v.rule, v.costs
    ));
    if let (Some(runs), Some(model)) = (runs.filter(|r| r.is_of(s)), fleet.models.get(&run.kind.of)) {
        lines.push(runs.told(&model.reference, width));
    }
    if s.band.is_visit() {
        lines.push("Before anybody opens a laptop:".to_owned());
        lines.extend(cautions::SERVICE.iter().map(|c| format!("  {c}")));
    }
    lines
}

/// The three numbers with their intervals and odds, the forecast, and what the runs leave open.
fn condition(s: &Standing) -> Vec<String> {
    let Some(c) = &s.condition else { return vec!["no run of it could be fitted".to_owned()] };
    let number = |name: &str, limit: &str, i: Interval, p: f64| {
        format!(
            "{name} {:.2}, 90 % between {:.2} and {:.2}; odds {:.0} % to be {limit}",
            i.mid,
            i.low,
            i.high,
            100.0 * p
        )
    };
    let mut lines = Vec::new();
    lines.extend(c.airflow.map(|i| number("airflow", "below 0.7 of as new", i, c.p_clogged)));
    lines.extend(c.fan.map(|i| number("fan", "below 0.8 of its due speed", i, c.p_fan)));
    lines.push(number("contact", "above 1.8 times as new", c.contact, c.p_contact));
    if let Some(f) = s.forecast_ahead() {
        let (part, even_on, early_on) = (f.fault.part(), f.due_on, f.early_on);
        lines.push(format!("{part}: even odds to pass the limit by {even_on} (one in twenty by {early_on})"));
    }
    lines.extend(c.cannot_tell.iter().map(|open| {
        format!("cannot tell of the {}: {}", Fault::from(open.part).part(), step_words(open.next))
    }));
    lines
}
