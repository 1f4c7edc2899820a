//! What every store must do with notices.

use std::collections::HashMap;

use crate::access::Role;
use crate::notices::MAX_WAITING;
use crate::store::facts::{Actor, Erased, Erasing, FactStore as _};
use crate::store::notices::{NewNotice, NoticeEnd, NoticeStore as _, ToldBand};
use crate::store::sql::SqlStore;
use crate::store::{LedgerStore as _, Store};
use crate::testing::START_MS;

conformance!(
    a_notice_waits_with_its_bands_told_until_it_ends,
    at_the_bound_nothing_is_done,
    a_receiver_begins_once_and_is_forgotten_alone,
    what_is_erased_goes_from_notices_that_wait,
);

fn told(device_id: &str, band: &str) -> ToldBand {
    ToldBand { device_id: device_id.to_owned(), provenance: "measured".to_owned(), band: band.to_owned() }
}

fn notice(id: &str, told: Vec<ToldBand>) -> NewNotice {
    NewNotice { notice_id: id.to_owned(), body: format!("{{\"id\":\"{id}\"}}"), told, made_at_ms: START_MS }
}

async fn bands(store: &SqlStore, receiver: &str) -> Option<HashMap<String, String>> {
    let told = store.notice_told_list(receiver.to_owned()).await.unwrap();
    told.map(|told| told.into_iter().map(|((device_id, _), band)| (device_id, band)).collect())
}

fn expected(bands: &[(&str, &str)]) -> HashMap<String, String> {
    bands.iter().map(|(d, b)| ((*d).to_owned(), (*b).to_owned())).collect()
}

async fn a_notice_waits_with_its_bands_told_until_it_ends(store: SqlStore) {
    let n_leaves = store.ledger_size().await.unwrap();
    let desk = || "desk".to_owned();
    store.notice_told_put(desk(), vec![told("a", "no_visit"), told("b", "retest")]).await.unwrap();
    store.notice_begin(desk(), START_MS).await.unwrap();
    assert!(store.notice_put(desk(), notice("1", vec![told("a", "pull_now")])).await.unwrap());
    assert!(store.notice_put(desk(), notice("2", vec![told("c", "next_round")])).await.unwrap());
    let all = Some(expected(&[("a", "pull_now"), ("b", "retest"), ("c", "next_round")]));
    assert_eq!(bands(&store, "desk").await, all);

    let first = store.notice_next(desk()).await.unwrap().unwrap();
    assert_eq!((first.notice_id.as_str(), first.n_changes, first.n_tries), ("1", 1, 0));
    assert_eq!((first.body.as_str(), first.made_at_ms), ("{\"id\":\"1\"}", START_MS));
    store.notice_tried(first.row, START_MS + 9, "it answered 500".to_owned()).await.unwrap();
    let tried = store.notice_next(desk()).await.unwrap().unwrap();
    assert_eq!((tried.row, tried.n_tries, tried.tried_at_ms), (first.row, 1, Some(START_MS + 9)));
    assert_eq!((tried.failure.as_str(), &tried.body), ("it answered 500", &first.body));

    store.notice_end(first.row, NoticeEnd::Sent, START_MS + 10).await.unwrap();
    store.notice_end(first.row, NoticeEnd::Sent, START_MS + 11).await.unwrap();
    let second = store.notice_next(desk()).await.unwrap().unwrap();
    assert_eq!(second.notice_id, "2");
    store.notice_end(second.row, NoticeEnd::GivenUp, START_MS + 12).await.unwrap();
    assert_eq!(store.notice_next(desk()).await.unwrap(), None);
    let known = store.notice_receiver_list().await.unwrap().pop().unwrap();
    assert_eq!((known.n_waiting, known.n_sent, known.n_given_up), (0, 1, 1));
    assert_eq!((known.begun_at_ms, known.last_sent_at_ms), (START_MS, Some(START_MS + 10)));
    assert_eq!(bands(&store, "desk").await, all, "what was told stays told");
    assert_eq!(store.ledger_size().await.unwrap(), n_leaves, "a notice has no leaf");
}

