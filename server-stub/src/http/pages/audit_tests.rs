//! The Audit page over a real hub, and the form with files that it verifies.

use crate::access::{Role, Secret};
use crate::http::{Limits, SESSION_COOKIE};
use crate::testing::{Answer, TestHub};

const MULTIPART: &str = "Content-Type: multipart/form-data; boundary=edge";

/// A form with these fields in this order, as a browser sends it (RFC 7578).
fn form(fields: &[(&str, Option<&str>, &[u8])]) -> Vec<u8> {
    let mut body = Vec::new();
    for (name, file, content) in fields {
        let file = file.map(|f| format!("; filename=\"{f}\"")).unwrap_or_default();
        body.extend(
            format!("--edge\r\nContent-Disposition: form-data; name=\"{name}\"{file}\r\n\r\n").as_bytes(),
        );
        body.extend_from_slice(content);
        body.extend_from_slice(b"\r\n");
    }
    body.extend_from_slice(b"--edge--\r\n");
    body
}

async fn session(hub: &TestHub, role: Role) -> Secret {
    let token = hub.grant(role, None).await;
    let headers = ["Content-Type: application/x-www-form-urlencoded", "Sec-Fetch-Site: same-origin"];
    let answer = hub.post("/sign-in", &headers, format!("token={token}&next=/").as_bytes()).await;
    let name = format!("set-cookie: {}=", SESSION_COOKIE.to_ascii_lowercase());
    let secret = answer.head.lines().find_map(|l| l.strip_prefix(&name)).unwrap();
    Secret::given(secret.split(';').next().unwrap()).unwrap()
}

async fn verify(hub: &TestHub, secret: &Secret, origin: &str, body: &[u8]) -> Answer {
    let cookie = format!("Cookie: {SESSION_COOKIE}={}", secret.reveal());
    hub.post("/audit/verify", &[MULTIPART, &cookie, origin, "Accept: text/html"], body).await
}

#[tokio::test]
async fn the_page_shows_coverage_exports_and_the_head() {
    let hub = TestHub::start(Limits::default()).await;
    let token = format!("Authorization: Bearer {}", hub.grant(Role::Auditor, None).await);
    let page = hub.request("GET", "/audit", &[&token], b"").await;
    assert_eq!(page.status, 200, "{}", page.body);
    for words in
        ["Coverage by site", "/v1/exports/audit", "/v1/exports/fleet?format=xlsx", "Log id", "Verify a file"]
    {
        assert!(page.body.contains(words), "{words}: {}", page.body);
    }
    hub.stop().await;
}

#[tokio::test]
async fn what_is_no_export_is_told_and_a_forged_form_is_refused_before_its_files() {
    let hub = TestHub::start(Limits::default()).await;
    let secret = session(&hub, Role::Auditor).await;
    let ours = "Sec-Fetch-Site: same-origin";
    let csrf = secret.csrf().field().to_owned();
    let token = ("csrf", None, csrf.as_bytes());
    let file = ("export", Some("a.zip"), b"no zip".as_slice());

    let answer = verify(&hub, &secret, ours, &form(&[token, file])).await;
    assert_eq!(answer.status, 422, "{}", answer.body);
    assert!(answer.body.contains("cannot be read as an export"), "{}", answer.body);

    let none = ("export", Some(""), b"".as_slice());
    let answer = verify(&hub, &secret, ours, &form(&[token, none])).await;
    assert!(answer.status == 422 && answer.body.contains("Choose a file"), "{}", answer.body);

    let head = ("head", Some("head.json"), b"{}".as_slice());
    let answer = verify(&hub, &secret, ours, &form(&[token, file, head])).await;
    assert!(answer.status == 422 && answer.body.contains("he older head proves nothing"), "{}", answer.body);

    let other = ("other", Some("x"), b"x".as_slice());
    let answer = verify(&hub, &secret, ours, &form(&[token, other])).await;
    assert!(answer.status == 422 && answer.body.contains("no field"), "{}", answer.body);

    let answer = verify(&hub, &secret, ours, b"--edge\r\nbroken").await;
    assert_eq!(answer.status, 422, "{}", answer.body);

    for (origin, fields) in [
        (ours, vec![file, token]),
        (ours, vec![("csrf", None, b"another".as_slice()), file]),
        (ours, vec![file]),
        ("Sec-Fetch-Site: cross-site", vec![token, file]),
    ] {
        let answer = verify(&hub, &secret, origin, &form(&fields)).await;
        assert_eq!(answer.status, 403, "{origin}: {}", answer.body);
    }
    hub.stop().await;
}
