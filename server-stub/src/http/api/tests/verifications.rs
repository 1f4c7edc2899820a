//! An export that a program sends to be verified.

use serde_json::json;

use super::get;
use crate::access::Role;
use crate::http::Limits;
use crate::http::pages::audit_tests::{MULTIPART, altered, form};
use crate::testing::TestHub;

/// The field that carries the file.
fn export(zip: &[u8]) -> (&'static str, Option<&'static str>, &[u8]) {
    ("export", Some("march.zip"), zip)
}

#[tokio::test]
async fn an_export_is_verified_and_what_was_altered_is_named() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    hub.post_record(&laptop.check().bytes).await;
    hub.refresh().await;
    let auditor = hub.grant(Role::Auditor, None).await;
    let token = format!("Authorization: Bearer {auditor}");
    let head = get(&hub, &auditor, "/v1/ledger/head").await.body;
    let (_, zip) = hub.download("/v1/exports/audit", &token).await;
    let verify = async |token: &str, fields: &[(&str, Option<&str>, &[u8])]| {
        hub.post("/v1/verifications", &[token, MULTIPART], &form(fields)).await
    };
    let good = verify(&token, &[export(&zip), ("head", Some("head.json"), head.as_bytes())]).await.json();
    assert_eq!(
        (&good["is_unaltered"], &good["name"], &good["findings"]),
        (&json!(true), &json!("march.zip"), &json!([])),
        "{good}"
    );
    assert_eq!(good["old_tree_size"], good["tree_size"]);
    let bad = verify(&token, &[export(&altered(&zip, "runs.csv"))]).await.json();
    assert_eq!(bad["is_unaltered"], json!(false));
    assert!(bad["findings"].as_array().unwrap().iter().any(|f| f["file"] == "runs.csv"), "{bad}");

    for fields in [
        &[][..],
        &[export(b"no zip")],
        &[("other", Some("x"), b"x")],
        &[export(&zip), ("head", Some("h"), b"{}")],
    ] {
        assert_eq!(verify(&token, fields).await.problem(), "bad_form");
    }
    let json = hub.post("/v1/verifications", &[&token, "Content-Type: application/json"], b"{}").await;
    assert_eq!(json.problem(), "bad_form");
    let technician = format!("Authorization: Bearer {}", hub.grant(Role::Technician, None).await);
    assert_eq!(verify(&technician, &[export(&zip)]).await.problem(), "role_forbids");
    assert_eq!(hub.post("/v1/verifications", &[MULTIPART], b"").await.problem(), "sign_in_needed");
    hub.stop().await;
}
