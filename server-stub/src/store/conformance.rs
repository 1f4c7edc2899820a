//! What every store must do, whatever database is under it. Each test takes a fresh store.

use std::pin::Pin;

use windrow_model::record::{Digest, chain, ledger_leaf};

use crate::ledger::leaf::{LeafKind, leaf_hash};
use crate::ledger::tree::{self, Whole};

use super::runs::Told;
use super::sql::SqlStore;
use super::{
    Appended, Enrolled, ImportCount, LedgerStore, NewDevice, NewMetrics, NewRecord, RunFacts, Service, Store,
    StoreError, StoredHead, StoredMetrics,
};
use crate::testing::{Laptop, START_MS, new_invite};

/// A check of the suite, for a fresh store.
type Case = (&'static str, fn(SqlStore) -> Pin<Box<dyn Future<Output = ()> + Send>>);

/// One test for each over SQLite; and all of them as cases, for the one test that has a server.
macro_rules! conformance {
    ($($test:ident),* $(,)?) => {
        mod sqlite_store {
            $(#[tokio::test]
            async fn $test() {
                let folder = tempfile::TempDir::new().unwrap();
                let store = super::SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
                super::$test(store.clone()).await;
                super::Store::store_close(&store).await;
            })*
        }

        pub(super) fn cases() -> Vec<crate::store::conformance::Case> {
            let cases: &[crate::store::conformance::Case] =
                &[$((concat!(module_path!(), "::", stringify!($test)), |store| Box::pin($test(store)))),*];
            cases.to_vec()
        }
    };
}

mod access;
mod alike;
mod facts;
mod judgements;
mod notices;
mod on_postgres;
mod rounds;

conformance!(
    an_invite_is_used_up,
    a_device_keeps_its_key,
    a_record_is_appended_once_with_its_leaf,
    links_tell_gaps_and_forks_and_heal,
    leaves_have_no_gaps_under_concurrent_appends,
    changes_have_their_leaves,
    stored_subtrees_give_the_roots_of_the_leaves,
    a_head_is_kept_once_a_size,
    imports_are_harmless_twice,
    metrics_are_kept_per_version,
    a_list_of_runs_tells_some_metrics,
    a_list_of_runs_tells_their_leaves,
    metrics_are_given_by_run,
    refusals_are_counted,
    a_closed_store_refuses_writes,
);

fn facts(device_id: &str, digest: Digest) -> RunFacts {
    RunFacts {
        device_id: device_id.to_owned(),
        digest,
        provenance: "emulated",
        model_key: "Fjordbook 14".to_owned(),
        model_name: "Fjordbook 14".to_owned(),
        firmware: "1.07".to_owned(),
        site: String::new(),
        load_mix: "1".to_owned(),
        protocol: "standard".to_owned(),
        outcome: "complete".to_owned(),
        channels: "cpu_temp_c load_pct".to_owned(),
        ambient_c: Some(21.5),
        ambient_sd_k: Some(0.5),
        on_ac: Some(true),
        tested_at_ms: START_MS,
        received_at_ms: START_MS + 5,
        trace_zstd: b"trace".to_vec(),
    }
}

fn record(laptop: &Laptop, sequence: u64, digest: u8, previous: Digest) -> NewRecord {
    let device_id = laptop.device_id();
    NewRecord {
        facts: facts(&device_id, Digest([digest; 32])),
        sequence,
        previous,
        root: root(laptop),
        header_json: b"{}".to_vec(),
    }
}

fn root(laptop: &Laptop) -> Digest {
    chain::root(&laptop.device_id(), &laptop.identity.public_key())
}

fn newcomer(laptop: &Laptop, token_hash: Digest, now_ms: i64) -> NewDevice {
    let public_key = laptop.identity.public_key();
    NewDevice { device_id: laptop.device_id(), public_key, token_hash, now_ms }
}

async fn an_invite_is_used_up<S: Store>(store: S) {
    let (_, invite) = new_invite(2, START_MS + 10);
    let hash = invite.token_hash;
    store.invite_create(invite).await.unwrap();
    let mut enrolled = Vec::new();
    for (seed, now_ms) in [(1, START_MS + 11), (1, START_MS), (1, START_MS), (2, START_MS), (3, START_MS)] {
        enrolled.push(store.device_enrol(newcomer(&Laptop::new(seed), hash, now_ms)).await.unwrap());
    }
    let expected =
        [Enrolled::InviteExpired, Enrolled::New, Enrolled::Known, Enrolled::New, Enrolled::NoInvite];
    assert_eq!(enrolled, expected);
    let unknown = store.device_enrol(newcomer(&Laptop::new(4), Digest([0; 32]), START_MS)).await.unwrap();
    assert_eq!(unknown, Enrolled::NoInvite);
}

async fn a_device_keeps_its_key<S: Store>(store: S) {
    let (_, invite) = new_invite(5, START_MS);
    let hash = invite.token_hash;
    store.invite_create(invite).await.unwrap();
    let laptop = Laptop::new(1);
    store.device_enrol(newcomer(&laptop, hash, START_MS)).await.unwrap();
    let thief =
        NewDevice { public_key: Laptop::new(2).identity.public_key(), ..newcomer(&laptop, hash, START_MS) };
    assert_eq!(store.device_enrol(thief).await.unwrap(), Enrolled::OtherKey);
    let device = store.device_get(laptop.device_id()).await.unwrap().unwrap();
    assert_eq!(device.public_key.to_bytes(), laptop.identity.public_key().to_bytes());
    assert!(device.revoked_at_ms.is_none());
    assert!(store.device_revoke(laptop.device_id(), START_MS + 7).await.unwrap());
    assert!(store.device_revoke(laptop.device_id(), START_MS + 9).await.unwrap());
    assert!(!store.device_revoke("nobody".to_owned(), START_MS).await.unwrap());
    let device = store.device_get(laptop.device_id()).await.unwrap().unwrap();
    assert_eq!(device.revoked_at_ms, Some(START_MS + 7));
    let back = store.device_enrol(newcomer(&laptop, hash, START_MS)).await.unwrap();
    assert_eq!(back, Enrolled::Revoked);
    assert!(store.device_get("nobody".to_owned()).await.unwrap().is_none());
}

async fn a_record_is_appended_once_with_its_leaf<S: Store>(store: S) {
    let laptop = Laptop::new(1);
    let one = record(&laptop, 1, 1, root(&laptop));
    let batch = vec![one.clone(), one.clone(), record(&laptop, 2, 2, Digest([1; 32]))];
    let answers = store.record_append_batch(batch).await.unwrap();
    let stored = |link| Appended::Stored { link };
    assert_eq!(answers, [stored("first"), Appended::Known, stored("follows")]);
    assert_eq!(store.record_append_batch(vec![one]).await.unwrap(), [Appended::Known]);
    let leaves = store.ledger_list(0, 10).await.unwrap();
    let expected = [1, 2].map(|n| (n - 1, ledger_leaf(Digest([n as u8; 32]), (START_MS + 5).unsigned_abs())));
    assert_eq!(leaves.iter().map(|l| (l.leaf_idx, l.leaf_hash)).collect::<Vec<_>>(), expected);
    let runs = store.run_list_measured("1").await.unwrap();
    assert_eq!(runs.len(), 2);
    assert_eq!((runs[0].ambient_c, runs[0].received_at_ms), (Some(21.5), START_MS + 5));
    assert_eq!(runs[0].channels, "cpu_temp_c load_pct");
}

async fn links_tell_gaps_and_forks_and_heal<S: Store>(store: S) {
    let laptop = Laptop::new(1);
    let append = async |sequence, digest, previous| {
        let new = record(&laptop, sequence, digest, previous);
        match store.record_append_batch(vec![new]).await.unwrap().remove(0) {
            Appended::Stored { link } => link,
            Appended::Known => "known",
        }
    };
    assert_eq!(append(2, 2, Digest([1; 32])).await, "gap");
    assert_eq!(append(1, 1, root(&laptop)).await, "first");
    assert_eq!(append(2, 9, Digest([1; 32])).await, "fork");
    assert_eq!(append(4, 4, Digest([3; 32])).await, "gap");
    assert_eq!(append(3, 3, Digest([2; 32])).await, "follows");
    let links = store.run_list_links(laptop.device_id()).await.unwrap();
    let link = |digest: u8| links.iter().find(|(d, _)| *d == Digest([digest; 32])).map(|(_, l)| l.as_str());
    assert_eq!(link(4), Some("follows"), "the missing record came");
}

async fn leaves_have_no_gaps_under_concurrent_appends<S: Store>(store: S) {
    const N: u8 = 150;
    let mut appends = tokio::task::JoinSet::new();
    for n in 1..=N {
        let store = store.clone();
        let new = record(&Laptop::new(n), 1, n, root(&Laptop::new(n)));
        appends.spawn(async move { store.record_append_batch(vec![new]).await.unwrap() });
    }
    while let Some(answer) = appends.join_next().await {
        assert!(matches!(answer.unwrap()[..], [Appended::Stored { link: "first" }]));
    }
    assert_eq!(store.ledger_size().await.unwrap(), u64::from(N));
    let leaves = store.ledger_list(0, 1000).await.unwrap();
    let idxs: Vec<u64> = leaves.iter().map(|l| l.leaf_idx).collect();
    assert_eq!(idxs, (0..u64::from(N)).collect::<Vec<_>>());
    assert_eq!(store.ledger_list(148, 1000).await.unwrap().len(), 2);
}

async fn changes_have_their_leaves<S: Store>(store: S) {
    let (_, invite) = new_invite(5, START_MS);
    let hash = invite.token_hash;
    store.invite_create(invite).await.unwrap();
    let laptop = Laptop::new(1);
    store.device_enrol(newcomer(&laptop, hash, START_MS)).await.unwrap();
    store.device_enrol(newcomer(&laptop, hash, START_MS)).await.unwrap();
    store.record_append_batch(vec![record(&laptop, 1, 1, root(&laptop))]).await.unwrap();
    store.device_revoke(laptop.device_id(), START_MS + 7).await.unwrap();
    store.device_revoke(laptop.device_id(), START_MS + 9).await.unwrap();
    let leaves = store.ledger_list(0, 10).await.unwrap();
    let kinds: Vec<(&str, i64)> = leaves.iter().map(|l| (l.kind.as_str(), l.at_ms - START_MS)).collect();
    assert_eq!(kinds, [("enrolment", 0), ("record", 5), ("revocation", 7)]);
    for leaf in &leaves {
        assert_eq!(leaf.leaf_hash, leaf_hash(&leaf.kind, leaf.digest, leaf.at_ms.unsigned_abs()));
    }
    let events = store.ledger_event_list(0, 10).await.unwrap();
    assert!(events.iter().all(|e| Digest::of(&e.body) == e.leaf.digest && e.leaf.kind != "record"));
    let enrolment = String::from_utf8(events[0].body.clone()).unwrap();
    assert!(
        enrolment.contains(&laptop.device_id()) && enrolment.contains("placing_commitment"),
        "{enrolment}"
    );
    assert!(!enrolment.contains("north") && !enrolment.contains("floor"), "free text: {enrolment}");
    assert_eq!(store.ledger_event_list(1, 10).await.unwrap(), events[1..]);
    let run = store.ledger_leaf_of_run(Digest([1; 32])).await.unwrap().unwrap();
    assert_eq!(run, leaves[1]);
    assert!(store.ledger_leaf_of_run(events[0].leaf.digest).await.unwrap().is_none());
}

async fn stored_subtrees_give_the_roots_of_the_leaves<S: Store>(store: S) {
    // Past three stored subtrees of 256 and one of 512, with a rest.
    const N: u32 = 810;
    for chunk in 0..N / 10 {
        let run = |n: u32| {
            let digest = Digest::of(&n.to_be_bytes());
            RunFacts { provenance: "imported", ..facts("LIB-1", digest) }
        };
        store.run_import_batch((chunk * 10..chunk * 10 + 10).map(run).collect()).await.unwrap();
    }
    let leaves = store.ledger_list(0, 1000).await.unwrap();
    let whole = Whole::new(leaves.iter().map(|l| l.leaf_hash).collect());
    assert_eq!(whole.size(), u64::from(N));
    for size in [1, 255, 256, 257, 511, 512, 513, 767, 768, 769, 810] {
        let hashes = store.ledger_subtree_hashes(tree::subtrees(&(0..size))).await.unwrap();
        assert_eq!(Some(tree::span_hash(&hashes)), whole.root(size), "{size}");
    }
    let beyond = store.ledger_subtree_hashes(tree::subtrees(&(0..811))).await;
    assert!(matches!(beyond, Err(StoreError::Corrupt { .. })), "{beyond:?}");
}

async fn a_head_is_kept_once_a_size<S: Store>(store: S) {
    let head = |n: u8| StoredHead {
        tree_size: 3,
        root_hash: Digest([n; 32]),
        at_ms: START_MS + i64::from(n),
        public_key: [n; 32],
        signature: [n; 64],
    };
    assert!(store.ledger_head_get(3).await.unwrap().is_none());
    assert_eq!(store.ledger_head_put(head(1)).await.unwrap(), head(1));
    assert_eq!(store.ledger_head_put(head(2)).await.unwrap(), head(1));
    assert_eq!(store.ledger_head_get(3).await.unwrap(), Some(head(1)));
}

async fn imports_are_harmless_twice<S: Store>(store: S) {
    let run = |digest: u8| RunFacts { provenance: "imported", ..facts("LIB-1", Digest([digest; 32])) };
    let count = store.run_import_batch(vec![run(1), run(2), run(1)]).await.unwrap();
    assert_eq!(count, ImportCount { n_new: 2, n_known: 1 });
    let count = store.run_import_batch(vec![run(1), run(2)]).await.unwrap();
    assert_eq!(count, ImportCount { n_new: 0, n_known: 2 });
    assert_eq!(store.ledger_size().await.unwrap(), 2, "a leaf for each imported run");
    let service = Service {
        device_id: "LIB-1".to_owned(),
        serviced_on: "2026-01-30".parse().unwrap(),
        action: windrow_model::trace::fleet::ServiceAction::Fan,
        logged: None,
    };
    let both = vec![service.clone(), service.clone()];
    assert_eq!(
        store.service_import_batch(both, START_MS).await.unwrap(),
        ImportCount { n_new: 1, n_known: 1 }
    );
    assert_eq!(store.service_list().await.unwrap(), [service]);
}

async fn metrics_are_kept_per_version<S: Store>(store: S) {
    let laptop = Laptop::new(1);
    store.record_append_batch(vec![record(&laptop, 1, 1, root(&laptop))]).await.unwrap();
    let due = store.run_list_unmeasured("1", 0, 10).await.unwrap();
    let [run] = due.as_slice() else { panic!("{due:?}") };
    assert_eq!((run.trace_zstd.as_slice(), run.on_ac), (&b"trace"[..], Some(true)));
    let metrics = |json: &str| NewMetrics {
        run_id: run.run_id,
        metrics_json: json.as_bytes().to_vec(),
        agrees: Some(false),
        computed_at_ms: START_MS,
    };
    store.metrics_put_batch("1", vec![metrics("{}")]).await.unwrap();
    store.metrics_put_batch("2", vec![metrics("{\"v\":2}")]).await.unwrap();
    store.metrics_put_batch("1", vec![metrics("{\"v\":1}")]).await.unwrap();
    assert!(store.run_list_unmeasured("1", 0, 10).await.unwrap().is_empty());
    assert_eq!(store.run_list_unmeasured("3", 0, 10).await.unwrap().len(), 1);
    assert!(store.run_list_unmeasured("3", run.run_id, 10).await.unwrap().is_empty());
    let json_of = async |version| store.run_list_measured(version).await.unwrap()[0].metrics_json.clone();
    assert_eq!(json_of("1").await.unwrap(), b"{\"v\":1}");
    assert_eq!(store.metrics_forget("1").await.unwrap(), 1);
    assert_eq!((json_of("1").await, json_of("2").await.unwrap()), (None, b"{\"v\":2}".to_vec()));
}

async fn a_list_of_runs_tells_some_metrics<S: Store>(store: S) {
    let laptop = Laptop::new(1);
    let records = vec![record(&laptop, 1, 1, root(&laptop)), record(&laptop, 2, 2, Digest([1; 32]))];
    store.record_append_batch(records).await.unwrap();
    let due = store.run_list_unmeasured("1", 0, 10).await.unwrap();
    let json = br#"{"peak_c":{"value":91.3,"se":0.1},"fan_delay_s":{"over":30.0},"other":1}"#;
    let metrics = NewMetrics {
        run_id: due[0].run_id,
        metrics_json: json.to_vec(),
        agrees: None,
        computed_at_ms: START_MS,
    };
    store.metrics_put_batch("1", vec![metrics]).await.unwrap();
    let told = Told([Some(91.3), None, None, None, None, None, None, None]);
    let first = store.run_list("1", None, 1).await.unwrap();
    let [run] = first.as_slice() else { panic!("{first:?}") };
    assert_eq!((run.told, run.digest, run.site.as_str()), (told, Digest([1; 32]), ""));
    let second = store.run_list("1", Some(run.place()), 10).await.unwrap();
    let [other] = second.as_slice() else { panic!("{second:?}") };
    assert_eq!((other.told, other.digest), (Told::default(), Digest([2; 32])));
    assert!(store.run_list("1", Some(other.place()), 10).await.unwrap().is_empty());
    assert_eq!(store.run_list("2", None, 1).await.unwrap()[0].told, Told::default());
    store.metrics_forget("1").await.unwrap();
    assert_eq!(store.run_list("1", None, 1).await.unwrap()[0].told, Told::default());
}

async fn a_list_of_runs_tells_their_leaves<S: Store>(store: S) {
    let laptop = Laptop::new(1);
    let imported = |digest| RunFacts { provenance: "imported", ..facts("LIB-1", Digest([digest; 32])) };
    store.run_import_batch(vec![imported(9)]).await.unwrap();
    store.ledger_append_event(LeafKind::Hold, b"{}".to_vec(), START_MS).await.unwrap();
    let records = vec![record(&laptop, 1, 1, root(&laptop)), record(&laptop, 2, 2, Digest([1; 32]))];
    store.record_append_batch(records).await.unwrap();
    store.run_import_batch(vec![imported(8)]).await.unwrap();
    let runs = store.run_list("1", None, 10).await.unwrap();
    let mut leaves: Vec<_> = runs.iter().map(|run| (run.digest.0[0], run.leaf_idx)).collect();
    leaves.sort_unstable();
    // The second leaf is the event's.
    assert_eq!(leaves, [(1, Some(2)), (2, Some(3)), (8, Some(4)), (9, Some(0))]);
}

/// A run as a database holds it that was imported before imports had leaves: a copy of an imported one under another digest,
/// for which no leaf stands.
const RUN_WITHOUT_LEAF: &str = "INSERT INTO run (device_id, digest, provenance, trace, model_key, model_name, site, load_mix, \
       protocol, outcome, channels, tested_at_ms, received_at_ms, firmware) \
     SELECT device_id, (SELECT leaf_hash FROM ledger_leaf WHERE leaf_idx = 0), provenance, trace, model_key, model_name, site, \
       load_mix, protocol, outcome, channels, tested_at_ms, received_at_ms, firmware \
     FROM run WHERE provenance = 'imported'";

/// Of a store with one imported run, before and after another without a leaf was put beside it.
async fn lists_a_run_without_a_leaf<S: Store>(store: &S, put: impl AsyncFnOnce()) {
    let imported = RunFacts { provenance: "imported", ..facts("LIB-1", Digest([9; 32])) };
    store.run_import_batch(vec![imported]).await.unwrap();
    let leaves = async || {
        let runs = store.run_list("1", None, 10).await.unwrap();
        runs.iter().map(|run| run.leaf_idx).collect::<Vec<_>>()
    };
    assert_eq!(leaves().await, [Some(0)]);
    put().await;
    assert_eq!(leaves().await, [Some(0), None]);
}

#[tokio::test]
async fn a_run_without_a_leaf_is_listed() {
    let folder = tempfile::TempDir::new().unwrap();
    let path = folder.path().join("hub.sqlite");
    let store = SqlStore::open_file(&path).await.unwrap();
    let put = async || {
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path);
        let mut beside = sqlx::ConnectOptions::connect(&options).await.unwrap();
        sqlx::query(RUN_WITHOUT_LEAF).execute(&mut beside).await.unwrap();
        sqlx::Connection::close(beside).await.unwrap();
    };
    lists_a_run_without_a_leaf(&store, put).await;
    store.store_close().await;
}

