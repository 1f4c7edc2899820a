//! Real exports of a real store: unaltered they hold; every altered byte, cut or fork is found and named.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use chrono::{DateTime, NaiveDate};
use tempfile::TempDir;
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use super::{Limits, Report, verify};
use crate::access::Role;
use crate::costs::Costs;
use crate::export::bundle::Parts;
use crate::export::gather::{Judged, Reading};
use crate::export::sink::Sink;
use crate::export::tables::Which;
use crate::export::{bundle, gather};
use crate::ledger::head::{Head, SignedHead};
use crate::ledger::leaf::LeafKind;
use crate::ledger::{key_file, signing};
use crate::scoring::Standing;
use crate::store::facts::{Actor, Erasing, FactStore as _, NewVisit, VisitLogged};
use crate::store::sql::{Part, SqlStore, flip_stored};
use crate::store::{LedgerStore as _, Store as _};
use crate::testing::{START_MS, TestClock, TestHub};
use crate::{http, judgement};

pub(crate) async fn export(store: &SqlStore, to: &Path) {
    let clock = TestClock::new().wall();
    let fleet = judgement::judged_fleet(store, &clock, START_MS, &Costs::default()).await.unwrap();
    let visits = gather::visits(store, START_MS).await.unwrap();
    let to_prove = fleet.standings.iter().map(Standing::digest);
    let ledger = gather::ledger(store, START_MS, to_prove).await.unwrap();
    let source = Reading::new(store.clone());
    let to = to.to_owned();
    let written = tokio::task::spawn_blocking(move || {
        let as_of = DateTime::from_timestamp_millis(START_MS).unwrap();
        let judged = Judged { standings: &fleet.standings, coverage: &fleet.coverage, as_of };
        let parts = Parts { judged, visits: &visits, ledger: &ledger, source: &source };
        let mut sink = Sink::create(&to).unwrap();
        bundle::write(&mut sink, &parts, &Which::ALL, true).unwrap();
        bundle::seal(&mut sink, &ledger).unwrap();
        sink.finish().unwrap();
    });
    written.await.unwrap();
}

async fn log_visit(store: &SqlStore, device_id: String) {
    let visit = NewVisit {
        device_id,
        visited_on: NaiveDate::from_ymd_opt(2026, 1, 30).unwrap(),
        actions: vec![ServiceAction::Clean, ServiceAction::Paste],
        minutes: Some(40),
        found: "felt in the fins".to_owned(),
        parts: String::new(),
        note: "=1+1".to_owned(),
        corrects: None,
        is_withdrawn: false,
        actor: Actor { role: Role::Technician, grant_id: None },
        now_ms: START_MS,
    };
    assert!(matches!(store.visit_log(visit).await.unwrap(), VisitLogged::Logged { .. }));
}

/// Sums and seal made anew after an alteration, as only the hub itself could.
async fn reseal(store: &SqlStore, export: &Path) {
    let mut sums = String::new();
    for path in files(export) {
        let name = path.strip_prefix(export).unwrap().to_str().unwrap();
        if name != bundle::SUMS && name != bundle::SEAL {
            writeln!(sums, "{}  {name}", Digest::of(&fs::read(&path).unwrap()).to_hex()).unwrap();
        }
    }
    fs::write(export.join(bundle::SUMS), &sums).unwrap();
    let (key, _) = signing::key_now(store, START_MS).await.unwrap();
    let mut seal: bundle::Seal =
        serde_json::from_slice(&fs::read(export.join(bundle::SEAL)).unwrap()).unwrap();
    let (log_id, sums_digest) =
        (Digest::from_hex(&seal.log_id, "log_id").unwrap(), Digest::of(sums.as_bytes()));
    seal.sums_digest = sums_digest.to_hex();
    seal.signature = hex::encode(key.sign(&bundle::seal_message(log_id, sums_digest)));
    fs::write(export.join(bundle::SEAL), serde_json::to_vec(&seal).unwrap()).unwrap();
}

