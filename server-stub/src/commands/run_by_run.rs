//! The evidence behind a laptop's condition, run by run, as a compact table beside its peers' band.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use tabled::builder::Builder;
use tabled::settings::{Style, Width, peaker::Priority};
use windrow_model::METHOD_VERSION;
use windrow_model::condition::constants::Constants;
use windrow_model::condition::disturbance::Disturbance;
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::judge::Interval;
use windrow_model::condition::laptop::quiet_odds;
use windrow_model::condition::one_run::{RunNumbers, peers};
use windrow_model::condition::peers::Band;
use windrow_model::condition::standing::ModelStanding;
use windrow_model::record::wire::Metrics;

use crate::learning::{self, AfterRun};
use crate::scoring::{JudgedFleet, Standing};
use crate::store::{EpochMs, Service, Store, StoreError};

/// Runs in the table: the newest.
const MAX_RUNS: usize = 15;
/// Runs whose circumstances are looked up; more than the table has, since attempts are among them.
const MAX_LINES: u32 = 60;
/// From this standard deviation on the room counts as not known, K: as where the runs are said to leave the air open.
const ROOM_UNKNOWN_K: f64 = 1.2;
/// From these odds on a run is told to have been made in a quiet profile: likelier than not.
const QUIET_FROM: f64 = 0.5;

/// A laptop's evidence, gathered from the store.
pub(super) struct RunByRun {
    device_id: String,
    runs: Vec<AfterRun>,
    /// Names of what the analysis found odd, by the time of the run.
    odd: HashMap<EpochMs, Vec<String>>,
    services: Vec<Service>,
}

/// Gathers a laptop's evidence up to the time for which the fleet was judged; `None` where no run was fitted.
pub(super) async fn gather<S: Store>(
    store: &S,
    fleet: &JudgedFleet,
    standing: &Standing,
) -> Result<Option<RunByRun>, StoreError> {
    let of = standing.last.kind.of.clone();
    let Some(model) = fleet.models.get(&of) else { return Ok(None) };
    let device_id = standing.device_id().to_owned();
    let runs = learning::history(store, model.clone(), standing, fleet.as_of_ms, MAX_RUNS).await?;
    let lines = store.run_list_of_device(device_id.clone(), METHOD_VERSION, None, MAX_LINES).await?;
    let odd = lines.into_iter().filter_map(|line| {
        let metrics: Metrics = serde_json::from_slice(&line.metrics_json?).ok()?;
        Some((line.tested_at_ms, metrics.quality.into_keys().collect()))
    });
    let odd = odd.collect();
    let services = store.service_list_of_device(device_id.clone()).await?;
    Ok((!runs.is_empty()).then_some(RunByRun { device_id, runs, odd, services }))
}

impl RunByRun {
    /// Whether it is this laptop's.
    pub(super) fn is_of(&self, standing: &Standing) -> bool {
        self.device_id == standing.device_id()
    }

    /// The table with its heading; `width` is the terminal's. The laptop is judged by `part` of its model; a run that is
    /// measured otherwise is told beside those that are measured as it was.
    pub(super) fn told(&self, model: &ModelStanding, part: &ModelStanding, width: Option<usize>) -> String {
        let (k, reference) = (Constants::default(), &part.reference);
        let mut builder = Builder::default();
        builder.push_record(["", "airflow", "fan", "paste", "after it", "what weakens the run"]);
        builder.push_record(peers_row(&peers(&k, reference)));
        let mut before: Option<NaiveDate> = None;
        let own = part.fit.channels;
        let evidence: Vec<RunEvidence> = self.runs.iter().map(|r| r.evidence.beside(own)).collect();
        let always = self.runs.last().map_or(0.0, |newest| newest.condition.always_quiet);
        for (after, quiet) in self.runs.iter().zip(&quiet_odds(&k, reference, &evidence, always)) {
            let on = day(after.tested_at_ms);
            for service in self.services_between(before, on) {
                builder.push_record(service);
            }
            let channels = after.evidence.channels();
            let beside = model.part(channels).unwrap_or(part);
            let numbers = RunNumbers::of(&k, &beside.reference, &after.evidence.if_quiet(&k, *quiet));
            let mut row = self.run_row(after, on, &numbers, *quiet, &k);
            if channels != own {
                let left_out = format!("measured {}: air and paste left out", channels.words());
                row[5] = if row[5].is_empty() { left_out } else { format!("{left_out}, {}", row[5]) };
            }
            builder.push_record(row);
            before = on;
        }
        for service in self.services_between(before, None) {
            builder.push_record(service);
        }
        let mut table = builder.build();
        table.with(Style::sharp());
        if let Some(width) = width {
            table.with(Width::wrap(width).priority(Priority::max(true)).keep_words(true));
        }
        format!(
            "run by run, each alone with its 90 % interval, shares of as new (paste: times as new):\n{table}"
        )
    }

