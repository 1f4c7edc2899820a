//! The pages over a real hub.

use windrow_model::emulate::RunPlan;

use crate::access::Role;
use crate::http::Limits;
use crate::pages::words;
use crate::store::Store as _;
use crate::store::facts::FactStore as _;
use crate::testing::{TestHub, emulated_trace, header};

const HTML: &str = "Accept: text/html";
const FORM: &str = "Content-Type: application/x-www-form-urlencoded";

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

#[tokio::test]
async fn what_cannot_be_read_is_refused_on_a_page_or_in_a_document_in_our_words() {
    let hub = TestHub::start(Limits::default()).await;
    let token = format!("Authorization: Bearer {}", hub.grant(Role::Admin, None).await);
    for path in ["/laptops/%ff", "/models/%ff", "/rounds/laptops/%ff", "/laptops/%ff/records/%fe"] {
        let page = hub.request("GET", path, &[&token, HTML], b"").await;
        assert_eq!(page.status, 404, "{path}");
        assert!(
            page.head.contains("text/html") && page.body.contains("cannot be read as an address"),
            "{path}"
        );
    }
    for path in ["/v1/devices/%ff", "/v1/devices/%ff/runs", "/v1/scope/%ff", "/v1/exports/%ff"] {
        let answer = hub.request("GET", path, &[&token], b"").await;
        assert_eq!((answer.status, answer.problem().as_str()), (404, "not_found"), "{path}: {}", answer.body);
    }
    let page = hub.request("GET", "/rounds?site=a&site=b", &[&token, HTML], b"").await;
    assert_eq!(page.status, 400);
    assert!(
        page.head.contains("text/html") && page.body.contains("stands there more than once"),
        "{}",
        page.body
    );
    let no_files = "Content-Type: text/plain";
    for path in ["/audit/verify", "/v1/verifications"] {
        let answer = hub.request("POST", path, &[&token, no_files], b"x").await;
        assert_eq!(answer.problem(), "bad_form", "{path}");
        assert!(answer.body.contains("it is no form with files"), "{path}: {}", answer.body);
    }
    let json = "Content-Type: application/json";
    let answer = hub.request("POST", "/v1/visits", &[&token, json], b"{\"laptop\": 7}").await;
    assert!(answer.body.contains("the number 7 stands where text is wanted"), "{}", answer.body);
    hub.stop().await;
}

#[tokio::test]
async fn a_page_of_a_problem_has_the_ways_that_its_reader_has() {
    let hub = TestHub::start(Limits::default()).await;
    let admin = format!("Authorization: Bearer {}", hub.grant(Role::Admin, None).await);
    let technician = format!("Authorization: Bearer {}", hub.grant(Role::Technician, None).await);
    // No such page, no such laptop, no such right.
    for (path, status) in [("/nothing", 404), ("/laptops/none", 404), ("/laptops/%ff", 404), ("/roles", 403)]
    {
        let page = hub.request("GET", path, &[&technician, HTML], b"").await;
        assert_eq!(page.status, status, "{path}");
        assert!(page.body.contains("<a href=\"/rounds\">Rounds</a>"), "{path}: {}", page.body);
        assert!(!page.body.contains("<a href=\"/roles\">"), "{path}: a room that is not theirs");
        assert!(page.head.contains("x-content-type-options: nosniff"), "{path}: {}", page.head);
        assert!(page.head.contains("cache-control: no-store"), "{path}: {}", page.head);
    }
    let page = hub.request("GET", "/nothing", &[&admin, HTML], b"").await;
    assert!(page.body.contains("<a href=\"/roles\">Roles</a>"), "{}", page.body);
    let page = hub.request("GET", "/nothing?a=1", &[HTML], b"").await;
    assert!(page.body.contains("<a href=\"/sign-in?to=%2Fnothing%3Fa%3D1\">Sign in</a>"), "{}", page.body);
    assert!(!page.body.contains("aria-label=\"Pages\""), "no navigation for nobody: {}", page.body);
    hub.stop().await;
}

