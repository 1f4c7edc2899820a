//! `windrow-hub rank --why DEVICE`: what one laptop's place in the rank rests on, in plain lines.

use windrow_model::cautions;
use windrow_model::condition::judge::Interval;

use super::laptop;
use super::run_by_run::{self, RunByRun};
use crate::failure::Failure;
use crate::pages::laptop::actions;
use crate::pages::words;
use crate::scoring::words::{piece, step_words};
use crate::scoring::{Fault, JudgedFleet, Standing, events};
use crate::store::Store;

/// The laptop by its asset tag, its device id or that one's beginning, told in lines.
///
/// # Errors
/// Where there is no such laptop.
pub(super) async fn why<S: Store>(
    store: &S,
    fleet: &JudgedFleet,
    asked: &str,
    currency: &str,
    width: Option<usize>,
) -> Result<Vec<String>, Failure> {
    let device_id = laptop::one_laptop(store, asked).await?;
    let found: Vec<&Standing> = fleet.standings.iter().filter(|s| s.device_id() == device_id).collect();
    if found.is_empty() {
        return Err(Failure::new(format!("the laptop `{asked}` has joined and was never checked"))
            .remedy("run `windrow check` on it"));
    }
    let mut lines = Vec::new();
    for standing in found {
        let runs = run_by_run::gather(store, fleet, standing).await?;
        lines.extend(told(fleet, standing, runs.as_ref(), currency, width));
    }
    Ok(lines)
}

fn told(
    fleet: &JudgedFleet,
    s: &Standing,
    runs: Option<&RunByRun>,
    currency: &str,
    width: Option<usize>,
) -> Vec<String> {
    let run = &s.last;
    let mut lines = vec![which(s), format!("{}: {}", s.band.words(), s.reason)];
    if let Some(due_on) = s.due_on {
        lines.push(format!("due on {due_on}"));
    }
    if s.band.is_visit() {
        lines.push(format!("a visit now is worth about {}", words::money(s.visit_benefit, currency)));
    }
    lines.push(checked(s));
    lines.extend(condition(s));
    lines.extend(s.evidence.iter().filter(|e| e.peers.is_some()).map(|e| format!("last run: {}", piece(e))));
    let model = fleet.models.get(&run.kind.of);
    if let (Some(model), Some(part)) = (model, fleet.part_of(s)) {
        let measured =
            events::measured(model, part).map_or_else(String::new, |how| format!(", {how} as it is"));
        lines.push(format!(
            "compared with {} of its model over {}{measured}",
            words::count(part.reference.laptops, "laptop", "laptops"),
            words::count(part.reference.runs, "run", "runs")
        ));
        if !part.fit.has_converged {
            lines.push(
                "the joint fit of its model's runs came to no optimum: what they say counts with wider intervals"
                    .to_owned(),
            );
        }
        let firmwares = fleet.firmwares.names(&run.kind.of);
        let events = part.reference.events.iter();
        lines.extend(events.map(|e| format!("model event: {}", events::words(e, firmwares))));
    }
    if let Some(service) = &s.last_service {
        lines.push(format!("last service on {}: {}", service.on, actions(&service.actions)));
    }
    let v = &fleet.versions;
    lines.push(format!(
        "judged on {} of its {}; versions: method {}, standing {}, constants {}, rule {}, costs {}",
        s.n_fitted_runs,
        words::count(s.n_runs, "run", "runs"),
        v.method,
        v.standing,
        v.constants,
        v.rule,
        v.costs
    ));
    if let (Some(runs), Some(model), Some(part)) = (runs.filter(|r| r.is_of(s)), model, fleet.part_of(s)) {
        lines.push(runs.told(model, part, width));
    }
    if s.band.is_visit() {
        lines.push("Before anybody opens a laptop:".to_owned());
        lines.extend(cautions::SERVICE.iter().map(|c| format!("  {c}")));
    }
    lines
}

/// Which laptop it is: the tag by which a person knows it first.
fn which(s: &Standing) -> String {
    let (run, id) = (&s.last, s.device_id());
    let laptop =
        if run.asset_tag.is_empty() { id.to_owned() } else { format!("{}, device {id}", run.asset_tag) };
    let laptop = match &*run.kind.of.provenance {
        "measured" => laptop,
        other => format!("{laptop} ({other})"),
    };
    let told = [laptop.as_str(), &run.kind.model_name, &run.kind.site];
    told.into_iter().filter(|text| !text.is_empty()).collect::<Vec<&str>>().join(", ")
}