#[tokio::test]
async fn not_even_the_hub_can_alter_what_the_ledger_stands_for() {
    let (hub, _folder, to) = exported().await;
    let cases = [
        ("records.ndjson", "68000", "68001", "trace_digest"),
        ("records.ndjson", "\\\"sequence\\\":2", "\\\"sequence\\\":3", "digest"),
        ("runs.ndjson", "2026-01-31T08:00:00Z", "2026-01-31T08:00:01Z", "is not what leaf"),
        ("visits.ndjson", "\"minutes\":40", "\"minutes\":41", "is not what the ledger's event says"),
        ("ledger/events.ndjson", "technician", "admin", "is not what leaf"),
        ("ledger/proofs.ndjson", "\"kind\":\"record\"", "\"kind\":\"imported_run\"", "does not prove"),
    ];
    for (file, from, into, expected) in cases {
        let path = to.join(file);
        let good = fs::read_to_string(&path).unwrap();
        assert!(good.contains(from), "{file}: {from} is not in {good}");
        fs::write(&path, good.replacen(from, into, 1)).unwrap();
        reseal(&hub.store, &to).await;
        let report = check(&to, None);
        let found = report.findings.iter().any(|f| f.file == file && f.what.contains(expected));
        assert!(found, "{file}: {from} to {into}: {:?}", report.findings);
        fs::write(&path, good).unwrap();
    }
    reseal(&hub.store, &to).await;
    assert!(check(&to, None).findings.is_empty());
    hub.stop().await;
}

#[tokio::test]
async fn a_byte_altered_in_the_database_is_found_in_the_export() {
    let hub = TestHub::start(http::Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    let digest = laptop.check();
    assert_eq!(hub.post_record(&digest.bytes).await.status, 200);
    let digest = digest.digest;
    let folder = TempDir::new().unwrap();
    let good = folder.path().join("good");
    export(&hub.store, &good).await;
    let records = |export: &Path| fs::read(export.join(bundle::RECORDS)).unwrap();
    let mut n_found = 0;
    for part in [Part::Header, Part::Trace] {
        for place in 0..=20 {
            let at = f64::from(place) / 20.0;
            flip_stored(&hub.database(), digest, part, at).await;
            let to = folder.path().join(format!("{part:?}-{place}"));
            export(&hub.store, &to).await;
            flip_stored(&hub.database(), digest, part, at).await;
            let findings = check(&to, None).findings;
            let is_named =
                findings.iter().any(|f| f.file == bundle::RECORDS && f.what.contains(&digest.to_hex()));
            // Some bits of a packed trace mean nothing: then the record that is given out is the same.
            assert!(is_named || records(&to) == records(&good), "{part:?} {at}: {findings:?}");
            n_found += usize::from(is_named);
        }
    }
    assert!(n_found > 35, "{n_found} of 42");
    hub.stop().await;
}

#[tokio::test]
async fn what_was_erased_is_gone_and_every_proof_still_holds() {
    let (hub, folder, to) = exported().await;
    let old = head_in(&to);
    let before = String::from_utf8(fs::read(to.join("visits.csv")).unwrap()).unwrap();
    assert!(before.contains("felt in the fins"), "{before}");
    let actor = Actor { role: Role::Admin, grant_id: None };
    assert_eq!(hub.store.text_erase(Erasing::Visit(1), actor, START_MS).await.unwrap().n_entries(), 1);
    let later = folder.path().join("later");
    export(&hub.store, &later).await;
    let report = check(&later, Some(&old));
    assert!(report.findings.is_empty(), "{report:?}");
    // The earlier export is proven still, and so is the erased entry's day, action and time in the later one.
    assert!(check(&to, None).findings.is_empty());
    assert_eq!((report.n_rows, report.old_tree_size), (4 + 2, Some(old.tree_size)));
    let after = String::from_utf8(fs::read(to.join("../later/visits.csv")).unwrap()).unwrap();
    assert_eq!(after.matches("felt in the fins").count(), 1, "only the other visit's: {after}");
    hub.stop().await;
}

#[tokio::test]
async fn two_ledgers_that_went_apart_do_not_hold_against_each_other() {
    let (hub, folder, _) = exported().await;
    // The whole database copied, as somebody would who wants two pasts.
    let other = folder.path().join("other.sqlite");
    let mine = hub.database();
    let _kept = hub.stop_keeping().await;
    fs::copy(&mine, &other).unwrap();
    fs::copy(key_file::beside(&mine), key_file::beside(&other)).unwrap();
    let (mine, other) =
        (SqlStore::open_file(&mine).await.unwrap(), SqlStore::open_file(&other).await.unwrap());
    for (store, body) in [(&mine, &b"{}"[..]), (&other, b"[]")] {
        store.ledger_append_event(LeafKind::Hold, body.to_vec(), START_MS).await.unwrap();
    }
    let (a, b) = (folder.path().join("a"), folder.path().join("b"));
    export(&mine, &a).await;
    other.ledger_append_event(LeafKind::Hold, b"{}".to_vec(), START_MS).await.unwrap();
    export(&other, &b).await;
    assert!(check(&a, None).findings.is_empty() && check(&b, None).findings.is_empty());
    let findings = check(&b, Some(&head_in(&a))).findings;
    assert!(findings.iter().any(|f| f.what.contains("rewritten or forked")), "{findings:?}");
    mine.store_close().await;
    other.store_close().await;
}

/// Two laptops with two records each, exported as a folder.
async fn exported() -> (TestHub, TempDir, PathBuf) {
    let hub = TestHub::start(http::Limits::default()).await;
    let _ = hub.grant(Role::Auditor, None).await;
    for seed in [1, 2] {
        let mut laptop = hub.joined(seed).await;
        for _ in 0..2 {
            assert_eq!(hub.post_record(&laptop.check().bytes).await.status, 200);
        }
        log_visit(&hub.store, laptop.device_id()).await;
    }
    let folder = TempDir::new().unwrap();
    let to = folder.path().join("export");
    export(&hub.store, &to).await;
    (hub, folder, to)
}

fn check(path: &Path, old: Option<&Head>) -> Report {
    verify(path, old, Limits::default()).unwrap()
}

fn head_in(export: &Path) -> Head {
    SignedHead::read(&fs::read(export.join(bundle::HEAD)).unwrap()).unwrap().1
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { found.extend(files(&path)) } else { found.push(path) }
    }
    found.sort();
    found
}

