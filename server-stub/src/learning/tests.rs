mod measured;

use std::collections::BTreeSet;

use super::*;
use crate::facts::Facts;
use crate::scoring::Runs;
use crate::store::RunFacts;
use crate::store::judgements::JudgementStore as _;
use crate::store::sql::SqlStore;
use crate::testing::{START_MS, imported_check};

const DAY_MS: i64 = 86_400_000;
const N_LAPTOPS: u64 = 5;

fn check(unit: u64, month: u64, airflow: f64) -> RunFacts {
    imported_check(unit, month, airflow, &[])
}

fn fleet() -> Vec<RunFacts> {
    let airflow = |unit| if unit == 1 { 0.5 } else { 1.0 };
    (1..=N_LAPTOPS).flat_map(|unit| [0, 1].map(|month| check(unit, month, airflow(unit)))).collect()
}

/// Learned, with all evidence.
type Held = Learned<HashMap<i64, RunEvidence>>;

async fn runs(store: &SqlStore, as_of_ms: EpochMs) -> Runs {
    let mut runs = Runs::new(as_of_ms);
    store.run_read_all(|page| runs.add(page)).await.unwrap();
    runs
}

async fn now(store: &SqlStore) -> Held {
    let runs = runs(store, i64::MAX).await;
    let Learned { models, evidence } = learned(store, &runs.all, &[]).await.unwrap();
    let ids: Vec<i64> = runs.all.iter().map(|r| r.run_id).filter(|id| evidence.has(*id)).collect();
    let read = off_the_reactor(move || evidence.read(ids.clone()).map(|read| ids.into_iter().zip(read)));
    Learned { models, evidence: read.await.unwrap().unwrap().collect() }
}

/// All at once, without a store's help.
async fn at_once(store: &SqlStore) -> Held {
    let runs = runs(store, i64::MAX).await;
    let ids: Vec<i64> = runs.all.iter().map(|r| r.run_id).collect();
    let mut drives = drives(store, &ids).await.unwrap();
    let ready: Vec<(&RunRef, Drive)> =
        runs.all.iter().filter_map(|run| Some((run, drives.remove(&run.run_id)?))).collect();
    conditions::learn(&ready, &ServicesOf::new())
}

/// As text, since a value that is not known equals itself there.
fn text(learned: &Held) -> (Vec<String>, Vec<String>) {
    let models = learned.models.values().map(|m| serde_json::to_string(m).unwrap()).collect();
    let by_run: BTreeMap<_, _> = learned.evidence.iter().collect();
    let evidence = by_run.values().map(|e| serde_json::to_string(e).unwrap()).collect();
    (models, evidence)
}

#[tokio::test]
async fn what_is_kept_is_what_would_be_learned_at_once() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
    store.run_import_batch(fleet()).await.unwrap();
    let first = text(&now(&store).await);
    assert_eq!(first.1.len(), 2 * N_LAPTOPS as usize);
    assert_eq!(first, text(&at_once(&store).await));
    assert_eq!(first, text(&now(&store).await), "read back from the store");

    // One run more is judged against the standing fit, which stays to the last digit, as does all other evidence.
    store.run_import_batch(vec![check(2, 2, 1.0)]).await.unwrap();
    let one_more = now(&store).await;
    let (models, evidence) = text(&one_more);
    assert_eq!(models, first.0);
    assert_eq!(evidence[..first.1.len()], first.1);
    assert_eq!(evidence.len(), first.1.len() + 1);
    assert_eq!(text(&one_more), text(&now(&store).await), "read back from the store");

    // Made anew, it is as if all had come in at once.
    forget(&store).await.unwrap();
    assert_eq!(text(&now(&store).await), text(&at_once(&store).await));
    store.store_close().await;
}

#[tokio::test]
async fn the_fit_is_made_anew_once_enough_is_new() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
    store.run_import_batch(fleet()).await.unwrap();
    let first = text(&now(&store).await);
    let more = (0..REFIT_RUNS as u64).map(|n| check(1 + n % N_LAPTOPS, 2 + n / N_LAPTOPS, 1.0)).collect();
    store.run_import_batch(more).await.unwrap();
    let refitted = text(&now(&store).await);
    assert_ne!(refitted.0, first.0);
    assert_eq!(refitted, text(&at_once(&store).await));
    store.store_close().await;
}

