//! What every store must do with what runs taught.

use windrow_model::record::Digest;

use super::{record, root};
use crate::store::judgements::{StoredEvidence, StoredStanding};
use crate::store::sql::SqlStore;
use crate::store::{NewRecord, Store};
use crate::testing::Laptop;

conformance!(what_runs_taught_is_kept_until_it_is_learned_anew);

async fn what_runs_taught_is_kept_until_it_is_learned_anew<S: Store>(store: S) {
    let laptop = Laptop::new(1);
    let mut records: Vec<NewRecord> = vec![record(&laptop, 1, 1, root(&laptop))];
    records.extend((2..=4).map(|n| record(&laptop, u64::from(n), n, Digest([n - 1; 32]))));
    records[1].facts.outcome = "not_started".to_owned();
    store.record_append_batch(records).await.unwrap();
    let ids: Vec<i64> = store.run_list_measured("1").await.unwrap().iter().map(|r| r.run_id).collect();
    let mut traces: Vec<i64> =
        store.trace_list(ids[..3].to_vec()).await.unwrap().iter().map(|t| t.run_id).collect();
    traces.sort_unstable();
    assert_eq!(traces, [ids[0], ids[2]], "one that did not start has none to read");

    let (version, other) = ("1/a".to_owned(), "1/b".to_owned());
    let standing = |n: u8| StoredStanding {
        provenance: "emulated".to_owned(),
        model_key: "Fjordbook 14".to_owned(),
        digest: Digest([n; 32]),
        standing_json: vec![n],
    };
    let evidence = |idx: usize, n: Option<u8>| StoredEvidence {
        run_id: ids[idx],
        made: n.map(|n| (Digest([n; 32]), vec![n, n])),
    };
    let first = vec![evidence(0, Some(1)), evidence(1, None), evidence(2, Some(1))];
    store.judgement_put(version.clone(), vec![standing(1)], first).await.unwrap();
    // Learned anew: in place of what was.
    let second = vec![evidence(0, Some(2))];
    store.judgement_put(version.clone(), vec![standing(2)], second).await.unwrap();
    assert_eq!(store.standing_list(version.clone()).await.unwrap(), [standing(2)]);
    assert_eq!(store.standing_list(other.clone()).await.unwrap(), []);

    let kept = [evidence(0, Some(2)), evidence(1, None), evidence(2, Some(1))];
    assert_eq!(store.evidence_list(version.clone(), 0, 10).await.unwrap(), kept);
    assert_eq!(store.evidence_list(version.clone(), ids[0], 1).await.unwrap(), kept[1..2]);
    let made = store.evidence_list_made(version.clone(), 0, 10).await.unwrap();
    assert_eq!(made, kept.clone().map(|e| (e.run_id, e.made.map(|(digest, _)| digest))));
    let mut got = store.evidence_get(version.clone(), vec![ids[2], ids[0], 999]).await.unwrap();
    got.sort_unstable_by_key(|e| e.run_id);
    assert_eq!(got, [kept[0].clone(), kept[2].clone()]);
    let mut of_laptop = store
        .evidence_list_of_laptop(
            version.clone(),
            laptop.device_id(),
            "emulated".to_owned(),
            "Fjordbook 14".to_owned(),
        )
        .await
        .unwrap();
    of_laptop.sort_unstable_by_key(|e| e.run_id);
    assert_eq!(of_laptop, kept);
    assert!(store.evidence_get(other, ids.clone()).await.unwrap().is_empty());
    store.judgement_forget().await.unwrap();
    assert!(store.evidence_get(version, ids).await.unwrap().is_empty());
}
