//! The list of laptops that should be checked.

use serde_json::{Value, json};

use super::{get, post};
use crate::access::Role;
use crate::http::Limits;
use crate::testing::TestHub;

const LIST: &str = "tag,site\nT-1,north\nT-2,south\nT-3,north\n";

#[tokio::test]
async fn a_list_comes_in_as_csv_and_a_bad_one_is_refused_whole() {
    let hub = TestHub::start(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    let bad = post(&hub, &admin, "/v1/scope", "text/csv", b"tag,site\nT-1,north\n,south\n").await;
    assert_eq!((bad.status, bad.problem().as_str()), (422, "bad_body"));
    assert!(bad.json()["detail"].as_str().unwrap().contains("line 3"), "{}", bad.json());
    assert_eq!(get(&hub, &admin, "/v1/scope").await.json()["entries"], json!([]));
    let taken = post(&hub, &admin, "/v1/scope", "text/csv; charset=utf-8", LIST.as_bytes()).await;
    assert_eq!((taken.status, taken.json()), (200, json!({"n_new": 3, "n_changed": 0, "n_same": 0})));
    assert_eq!(post(&hub, &admin, "/v1/scope", "text/plain", LIST.as_bytes()).await.status, 415);
}

#[tokio::test]
async fn the_list_is_paged_by_tag_and_a_site_s_grant_sees_its_own() {
    let hub = TestHub::start(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    post(&hub, &admin, "/v1/scope", "text/csv", LIST.as_bytes()).await;
    let tags = |page: &Value| -> Vec<String> {
        page["entries"].as_array().unwrap().iter().map(|e| e["tag"].as_str().unwrap().to_owned()).collect()
    };
    let first = get(&hub, &admin, "/v1/scope?limit=2").await.json();
    assert_eq!((tags(&first), &first["next"]), (vec!["T-1".into(), "T-2".into()], &json!("T-2")));
    let second = get(&hub, &admin, "/v1/scope?limit=2&after=T-2").await.json();
    assert_eq!((tags(&second), &second["next"]), (vec!["T-3".into()], &json!(null)));
    let south = hub.grant_for(Role::Auditor, "south").await;
    assert_eq!(tags(&get(&hub, &south, "/v1/scope").await.json()), ["T-2"]);
    assert_eq!(get(&hub, &south, "/v1/scope/T-1").await.problem(), "no_such_tag");
    assert_eq!(get(&hub, &south, "/v1/scope/T-2").await.status, 200);
}

#[tokio::test]
async fn one_laptop_is_changed_with_reasons_and_days_checked() {
    let hub = TestHub::start(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    post(&hub, &admin, "/v1/scope", "text/csv", b"tag,site,from\nT-1,north,2026-01-01\n").await;
    for (deed, status, code) in [
        (json!({"act": "retire", "tag": "T-1", "why": ""}), 422, "bad_body"),
        (json!({"act": "retire", "tag": "T-1", "why": "sold", "last_on": "2025-12-31"}), 422, "bad_body"),
        (json!({"act": "retire", "tag": "T-9", "why": "sold"}), 404, "no_such_tag"),
        (json!({"act": "move", "tag": "T-1", "site": " "}), 422, "bad_body"),
        (json!({"act": "move", "tag": "T-1", "site": "quay", "row": 3}), 422, "bad_body"),
        (json!({"act": "melt", "tag": "T-1"}), 422, "bad_body"),
        (json!({"act": "assign", "tag": "T-1", "laptop": "nobody"}), 404, "no_such_laptop"),
        (json!({"act": "merge", "old": "T-1", "new": "nobody"}), 404, "no_such_laptop"),
    ] {
        let answer = post(&hub, &admin, "/v1/scope", "application/json", deed.to_string().as_bytes()).await;
        assert_eq!((answer.status, answer.problem().as_str()), (status, code), "{deed}");
    }
    let retire = json!({"act": "retire", "tag": "T-1", "why": "sold"}).to_string();
    let answer = post(&hub, &admin, "/v1/scope", "application/json", retire.as_bytes()).await;
    assert_eq!(answer.json(), json!({"changed": true}));
    let history = get(&hub, &admin, "/v1/scope/T-1").await.json();
    assert_eq!(history["versions"][1]["change"], json!("retired"));
}