    fn run_row(
        &self,
        after: &AfterRun,
        on: Option<NaiveDate>,
        n: &RunNumbers,
        quiet: f64,
        k: &Constants,
    ) -> [String; 6] {
        let c = &after.condition;
        let parts = [
            c.airflow.map(|i| format!("air {:.2}", i.mid)),
            c.fan.map(|i| format!("fan {:.2}", i.mid)),
            Some(format!("paste {:.1}", c.contact.mid)),
        ];
        let after_it: Vec<String> = parts.into_iter().flatten().collect();
        let odd = self.odd.get(&after.tested_at_ms).map_or(&[][..], Vec::as_slice);
        [
            on.map(|d| d.to_string()).unwrap_or_default(),
            told(n.airflow, 2),
            told(n.fan, 2) + &stumbled(&after.evidence),
            told(n.contact, 1),
            after_it.join(", "),
            weakened_by(&after.evidence, quiet, odd, k).join(", "),
        ]
    }

    /// Services after one day and up to another; each kind of work of a day is one.
    fn services_between(
        &self,
        after: Option<NaiveDate>,
        upto: Option<NaiveDate>,
    ) -> impl Iterator<Item = [String; 6]> {
        let is_between = move |s: &&Service| {
            // Without a run before it, what was long ago says nothing of the runs shown, and is told by the summary.
            after.is_some_and(|a| s.serviced_on > a) && upto.is_none_or(|u| s.serviced_on <= u)
        };
        self.services.iter().filter(is_between).map(|s| {
            let blank = String::new;
            let done = format!("serviced: {}", s.action.name());
            [s.serviced_on.to_string(), blank(), blank(), blank(), blank(), done]
        })
    }
}

fn day(ms: EpochMs) -> Option<NaiveDate> {
    DateTime::<Utc>::from_timestamp_millis(ms).map(|t| t.date_naive())
}

fn told(i: Option<Interval>, decimals: usize) -> String {
    i.map_or_else(
        || "–".to_owned(),
        |i| format!("{:.decimals$} ({:.decimals$}–{:.decimals$})", i.mid, i.low, i.high),
    )
}

/// How often the fan's speed broke in, where it did.
fn stumbled(e: &RunEvidence) -> String {
    let count = e.stumbles.map_or(0, |s| s.count);
    if count == 0 { String::new() } else { format!(", broke in {count}×") }
}

/// Where nine of the model's laptops in ten lie.
fn peers_row([air, fan, contact]: &[Option<Band>; 3]) -> [String; 6] {
    let band = |b: &Option<Band>, decimals: usize| {
        b.map_or_else(
            || "–".to_owned(),
            |b| format!("{:.decimals$} ({:.decimals$}–{:.decimals$})", b.mid, b.low, b.high),
        )
    };
    let laptops = [air, fan, contact].into_iter().flatten().map(|b| b.laptops).max().unwrap_or(0);
    let whom = format!("nine in ten of {laptops} laptops of its model");
    ["its peers".to_owned(), band(air, 2), band(fan, 2), band(contact, 1), String::new(), whom]
}