/// A judgement reads all runs, and the metrics of some.
async fn metrics_are_given_by_run<S: Store>(store: S) {
    let laptop = Laptop::new(1);
    let mut late = record(&laptop, 2, 2, Digest([1; 32]));
    late.facts.tested_at_ms += 1000;
    store.record_append_batch(vec![record(&laptop, 1, 1, root(&laptop)), late]).await.unwrap();
    let metrics = store.run_list_unmeasured("1", 0, 10).await.unwrap().into_iter().map(|run| NewMetrics {
        run_id: run.run_id,
        metrics_json: b"{}".to_vec(),
        agrees: None,
        computed_at_ms: START_MS,
    });
    store.metrics_put_batch("1", metrics.collect()).await.unwrap();
    let mut runs = Vec::new();
    store.run_read_all(|page| runs.extend(page)).await.unwrap();
    assert!(runs.len() == 2 && runs.iter().all(|run| run.metrics_json.is_none()), "{runs:?}");
    let ids: Vec<i64> = runs.iter().map(|run| run.run_id).collect();
    let got = store.metrics_get("1", vec![ids[1], 77]).await.unwrap();
    let stored = StoredMetrics { run_id: ids[1], metrics_json: b"{}".to_vec(), agrees: None };
    assert_eq!(got, [stored]);
    assert!(store.metrics_get("2", ids).await.unwrap().is_empty());
}

