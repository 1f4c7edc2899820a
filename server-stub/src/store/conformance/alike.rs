//! Both databases, given the same, answer and export the same.

use std::collections::BTreeMap;
use std::fmt::Debug;
use std::path::Path;

use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::TestRunner;
use tempfile::TempDir;
use windrow_model::METHOD_VERSION;
use windrow_model::emulate::{Faults, RunPlan};
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use super::facts::{ADMIN, day, entry, imported, joined, visit};
use super::on_postgres::Bench;
use super::{facts as run, record, root};
use crate::access::Role;
use crate::http::Limits;
use crate::store::access::{AccessStore as _, NewGrant};
use crate::store::facts::{Erasing, FactStore as _, MarkKind, NewMark, NewVisit, ScopeDeed};
use crate::store::sql::SqlStore;
use crate::store::{LedgerStore as _, NewRecord, RunFacts, Service, Store as _};
use crate::testing::{Laptop, START_MS, TestHub};
use crate::verify;

/// What is done, to what, and how.
type Step = (u8, u8, u8);

const N_ROUNDS: usize = 6;
const N_STEPS: i64 = 120;

#[tokio::test]
async fn the_same_steps_have_the_same_answers() {
    let Some(bench) = Bench::start().await else { return };
    let mut runner = TestRunner::deterministic();
    for round in 0..N_ROUNDS {
        let steps =
            prop::collection::vec(any::<Step>(), N_STEPS as usize).new_tree(&mut runner).unwrap().current();
        let folder = TempDir::new().unwrap();
        let file = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
        let server = bench.fresh(&format!("round_{round}")).await;
        for store in [&file, &server] {
            joined(store, 1, "T-1").await;
            joined(store, 2, "").await;
            imported(store, "LIB-1", 1).await;
        }
        for (n, step) in (0..N_STEPS).zip(&steps) {
            let now_ms = START_MS + 1000 * n;
            let (one, other) = (take(&file, *step, now_ms).await, take(&server, *step, now_ms).await);
            assert_eq!(one, other, "step {n} of round {round}: {step:?}");
        }
        assert_eq!(told(&file).await, told(&server).await, "round {round}");
        for store in [file, server] {
            let report = verify::store::check(&store, None).await.unwrap();
            // The runs here are made up: nothing is in them that could be read.
            let findings: Vec<_> = report.findings.iter().filter(|f| f.table != "run").collect();
            assert!(findings.is_empty(), "round {round}: {findings:?}");
            store.store_close().await;
        }
    }
}

fn laptop(n: u8) -> String {
    match n % 5 {
        n @ (1 | 2) => Laptop::new(n).device_id(),
        3 => "LIB-1".to_owned(),
        4 => "LIB-2".to_owned(),
        _ => "nobody".to_owned(),
    }
}

fn tag(n: u8) -> String {
    format!("T-{}", n % 4)
}

/// In the order of a language these stand otherwise than in that of their bytes.
fn site(n: u8) -> String {
    ["north", "Nord", "östlich", "Zeche \"9\"", "quay"][usize::from(n % 5)].to_owned()
}

