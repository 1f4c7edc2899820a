//! The routes over the whole router, with real SQLite behind it; refusals and what a grant of one site sees.

mod changes;
mod grants;
mod laptop;
mod models;
mod rounds;
mod scope;
mod verifications;

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

async fn post_json(hub: &TestHub, token: &str, path: &str, body: &Value) -> Answer {
    post(hub, token, path, "application/json", body.to_string().as_bytes()).await
}

/// All entries of a list, page by page.
async fn all_pages(hub: &TestHub, token: &str, path: &str, list: &str) -> Vec<Value> {
    let mut all = Vec::new();
    let mut after = String::new();
    for _ in 0..100 {
        let page = get(hub, token, &format!("{path}{after}")).await.json();
        all.extend(page[list].as_array().unwrap().iter().cloned());
        let Some(next) = page["next"].as_str() else { return all };
        after = format!("&after={}", form_urlencoded::byte_serialize(next.as_bytes()).collect::<String>());
    }
    panic!("the pages of {path} have no end");
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
