//! A store of every kind of row: whole it holds; a row taken away, added, swapped or altered in any covered place is named.

use std::path::Path;

use chrono::NaiveDate;
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _, Row as _};
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use super::{Report, check};
use crate::access::Role;
use crate::http;
use crate::ledger::leaf::LeafKind;
use crate::ledger::signing;
use crate::store::access::{AccessStore as _, NewGrant};
use crate::store::facts::{
    Actor, Erasing, FactStore as _, MarkKind, NewMark, NewVisit, ScopeDeed, ScopeEntry,
};
use crate::store::sql::SqlStore;
use crate::store::{LedgerStore as _, Service, Store as _};
use crate::testing::{START_MS, TestHub};
use crate::{import, ingest};

const ADMIN: Actor = Actor { role: Role::Admin, grant_id: None };

fn entry(tag: &str, why: &str) -> ScopeEntry {
    ScopeEntry {
        tag: tag.to_owned(),
        model: "Orrin 16".to_owned(),
        site: "Quay Street".to_owned(),
        place: "loft".to_owned(),
        from_on: NaiveDate::from_ymd_opt(2026, 1, 1),
        until_on: NaiveDate::from_ymd_opt(2027, 1, 1),
        is_excluded: false,
        why: why.to_owned(),
    }
}

fn visit(device_id: &str, day: u32, corrects: Option<i64>) -> NewVisit {
    NewVisit {
        device_id: device_id.to_owned(),
        visited_on: NaiveDate::from_ymd_opt(2026, 1, day).unwrap(),
        actions: vec![ServiceAction::Clean, ServiceAction::Paste],
        minutes: Some(40),
        found: "felt in the fins".to_owned(),
        parts: "pads".to_owned(),
        note: "rattles".to_owned(),
        corrects,
        is_withdrawn: false,
        actor: ADMIN,
        now_ms: START_MS,
    }
}

fn mark(device_id: &str, kind: MarkKind, now_ms: i64) -> NewMark {
    NewMark {
        device_id: device_id.to_owned(),
        kind,
        why: "battery recall".to_owned(),
        until_ms: Some(START_MS + 86_400_000),
        actor: ADMIN,
        now_ms,
    }
}

/// Two laptops with two records each, an imported run, and a row of every kind of fact.
async fn filled() -> (TestHub, Vec<String>) {
    let hub = TestHub::start(http::Limits::default()).await;
    let grant = NewGrant {
        token_hash: Digest([9; 32]),
        role: Role::Auditor,
        label: "the auditor".to_owned(),
        site: Some("Quay Street".to_owned()),
        created_at_ms: START_MS,
        expires_at_ms: Some(START_MS + 86_400_000),
        only_as_first_admin: false,
    };
    hub.store.grant_create(grant).await.unwrap();
    let mut ids = Vec::new();
    for seed in [1, 2] {
        let mut laptop = hub.joined(seed).await;
        for _ in 0..2 {
            assert_eq!(hub.post_record(&laptop.check().bytes).await.status, 200);
        }
        ids.push(laptop.device_id());
    }
    let store = &hub.store;
    store.scope_import(vec![entry("Q-1", ""), entry("Q-2", "lent out")], ADMIN, START_MS).await.unwrap();
    let assign = ScopeDeed::Assign { device_id: ids[0].clone() };
    store.scope_change("Q-1".to_owned(), assign, ADMIN, START_MS).await.unwrap();
    let deed = ScopeDeed::Move { site: "Mill Lane".to_owned(), place: "hall".to_owned() };
    store.scope_change("Q-1".to_owned(), deed, ADMIN, START_MS + 1).await.unwrap();
    store.visit_log(visit(&ids[0], 20, None)).await.unwrap();
    store.visit_log(visit(&ids[0], 21, Some(1))).await.unwrap();
    store.mark_set(mark(&ids[0], MarkKind::Hold, START_MS + 2)).await.unwrap();
    store.mark_end(ids[0].clone(), MarkKind::Hold, ADMIN, START_MS + 3).await.unwrap();
    store.mark_set(mark(&ids[1], MarkKind::Snooze, START_MS + 4)).await.unwrap();
    store.mark_set(mark(&ids[1], MarkKind::Snooze, START_MS + 5)).await.unwrap();
    import_one(store).await;
    store.laptop_merge("lib-1".to_owned(), ids[1].clone(), ADMIN, START_MS + 6).await.unwrap();
    store.device_revoke(ids[1].clone(), START_MS + 7).await.unwrap();
    // Enough leaves for hashes of subtrees to be kept; such events need no row.
    for _ in 0..300 {
        store.ledger_append_event(LeafKind::Erasure, b"{\"leaves\":[]}".to_vec(), START_MS).await.unwrap();
    }
    signing::head_now(store, START_MS).await.unwrap();
    (hub, ids)
}