/// Takes one step; gives its answer.
async fn take(store: &SqlStore, (what, a, b): Step, now_ms: i64) -> String {
    fn shown<T: Debug>(answer: T) -> String {
        format!("{answer:?}")
    }
    let actions =
        if b % 2 == 0 { vec![ServiceAction::Clean] } else { vec![ServiceAction::Paste, ServiceAction::Fan] };
    let new_visit = NewVisit {
        visited_on: day(&format!("2026-01-{:02}", 1 + b % 20)),
        now_ms,
        ..visit(&laptop(a), &actions)
    };
    let kind = [MarkKind::Hold, MarkKind::Snooze, MarkKind::Check][usize::from(b % 3)];
    let (device_id, id) = (laptop(a), i64::from(1 + b % 12));
    match what % 18 {
        0 | 1 => {
            let listed = vec![entry(&tag(a), &site(b)), entry(&tag(b), &site(a))];
            shown(store.scope_import(listed, ADMIN, now_ms).await.unwrap())
        }
        2 => {
            let deed = ScopeDeed::Move { site: site(b), place: "bench".into() };
            shown(store.scope_change(tag(a), deed, ADMIN, now_ms).await.unwrap())
        }
        3 => {
            let deed = ScopeDeed::Retire { last_on: day("2026-03-01"), why: "lost".into() };
            shown(store.scope_change(tag(a), deed, ADMIN, now_ms).await.unwrap())
        }
        4 | 5 => {
            let deed = ScopeDeed::Assign { device_id: laptop(b) };
            shown(store.scope_change(tag(a), deed, ADMIN, now_ms).await.unwrap())
        }
        6 => shown(store.laptop_merge(device_id, laptop(b), ADMIN, now_ms).await.unwrap()),
        7 | 8 => shown(store.visit_log(new_visit).await.unwrap()),
        9 => {
            let correction = NewVisit { corrects: Some(id), is_withdrawn: b % 4 == 0, ..new_visit };
            shown(store.visit_log(correction).await.unwrap())
        }
        10 => {
            let until_ms = (kind != MarkKind::Hold).then_some(now_ms + 5000);
            let mark = NewMark { device_id, kind, why: site(b), until_ms, actor: ADMIN, now_ms };
            shown(store.mark_set(mark).await.unwrap())
        }
        11 => shown(store.mark_end(device_id, kind, ADMIN, now_ms).await.unwrap()),
        12 => {
            let what = match b % 6 {
                0 => Erasing::Visit(id),
                1 => Erasing::Reasons(device_id),
                2 => Erasing::Tag(tag(a)),
                3 => Erasing::Places(device_id),
                4 => Erasing::Site(site(a)),
                _ => Erasing::Grant(id),
            };
            shown(store.text_erase(what, ADMIN, now_ms).await.unwrap())
        }
        13 | 14 => {
            let of = Laptop::new(1 + a % 2);
            let previous = if b % 7 == 0 { root(&of) } else { Digest([b % 7; 32]) };
            let new = record(&of, u64::from(1 + b % 7), 1 + b % 7, previous);
            let facts = RunFacts { tested_at_ms: now_ms, received_at_ms: now_ms + 1, ..new.facts };
            let digest = Digest::of_parts(&[&facts.digest.0, &[a % 2]]);
            let new = NewRecord { facts: RunFacts { digest, ..facts }, ..new };
            shown(store.record_append_batch(vec![new]).await.unwrap())
        }
        15 => {
            let facts = run(&laptop(3 + a % 2), Digest([100 + b % 9; 32]));
            let facts = RunFacts { provenance: "imported", site: site(b), tested_at_ms: now_ms, ..facts };
            shown(store.run_import_batch(vec![facts]).await.unwrap())
        }
        16 => {
            let [action, ..] = actions[..] else { unreachable!("two at most, one at least") };
            let service = Service { device_id, serviced_on: day("2026-01-15"), action, logged: None };
            shown(store.service_import_batch(vec![service], now_ms).await.unwrap())
        }
        _ if b % 3 == 0 => shown(store.grant_revoke(id, now_ms).await.unwrap()),
        _ => {
            let grant = NewGrant {
                token_hash: Digest::of(&now_ms.to_be_bytes()),
                role: [Role::Admin, Role::Technician, Role::Auditor][usize::from(a % 3)],
                label: "bench".into(),
                site: (b % 2 == 0).then(|| site(b)),
                created_at_ms: now_ms,
                expires_at_ms: (a % 2 == 0).then_some(now_ms + 20_000),
                only_as_first_admin: a % 5 == 0,
            };
            shown(store.grant_create(grant).await.unwrap())
        }
    }
}

/// All that a store tells, but for what rests on salts.
async fn told(store: &SqlStore) -> Vec<String> {
    let end_ms = START_MS + 1000 * N_STEPS;
    let mut all = Vec::new();
    store.run_read_all(|page| all.extend(page)).await.unwrap();
    let ids: Vec<i64> = all.iter().map(|run| run.run_id).collect();
    let mut metrics = store.metrics_get(METHOD_VERSION, ids).await.unwrap();
    metrics.sort_by_key(|m| m.run_id);
    let mut told = vec![
        format!("{:#?}", store.laptop_list().await.unwrap()),
        format!("{:#?}", store.scope_list().await.unwrap()),
        format!("{:#?}", store.visit_list(None, 0, 1000).await.unwrap()),
        format!("{:#?}", store.mark_list(None, end_ms).await.unwrap()),
        format!("{:#?}", store.service_list().await.unwrap()),
        format!("{:#?}", store.run_list_measured(METHOD_VERSION).await.unwrap()),
        format!("{all:#?}"),
        format!("{metrics:#?}"),
        format!("{:#?}", store.grant_list().await.unwrap()),
    ];
    for n in 0..5 {
        told.push(format!("{:#?}", store.scope_history(tag(n)).await.unwrap()));
        told.push(format!("{:#?}", store.run_list_links(laptop(n)).await.unwrap()));
        told.push(format!("{:#?}", store.laptop_find(tag(n)).await.unwrap()));
        told.push(format!("{:#?}", store.device_get(laptop(n)).await.unwrap()));
    }
    let leaves = store.ledger_list(0, 10_000).await.unwrap();
    told.extend(leaves.into_iter().map(|l| format!("{} {} {}", l.leaf_idx, l.kind, l.at_ms)));
    told
}