#[tokio::test]
async fn a_late_run_under_an_older_firmware_makes_the_fit_anew_and_one_under_a_newer_does_not() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
    let under =
        |firmware: &str, unit, month| RunFacts { firmware: firmware.to_owned(), ..check(unit, month, 1.0) };
    let fleet = (1..=N_LAPTOPS).flat_map(|unit| [1, 2].map(|month| under("1.07", unit, month))).collect();
    store.run_import_batch(fleet).await.unwrap();
    let first = now(&store).await;
    let numbers = |held: &Held| held.evidence.values().map(|e| e.firmware).collect::<BTreeSet<u32>>();
    assert_eq!(numbers(&first), BTreeSet::from([1]));
    store.run_import_batch(vec![under("1.09", 1, 3)]).await.unwrap();
    let newer = now(&store).await;
    assert_eq!(text(&newer).0, text(&first).0, "one more run is no reason to fit anew");
    assert_eq!(numbers(&newer), BTreeSet::from([1, 2]));
    // It lay in a laptop's spool for months; all numbers mean others now.
    store.run_import_batch(vec![under("1.02", 1, 0)]).await.unwrap();
    let older = now(&store).await;
    assert_eq!(text(&older), text(&at_once(&store).await));
    assert_eq!(numbers(&older), BTreeSet::from([1, 2, 3]));
    // One that lies between two of them, of which the later came alone.
    store
        .run_import_batch(vec![RunFacts { tested_at_ms: START_MS + DAY_MS * 80, ..under("1.08", 2, 4) }])
        .await
        .unwrap();
    let between = now(&store).await;
    assert_eq!(text(&between), text(&at_once(&store).await));
    // One that says nothing but under which firmware it was made.
    let silent =
        RunFacts { tested_at_ms: START_MS - DAY_MS, trace_zstd: b"no trace".to_vec(), ..under("1.01", 3, 5) };
    store.run_import_batch(vec![silent]).await.unwrap();
    let after_silent = now(&store).await;
    forget(&store).await.unwrap();
    assert_eq!(text(&after_silent), text(&now(&store).await), "as if all had come in at once");
    assert_eq!(numbers(&after_silent), BTreeSet::from([2, 3, 4, 5]));
    assert!(
        older.models.values().all(|m| m.fit.has_converged)
            && older.evidence.values().all(|e| e.has_converged)
    );
    store.store_close().await;
}

#[tokio::test]
async fn a_run_that_says_nothing_is_looked_at_once() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
    let unreadable = RunFacts { trace_zstd: b"no trace".to_vec(), ..check(1, 0, 1.0) };
    store.run_import_batch(vec![unreadable]).await.unwrap();
    assert!(now(&store).await.evidence.is_empty());
    let kept = store.evidence_list(version(), 0, u32::MAX).await.unwrap();
    assert!(kept.len() == 1 && kept[0].made.is_none(), "{kept:?}");
    store.store_close().await;
}

/// The hub ended after it had kept the evidence and before it kept the standing, or the standing can't be read.
#[tokio::test]
async fn evidence_without_its_standing_is_made_again() {
    let folder = tempfile::TempDir::new().unwrap();
    let whole = SqlStore::open_file(&folder.path().join("whole.sqlite")).await.unwrap();
    whole.run_import_batch(fleet()).await.unwrap();
    let first = text(&now(&whole).await);
    let evidence = whole.evidence_list(version(), 0, u32::MAX).await.unwrap();
    let standing = whole.standing_list(version()).await.unwrap().remove(0);
    assert_eq!(evidence[0].made.as_ref().map(|(digest, _)| *digest), Some(standing.digest));
    let unreadable = StoredStanding { standing_json: b"{".to_vec(), ..standing };
    for (name, standings) in [("none.sqlite", Vec::new()), ("unreadable.sqlite", vec![unreadable])] {
        let store = SqlStore::open_file(&folder.path().join(name)).await.unwrap();
        store.run_import_batch(fleet()).await.unwrap();
        store.judgement_put(version(), standings, evidence.clone()).await.unwrap();
        assert_eq!(text(&now(&store).await), first, "{name}");
        let kept = store.standing_list(version()).await.unwrap();
        assert!(kept.len() == 1 && kept[0].standing_json.len() > 1, "{name}: {kept:?}");
        store.store_close().await;
    }
    whole.store_close().await;
}

#[tokio::test]
async fn a_laptops_history_ends_with_what_the_fleets_judgement_says_of_it() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
    store.run_import_batch(fleet()).await.unwrap();
    let learned = now(&store).await;
    let model = learned.models.values().next().map(Arc::clone).unwrap();
    let as_of_ms = START_MS + 31 * DAY_MS;
    let runs = runs(&store, as_of_ms).await;
    let fleet = crate::scoring::Fleet { runs, learned, services: Vec::new(), facts: Facts::default() };
    let judged = crate::scoring::judge(fleet, &crate::costs::Costs::default()).unwrap();
    let unit = judged.standings.iter().find(|s| s.device_id() == "unit-1").unwrap();
    let history = history(&store, model, unit, i64::MAX, 24).await.unwrap();
    let months: Vec<i64> = history.iter().map(|after| (after.tested_at_ms - START_MS) / DAY_MS).collect();
    assert_eq!(months, [0, 30]);
    assert_eq!(unit.condition.as_ref().unwrap().p_clogged, history[1].condition.p_clogged);
    assert_eq!(unit.condition.as_ref().unwrap().airflow, history[1].condition.airflow);
    store.store_close().await;
}
