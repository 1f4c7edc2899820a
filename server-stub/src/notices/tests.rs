//! From judgements to what waits, over a real store and a really judged laptop whose band the tests set.

use std::sync::Arc;
use std::time::Duration;

use serde_json::{Value, json};

use super::document::{self, SCHEMA};
use super::teller::Teller;
use super::{MAX_CHANGES, MAX_WAITING};
use crate::http::Limits;
use crate::scoring::{Band, Standing};
use crate::store::notices::{NewNotice, NoticeEnd, NoticeStore as _};
use crate::testing::{START_MS, TestHub};

const DESK: &str = "desk";

/// A hub, what tells its receivers, and a laptop as the hub judged it.
struct Scene {
    hub: TestHub,
    teller: Teller,
    judged: Standing,
}

impl Scene {
    async fn new() -> Self {
        let hub = TestHub::start(Limits::default()).await;
        let mut laptop = hub.joined(1).await;
        hub.post_record(&laptop.check().bytes).await;
        hub.refresh().await;
        let judged = hub.showroom.now().unwrap().standings[0].clone();
        let teller = Teller::new(vec![(DESK.to_owned(), Arc::default())]);
        Self { hub, teller, judged }
    }

    /// As judged, but another laptop in this band.
    fn laptop(&self, number: usize, band: Band) -> Standing {
        let mut standing = self.judged.clone();
        standing.last.device_id = format!("{number:032x}").into();
        standing.band = band;
        standing
    }

    async fn note(&self, standings: &[Standing], at_ms: i64) {
        self.teller.note(&self.hub.store, standings, at_ms).await.unwrap();
    }

    /// Takes what waits, oldest first.
    async fn taken(&self) -> Vec<Value> {
        let mut bodies = Vec::new();
        while let Some(notice) = self.hub.store.notice_next(DESK.to_owned()).await.unwrap() {
            let body: Value = serde_json::from_str(&notice.body).unwrap();
            assert_eq!(body["id"], json!(notice.notice_id));
            assert_eq!(body["changes"].as_array().unwrap().len(), notice.n_changes as usize);
            bodies.push(body);
            self.hub.store.notice_end(notice.row, NoticeEnd::Sent, START_MS).await.unwrap();
        }
        bodies
    }
}

#[tokio::test]
async fn an_empty_fleet_is_no_beginning_and_the_first_one_is_silent() {
    let scene = Scene::new().await;
    scene.note(&[], START_MS).await;
    assert_eq!(scene.hub.store.notice_told_list(DESK.to_owned()).await.unwrap(), None);
    let first: Vec<Standing> = (0..3).map(|n| scene.laptop(n, Band::PullNow)).collect();
    scene.note(&first, START_MS).await;
    assert!(scene.taken().await.is_empty());
    assert_eq!(scene.hub.store.notice_told_list(DESK.to_owned()).await.unwrap().unwrap().len(), 3);
    scene.hub.stop().await;
}

#[tokio::test]
async fn a_change_is_told_once_with_both_bands() {
    let scene = Scene::new().await;
    scene.note(&[scene.laptop(1, Band::NoVisit)], START_MS).await;
    let now = [scene.laptop(1, Band::PullNow)];
    scene.note(&now, START_MS + 1).await;
    scene.note(&now, START_MS + 2).await;
    let told = scene.taken().await;
    assert_eq!(told.len(), 1, "{told:?}");
    let mut body = told[0].clone();
    let change = body["changes"][0].take();
    assert_eq!((&body["schema"], &body["trial"]), (&json!(SCHEMA), &json!(false)));
    assert_eq!(body["judged_at"], json!("2026-01-31T08:00:00.001Z"));
    let run = &scene.judged.last;
    let expected = json!({
        "id": change["id"],
        "device_id": format!("{:032x}", 1),
        "asset_tag": run.asset_tag,
        "model": run.kind.model_name,
        "site": run.kind.site,
        "provenance": run.kind.of.provenance,
        "from_band": "no_visit",
        "to_band": "pull_now",
        "reason_code": scene.judged.reason_code,
        "reason": scene.judged.reason,
        "due_on": scene.judged.due_on,
    });
    assert_eq!(change, expected);

    scene.note(&[scene.laptop(1, Band::NoVisit)], START_MS + 3).await;
    scene.note(&now, START_MS + 4).await;
    let again = scene.taken().await;
    let ids: Vec<&Value> = again.iter().map(|n| &n["changes"][0]["id"]).collect();
    assert!(
        ids.len() == 2 && ids[0] != ids[1] && *ids[1] != change["id"],
        "the same change, another day: {ids:?}"
    );
    scene.hub.stop().await;
}