async fn refusals_are_counted<S: Store>(store: S) {
    for reason in ["syntax", "bad_signature", "syntax"] {
        store.refusal_count(reason).await.unwrap();
    }
    let counts = store.refusal_list().await.unwrap();
    assert_eq!(counts, [("bad_signature".to_owned(), 1), ("syntax".to_owned(), 2)]);
}

async fn a_closed_store_refuses_writes<S: Store>(store: S) {
    store.ready().await.unwrap();
    store.store_close().await;
    assert!(matches!(store.ready().await, Err(StoreError::Closing)));
}

#[tokio::test]
async fn what_was_acknowledged_is_there_when_the_file_is_opened_again() {
    let folder = tempfile::TempDir::new().unwrap();
    let path = folder.path().join("hub.sqlite");
    let laptop = Laptop::new(1);
    let store = SqlStore::open_file(&path).await.unwrap();
    store.record_append_batch(vec![record(&laptop, 1, 1, root(&laptop))]).await.unwrap();
    // Opened beside it, as another process does, before anything was moved out of the log.
    let beside = SqlStore::open_file(&path).await.unwrap();
    assert_eq!(beside.ledger_size().await.unwrap(), 1);
    beside.record_append_batch(vec![record(&laptop, 2, 2, Digest([1; 32]))]).await.unwrap();
    store.store_close().await;
    beside.store_close().await;
    let again = SqlStore::open_file(&path).await.unwrap();
    assert_eq!(again.ledger_size().await.unwrap(), 2);
    again.store_close().await;
}

#[tokio::test]
async fn a_file_that_is_no_database_is_refused_with_its_path() {
    let folder = tempfile::TempDir::new().unwrap();
    let path = folder.path().join("notes.txt");
    std::fs::write(&path, "these are not the pages you are looking for ".repeat(100)).unwrap();
    let refused = SqlStore::open_file(&path).await.unwrap_err();
    assert!(matches!(&refused, StoreError::Open { path, .. } if path.ends_with("notes.txt")), "{refused}");
}
