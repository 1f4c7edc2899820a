//! The Audit page over a real hub, and the form with files that it verifies.

use std::io::{Cursor, Read as _, Write as _};

use crate::access::{Role, Secret};
use crate::http::{Limits, SESSION_COOKIE};
use crate::ledger::head::MAX_HEAD_BYTES;
use crate::testing::{Answer, TestHub};

pub(in crate::http) const MULTIPART: &str = "Content-Type: multipart/form-data; boundary=edge";

/// A form with these fields in this order, as a browser sends it (RFC 7578).
pub(in crate::http) fn form(fields: &[(&str, Option<&str>, &[u8])]) -> Vec<u8> {
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
async fn without_a_judgement_all_that_needs_none_is_there_with_the_reason_why_the_rest_is_not() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    hub.post_record(&laptop.check().bytes).await;
    hub.showroom.clear();
    let token = format!("Authorization: Bearer {}", hub.grant(Role::Auditor, None).await);
    let page = hub.request("GET", "/audit", &[&token], b"").await;
    assert_eq!(page.status, 200, "{}", page.body);
    for words in ["The fleet is being judged", "Log id", "/v1/exports/runs?format=xlsx", "Verify a file"] {
        assert!(page.body.contains(words), "{words}: {}", page.body);
    }
    for words in ["/v1/exports/audit", "/v1/exports/fleet", "/v1/exports/coverage"] {
        assert!(!page.body.contains(words), "{words}: {}", page.body);
    }
    let (head, runs) = hub.download("/v1/exports/runs", &token).await;
    assert!(head.starts_with("http/1.0 200"), "{head}");
    assert_eq!(String::from_utf8(runs).unwrap().lines().count(), 2, "header and one run");
    for kind in ["fleet", "coverage", "audit"] {
        let answer = hub.request("GET", &format!("/v1/exports/{kind}"), &[&token], b"").await;
        assert_eq!(answer.problem(), "not_judged_yet", "{kind}");
    }
    hub.showroom.fail();
    let page = hub.request("GET", "/audit", &[&token], b"").await;
    assert!(page.body.contains("The fleet could not be judged"), "{}", page.body);
    hub.stop().await;
}

/// The zip with one byte of a file altered, packed again as it was.
pub(in crate::http) fn altered(zip: &[u8], name: &str) -> Vec<u8> {
    let mut given = zip::ZipArchive::new(Cursor::new(zip)).unwrap();
    let mut made = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for idx in 0..given.len() {
        let mut file = given.by_index(idx).unwrap();
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).unwrap();
        let file_name = file.name().unwrap().into_owned();
        if file_name == name {
            // In the second line: the first is the header.
            let at = bytes.iter().position(|b| *b == b'\n').unwrap() + 2;
            bytes[at] ^= 1;
        }
        made.start_file(file_name, zip::write::SimpleFileOptions::default()).unwrap();
        made.write_all(&bytes).unwrap();
    }
    made.finish().unwrap().into_inner()
}

#[tokio::test]
async fn an_export_is_verified_and_what_was_altered_is_named() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    hub.post_record(&laptop.check().bytes).await;
    hub.refresh().await;
    let token = format!("Authorization: Bearer {}", hub.grant(Role::Auditor, None).await);
    let old_head = hub.request("GET", "/v1/ledger/head", &[&token], b"").await.body;
    hub.post_record(&laptop.check().bytes).await;
    hub.refresh().await;
    let (_, zip) = hub.download("/v1/exports/audit?with_records=true", &token).await;

    let secret = session(&hub, Role::Auditor).await;
    let csrf = secret.csrf().field().to_owned();
    let verify = async |zip: &[u8], head: &[u8]| {
        let fields = [
            ("csrf", None, csrf.as_bytes()),
            ("export", Some("march <audit>.zip"), zip),
            ("head", Some("head.json"), head),
        ];
        verify(&hub, &secret, "Sec-Fetch-Site: same-origin", &form(&fields)).await
    };
    let good = verify(&zip, old_head.as_bytes()).await;
    assert_eq!(good.status, 200, "{}", good.body);
    let told = |page: &Answer, words: &str| assert!(page.body.contains(words), "{words}: {}", page.body);
    for words in ["Nothing in <b>march &lt;audit&gt;.zip</b> was altered", "2 records", "held against one of"]
    {
        told(&good, words);
    }
    told(&verify(&zip, b"").await, "none was given");

    let bad = verify(&altered(&zip, "runs.csv"), b"").await;
    assert_eq!(bad.status, 200, "{}", bad.body);
    for words in ["is not as the hub gave it out", "<code>runs.csv</code>", "was altered"] {
        told(&bad, words);
    }
    assert!(!bad.body.contains("<code>fleet.csv</code>"), "only what was altered is named: {}", bad.body);

    let endless = vec![b' '; MAX_HEAD_BYTES + 1];
    assert_eq!(verify(&zip, &endless).await.status, 413);
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
