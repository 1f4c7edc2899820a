//! One model whose laptops are measured with different channels: each is judged, and what is kept bit by bit is what would be
//! learned at once.

use super::*;
use crate::costs::Costs;
use crate::scoring::{Band, Fleet, JudgedFleet, ReasonCode, judge};
use crate::testing::{NO_POWER, measured_in_two_ways};

const NO_SPEED: &[&str] = &["fan1_rpm", "fan2_rpm"];

async fn store(folder: &tempfile::TempDir, runs: Vec<RunFacts>) -> SqlStore {
    let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
    store.run_import_batch(runs).await.unwrap();
    store
}

async fn judged(store: &SqlStore, months: i64) -> JudgedFleet {
    let as_of_ms = START_MS + (30 * months + 1) * DAY_MS;
    let (learned, runs) = (now(store).await, runs(store, as_of_ms).await);
    judge(Fleet { runs, learned, services: Vec::new(), facts: Facts::default() }, &Costs::default()).unwrap()
}

#[track_caller]
fn of(fleet: &JudgedFleet, unit: u64) -> &Standing {
    fleet.standings.iter().find(|s| s.device_id() == format!("unit-{unit}")).unwrap()
}

#[track_caller]
fn assert_found(fleet: &JudgedFleet, unit: u64) {
    let s = of(fleet, unit);
    assert_eq!((s.reason_code, s.band.is_visit()), (ReasonCode::Clogged, true), "{s:#?}");
}

#[tokio::test]
async fn the_clogged_are_found_and_all_others_are_told_to_be_fine_however_they_are_measured() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = store(&folder, measured_in_two_ways()).await;
    let first = text(&now(&store).await);
    assert_eq!(first, text(&at_once(&store).await));
    assert_eq!(first, text(&now(&store).await), "read back from the store");
    let fleet = judged(&store, 1).await;
    assert_eq!(fleet.standings.len(), 12);
    for unit in 1..=12 {
        let s = of(&fleet, unit);
        assert_eq!(s.measured.map(|m| m.has_power), Some(unit <= 6), "{s:#?}");
        let part = fleet.part_of(s).unwrap();
        assert_eq!((part.reference.laptops, part.reference.runs), (6, 12));
        let condition = s.condition.as_ref().unwrap();
        assert!(condition.airflow.is_some());
        if unit % 6 == 1 {
            assert_found(&fleet, unit);
        } else {
            assert!(!s.band.is_visit() && s.band != Band::Retest && !s.cannot_tell(), "{s:#?}");
        }
    }
    // One run more, of either kind, is judged against what stands.
    let more = vec![imported_check(2, 2, 1.0, &[]), imported_check(8, 2, 1.0, NO_POWER)];
    store.run_import_batch(more).await.unwrap();
    let (models, evidence) = text(&now(&store).await);
    assert_eq!(models, first.0);
    assert_eq!((&evidence[..24], evidence.len()), (&first.1[..], 26));
    forget(&store).await.unwrap();
    assert_eq!(
        text(&now(&store).await),
        text(&at_once(&store).await),
        "made anew, as if all had come at once"
    );
    store.store_close().await;
}

#[tokio::test]
async fn a_laptop_that_is_measured_as_none_was_makes_the_fit_anew_and_one_odd_run_does_not() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = store(&folder, fleet()).await;
    let first = text(&now(&store).await);
    store.run_import_batch(vec![imported_check(2, 2, 1.0, NO_SPEED)]).await.unwrap();
    let odd = now(&store).await;
    assert_eq!(text(&odd).0, first.0);
    assert_eq!(odd.evidence.values().filter(|e| e.air.is_none()).count(), 1);
    // Alone in its set.
    store.run_import_batch(vec![imported_check(9, 2, 1.0, NO_SPEED)]).await.unwrap();
    let anew = now(&store).await;
    assert_eq!(anew.models.values().map(|m| m.others.len()).collect::<Vec<_>>(), [1]);
    assert_eq!(text(&anew), text(&at_once(&store).await));
    assert_eq!(text(&anew), text(&now(&store).await), "and once only");
    let fleet = judged(&store, 2).await;
    let alone = of(&fleet, 9).condition.as_ref().unwrap();
    assert!(alone.airflow.is_some_and(|i| i.high - i.low > 0.1) && alone.p_clogged < 0.5, "{alone:#?}");
    store.store_close().await;
}

#[tokio::test]
async fn a_laptop_that_comes_to_be_measured_otherwise_is_judged_by_its_new_runs_without_a_new_fit() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = store(&folder, measured_in_two_ways()).await;
    let first = text(&now(&store).await);
    // From the second month on its power is read, and it is clogged by then.
    for month in 2..=4 {
        store.run_import_batch(vec![imported_check(8, month, 0.45, &[])]).await.unwrap();
        let fleet = judged(&store, i64::try_from(month).unwrap()).await;
        let has_power = of(&fleet, 8).measured.unwrap().has_power;
        // With two runs of each kind the latest decides.
        assert_eq!(has_power, month >= 3, "month {month}");
        if month >= 3 {
            assert_found(&fleet, 8);
        }
    }
    let after = text(&now(&store).await);
    assert_eq!((&after.0, &after.1[..24]), (&first.0, &first.1[..]), "no evidence was made anew");
    // As of before it is judged as it was then.
    let then = judged(&store, 1).await;
    assert!(!of(&then, 8).measured.unwrap().has_power && !of(&then, 8).band.is_visit());
    assert_eq!(then.part_of(of(&then, 8)).unwrap().reference.laptops, 6);
    // Its history tells of each run by what it was then.
    let today = judged(&store, 4).await;
    let model = today.models.values().next().map(Arc::clone).unwrap();
    let history = history(&store, model, of(&today, 8), i64::MAX, 24).await.unwrap();
    let airflow: Vec<f64> = history.iter().map(|h| h.condition.airflow.unwrap().mid).collect();
    assert!(airflow[1] > 0.8 && airflow[4] < 0.7, "{airflow:?}");
    forget(&store).await.unwrap();
    assert_eq!(text(&now(&store).await), text(&at_once(&store).await));
    assert_found(&judged(&store, 4).await, 8);
    store.store_close().await;
}