async fn import_one(store: &SqlStore) {
    let wire = crate::testing::emulated_trace("Tamsel 14", &windrow_model::emulate::RunPlan::default());
    let trace = windrow_model::record::canonical::to_bytes(&wire).unwrap();
    let told = import::told_by(&trace).unwrap();
    let run = crate::store::RunFacts {
        device_id: "lib-1".to_owned(),
        digest: import::digest_of("lib-1", START_MS, &trace),
        provenance: "imported",
        model_key: "Tamsel 14".to_owned(),
        model_name: "Tamsel 14".to_owned(),
        firmware: String::new(),
        site: "Quay Street".to_owned(),
        load_mix: told.load_mix,
        protocol: told.protocol,
        outcome: told.outcome,
        channels: told.channels,
        ambient_c: None,
        ambient_sd_k: None,
        on_ac: None,
        tested_at_ms: START_MS,
        received_at_ms: START_MS,
        trace_zstd: ingest::pack(&trace),
    };
    store.run_import_batch(vec![run]).await.unwrap();
    let service = Service {
        device_id: "lib-1".to_owned(),
        serviced_on: NaiveDate::from_ymd_opt(2026, 1, 2).unwrap(),
        action: ServiceAction::Fan,
        logged: None,
    };
    store.service_import_batch(vec![service], START_MS).await.unwrap();
}

async fn found(hub: &TestHub) -> Report {
    check(&hub.store, None).await.unwrap()
}

fn names(report: &Report, table: &str, words: &str) -> bool {
    report.findings.iter().any(|f| f.table == table && f.what.contains(words))
}

/// The database file as somebody who may write it has it: no trigger, no foreign key, no check of types.
async fn opened(path: &Path) -> SqliteConnection {
    let mut c = SqliteConnectOptions::new().filename(path).foreign_keys(false).connect().await.unwrap();
    for sql in [
        "PRAGMA ignore_check_constraints = ON",
        "DROP TRIGGER IF EXISTS ledger_leaf_stays",
        "DROP TRIGGER IF EXISTS ledger_leaf_is_kept",
    ] {
        sqlx::query(sql).execute(&mut c).await.unwrap();
    }
    c
}

async fn run_sql(hub: &TestHub, sql: &str) -> u64 {
    let mut c = opened(&hub.database()).await;
    let done = sqlx::query(AssertSqlSafe(sql.to_owned())).execute(&mut c).await.unwrap().rows_affected();
    c.close().await.unwrap();
    done
}

#[tokio::test]
async fn a_whole_store_holds_and_every_row_is_looked_at() {
    let (hub, _) = filled().await;
    let report = found(&hub).await;
    assert!(report.findings.is_empty(), "{report:#?}");
    // Four records and an import; a device each, two revocations or ends, and so on: every kind of row was there.
    assert_eq!((report.n_runs, report.n_heads, report.n_erased), (5, 1, 0), "{report:?}");
    assert_eq!(report.n_leaves as usize, report.n_events + report.n_runs);
    // All events but the log's key and those 300 have a row, and each row one event.
    assert_eq!(report.n_rows, report.n_events - 301, "{report:?}");
    let head = signing::head_now(&hub.store, START_MS).await.unwrap().verify().unwrap();
    assert!(check(&hub.store, Some(&head)).await.unwrap().findings.is_empty());
    hub.stop().await;
}

