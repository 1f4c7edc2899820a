//! Who may call what, over every route and every role; sessions and forged changes.

use axum::Router;
use axum::body::Body;
use axum::http::Request;
use axum::routing::get;
use tower::ServiceExt;

use super::{Authority, Hub, Limits, ROUTES, SESSION_COOKIE};
use crate::access::{Role, SESSION_IDLE_MS, SESSION_WHOLE_MS, Secret};
use crate::store::Store;
use crate::store::access::AccessStore;
use crate::testing::{Answer, START_MS, TestHub};

const FORM: &str = "Content-Type: application/x-www-form-urlencoded";
const FROM_US: &str = "Sec-Fetch-Site: same-origin";

/// A route's path with something in its places.
fn filled(path: &str) -> String {
    path.split('/').map(|part| if part.starts_with('{') { "x" } else { part }).collect::<Vec<_>>().join("/")
}

/// The code of a problem document, else none.
fn code(answer: &Answer) -> String {
    let is_problem = answer.head.contains("content-type: application/problem+json");
    if is_problem { answer.problem() } else { String::new() }
}

/// What the gate made of a request.
#[derive(Debug, PartialEq, Eq)]
enum Gate {
    Through,
    SentToSignIn,
    NotSignedIn,
    RoleForbids,
}

fn gate_of(answer: &Answer) -> Gate {
    if answer.status == 303
        && answer.head.contains("location: /sign-in")
        && !answer.head.contains("set-cookie")
    {
        return Gate::SentToSignIn;
    }
    match (answer.status, code(answer).as_str()) {
        (401, "sign_in_needed" | "bad_token") => Gate::NotSignedIn,
        (403, "role_forbids") => Gate::RoleForbids,
        _ => Gate::Through,
    }
}

#[tokio::test]
async fn every_route_is_closed_to_whoever_is_not_listed_for_it() {
    let hub = TestHub::start(Limits::default()).await;
    let mut tokens = Vec::new();
    for role in Role::ALL {
        tokens.push((role, hub.grant(role, None).await));
    }
    for (method, path, authority) in ROUTES {
        let path = filled(path);
        let ask = async |headers: &[&str]| gate_of(&hub.request(method, &path, headers, b"").await);
        let (roles, unknown) = match authority {
            Authority::People(roles) | Authority::DeviceOrPeople(roles) => (roles, Gate::NotSignedIn),
            Authority::Page(roles) | Authority::Upload(roles) => (roles, Gate::SentToSignIn),
            _ => {
                assert_eq!(ask(&[]).await, Gate::Through, "{method} {path}");
                continue;
            }
        };
        assert_eq!(ask(&[]).await, unknown, "{method} {path}");
        assert_eq!(ask(&["Cookie: __Host-windrow-session=00"]).await, unknown, "{method} {path}");
        assert_eq!(ask(&["Authorization: Basic eDp5"]).await, Gate::NotSignedIn, "{method} {path}");
        for (role, token) in &tokens {
            let expected = if roles.contains(*role) { Gate::Through } else { Gate::RoleForbids };
            let header = format!("Authorization: Bearer {token}");
            assert_eq!(ask(&[&header]).await, expected, "{method} {path} as {role}");
        }
    }
    hub.stop().await;
}

#[tokio::test]
async fn a_handler_that_nobody_listed_is_closed() {
    let hub = TestHub::start(Limits::default()).await;
    let state = Hub::new(hub.store.clone(), hub.clock.wall(), Limits::default());
    let gate = axum::middleware::from_fn_with_state(state.clone(), super::gate::gate);
    let router: Router =
        Router::new().route("/v1/forgotten", get(async || "secret")).route_layer(gate).with_state(state);
    let token = hub.grant(Role::Admin, None).await;
    let request = Request::get("/v1/forgotten").header("Authorization", format!("Bearer {token}"));
    let answer = router.oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
    assert_eq!(answer.status(), 404);
    hub.stop().await;
}

/// Signs in and gives the cookie's secret.
async fn sign_in(hub: &TestHub, token: &str) -> Secret {
    let answer = hub.post("/sign-in", &[FORM, FROM_US], format!("token={token}&to=/x").as_bytes()).await;
    assert_eq!(answer.status, 303, "{answer:?}");
    assert!(answer.head.contains("location: /x"), "{answer:?}");
    let cookie = answer.head.lines().find_map(|l| l.strip_prefix("set-cookie: ")).unwrap();
    for attribute in ["path=/", "secure", "httponly", "samesite=strict"] {
        assert!(cookie.split("; ").any(|a| a == attribute), "{cookie}");
    }
    let (pair, _) = cookie.split_once(';').unwrap();
    let secret = pair.strip_prefix(&format!("{}=", SESSION_COOKIE.to_ascii_lowercase())).unwrap();
    Secret::given(secret).unwrap()
}

/// Posts a change in a session.
async fn sign_out(hub: &TestHub, secret: &Secret, headers: &[&str], body: &str) -> Answer {
    let cookie = format!("Cookie: other=1; {SESSION_COOKIE}={}", secret.reveal());
    hub.post("/sign-out", &[&[FORM, cookie.as_str()], headers].concat(), body.as_bytes()).await
}