#[tokio::test]
async fn a_new_laptop_is_told_where_it_asks_for_a_visit() {
    let scene = Scene::new().await;
    scene.note(&[scene.laptop(1, Band::NoVisit)], START_MS).await;
    let mut fleet = vec![
        scene.laptop(1, Band::NoVisit),
        scene.laptop(2, Band::WithinSevenDays),
        scene.laptop(3, Band::Retest),
    ];
    scene.note(&fleet, START_MS + 1).await;
    fleet[2] = scene.laptop(3, Band::NextRound);
    scene.note(&fleet, START_MS + 2).await;
    let told = scene.taken().await;
    let bands = |n: &Value| (n["changes"][0]["from_band"].clone(), n["changes"][0]["to_band"].clone());
    let bands: Vec<(Value, Value)> = told.iter().map(bands).collect();
    assert_eq!(bands, [(json!(null), json!("within_seven_days")), (json!("retest"), json!("next_round"))]);
    scene.hub.stop().await;
}

#[tokio::test]
async fn many_changes_go_together_and_no_post_is_too_large() {
    let scene = Scene::new().await;
    let n = 2 * MAX_CHANGES + 1;
    let all = |band| (0..n).map(|n| scene.laptop(n, band)).collect::<Vec<_>>();
    scene.note(&all(Band::NoVisit), START_MS).await;
    scene.note(&all(Band::Retest), START_MS + 1).await;
    let told = scene.taken().await;
    let sizes: Vec<usize> = told.iter().map(|n| n["changes"].as_array().unwrap().len()).collect();
    assert_eq!(sizes, [MAX_CHANGES, MAX_CHANGES, 1]);
    let ids: std::collections::HashSet<String> = told
        .iter()
        .flat_map(|n| n["changes"].as_array().unwrap().iter().map(|c| c["id"].to_string()))
        .collect();
    assert_eq!(ids.len(), n);
    assert!(told[0].to_string().len() < 400_000, "{} bytes", told[0].to_string().len());
    scene.hub.stop().await;
}

#[tokio::test]
async fn where_as_many_wait_as_may_what_changed_is_told_later_as_it_stands_then() {
    let scene = Scene::new().await;
    scene.note(&[scene.laptop(1, Band::NoVisit), scene.laptop(2, Band::NoVisit)], START_MS).await;
    for n in 0..MAX_WAITING {
        let filler = NewNotice {
            notice_id: n.to_string(),
            body: json!({"id": n.to_string(), "changes": []}).to_string(),
            told: vec![],
            made_at_ms: START_MS,
        };
        assert!(scene.hub.store.notice_put(DESK.to_owned(), filler).await.unwrap());
    }
    scene.note(&[scene.laptop(1, Band::NextRound), scene.laptop(2, Band::PullNow)], START_MS + 1).await;
    let later = [scene.laptop(1, Band::PullNow), scene.laptop(2, Band::NoVisit)];
    scene.note(&later, START_MS + 2).await;
    assert_eq!(scene.taken().await.len(), MAX_WAITING as usize);
    scene.note(&later, START_MS + 3).await;
    let told = scene.taken().await;
    let changes = told[0]["changes"].as_array().unwrap();
    assert_eq!((told.len(), changes.len()), (1, 1), "the second is as it was told: {told:?}");
    assert_eq!((&changes[0]["from_band"], &changes[0]["to_band"]), (&json!("no_visit"), &json!("pull_now")));
    scene.hub.stop().await;
}

#[tokio::test]
async fn a_notice_wakes_whoever_posts_it_even_before_it_waits_for_that() {
    let scene = Scene::new().await;
    let wake = Arc::new(tokio::sync::Notify::new());
    let teller = Teller::new(vec![(DESK.to_owned(), Arc::clone(&wake))]);
    for band in [Band::NoVisit, Band::PullNow] {
        teller.note(&scene.hub.store, &[scene.laptop(1, band)], START_MS).await.unwrap();
    }
    tokio::time::timeout(Duration::from_secs(30), wake.notified()).await.expect("it was woken");
    scene.hub.stop().await;
}

#[test]
fn a_trial_says_so() {
    let body: Value = serde_json::from_str(&document::trial(START_MS, "abc")).unwrap();
    assert_eq!((&body["trial"], &body["id"]), (&json!(true), &json!("abc")));
    assert_eq!(body["changes"][0]["asset_tag"], json!("TRIAL"));
}