#[tokio::test]
async fn a_row_taken_away_is_named() {
    for (table, expected) in [
        ("run WHERE provenance = 'emulated'", "the row is missing"),
        ("run WHERE provenance = 'imported'", "the row is missing"),
        ("visit", "this event of kind `visit`"),
        ("scope_entry", "this event of kind `scope`"),
        ("succession", "this event of kind `scope`"),
        ("placing WHERE placing_id > 2", "this event of kind `placing`"),
        ("mark WHERE kind = 'snooze'", "this event of kind `snooze`"),
        ("service", "this event of kind `service`"),
        ("access_grant", "this event of kind `grant`"),
        ("device", "this event of kind `enrolment`"),
    ] {
        let (hub, _) = filled().await;
        let key = table.split(' ').next().unwrap();
        let limited = if table.contains("WHERE") { table.to_owned() } else { format!("{table} WHERE 1") };
        let n_gone = run_sql(&hub, &format!("DELETE FROM {limited}")).await;
        assert!(n_gone > 0, "{table}");
        let report = found(&hub).await;
        assert!(names(&report, "ledger_leaf", expected), "{key}: {report:#?}");
        hub.stop().await;
    }
}

#[tokio::test]
async fn leaves_bodies_and_heads_taken_away_are_named() {
    for (sql, table, expected) in [
        (
            "DELETE FROM ledger_event WHERE leaf_idx = (SELECT MIN(leaf_idx) FROM ledger_event)",
            "ledger_event",
            "is missing",
        ),
        ("DELETE FROM ledger_leaf WHERE leaf_idx = 3", "ledger_leaf", "leaves are missing before"),
        (
            "DELETE FROM ledger_leaf WHERE leaf_idx > 5",
            "ledger_leaf",
            "are not those that a head was signed over",
        ),
        ("DELETE FROM ledger_leaf WHERE leaf_idx > 5", "ledger_event", "it was added"),
        ("UPDATE ledger_head SET at_ms = at_ms + 1", "ledger_head", "is not signed by a key"),
    ] {
        let (hub, _) = filled().await;
        assert!(run_sql(&hub, sql).await > 0, "{sql}");
        let report = found(&hub).await;
        let is_named = names(&report, table, expected)
            // A body beyond the last leaf is not read: what stands for it is told.
            || (table == "ledger_event" && names(&report, "ledger_leaf", "signed over"));
        assert!(is_named, "{sql}: {report:#?}");
        hub.stop().await;
    }
}

#[tokio::test]
async fn a_row_added_is_named() {
    let copies = [
        ("visit", "visit_id, corrects", "visit_id + 100, NULL"),
        ("scope_entry", "scope_id", "scope_id + 100"),
        ("mark", "mark_id, ended_at_ms", "mark_id + 100, began_at_ms"),
        ("placing", "placing_id", "placing_id + 100"),
        ("service", "action", "'paste'"),
        ("access_grant", "grant_id, token_hash", "grant_id + 100, x'00'"),
        ("run", "run_id, digest", "run_id + 100, zeroblob(32)"),
        ("device", "device_id", "'stranger'"),
    ];
    let (hub, _) = filled().await;
    for (table, changed, with) in copies {
        let mut c = opened(&hub.database()).await;
        let names_of = format!("SELECT group_concat(name) FROM pragma_table_info('{table}')");
        let all: String = sqlx::query_scalar(AssertSqlSafe(names_of)).fetch_one(&mut c).await.unwrap();
        let changed: Vec<&str> = changed.split(", ").collect();
        let kept: Vec<&str> = all.split(',').filter(|name| !changed.contains(name)).collect();
        let (kept, changed) = (kept.join(", "), changed.join(", "));
        let sql =
            format!("INSERT INTO {table} ({kept}, {changed}) SELECT {kept}, {with} FROM {table} LIMIT 1");
        sqlx::query(AssertSqlSafe(sql)).execute(&mut c).await.unwrap();
        c.close().await.unwrap();
        let report = found(&hub).await;
        assert!(report.findings.iter().any(|f| f.table == table), "{table}: {report:#?}");
    }
    hub.stop().await;
}