#[tokio::test]
async fn a_list_says_what_of_its_address_it_does_not_know() {
    let (hub, id, _) = hub_of_one().await;
    let token = format!("Authorization: Bearer {}", hub.grant(Role::Auditor, None).await);
    for (path, words, is_listed) in [
        (
            "/?band=xyz",
            "There is no band “xyz” in this list, so no laptop fits. A band is one of pull-now",
            false,
        ),
        ("/?site=nowhere", "There is no site “nowhere” in this list", false),
        ("/?sort=foo", "asks for “sort”, which this page does not know", true),
        ("/?order=foo", "There is no order “foo”", true),
        ("/places?state=foo", "There is no state “foo” in this list", false),
        ("/places?site=nowhere", "There is no site “nowhere” in this list", false),
        ("/places?sort=foo", "asks for “sort”, which this page does not know", true),
    ] {
        let page = hub.request("GET", path, &[&token], b"").await.body;
        assert!(page.contains("role=\"alert\"") && page.contains(words), "{path}: {page}");
        assert_eq!(page.contains(&format!("/laptops/{id}")), is_listed, "{path}");
    }
    assert!(!hub.request("GET", "/?band=&find=", &[&token], b"").await.body.contains("role=\"alert\""));
    hub.stop().await;
}

/// Posts a form with a token, and gives status and code.
async fn post(hub: &TestHub, token: &str, path: &str, form: &str) -> (u16, String) {
    let token = format!("Authorization: Bearer {token}");
    let answer = hub
        .request("POST", path, &[&token, "Content-Type: application/x-www-form-urlencoded"], form.as_bytes())
        .await;
    let code = if answer.status == 303 { String::new() } else { answer.problem() };
    (answer.status, code)
}

#[tokio::test]
async fn what_the_forms_do_is_seen_at_once() {
    let (hub, id, _) = hub_of_one().await;
    let technician = hub.grant(Role::Technician, None).await;
    let list = async || {
        let token = format!("Authorization: Bearer {technician}");
        hub.request("GET", "/", &[&token], b"").await.body
    };
    let done = (303, String::new());
    let snooze = format!("laptop={id}&act=snooze&until=2026-03-31&why=its+user+is+away");
    assert_eq!(post(&hub, &technician, "/laptops/act", &snooze).await, done);
    assert!(list().await.contains("31 Mar 2026</time>: its user is away"));
    let hold = format!("laptop={id}&act=hold&why=bulging+battery");
    assert_eq!(post(&hub, &technician, "/laptops/act", &hold).await, done);
    assert!(list().await.contains("held: bulging battery"));
    assert_eq!(post(&hub, &technician, "/laptops/act", &format!("laptop={id}&act=release")).await, done);
    let released = list().await;
    assert!(!released.contains("snoozed until") && !released.contains("held: "), "{released}");
    let ask = format!("laptop={id}&act=ask&until=2026-04-01");
    assert_eq!(post(&hub, &technician, "/laptops/act", &ask).await, done);
    assert!(list().await.contains("1 Apr 2026</time></p>"));
    let device = hub.store.device_get(id.clone()).await.unwrap().unwrap();
    assert!(device.check_wanted_by_ms.is_some(), "its next acknowledgement carries the wish");

    let today = words::date(hub.clock.wall().now_ms()).unwrap();
    let visits = format!("/laptops/{id}/visits");
    let visit = format!("visited_on={today}&action=clean&action=paste&minutes=35&found=felt+in+the+fins");
    assert_eq!(post(&hub, &technician, &visits, &visit).await, done);
    assert_eq!(post(&hub, &technician, &visits, &visit).await, (409, "not_now".to_owned()));
    let again = hub
        .request("POST", &visits, &[&format!("Authorization: Bearer {technician}"), FORM], visit.as_bytes())
        .await;
    assert!(again.body.contains("visit 1") && again.body.contains("correct that one"), "{}", again.body);
    let token = format!("Authorization: Bearer {technician}");
    let page = hub.request("GET", &format!("/laptops/{id}"), &[&token], b"").await.body;
    assert!(page.contains("cleaned, paste renewed") && page.contains("felt in the fins"), "{page}");

    let better = format!("visited_on={today}&action=clean&minutes=30&corrects=1");
    assert_eq!(post(&hub, &technician, &visits, &better).await, done);
    assert_eq!(post(&hub, &technician, &visits, &better).await, (409, "not_now".to_owned()));
    let never = format!("visited_on={today}&corrects=2&withdraw=yes");
    assert_eq!(post(&hub, &technician, &visits, &never).await, done);
    let page = hub.request("GET", &format!("/laptops/{id}"), &[&token], b"").await.body;
    for words in ["no, replaced by 2", "no, replaced by 3", "no: visit 2 never took place"] {
        assert!(page.contains(words), "{words}: {page}");
    }
    hub.stop().await;
}

