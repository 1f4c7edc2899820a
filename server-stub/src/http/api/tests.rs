//! The routes over the whole router, with real SQLite behind it; refusals and what a grant of one site sees.

use serde_json::{Value, json};

use crate::access::Role;
use crate::http::Limits;
use crate::testing::{Answer, TestHub};

async fn get(hub: &TestHub, token: &str, path: &str) -> Answer {
    hub.request("GET", path, &[&format!("Authorization: Bearer {token}")], b"").await
}

async fn post(hub: &TestHub, token: &str, path: &str, form: &str, body: &[u8]) -> Answer {
    let headers = [format!("Authorization: Bearer {token}"), format!("Content-Type: {form}")];
    let headers: Vec<&str> = headers.iter().map(String::as_str).collect();
    hub.request("POST", path, &headers, body).await
}

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

#[tokio::test]
async fn a_question_that_isn_t_understood_is_refused() {
    let hub = TestHub::start(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    for path in [
        "/v1/scope?limit=0",
        "/v1/scope?limit=1001",
        "/v1/visits?page=2",
        "/v1/visits?after=x",
        "/v1/fleet?band=red",
    ] {
        assert_eq!(get(&hub, &admin, path).await.problem(), "bad_query", "{path}");
    }
    assert_eq!(get(&hub, &admin, "/v1/devices/nobody").await.problem(), "no_such_laptop");
    let mark = json!({"act": "hold", "why": "recall"}).to_string();
    let answer = post(&hub, &admin, "/v1/devices/nobody/marks", "application/json", mark.as_bytes()).await;
    assert_eq!(answer.problem(), "no_such_laptop");
}