/// When it was last checked, and whether it was tried in vain since.
fn checked(s: &Standing) -> String {
    let day = |at_ms| words::date(at_ms).map_or_else(String::new, |d| d.to_string());
    let last = s
        .checked_at_ms
        .map_or_else(|| "never checked".to_owned(), |at| format!("last checked on {}", day(at)));
    match s.failed_at_ms {
        Some(at) => format!("{last}; the last attempt failed on {}", day(at)),
        None => last,
    }
}

/// The three numbers with their intervals and odds, the forecast, and what the runs leave open.
fn condition(s: &Standing) -> Vec<String> {
    let Some(c) = &s.condition else { return vec!["no run of it could be fitted".to_owned()] };
    let number = |name: &str, limit: &str, i: Interval, p: f64| {
        format!(
            "{name} {:.2} (90 % interval {:.2} to {:.2}); the chance to be {limit} is {:.0} %",
            i.mid,
            i.low,
            i.high,
            100.0 * p
        )
    };
    let mut lines = Vec::new();
    lines.extend(c.airflow.map(|i| number("airflow, share of as new:", "below 0.7", i, c.p_clogged)));
    lines.extend(c.fan.map(|i| number("fan, share of its due speed:", "below 0.8", i, c.p_fan)));
    lines.push(number("paste and mounting, times as new:", "above 1.8", c.contact, c.p_contact));
    if let Some(f) = s.forecast_ahead() {
        let (part, even_on, early_on) = (f.fault.part(), f.due_on, f.early_on);
        lines.push(format!("{part}: at the rate that its runs show, past the limit about {even_on} (one in twenty by {early_on})"));
    }
    lines.extend(c.cannot_tell.iter().map(|open| {
        format!("cannot tell of the {}: {}", Fault::from(open.part).part(), step_words(open.next))
    }));
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::costs::Costs;
    use crate::http::Limits;
    use crate::judgement;
    use crate::store::sql::SqlStore;
    use crate::testing::{START_MS, TestHub, imported_check, measured_in_two_ways};

    #[tokio::test]
    async fn a_model_whose_fit_came_to_no_optimum_is_told() {
        let (hub, laptops) = TestHub::of_six(Limits::default()).await;
        let told = async || {
            let costs = Costs::default();
            let fleet =
                judgement::judged_fleet(&hub.store, &hub.clock.wall(), START_MS, &costs).await.unwrap();
            why(&hub.store, &fleet, &laptops[0].device_id(), &costs.currency, None).await.unwrap().join("\n")
        };
        let settled = told().await;
        assert!(settled.contains("compared with 6 laptops") && !settled.contains("no optimum"), "{settled}");
        hub.unsettle_fits().await;
        let unsettled = told().await;
        assert!(unsettled.contains("the joint fit of its model's runs came to no optimum"), "{unsettled}");
        hub.stop().await;
    }

    #[tokio::test]
    async fn a_laptop_is_told_with_what_it_was_compared_and_which_of_its_runs_are_measured_otherwise() {
        let folder = tempfile::TempDir::new().unwrap();
        let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
        let mut runs = measured_in_two_ways();
        runs.push(imported_check(7, 2, 0.45, &[]));
        store.run_import_batch(runs).await.unwrap();
        let hub = TestHub::over(store, Limits::default()).await;
        let costs = Costs::default();
        let as_of_ms = START_MS + 61 * 86_400_000;
        let fleet = judgement::judged_fleet(&hub.store, &hub.clock.wall(), as_of_ms, &costs).await.unwrap();
        let told = why(&hub.store, &fleet, "unit-7", &costs.currency, None).await.unwrap().join("\n");
        let compared = "compared with 6 laptops of its model over 13 runs, measured without power as it is";
        assert!(told.contains(compared), "{told}");
        let left_out = "measured with power and fan speed: air and paste left out";
        assert_eq!(told.matches(left_out).count(), 1, "{told}");
        hub.stop().await;
    }
}