#[tokio::test]
async fn two_rows_swapped_are_named() {
    let swaps = [
        ("run", "run_id", "trace", "run"),
        ("run", "run_id", "header", "run"),
        ("scope_entry", "scope_id", "place", "scope_entry"),
        ("visit", "visit_id", "visited_on", "visit"),
        ("ledger_leaf", "leaf_idx", "leaf_hash", "ledger_leaf"),
        ("ledger_event", "leaf_idx", "body", "ledger_event"),
    ];
    for (table, key, column, named) in swaps {
        let (hub, _) = filled().await;
        let mut c = opened(&hub.database()).await;
        let pair =
            format!("SELECT MIN({key}), MAX({key}) FROM {table} WHERE {key} < 1000 AND {column} IS NOT NULL");
        let (a, b): (i64, i64) = sqlx::query_as(AssertSqlSafe(pair)).fetch_one(&mut c).await.unwrap();
        // One statement would read what it has just written: the old values are set aside first.
        for sql in [
            format!(
                "CREATE TEMP TABLE aside AS SELECT {key} AS k, {column} AS v FROM {table} WHERE {key} IN ({a}, {b})"
            ),
            format!(
                "UPDATE {table} SET {column} = (SELECT v FROM aside WHERE k = {a} + {b} - {table}.{key}) \
                 WHERE {key} IN ({a}, {b})"
            ),
        ] {
            sqlx::query(AssertSqlSafe(sql)).execute(&mut c).await.unwrap();
        }
        c.close().await.unwrap();
        let report = found(&hub).await;
        assert!(report.findings.iter().any(|f| f.table == named), "{table}.{column}: {report:#?}");
        hub.stop().await;
    }
}

/// Columns that the ledger covers, by table. What is left out: keys that only name a row, a mark's or grant's number of who
/// did it, tokens' hashes, how a record stands in its chain (worked out from the others), a check that is wanted, and of an
/// imported run model, site and room, which no leaf tells.
const COVERED: [(&str, &[&str]); 13] = [
    (
        "run",
        &[
            "device_id",
            "digest",
            "provenance",
            "sequence",
            "previous_digest",
            "header",
            "model_key",
            "model_name",
            "firmware",
            "load_mix",
            "protocol",
            "outcome",
            "channels",
            "tested_at_ms",
            "received_at_ms",
        ],
    ),
    ("device", &["device_id", "public_key", "enrolled_at_ms", "revoked_at_ms"]),
    ("placing", &["device_id", "from_ms", "asset_tag", "site", "place", "salt"]),
    (
        "scope_entry",
        &[
            "tag",
            "model",
            "site",
            "place",
            "from_on",
            "until_on",
            "is_excluded",
            "why",
            "change",
            "changed_at_ms",
            "by_role",
            "salt",
        ],
    ),
    ("succession", &["new_device_id", "old_device_id", "at_ms", "by_role"]),
    (
        "visit",
        &[
            "visit_id",
            "device_id",
            "visited_on",
            "actions",
            "minutes",
            "found",
            "parts",
            "note",
            "by_role",
            "logged_at_ms",
            "corrects",
            "is_withdrawn",
            "salt",
        ],
    ),
    ("mark", &["device_id", "kind", "why", "until_ms", "began_at_ms", "ended_at_ms", "by_role", "salt"]),
    ("service", &["device_id", "serviced_on", "action"]),
    ("access_grant", &["grant_id", "role", "label", "site", "created_at_ms", "expires_at_ms", "salt"]),
    ("ledger_leaf", &["kind", "digest", "at_ms", "leaf_hash"]),
    ("ledger_event", &["body"]),
    ("ledger_head", &["tree_size", "root_hash", "at_ms", "public_key", "signature"]),
    ("ledger_subtree", &["level", "idx", "hash"]),
];

/// A place in the database: table, column, row and byte, the last two as shares of how many there are.
fn places() -> impl Strategy<Value = (usize, usize, f64, f64, u8)> {
    (0..COVERED.len(), 0..64_usize, 0.0..1.0, 0.0..1.0, 0..8_u8)
}

