//! The pages over a real hub.

use windrow_model::emulate::RunPlan;

use crate::access::Role;
use crate::http::Limits;
use crate::testing::{TestHub, emulated_trace, header};

const HTML: &str = "Accept: text/html";

/// A hub with one emulated laptop of one whole check; its id and the record's digest.
async fn hub_of_one() -> (TestHub, String, String) {
    let hub = TestHub::start(Limits::default()).await;
    let laptop = hub.joined(1).await;
    let mut head = header();
    head.previous_digest =
        windrow_model::record::chain::root(&laptop.device_id(), &laptop.identity.public_key()).to_hex();
    let record = laptop.identity.sign_record(head, emulated_trace("Tamsel 14", &RunPlan::default())).unwrap();
    let answer = hub.post_record(&record.bytes).await;
    assert_eq!(answer.status, 200, "{}", answer.body);
    hub.refresh().await;
    (hub, laptop.device_id(), record.digest.to_hex())
}

#[tokio::test]
async fn an_empty_hub_says_what_to_do() {
    let hub = TestHub::start(Limits::default()).await;
    let token = format!("Authorization: Bearer {}", hub.grant(Role::Admin, None).await);
    let answer = hub.request("GET", "/", &[&token], b"").await;
    assert_eq!(answer.status, 200);
    assert!(answer.body.contains("No laptop has been checked yet"), "{}", answer.body);
    assert!(
        answer.head.contains("content-security-policy: default-src 'none'; style-src 'self'; img-src 'self'")
    );
    let answer = hub.request("GET", "/models", &[&token], b"").await;
    assert!(answer.body.contains("No model is known yet"), "{}", answer.body);
    hub.stop().await;
}

#[tokio::test]
async fn a_checked_laptop_is_listed_and_has_its_page_and_its_record() {
    let (hub, id, digest) = hub_of_one().await;
    let token = format!("Authorization: Bearer {}", hub.grant(Role::Auditor, None).await);
    let list = hub.request("GET", "/", &[&token], b"").await.body;
    assert!(list.contains(&format!("/laptops/{id}")) && list.contains("emulated laptop, no real machine"));
    let page = hub.request("GET", &format!("/laptops/{id}"), &[&token], b"").await;
    assert_eq!(page.status, 200, "{}", page.body);
    for words in
        ["line temperature", "Before anybody opens it", "contact resistance (fast branch)", &digest[..16]]
    {
        assert!(page.body.contains(words), "{words}: {}", page.body);
    }
    assert!(!page.body.contains("Log a visit"), "an auditor changes nothing");
    let download = hub.request("GET", &format!("/laptops/{id}/records/{digest}"), &[&token], b"").await;
    assert_eq!(download.status, 200);
    let again = windrow_model::record::ReceivedRecord::parse(download.body.as_bytes()).unwrap();
    let key = crate::testing::Laptop::new(1).identity.public_key();
    assert!(again.verify(&key).is_ok(), "what is downloaded proves itself");
    let models = hub.request("GET", "/models", &[&token], b"").await.body;
    let address = models.split("/models/").nth(1).and_then(|s| s.split('"').next()).unwrap();
    let model = hub.request("GET", &format!("/models/{address}"), &[&token], b"").await;
    assert!(
        model.status == 200 && model.body.contains("Fjordbook 14") && model.body.contains("1.07"),
        "{}",
        model.body
    );
    hub.stop().await;
}

#[tokio::test]
async fn a_problem_is_a_page_for_a_browser_and_a_document_for_a_program() {
    let hub = TestHub::start(Limits::default()).await;
    let token = format!("Authorization: Bearer {}", hub.grant(Role::Admin, None).await);
    let page = hub.request("GET", "/laptops/none", &[&token, HTML], b"").await;
    assert_eq!(page.status, 404);
    assert!(page.head.contains("text/html") && page.body.contains("To the service list"), "{}", page.body);
    let document = hub.request("GET", "/laptops/none", &[&token], b"").await;
    assert_eq!((document.status, document.problem().as_str()), (404, "not_found"));
    let v1 = hub.request("GET", "/v1/none", &[&token, HTML], b"").await;
    assert_eq!(v1.problem(), "not_found");
    hub.stop().await;
}