#[tokio::test]
async fn what_the_forms_must_not_do_they_do_not() {
    let (hub, id, _) = hub_of_one().await;
    let technician = hub.grant(Role::Technician, None).await;
    let auditor = hub.grant(Role::Auditor, None).await;
    let visits = format!("/laptops/{id}/visits");
    for (path, form) in
        [("/laptops/act", format!("laptop={id}&act=release")), (visits.as_str(), String::new())]
    {
        assert_eq!(post(&hub, &auditor, path, &form).await, (403, "role_forbids".to_owned()), "{path}");
    }
    let bad_form = (422, "bad_form".to_owned());
    for form in [
        "act=release".to_owned(),
        format!("laptop={id}&act=nonsense"),
        format!("laptop={id}&act=snooze&why=x"),
        format!("laptop={id}&act=snooze&until=2001-01-01&why=x"),
        format!("laptop={id}&act=snooze&until=9999-12-31&why=x"),
        format!("laptop={id}&act=snooze&until=soon&why=x"),
        format!("laptop={id}&act=snooze&until=2099-01-01"),
        format!("laptop={id}&act=hold"),
        format!("laptop={id}&act=hold&why={}", "x".repeat(500)),
    ] {
        assert_eq!(post(&hub, &technician, "/laptops/act", &form).await, bad_form, "{form}");
    }
    for form in [
        "visited_on=2099-01-01&action=clean",
        "visited_on=&action=clean",
        "action=polish",
        "action=none&action=clean",
        "action=clean&minutes=-5",
        "action=clean&minutes=1441",
        "action=clean&action=none",
        "action=clean&corrects=7",
        "action=clean&corrects=x",
        "withdraw=yes",
    ] {
        assert_eq!(post(&hub, &technician, &visits, form).await, bad_form, "{form}");
    }
    let nobody = (404, "not_found".to_owned());
    assert_eq!(post(&hub, &technician, "/laptops/act", "laptop=none&act=release").await, nobody);
    assert_eq!(post(&hub, &technician, "/laptops/none/visits", "action=clean").await, nobody);
    assert!(hub.store.mark_list(None, crate::testing::START_MS).await.unwrap().is_empty());
    assert!(hub.store.visit_list(None, 0, 10).await.unwrap().is_empty());
    hub.stop().await;
}

#[tokio::test]
async fn a_laptop_that_joined_and_was_never_checked_takes_visits_and_holds() {
    let hub = TestHub::start(Limits::default()).await;
    let id = hub.joined(1).await.device_id();
    let technician = hub.grant(Role::Technician, None).await;
    let elsewhere = hub.grant_for(Role::Technician, "elsewhere").await;
    // Before the fleet is judged for the first time, and after.
    for day in ["2026-01-05", "2026-01-06"] {
        let found = page(&hub, &technician, &format!("/rounds/find?q={id}")).await;
        assert!(
            found.status == 303 && found.head.contains(&format!("/rounds/laptops/{id}")),
            "{}",
            found.head
        );
        let its_page = page(&hub, &technician, &format!("/rounds/laptops/{id}")).await;
        assert_eq!(its_page.status, 200, "{}", its_page.body);
        for words in ["No check of it was judged yet", "Before you open it", "Log the visit"] {
            assert!(its_page.body.contains(words), "{words}: {}", its_page.body);
        }
        let visit = format!("visited_on={day}&action=clean&minutes=20&back=/rounds/laptops/{id}");
        assert_eq!(post(&hub, &technician, &format!("/laptops/{id}/visits"), &visit).await.0, 303);
        hub.refresh().await;
    }
    assert_eq!(hub.store.visit_list(None, 0, 10).await.unwrap().len(), 2);
    let hold = format!("laptop={id}&act=hold&why=recall");
    assert_eq!(post(&hub, &technician, "/laptops/act", &hold).await, (303, String::new()));
    assert!(page(&hub, &technician, &format!("/rounds/laptops/{id}")).await.body.contains("held: recall"));
    // Nobody sees or changes it from another site.
    let refused = page(&hub, &elsewhere, &format!("/rounds/laptops/{id}")).await.status;
    let (visit, _) = post(&hub, &elsewhere, &format!("/laptops/{id}/visits"), "action=clean").await;
    let (release, _) = post(&hub, &elsewhere, "/laptops/act", &format!("laptop={id}&act=release")).await;
    assert_eq!([refused, visit, release], [404; 3]);
    hub.stop().await;
}

/// Gets a page with a token.
async fn page(hub: &TestHub, token: &str, path: &str) -> crate::testing::Answer {
    hub.request("GET", path, &[&format!("Authorization: Bearer {token}")], b"").await
}

