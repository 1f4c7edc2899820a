//! Grants by programs: a token is told once, and nobody else may.

use serde_json::{Value, json};

use super::{get, post, post_json};
use crate::access::Role;
use crate::http::Limits;
use crate::testing::{START_MS, TestHub};

const DAY_MS: i64 = 86_400_000;

#[tokio::test]
async fn a_grant_is_made_used_listed_without_its_token_and_revoked() {
    let hub = TestHub::start(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    let asked = json!({"role": "technician", "name": " north desk ", "site": "north", "days": 30});
    let made = post_json(&hub, &admin, "/v1/grants", &asked).await;
    assert_eq!(made.status, 201, "{made:?}");
    let made = made.json();
    assert_eq!((&made["name"], &made["expires_at"]), (&json!("north desk"), &json!("2026-03-02T08:00:00Z")));
    let token = made["token"].as_str().unwrap().to_owned();
    assert_eq!(get(&hub, &token, "/v1/scope").await.status, 200);
    let list = get(&hub, &admin, "/v1/grants").await;
    assert!(!list.body.contains(&token), "a token is told once");
    let states = |page: &Value| -> Vec<(i64, String)> {
        let lines = page["grants"].as_array().unwrap().iter();
        lines.map(|g| (g["grant"].as_i64().unwrap(), g["state"].as_str().unwrap().to_owned())).collect()
    };
    let good = |n| (n, "good".to_owned());
    assert_eq!(states(&list.json()), [good(1), good(2)]);
    assert_eq!(
        (&list.json()["grants"][0]["is_own"], &list.json()["grants"][1]["site"]),
        (&json!(true), &json!("north"))
    );
    let first = get(&hub, &admin, "/v1/grants?limit=1").await.json();
    assert_eq!((states(&first), &first["next"]), (vec![good(1)], &json!(1)));
    assert_eq!(states(&get(&hub, &admin, "/v1/grants?after=1").await.json()), [good(2)]);

    let revoked = post(&hub, &admin, "/v1/grants/2/revoke", "text/plain", b"").await.json();
    assert_eq!((&revoked["state"], &revoked["grant"]), (&json!("revoked"), &json!(2)), "{revoked}");
    assert_eq!(get(&hub, &token, "/v1/scope").await.problem(), "bad_token");
    assert_eq!(states(&get(&hub, &admin, "/v1/grants?state=revoked").await.json()).len(), 1);
    hub.clock.set(START_MS + 31 * DAY_MS);
    assert_eq!(states(&get(&hub, &admin, "/v1/grants?state=good").await.json()), [good(1)]);
    hub.stop().await;
}

#[tokio::test]
async fn a_grant_that_cannot_be_is_refused_with_its_field() {
    let hub = TestHub::start(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    for (body, field) in [
        (json!({"role": "auditor", "name": " "}), json!("name")),
        (json!({"role": "auditor", "name": "x".repeat(201)}), json!("name")),
        (json!({"role": "auditor", "name": "a\u{7}b"}), json!("name")),
        (json!({"role": "admin", "name": "desk", "site": "north"}), json!("site")),
        (json!({"role": "auditor", "name": "desk", "days": 0}), json!("days")),
        (json!({"role": "auditor", "name": "desk", "days": 3661}), json!("days")),
        (json!({"role": "owner", "name": "desk"}), json!(null)),
        (json!({"role": "auditor", "name": "desk", "token": "wg-mine"}), json!(null)),
    ] {
        let answer = post_json(&hub, &admin, "/v1/grants", &body).await;
        assert_eq!((answer.status, answer.problem().as_str()), (422, "bad_body"), "{body}");
        assert_eq!(answer.json()["field"], field, "{body}");
    }
    for (grant, code) in
        [("1", "own_grant"), ("9", "no_such_grant"), ("0", "no_such_grant"), ("x", "no_such_grant")]
    {
        let answer = post(&hub, &admin, &format!("/v1/grants/{grant}/revoke"), "text/plain", b"").await;
        assert_eq!(answer.problem(), code, "{grant}");
    }
    for role in [Role::Technician, Role::Auditor] {
        let token = hub.grant(role, None).await;
        assert_eq!(get(&hub, &token, "/v1/grants").await.problem(), "role_forbids");
        assert_eq!(post_json(&hub, &token, "/v1/grants", &json!({})).await.problem(), "role_forbids");
        assert_eq!(
            post(&hub, &token, "/v1/grants/1/revoke", "text/plain", b"").await.problem(),
            "role_forbids"
        );
    }
    hub.stop().await;
}