async fn at_the_bound_nothing_is_done(store: SqlStore) {
    let desk = || "desk".to_owned();
    store.notice_begin(desk(), START_MS).await.unwrap();
    for n in 0..MAX_WAITING {
        assert!(store.notice_put(desk(), notice(&n.to_string(), vec![])).await.unwrap());
    }
    let one_more = || notice("more", vec![told("a", "pull_now")]);
    assert!(!store.notice_put(desk(), one_more()).await.unwrap());
    assert_eq!(bands(&store, "desk").await, Some(expected(&[])), "what was not told is not taken as told");
    assert!(store.notice_put("log".to_owned(), one_more()).await.unwrap(), "another's queue is its own");
    let first = store.notice_next(desk()).await.unwrap().unwrap();
    store.notice_end(first.row, NoticeEnd::Sent, START_MS).await.unwrap();
    assert!(store.notice_put(desk(), one_more()).await.unwrap());
    assert_eq!(store.notice_receiver_list().await.unwrap()[0].n_waiting, MAX_WAITING);
}

async fn a_receiver_begins_once_and_is_forgotten_alone(store: SqlStore) {
    assert_eq!(bands(&store, "desk").await, None);
    for receiver in ["desk", "log"] {
        store.notice_told_put(receiver.to_owned(), vec![told("a", "no_visit")]).await.unwrap();
        assert_eq!(bands(&store, receiver).await, None, "not before it begins");
        store.notice_begin(receiver.to_owned(), START_MS).await.unwrap();
        store.notice_begin(receiver.to_owned(), START_MS + 1).await.unwrap();
        store.notice_put(receiver.to_owned(), notice("1", vec![])).await.unwrap();
    }
    assert_eq!(store.notice_receiver_list().await.unwrap()[0].begun_at_ms, START_MS);
    let both = vec!["log".to_owned(), "desk".to_owned()];
    assert_eq!(store.notice_receivers_keep(both).await.unwrap(), []);
    let gone = store.notice_receivers_keep(vec!["log".to_owned()]).await.unwrap();
    assert_eq!(gone, [("desk".to_owned(), 1)]);
    assert_eq!(bands(&store, "desk").await, None);
    assert_eq!(store.notice_next("desk".to_owned()).await.unwrap(), None);
    assert_eq!(bands(&store, "log").await, Some(expected(&[("a", "no_visit")])));
    assert!(store.notice_next("log".to_owned()).await.unwrap().is_some());
}

async fn what_is_erased_goes_from_notices_that_wait(store: SqlStore) {
    let change = |device_id: &str, tag: &str, site: &str| serde_json::json!({"device_id": device_id, "asset_tag": tag, "site": site});
    let changes = [change("a", "T-1", "Quay"), change("b", "T-2", "Quay"), change("c", "T-3", "Lowfield")];
    let body = serde_json::json!({"id": "1", "changes": changes}).to_string();
    store.notice_put("desk".to_owned(), NewNotice { body, ..notice("1", vec![]) }).await.unwrap();
    let erase = async |what| {
        let actor = Actor { role: Role::Admin, grant_id: None };
        let erased = store.text_erase(what, actor, START_MS).await.unwrap();
        let waits = store.notice_next("desk".to_owned()).await.unwrap().unwrap();
        let body: serde_json::Value = serde_json::from_str(&waits.body).unwrap();
        assert_eq!((&body["id"], waits.notice_id.as_str()), (&serde_json::json!("1"), "1"));
        (erased, body["changes"].clone())
    };
    let nothing = erase(Erasing::Tag("T".to_owned())).await;
    assert_eq!(nothing, (Erased::Done { n_entries: 0 }, serde_json::json!(changes)));
    let one = Erased::Done { n_entries: 1 };
    let left = serde_json::json!([change("a", "", ""), changes[1], changes[2]]);
    assert_eq!(erase(Erasing::Tag("T-1".to_owned())).await, (one, left));
    let left = serde_json::json!([change("a", "", ""), change("b", "T-2", ""), changes[2]]);
    assert_eq!(erase(Erasing::Site("Quay".to_owned())).await, (one, left));
    let left = serde_json::json!([change("a", "", ""), change("b", "T-2", ""), change("c", "", "")]);
    assert_eq!(erase(Erasing::Places("c".to_owned())).await, (one, left));
}