#[tokio::test]
async fn a_grant_is_made_and_revoked_on_the_page_and_its_token_shown_once() {
    let hub = TestHub::start(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    let technician = hub.grant(Role::Technician, None).await;
    assert_eq!(page(&hub, &technician, "/roles").await.status, 403);
    let (bearer, form) = (format!("Authorization: Bearer {admin}"), "role=auditor&name=yearly+audit&days=30");
    let headers = [bearer.as_str(), "Content-Type: application/x-www-form-urlencoded"];
    let made = hub.request("POST", "/roles", &headers, form.as_bytes()).await;
    assert_eq!(made.status, 201, "{}", made.body);
    let token = made.body.split("class=\"secret\">").nth(1).and_then(|s| s.split('<').next()).unwrap();
    assert_eq!(page(&hub, token, "/").await.status, 200);
    let again = page(&hub, &admin, "/roles").await.body;
    assert!(again.contains("yearly audit") && !again.contains(token), "{again}");
    let grants = crate::store::access::AccessStore::grant_list(&hub.store).await.unwrap();
    let (own, other) = (grants[0].grant_id, grants[2].grant_id);
    let revoke = |id: i64| format!("grant={id}");
    assert_eq!(post(&hub, &admin, "/roles/revoke", &revoke(own)).await, (409, "not_now".to_owned()));
    assert_eq!(post(&hub, &technician, "/roles/revoke", &revoke(other)).await.0, 403);
    assert_eq!(post(&hub, &admin, "/roles/revoke", &revoke(other)).await.0, 303);
    assert_eq!(page(&hub, token, "/").await.status, 401);
    for bad in
        ["role=king&name=x", "role=auditor", "role=admin&name=x&site=north", "role=auditor&name=x&days=0"]
    {
        assert_eq!(post(&hub, &admin, "/roles", bad).await, (422, "bad_form".to_owned()), "{bad}");
    }
    hub.stop().await;
}

#[tokio::test]
async fn a_tag_is_found_moved_and_retired_on_the_page_with_its_history() {
    let (hub, id, _) = hub_of_one().await;
    let (admin, auditor) = (hub.grant(Role::Admin, None).await, hub.grant(Role::Auditor, None).await);
    assert!(
        page(&hub, &auditor, "/places").await.body.contains("no list of the laptops that should be checked")
    );
    let entry = |tag: &str| crate::store::facts::ScopeEntry {
        tag: tag.to_owned(),
        model: "Fjordbook 14".to_owned(),
        site: "north".to_owned(),
        place: "bay 3".to_owned(),
        from_on: None,
        until_on: None,
        is_excluded: false,
        why: String::new(),
    };
    let actor = crate::store::facts::Actor { role: Role::Admin, grant_id: None };
    let entries = vec![entry("HB 1&2"), entry("HB-9")];
    hub.store.scope_import(entries, actor, crate::testing::START_MS).await.unwrap();
    let done = (303, String::new());
    let form = format!("tag=HB+1%262&act=assign&laptop={id}");
    assert_eq!(post(&hub, &auditor, "/places/act", &form).await.0, 403);
    assert_eq!(post(&hub, &admin, "/places/act", &form).await, done);
    assert_eq!(post(&hub, &admin, "/places/act", "tag=HB+1%262&act=move&site=south&place=loft").await, done);
    hub.refresh().await;
    let list = page(&hub, &auditor, "/places?find=fjordbook").await.body;
    assert!(list.contains("HB 1&amp;2") && list.contains("south, loft") && list.contains(&id), "{list}");
    assert!(!page(&hub, &auditor, "/places?site=north").await.body.contains("HB 1&amp;2"));
    let after = page(&hub, &auditor, "/places?after-tag=HB+1%262").await.body;
    assert!(after.contains("HB-9") && !after.contains("HB 1&amp;2"), "{after}");
    let tag = page(&hub, &auditor, "/places/tag?of=HB+1%262").await.body;
    assert!(
        tag.contains("put on the list")
            && tag.contains("moved")
            && !tag.contains("<form method=\"post\" action=\"/places/act\""),
        "{tag}"
    );
    let retire = "tag=HB-9&act=retire&last_on=2026-01-31&why=sold";
    assert_eq!(post(&hub, &admin, "/places/act", retire).await, done);
    assert!(page(&hub, &admin, "/places/tag?of=HB-9").await.body.contains("sold"));
    for bad in [
        "tag=HB-9&act=move",
        "tag=HB-9&act=move&site=a%0Ab",
        "tag=HB-9&act=retire&last_on=2026-01-31",
        "tag=HB-9&act=burn",
    ] {
        assert_eq!(post(&hub, &admin, "/places/act", bad).await, (422, "bad_form".to_owned()), "{bad}");
    }
    assert_eq!(page(&hub, &admin, "/places/tag?of=none").await.status, 404);
    let nobody = post(&hub, &admin, "/places/act", "tag=none&act=move&site=x").await;
    assert_eq!(nobody, (409, "not_now".to_owned()));
    hub.stop().await;
}

#[tokio::test]
async fn two_identities_become_one_on_the_page_after_a_board_swap() {
    let (hub, old, _) = hub_of_one().await;
    let new = hub.joined(2).await.device_id();
    let (admin, technician) = (hub.grant(Role::Admin, None).await, hub.grant(Role::Technician, None).await);
    let entry = crate::store::facts::ScopeEntry {
        tag: "HB-7".to_owned(),
        model: String::new(),
        site: "north".to_owned(),
        place: String::new(),
        from_on: None,
        until_on: None,
        is_excluded: false,
        why: String::new(),
    };
    let actor = crate::store::facts::Actor { role: Role::Admin, grant_id: None };
    hub.store.scope_import(vec![entry], actor, crate::testing::START_MS).await.unwrap();
    let done = (303, String::new());
    // The id as the pages shorten it.
    let short = crate::pages::fleet::name_of("", &old).to_owned();
    assert!(short.len() < old.len());
    assert_eq!(post(&hub, &admin, "/places/act", &format!("tag=HB-7&act=assign&laptop={short}")).await, done);
    hub.refresh().await;
    let merge = |old: &str, new: &str| format!("tag=HB-7&act=merge&old={old}&new={new}");
    for (old, new, status) in [("HB-7", "nobody", 422), ("", "x", 422), ("HB-7", "HB-7", 409)] {
        assert_eq!(post(&hub, &admin, "/places/act", &merge(old, new)).await.0, status, "{old} {new}");
    }
    assert_eq!(post(&hub, &technician, "/places/act", &merge("HB-7", &new)).await.0, 403);
    assert_eq!(post(&hub, &admin, "/places/act", &merge("HB-7", &new[..12])).await, done);
    let tag = page(&hub, &technician, "/places/tag?of=HB-7").await.body;
    assert!(tag.contains("Board swaps") && tag.contains(&short) && tag.contains(&new[..12]), "{tag}");
    assert_eq!(hub.store.laptop_find("HB-7".to_owned()).await.unwrap(), [new]);
    hub.stop().await;
}

/// The head of a session as a browser has it, and the token of its forms.
pub(super) async fn session(hub: &TestHub, token: &str) -> (String, String) {
    let form = format!("token={token}");
    let headers = [FORM, "Sec-Fetch-Site: same-origin"];
    let answer = hub.request("POST", "/sign-in", &headers, form.as_bytes()).await;
    let name = format!("set-cookie: {}=", crate::http::SESSION_COOKIE.to_ascii_lowercase());
    let secret = answer.head.lines().find_map(|line| line.strip_prefix(&name)).unwrap();
    let cookie = format!("Cookie: {}={}", crate::http::SESSION_COOKIE, secret.split(';').next().unwrap());
    let places = hub.request("GET", "/places", &[&cookie], b"").await.body;
    let csrf = places.split("name=\"csrf\" value=\"").nth(1).and_then(|s| s.split('"').next()).unwrap();
    (cookie, csrf.to_owned())
}

#[tokio::test]
async fn the_form_for_a_board_swap_is_an_administrators_and_carries_its_token() {
    let (hub, old, _) = hub_of_one().await;
    let new = hub.joined(2).await.device_id();
    hub.refresh().await;
    let (admin, technician) = (hub.grant(Role::Admin, None).await, hub.grant(Role::Technician, None).await);
    let (cookie, csrf) = session(&hub, &admin).await;
    let shown = hub.request("GET", "/places", &[&cookie], b"").await.body;
    assert!(shown.contains("After a board swap"), "{shown}");
    let (theirs, _) = session(&hub, &technician).await;
    assert!(!hub.request("GET", "/places", &[&theirs], b"").await.body.contains("After a board swap"));
    let form = format!("act=merge&old={old}&new={new}");
    let headers = [FORM, "Sec-Fetch-Site: same-origin", &cookie];
    let forged = hub.request("POST", "/places/act", &headers, form.as_bytes()).await;
    assert_eq!(forged.problem(), "forged_change");
    let form = format!("{form}&csrf={csrf}");
    assert_eq!(hub.request("POST", "/places/act", &headers, form.as_bytes()).await.status, 303);
    assert_eq!(hub.store.laptop_past(new).await.unwrap().len(), 1);
    hub.stop().await;
}