/// Flips one bit of a value; `None`: there is none to flip.
async fn flip(
    c: &mut SqliteConnection,
    (table, column): (&str, &str),
    (row, byte, bit): (f64, f64, u8),
) -> Option<String> {
    let count = format!("SELECT COUNT(*) FROM {table} WHERE {column} IS NOT NULL AND length({column}) > 0");
    let n: i64 = sqlx::query_scalar(AssertSqlSafe(count)).fetch_one(&mut *c).await.unwrap();
    if n == 0 {
        return None;
    }
    let picked = format!(
        "SELECT typeof({column}) AS type, CAST({column} AS BLOB) AS bytes, CAST({column} AS INTEGER) AS number \
         FROM {table} WHERE {column} IS NOT NULL AND length({column}) > 0 LIMIT 1 OFFSET {}",
        (row * n as f64) as i64
    );
    let value = sqlx::query(AssertSqlSafe(picked)).fetch_one(&mut *c).await.unwrap();
    let (kind, mut bytes): (String, Vec<u8>) = (value.get("type"), value.get("bytes"));
    let (old, new) = if kind == "integer" {
        let number: i64 = value.get("number");
        (number.to_string(), (number ^ (1 << bit)).to_string())
    } else {
        let hexed = |bytes: &[u8]| {
            let blob = format!("x'{}'", hex::encode(bytes));
            if kind == "text" { format!("CAST({blob} AS TEXT)") } else { blob }
        };
        let old = hexed(&bytes);
        let at = (byte * bytes.len() as f64) as usize;
        bytes[at] ^= 1 << bit;
        // SQLite's text ends at a zero byte for those who print it; a flip to one is as good as cut.
        (old, hexed(&bytes))
    };
    let update = format!("UPDATE {table} SET {column} = {new} WHERE {column} = {old}");
    let done = sqlx::query(AssertSqlSafe(update)).execute(&mut *c).await;
    // What would make two rows the same in a unique index cannot be written even so.
    done.ok().filter(|done| done.rows_affected() > 0).map(|_| format!("{table}.{column}: {old} to {new}"))
}

#[test]
fn a_bit_flipped_anywhere_that_is_covered_is_found() {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    let (hub, _) = runtime.block_on(filled());
    let path = hub.database();
    let kept = runtime.block_on(hub.stop_keeping());
    let good = std::fs::read(&path).unwrap();
    let n_found = std::cell::Cell::new(0);
    let mut runner = TestRunner::new(Config { cases: 150, ..Config::default() });
    runner
        .run(&places(), |(table, column, row, byte, bit)| {
            let (table, columns) = COVERED[table];
            let column = columns[column % columns.len()];
            std::fs::write(&path, &good).unwrap();
            let outcome = runtime.block_on(async {
                let mut c = opened(&path).await;
                let flipped = flip(&mut c, (table, column), (row, byte, bit)).await;
                c.close().await.unwrap();
                let Some(flipped) = flipped else { return Ok(false) };
                let store = SqlStore::open_file(&path).await.unwrap();
                let report = check(&store, None).await.unwrap();
                store.store_close().await;
                let is_named = report.findings.iter().any(|f| {
                    f.table == table || (f.table == "ledger_leaf" && table == "ledger_event")
                        // The first placing of a laptop that joined stands in its enrolment.
                        || (f.table == "device" && table == "placing")
                });
                if is_named { Ok(true) } else { Err(format!("{flipped}: {report:#?}")) }
            });
            match outcome {
                Ok(is_found) => {
                    n_found.set(n_found.get() + usize::from(is_found));
                    Ok(())
                }
                Err(why) => Err(TestCaseError::fail(why)),
            }
        })
        .unwrap();
    assert!(n_found.get() > 120, "{} of 150 could be flipped", n_found.get());
    drop(kept);
}

#[tokio::test]
async fn what_was_erased_on_purpose_is_no_finding_and_what_was_wiped_is() {
    let (hub, ids) = filled().await;
    assert_eq!(erase(&hub, Erasing::Visit(2)).await, 2);
    assert_eq!(erase(&hub, Erasing::Reasons(ids[1].clone())).await, 2);
    let report = found(&hub).await;
    assert!(report.findings.is_empty(), "{report:#?}");
    assert_eq!(report.n_erased, 4);
    run_sql(&hub, "UPDATE mark SET why = '', salt = x'' WHERE kind = 'hold'").await;
    assert!(names(&found(&hub).await, "mark", "no erasure"), "{:#?}", found(&hub).await);
    run_sql(&hub, "UPDATE visit SET found = 'another story' WHERE visit_id = 1").await;
    assert!(names(&found(&hub).await, "visit", "its text is not"), "{:#?}", found(&hub).await);
    hub.stop().await;
}

