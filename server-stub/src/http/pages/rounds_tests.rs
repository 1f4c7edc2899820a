//! Rounds over a real hub: plan, book, sheet, calendar, find, log.

use crate::access::Role;
use crate::http::Limits;
use crate::pages::words;
use crate::rounds::code::code_of;
use crate::testing::{Answer, TestHub};

const HTML: &str = "Accept: text/html";

/// A hub with five healthy emulated laptops and one with clogged vents; the id of that one.
async fn hub_of_one() -> (TestHub, String) {
    let (hub, laptops) = TestHub::of_six(Limits::default()).await;
    (hub, laptops[0].device_id())
}

async fn get(hub: &TestHub, token: &str, path: &str) -> Answer {
    hub.request("GET", path, &[&format!("Authorization: Bearer {token}"), HTML], b"").await
}

async fn post(hub: &TestHub, token: &str, path: &str, form: &str) -> u16 {
    let token = format!("Authorization: Bearer {token}");
    let kind = "Content-Type: application/x-www-form-urlencoded";
    hub.request("POST", path, &[&token, kind], form.as_bytes()).await.status
}

#[tokio::test]
async fn rounds_are_planned_booked_printed_and_logged() {
    let (hub, id) = hub_of_one().await;
    let admin = hub.grant(Role::Admin, None).await;
    let technician = hub.grant(Role::Technician, None).await;
    let today = words::date(hub.clock.wall().now_ms()).unwrap();
    // That of the tests' invite.
    let site = "north";
    assert!(get(&hub, &admin, "/rounds").await.body.contains("No rounds are planned yet"));
    let hours = form_urlencoded::Serializer::new(String::new())
        .append_pair("site", site)
        .append_pair("from", &today.to_string())
        .append_pair("until", &(today + chrono::Days::new(13)).to_string())
        .append_pair("hours", "5")
        .append_pair("weekends", "yes")
        .finish();
    assert_eq!(post(&hub, &technician, "/rounds/hours", &hours).await, 403);
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 422, "without hours nobody can be sent");
    assert_eq!(post(&hub, &admin, "/rounds/hours", &hours).await, 303);
    assert_eq!(post(&hub, &admin, "/rounds/stock", "part=fan&model=*&in_stock=1&lead_days=9").await, 303);
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);

    let page = get(&hub, &technician, "/rounds").await.body;
    let code = code_of(&id);
    for words in ["1 visit", "clean vents and fins", &code, "Work sheet", "None: what is planned is in stock"]
    {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(!page.contains("Plan anew"), "a technician plans nothing");
    let token = format!("Authorization: Bearer {technician}");
    let plan = hub.request("GET", "/v1/rounds", &[&token], b"").await.json();
    let visit = &plan["visits"][0];
    assert_eq!((visit["device_id"].as_str(), visit["why"].as_str()), (Some(&id[..]), Some("benefit")));
    let day = visit["day"].as_str().unwrap().to_owned();

    let later = today + chrono::Days::new(3);
    let book = format!("laptop={id}&act=book&day={later}");
    assert_eq!(post(&hub, &technician, "/rounds/book", &book).await, 303);
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14&fresh=yes").await, 303);
    let plan = hub.request("GET", "/v1/rounds", &[&token], b"").await.json();
    assert_eq!(plan["visits"][0]["why"], "booked");
    assert_eq!(plan["visits"][0]["day"], later.to_string(), "it was {day}");

    let query = form_urlencoded::Serializer::new(String::new())
        .append_pair("site", site)
        .append_pair("day", &later.to_string())
        .finish();
    let sheet = get(&hub, &technician, &format!("/rounds/sheet?{query}")).await;
    for words in [&code[..], "Before anybody opens a laptop", "Hold the fan's blades still", "swollen"] {
        assert!(sheet.body.contains(words), "{words}: {}", sheet.body);
    }
    let calendar = get(&hub, &technician, "/rounds/calendar.ics?starts=08:30").await;
    assert!(calendar.head.contains("text/calendar"), "{}", calendar.head);
    let starts = format!("DTSTART:{}T083000", later.format("%Y%m%d"));
    assert!(calendar.body.contains(&starts), "{}", calendar.body);
    assert!(day == later.to_string() || calendar.body.contains("STATUS:CANCELLED"), "{}", calendar.body);

    let typed = code.replace('-', "+").to_lowercase();
    let found = get(&hub, &technician, &format!("/rounds/find?q={typed}")).await;
    let address = format!("/rounds/laptops/{id}");
    assert!(found.status == 303 && found.head.contains(&address), "{}", found.head);
    let page = get(&hub, &technician, &address).await.body;
    for words in ["Clean vents and fins", "Log the visit", "swollen"] {
        assert!(page.contains(words), "{words}: {page}");
    }
    let visit = format!("visited_on={today}&action=clean&minutes=31&back={address}");
    let token = format!("Authorization: Bearer {technician}");
    let kind = "Content-Type: application/x-www-form-urlencoded";
    let logged =
        hub.request("POST", &format!("/laptops/{id}/visits"), &[&token, kind], visit.as_bytes()).await;
    assert!(logged.status == 303 && logged.head.contains(&format!("location: {address}")), "{}", logged.head);
    assert_eq!(
        post(&hub, &technician, "/laptops/act", &format!("laptop={id}&act=ask&until=2026-04-01")).await,
        303
    );
    hub.stop().await;
}

#[tokio::test]
async fn what_cannot_be_planned_or_found_is_told() {
    let (hub, id) = hub_of_one().await;
    let admin = hub.grant(Role::Admin, None).await;
    let of_one_site = hub.grant_for(Role::Technician, "Elsewhere").await;
    for (path, form) in [
        ("/rounds/hours", "site=north&from=2026-02-02&until=2026-02-01&hours=5"),
        ("/rounds/hours", "site=north&from=2026-02-02&until=2026-02-03&hours=many"),
        ("/rounds/hours", "site=&from=2026-02-02&hours=5"),
        ("/rounds/stock", "part=belt&model=*&in_stock=1&lead_days=1"),
        ("/rounds/stock", "part=fan&model=*&in_stock=-1&lead_days=1"),
        ("/rounds/plan", "days=0"),
        ("/rounds/plan", "from=soon"),
        ("/rounds/book", "act=book"),
    ] {
        assert_eq!(post(&hub, &admin, path, form).await, 422, "{path} {form}");
    }
    let token = format!("Authorization: Bearer {admin}");
    assert_eq!(hub.request("GET", "/v1/rounds", &[&token], b"").await.problem(), "no_rounds");
    assert_eq!(get(&hub, &admin, "/rounds/sheet?site=north&day=2026-02-02").await.status, 404);
    let calendar = get(&hub, &admin, "/rounds/calendar.ics").await.body;
    assert!(calendar.contains("BEGIN:VCALENDAR") && !calendar.contains("VEVENT"));
    assert!(get(&hub, &admin, "/rounds/find?q=no+such+tag").await.body.contains("No laptop of yours to see"));
    assert_eq!(get(&hub, &admin, &format!("/rounds/find?q={}", "x".repeat(5000))).await.status, 200);
    assert_eq!(get(&hub, &of_one_site, &format!("/rounds/laptops/{id}")).await.status, 404);
    assert!(
        get(&hub, &of_one_site, &format!("/rounds/find?q={id}")).await.body.contains("No laptop of yours")
    );
    hub.stop().await;
}
