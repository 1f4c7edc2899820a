//! Real exports of a real store: unaltered they hold; every altered byte, cut or fork is found and named.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use chrono::DateTime;
use tempfile::TempDir;

use super::{Limits, Report, verify};
use crate::access::Role;
use crate::costs::Costs;
use crate::export::sink::Sink;
use crate::export::tables::Which;
use crate::export::{bundle, gather};
use crate::http;
use crate::ledger::head::{Head, SignedHead};
use crate::store::LedgerStore;
use crate::store::sqlite::SqliteStore;
use crate::testing::{START_MS, TestClock, TestHub};

async fn export(store: &SqliteStore, to: &Path) {
    let clock = TestClock::new().wall();
    let judged = gather::judged(store, &clock, START_MS, &Costs::default()).await.unwrap();
    let ledger = gather::ledger(store, START_MS).await.unwrap();
    let mut sink = Sink::create(to).unwrap();
    let as_of = DateTime::from_timestamp_millis(START_MS).unwrap();
    bundle::write(&mut sink, &judged, &ledger, &Which::ALL, as_of).unwrap();
    bundle::seal(&mut sink, &ledger).unwrap();
    sink.finish().unwrap();
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
    assert_eq!((report.n_rows, report.n_proofs), (4, 2));
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
async fn an_older_head_shows_what_was_cut_or_forked() {
    let (hub, folder, to) = exported().await;
    let old = head_in(&to);
    hub.store
        .ledger_append_event(crate::ledger::leaf::LeafKind::Hold, b"{}".to_vec(), START_MS)
        .await
        .unwrap();
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
