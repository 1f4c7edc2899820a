//! Heads and proofs as another program asks for them, checked by nothing but the documents.

use serde_json::Value;
use windrow_model::record::Digest;

use super::Limits;
use crate::access::Role;
use crate::ledger::head::SignedHead;
use crate::ledger::tree::{is_consistent, is_included};
use crate::testing::TestHub;

async fn get(hub: &TestHub, token: &str, path: &str) -> (u16, Value) {
    let answer = hub.request("GET", path, &[&format!("Authorization: Bearer {token}")], b"").await;
    (answer.status, answer.json())
}

fn digest(value: &Value) -> Digest {
    Digest::from_hex(value.as_str().unwrap(), "answer").unwrap()
}

fn path(value: &Value) -> Vec<Digest> {
    value["path"].as_array().unwrap().iter().map(digest).collect()
}

#[tokio::test]
async fn an_auditor_gets_a_head_and_proofs_that_hold() {
    let hub = TestHub::start(Limits::default()).await;
    let token = hub.grant(Role::Auditor, None).await;
    let mut laptop = hub.joined(1).await;
    let record = laptop.check();
    hub.post_record(&record.bytes).await;
    let (_, old) = get(&hub, &token, "/v1/ledger/head").await;
    for _ in 0..5 {
        hub.post_record(&laptop.check().bytes).await;
    }
    let (_, new) = get(&hub, &token, "/v1/ledger/head").await;
    let head = |json: &Value| SignedHead::read(json.to_string().as_bytes()).unwrap().1;
    let (old, new) = (head(&old), head(&new));
    assert!(old.tree_size < new.tree_size);

    let (_, proof) = get(&hub, &token, &format!("/v1/ledger/proof?old_size={}", old.tree_size)).await;
    assert!(
        is_consistent((old.tree_size, old.root_hash), (new.tree_size, new.root_hash), &path(&proof)),
        "{proof}"
    );
    for head in [old, new] {
        let asked = format!("/v1/ledger/proof?record={}&tree_size={}", record.digest, head.tree_size);
        let (_, proof) = get(&hub, &token, &asked).await;
        let leaf = &proof["leaf"];
        let expected =
            windrow_model::record::ledger_leaf(record.digest, leaf["timestamp_ms"].as_u64().unwrap());
        assert_eq!(digest(&leaf["leaf_hash"]), expected);
        let leaf_idx = leaf["leaf_idx"].as_u64().unwrap();
        assert!(is_included(expected, leaf_idx, head.tree_size, &path(&proof), head.root_hash), "{proof}");
    }
    hub.stop().await;
}

#[tokio::test]
async fn questions_without_an_answer_say_why() {
    let hub = TestHub::start(Limits::default()).await;
    let token = hub.grant(Role::Auditor, None).await;
    hub.joined(1).await;
    get(&hub, &token, "/v1/ledger/head").await;
    let unknown = Digest([1; 32]);
    let cases = [
        ("", 400, "bad_query"),
        ("?leaf_idx=0&old_size=1", 400, "bad_query"),
        ("?leaf_idx=-1", 400, "bad_query"),
        ("?leaf=1", 400, "bad_query"),
        ("?record=xyz", 400, "bad_query"),
        ("?old_size=9", 400, "bad_query"),
        ("?old_size=0&tree_size=9", 400, "bad_query"),
        ("?leaf_idx=9", 404, "no_such_leaf"),
        ("?leaf_idx=1&tree_size=1", 404, "no_such_leaf"),
        (&format!("?record={unknown}"), 404, "no_such_leaf"),
    ];
    for (query, status, code) in cases {
        let (found, problem) = get(&hub, &token, &format!("/v1/ledger/proof{query}")).await;
        assert_eq!(
            (found, &problem["type"]),
            (status, &Value::from(format!("urn:windrow:problem:{code}"))),
            "{query}"
        );
    }
    hub.stop().await;
}