#[tokio::test]
async fn an_export_holds_and_is_the_same_again() {
    let (hub, folder, to) = exported().await;
    let report = check(&to, None);
    assert!(report.findings.is_empty(), "{report:?}");
    assert_eq!((report.n_rows, report.n_proofs, report.n_records), (4 + 2, 2, 4));
    assert!(report.n_events >= 3 && report.n_leaves as u64 == report.tree_size, "{report:?}");
    let (one, two) = (folder.path().join("one.zip"), folder.path().join("two.zip"));
    export(&hub.store, &one).await;
    export(&hub.store, &two).await;
    assert!(fs::read(&one).unwrap() == fs::read(&two).unwrap(), "the same bytes");
    assert!(check(&one, Some(&head_in(&to))).findings.is_empty());
    let sums =
        Command::new("sha256sum").args(["-c", "--quiet", "SHA256SUMS"]).current_dir(&to).status().unwrap();
    assert!(sums.success());
    hub.stop().await;
}

#[tokio::test]
async fn every_altered_byte_is_found_and_its_file_named() {
    let (hub, _folder, to) = exported().await;
    for path in files(&to) {
        let name = path.strip_prefix(&to).unwrap().to_str().unwrap().to_owned();
        let good = fs::read(&path).unwrap();
        // Every byte of small files; of larger ones a spread that meets every line.
        let step = (good.len() / 60).max(1);
        for idx in (0..good.len()).step_by(step) {
            let mut altered = good.clone();
            altered[idx] ^= 1;
            fs::write(&path, &altered).unwrap();
            let report = check(&to, None);
            let named = report
                .findings
                .iter()
                .any(|f| f.file == name || (name == "seal.json" && f.file == "SHA256SUMS"));
            assert!(named, "{name}, byte {idx}: {:?}", report.findings);
            if path.extension().is_some_and(|e| e == "csv" || e == "ndjson") {
                let line = good[..=idx].split_inclusive(|b| *b == b'\n').count() as u64;
                assert!(
                    report.findings.iter().any(|f| f.file == name && f.line == Some(line)),
                    "{name}:{line}: {report:?}"
                );
            }
        }
        fs::write(&path, &good).unwrap();
    }
    fs::write(to.join("extra.csv"), "a\r\n").unwrap();
    assert_eq!(check(&to, None).findings[0].file, "extra.csv");
    fs::remove_file(to.join("extra.csv")).unwrap();
    fs::remove_file(to.join("fleet.csv")).unwrap();
    assert_eq!(check(&to, None).findings[0].file, "fleet.csv");
    hub.stop().await;
}