#[tokio::test]
async fn erasures_of_entries_that_look_alike_all_fit() {
    // Listed at once, alike but for their texts: only which of them an erasure names tells them apart.
    for order in [["site", "tag"], ["tag", "site"]] {
        let hub = TestHub::start(http::Limits::default()).await;
        let in_site = |tag: &str, site: &str| ScopeEntry { site: site.to_owned(), ..entry(tag, "") };
        let listed = [in_site("Q-1", "Quay Street"), in_site("Q-2", "Quay Street"), in_site("Q-3", "Mill")];
        hub.store.scope_import(listed.to_vec(), ADMIN, START_MS).await.unwrap();
        for what in order {
            let what = if what == "site" {
                Erasing::Site("Quay Street".to_owned())
            } else {
                Erasing::Tag("Q-1".to_owned())
            };
            assert!(erase(&hub, what).await > 0);
        }
        assert!(erase(&hub, Erasing::Tag("Q-3".to_owned())).await > 0);
        let report = found(&hub).await;
        assert!(report.findings.is_empty(), "{order:?} {report:#?}");
        hub.stop().await;
    }
}

async fn erase(hub: &TestHub, what: Erasing) -> usize {
    hub.store.text_erase(what, ADMIN, START_MS + 9).await.unwrap().n_entries()
}

/// How many cells of the database hold a text.
async fn n_cells(hub: &TestHub, text: &str) -> usize {
    let mut c = opened(&hub.database()).await;
    let tables: Vec<String> = sqlx::query_scalar("SELECT name FROM sqlite_schema WHERE type = 'table'")
        .fetch_all(&mut c)
        .await
        .unwrap();
    let mut n = 0;
    for table in tables {
        let columns = format!("SELECT name FROM pragma_table_info('{table}')");
        let columns: Vec<String> =
            sqlx::query_scalar(AssertSqlSafe(columns)).fetch_all(&mut c).await.unwrap();
        for column in columns {
            let count = format!(
                "SELECT COUNT(*) FROM {table} WHERE instr(CAST(\"{column}\" AS BLOB), CAST('{text}' AS BLOB)) > 0"
            );
            n += sqlx::query_scalar::<_, i64>(AssertSqlSafe(count)).fetch_one(&mut c).await.unwrap() as usize;
        }
    }
    c.close().await.unwrap();
    n
}

#[tokio::test]
async fn sites_places_tags_and_list_entries_can_be_erased() {
    let (hub, ids) = filled().await;
    // A tag: two entries of the list, and the placings of the laptop that carried it.
    assert!(n_cells(&hub, "Q-1").await > 0);
    assert_eq!(erase(&hub, Erasing::Tag("Q-1".to_owned())).await, 2 + 2);
    assert_eq!(n_cells(&hub, "Q-1").await, 0);
    assert_eq!(hub.store.scope_list().await.unwrap().len(), 1, "the other tag stays on the list");
    // A site to which a good grant is bound keeps its name until the grant is gone.
    let site = || Erasing::Site("Quay Street".to_owned());
    let refused = hub.store.text_erase(site(), ADMIN, START_MS + 9).await.unwrap();
    assert_eq!(refused, crate::store::facts::Erased::SiteIsBound);
    hub.store.grant_revoke(1, START_MS + 10).await.unwrap();
    assert!(erase(&hub, site()).await >= 3);
    assert_eq!(n_cells(&hub, "Quay Street").await, 0);
    assert_eq!(hub.store.scope_list().await.unwrap()[0].why, "lent out", "what isn't the site stays");
    // Where it stood when it joined; where it stands now is no history.
    assert_eq!(erase(&hub, Erasing::Places(ids[0].clone())).await, 1);
    assert_eq!(erase(&hub, Erasing::Places(ids[0].clone())).await, 0);
    // What the site left of the entries it stood in can go too.
    assert_eq!(erase(&hub, Erasing::Grant(1)).await, 1);
    assert_eq!(erase(&hub, Erasing::Tag("Q-2".to_owned())).await, 1);
    assert_eq!((n_cells(&hub, "Q-2").await, n_cells(&hub, "the auditor").await), (0, 0));
    let report = found(&hub).await;
    assert!(report.findings.is_empty(), "{report:#?}");
    assert_eq!(report.n_erased, 4 + 1 + 1 + 1, "{report:?}");
    hub.stop().await;
}