#[tokio::test]
async fn a_change_in_a_session_needs_our_own_page_and_its_token() {
    let hub = TestHub::start(Limits::default()).await;
    let token = hub.grant(Role::Auditor, None).await;
    let (secret, other) = (sign_in(&hub, &token).await, sign_in(&hub, &token).await);
    let csrf = format!("csrf={}", secret.csrf().field());
    let others = format!("csrf={}", other.csrf().field());
    let forged: [(&[&str], &str); 9] = [
        (&[FROM_US], ""),
        (&[FROM_US], "csrf="),
        (&[FROM_US], &others),
        (&[], &csrf),
        (&["Sec-Fetch-Site: cross-site"], &csrf),
        (&["Sec-Fetch-Site: same-site", "Origin: http://hub"], &csrf),
        (&["Origin: null"], &csrf),
        (&["Origin: https://evil.example"], &csrf),
        (&["Origin: http://hub:8080"], &csrf),
    ];
    for (headers, body) in forged {
        let answer = sign_out(&hub, &secret, headers, body).await;
        assert_eq!((answer.status, answer.problem().as_str()), (403, "forged_change"), "{headers:?} {body}");
    }
    let large = format!("{csrf}&x={}", "x".repeat(super::body::MAX_FORM_BYTES));
    assert_eq!(sign_out(&hub, &secret, &[FROM_US], &large).await.problem(), "body_too_large");
    let header = format!("X-CSRF-Token: {}", other.csrf().field());
    let answer = sign_out(&hub, &other, &["Origin: http://hub", &header], "").await;
    assert!(answer.status == 303 && answer.head.contains("max-age=0"), "{answer:?}");
    let answer = sign_out(&hub, &secret, &[FROM_US], &csrf).await;
    assert!(answer.status == 303 && answer.head.contains("max-age=0"), "{answer:?}");
    let again = sign_out(&hub, &secret, &[FROM_US], &csrf).await;
    assert_eq!(gate_of(&again), Gate::SentToSignIn);
    hub.stop().await;
}

#[tokio::test]
async fn a_session_ends_when_idle_when_old_and_when_its_grant_does() {
    let hub = TestHub::start(Limits::default()).await;
    let token = hub.grant(Role::Admin, None).await;
    // A change that is refused for its token shows that the session itself is good.
    let is_good =
        async |secret: &Secret| code(&sign_out(&hub, secret, &[FROM_US], "").await) == "forged_change";
    let secret = sign_in(&hub, &token).await;
    hub.clock.set(START_MS + SESSION_IDLE_MS - 1);
    assert!(is_good(&secret).await);
    // Its use was noted: it lives on from there.
    hub.clock.set(START_MS + 2 * SESSION_IDLE_MS - 2);
    assert!(is_good(&secret).await);
    hub.clock.set(START_MS + 3 * SESSION_IDLE_MS - 2);
    assert!(!is_good(&secret).await);

    let began_ms = START_MS + 3 * SESSION_IDLE_MS;
    hub.clock.set(began_ms);
    let secret = sign_in(&hub, &token).await;
    let mut now_ms = began_ms;
    while now_ms + SESSION_IDLE_MS / 2 < began_ms + SESSION_WHOLE_MS {
        now_ms += SESSION_IDLE_MS / 2;
        hub.clock.set(now_ms);
        assert!(is_good(&secret).await);
    }
    hub.clock.set(began_ms + SESSION_WHOLE_MS);
    assert!(!is_good(&secret).await);
    let unsent = sign_out(&hub, &secret, &[FROM_US], "").await;
    assert!(unsent.head.contains("location: /sign-in?unsent=yes&ended=yes"), "{unsent:?}");
    for (asked, told) in [("?unsent=yes&ended=yes", "was not taken"), ("?ended=yes", "session has ended")] {
        let page = hub.get(&format!("/sign-in{asked}")).await;
        assert!(page.body.contains(told), "{page:?}");
    }

    let secret = sign_in(&hub, &token).await;
    let grants = hub.store.grant_list().await.unwrap();
    hub.store.grant_revoke(grants[0].grant_id, START_MS).await.unwrap();
    assert!(!is_good(&secret).await);
    hub.stop().await;
}

#[tokio::test]
async fn signing_in_takes_a_good_token_from_our_own_page_and_few_tries() {
    let hub = TestHub::start(Limits::default()).await;
    let token = hub.grant(Role::Admin, Some(START_MS + 10_000)).await;
    let page = hub.get("/sign-in?to=%2Frounds").await;
    assert!(page.status == 200 && page.body.contains("value=\"/rounds\""), "{page:?}");
    assert!(page.head.contains("content-security-policy: default-src 'none'"), "{}", page.head);
    let form = format!("token={token}");
    let forged = hub.post("/sign-in", &[FORM, "Origin: https://evil.example"], form.as_bytes()).await;
    assert_eq!(forged.problem(), "forged_change");
    let try_one = async |form: &str| hub.post("/sign-in", &[FORM, FROM_US], form.as_bytes()).await.status;
    assert_eq!((try_one("").await, try_one(&form).await), (400, 303));
    for _ in 0..10 {
        assert_eq!(try_one("token=wg-guess").await, 401);
    }
    assert_eq!((try_one("token=wg-guess").await, try_one(&form).await), (429, 429));
    let header = format!("Authorization: Bearer {token}");
    let answer = hub.post("/sign-out", &[&header], b"").await;
    assert_eq!((answer.status, answer.problem().as_str()), (429, "too_many_tries"));
    assert!(answer.head.contains("retry-after: "), "{answer:?}");
    hub.clock.set(START_MS + 6_000);
    assert_eq!(try_one(&form).await, 303);
    hub.clock.set(START_MS + 10_000);
    assert_eq!(try_one(&form).await, 401, "the grant has expired");
    assert!(!hub.store.grant_list().await.unwrap()[0].is_good(START_MS + 10_000));
    hub.store.ready().await.unwrap();
    hub.stop().await;
}