/// What makes a run say less: its circumstances, and what its analysis found odd.
fn weakened_by(e: &RunEvidence, quiet: f64, odd: &[String], k: &Constants) -> Vec<&'static str> {
    let found = |name: &str| odd.iter().any(|o| o.starts_with(name));
    let is_quiet = quiet > QUIET_FROM;
    let disturbed = if is_quiet { e.disturbed.with(Disturbance::QuietProfile) } else { e.disturbed };
    let not_yet = |what: Disturbance, found: bool| found && !disturbed.has(what);
    let because = [
        (e.quick, "quick"),
        (e.room_sd_k > ROOM_UNKNOWN_K, "room not known"),
        (not_yet(Disturbance::BackgroundLoad, found("background_load")), Disturbance::BackgroundLoad.words()),
        (not_yet(Disturbance::SleepGap, found("sleep_gap")), Disturbance::SleepGap.words()),
        (found("power_above_settle"), "drew more after the load than before"),
        (not_yet(Disturbance::WarmStart, found("not_settled")), "not settled"),
        (found("weak_load"), "weak load"),
        (found("stopped_early"), "ended early"),
        (e.rms_k > k.odd_rms.0, "curve doesn't fit well"),
        (!e.has_converged, "fit came to no optimum"),
    ];
    let others = because.into_iter().filter_map(|(is, words)| is.then_some(words));
    disturbed.iter().map(Disturbance::words).chain(others).collect()
}

#[cfg(test)]
mod tests {
    use windrow_model::condition::disturbance::Disturbances;
    use windrow_model::estimate::stumbles::Stumbles;

    use super::*;

    fn run(disturbed: Disturbances) -> RunEvidence {
        RunEvidence {
            day: 20_000.0,
            quick: false,
            air: Some((-0.1, 0.05)),
            contact: Some((0.0, 0.03)),
            raw_air: -0.1,
            has_rpm: true,
            has_power: true,
            by_work_rate: false,
            fans: [None; 2],
            log_power: 3.0,
            disturbed,
            on_mains: Some(true),
            firmware: 0,
            room_sd_k: 0.5,
            room_c: 22.0,
            rms_k: 0.3,
            has_converged: true,
            start_delay_s: None,
            flutter: None,
            stumbles: None,
            throttle_per_s: None,
            hot_c: 80.0,
        }
    }

    #[test]
    fn a_speed_that_broke_in_is_told_beside_the_fan() {
        let mut e = run(Disturbances::default());
        assert_eq!(stumbled(&e), "");
        e.stumbles = Some(Stumbles { count: 0, watched_s: 160.0 });
        assert_eq!(stumbled(&e), "");
        e.stumbles = Some(Stumbles { count: 3, watched_s: 160.0 });
        assert_eq!(stumbled(&e), ", broke in 3×");
    }

    #[test]
    fn each_disturbance_is_told_once_among_what_weakens_a_run() {
        let k = Constants::default();
        let usual = 0.05;
        assert!(weakened_by(&run(Disturbances::default()), usual, &[], &k).is_empty());
        for one in Disturbance::ALL.into_iter().filter(|d| *d != Disturbance::QuietProfile) {
            let told = weakened_by(&run(Disturbances::default().with(one)), usual, &[], &k);
            assert_eq!(told, [one.words()]);
        }
        let quiet = weakened_by(&run(Disturbances::default()), 0.9, &[], &k);
        assert_eq!(quiet, [Disturbance::QuietProfile.words()]);
        let odd = ["sleep_gap.recovery", "background_load.settle", "weak_load"].map(str::to_owned);
        let slept = Disturbances::default().with(Disturbance::SleepGap);
        let told = weakened_by(&run(slept), usual, &odd, &k);
        assert_eq!(told, ["slept in between", "other work ran", "weak load"]);
    }
}