#[tokio::test]
async fn the_same_fleet_is_exported_as_the_same_bytes() {
    let Some(bench) = Bench::start().await else { return };
    let folder = TempDir::new().unwrap();
    let hubs = [
        TestHub::start(Limits::default()).await,
        TestHub::over(bench.fresh("same").await, Limits::default()).await,
    ];
    for (hub, name) in hubs.iter().zip(["file", "server"]) {
        fill(hub).await;
        verify::tests::export(&hub.store, &folder.path().join(name)).await;
    }
    let [file, server] = ["file", "server"].map(|name| files(&folder.path().join(name)));
    assert_eq!(file.keys().collect::<Vec<_>>(), server.keys().collect::<Vec<_>>());
    let differing: Vec<&str> =
        file.iter().filter(|(name, bytes)| server[*name] != **bytes).map(|(name, _)| name.as_str()).collect();
    assert!(differing.iter().all(|name| RESTS_ON_THE_LEDGER.contains(name)), "{differing:?}");
    for (name, of_ledger) in [("export.json", "log_id"), ("records.ndjson", "path")] {
        assert_eq!(without(&file[name], of_ledger), without(&server[name], of_ledger), "{name}");
    }
    for hub in hubs {
        hub.stop().await;
    }
}

/// Files of an export in which the ledger's id, its key, or the salts of free texts show.
const RESTS_ON_THE_LEDGER: [&str; 14] = [
    "SHA256SUMS",
    "export.json",
    "ledger/events.ndjson",
    "ledger/head.json",
    "ledger/leaves.txt",
    "ledger/proofs.ndjson",
    "lines/export.json.txt",
    "lines/ledger-events.ndjson.txt",
    "lines/ledger-head.json.txt",
    "lines/ledger-leaves.txt.txt",
    "lines/ledger-proofs.ndjson.txt",
    "lines/records.ndjson.txt",
    "records.ndjson",
    "seal.json",
];

/// JSON documents without one field.
fn without(documents: &[u8], field: &str) -> Vec<serde_json::Value> {
    let documents = serde_json::Deserializer::from_slice(documents).into_iter::<serde_json::Value>();
    let documents = documents.map(|document| {
        let mut document = document.unwrap();
        assert!(document.as_object_mut().unwrap().remove(field).is_some());
        document
    });
    documents.collect()
}

async fn fill(hub: &TestHub) {
    for seed in 1..=3_u8 {
        let mut laptop = hub.joined(seed).await;
        let faults = if seed == 1 { Faults { airflow: 0.3, ..Faults::NONE } } else { Faults::NONE };
        let plan = RunPlan { faults, seed: u64::from(seed), ..RunPlan::default() };
        let record = laptop.whole_check("Marlow 15", &plan, "2026-01-31T07:50:00Z");
        assert_eq!(hub.post_record(&record.bytes).await.status, 200);
    }
    imported(&hub.store, "LIB-1", 1).await;
    hub.store
        .scope_import(vec![entry("T-1", "north"), entry("T-2", "östlich")], ADMIN, START_MS)
        .await
        .unwrap();
    hub.store.visit_log(visit("LIB-1", &[ServiceAction::Clean])).await.unwrap();
    hub.refresh().await;
}

/// Every file below a folder, by its name.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut all = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(at) = folders.pop() {
        for entry in std::fs::read_dir(at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().display().to_string();
                all.insert(name, std::fs::read(path).unwrap());
            }
        }
    }
    all
}