#[tokio::test]
async fn a_damaged_table_in_a_zip_is_named_once_and_its_leaves_are_not_said_to_be_missing() {
    let (hub, folder, _) = exported().await;
    let path = folder.path().join("x.zip");
    export(&hub.store, &path).await;
    let mut bytes = fs::read(&path).unwrap();
    let mut zip = zip::ZipArchive::new(std::io::Cursor::new(bytes.clone())).unwrap();
    let runs = zip.by_name("runs.ndjson").unwrap();
    let middle = runs.data_start().unwrap() + runs.compressed_size() / 2;
    drop(runs);
    bytes[usize::try_from(middle).unwrap()] ^= 1;
    fs::write(&path, &bytes).unwrap();
    let report = check(&path, None);
    let of = |file: &str| report.findings.iter().filter(|f| f.file == file).count();
    assert_eq!((of("runs.ndjson"), of(bundle::LEAVES)), (1, 1), "{report:?}");
    assert!(report.findings.iter().any(|f| f.what.contains("could not be held")), "{report:?}");
    hub.stop().await;
}

#[tokio::test]
async fn an_older_head_shows_what_was_cut_or_forked() {
    let (hub, folder, to) = exported().await;
    let old = head_in(&to);
    hub.store.ledger_append_event(LeafKind::Hold, b"{}".to_vec(), START_MS).await.unwrap();
    let later = folder.path().join("later");
    export(&hub.store, &later).await;
    assert!(check(&later, Some(&old)).findings.is_empty());
    let told = |report: Report| report.findings.iter().map(|f| f.what.clone()).collect::<Vec<_>>().join("; ");
    assert!(told(check(&to, Some(&head_in(&later)))).contains("was cut"));
    let forked = Head { root_hash: windrow_model::record::Digest([1; 32]), ..old };
    assert!(told(check(&later, Some(&forked))).contains("rewritten or forked"));
    hub.stop().await;
}

#[tokio::test]
async fn what_is_larger_than_may_be_is_refused() {
    let (hub, folder, _) = exported().await;
    let zip = folder.path().join("x.zip");
    export(&hub.store, &zip).await;
    assert!(verify(&zip, None, Limits { packed: 10, ..Limits::default() }).is_err());
    assert!(verify(&zip, None, Limits { unpacked: 1000, ..Limits::default() }).is_err());
    fs::write(&zip, b"no zip").unwrap();
    assert!(verify(&zip, None, Limits::default()).is_err());
    hub.stop().await;
}

#[tokio::test]
async fn a_file_of_endless_lines_is_named_as_a_whole() {
    let (hub, _folder, export) = exported().await;
    let limits = Limits { lines: 1000, ..Limits::default() };
    let of_file = |file: &str| {
        let report = verify(&export, None, limits).unwrap();
        report.findings.into_iter().filter(|f| f.file == file).map(|f| f.line).collect::<Vec<_>>()
    };
    let endless = vec![b'\n'; 1001];
    fs::write(export.join("runs.csv"), &endless).unwrap();
    assert_eq!(of_file("runs.csv"), [None]);
    fs::write(export.join("lines/fleet.csv.txt"), vec![b'x'; 65 * 1001]).unwrap();
    fs::write(export.join("fleet.csv"), "altered").unwrap();
    assert_eq!(of_file("fleet.csv"), [None]);
    hub.stop().await;
}
