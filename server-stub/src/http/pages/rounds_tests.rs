//! Rounds over a real hub: plan, book, sheet, calendar, find, log.

use windrow_model::emulate::RunPlan;

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
    assert!(
        logged.status == 303 && logged.head.contains(&format!("location: {address}?logged=1")),
        "{}",
        logged.head
    );
    let page = get(&hub, &technician, &format!("{address}?logged=1")).await.body;
    assert!(page.contains("Logged as visit 1 of"), "{page}");
    assert!(page.contains("Nothing more is advised before its next check"), "{page}");
    assert!(!page.contains("Clean vents and fins."), "what was done isn't advised again: {page}");
    assert!(!get(&hub, &technician, &format!("{address}?logged=2")).await.body.contains("Logged as"));
    assert_eq!(
        post(&hub, &technician, "/laptops/act", &format!("laptop={id}&act=ask&until=2026-04-01")).await,
        303
    );
    // What was done is no longer to be done, on the page and the sheet; in calendars the day stays.
    let page = get(&hub, &technician, "/rounds").await.body;
    assert!(page.contains("Serviced since: ") && !page.contains(&code), "{page}");
    let sheet = get(&hub, &technician, &format!("/rounds/sheet?{query}")).await.body;
    assert!(sheet.contains("Visits made") && !sheet.contains("To do: "), "{sheet}");
    let calendar = get(&hub, &technician, "/rounds/calendar.ics").await.body;
    assert!(calendar.contains("STATUS:CONFIRMED"), "somebody went there: {calendar}");
    // It never took place: it is to be done again.
    let withdraw = format!("visited_on={today}&corrects=1&withdraw=yes");
    assert_eq!(post(&hub, &technician, &format!("/laptops/{id}/visits"), &withdraw).await, 303);
    let page = get(&hub, &technician, "/rounds").await.body;
    assert!(page.contains(&code) && !page.contains("Serviced since"), "{page}");
    hub.stop().await;
}

#[tokio::test]
async fn who_is_held_or_snoozed_past_the_plan_is_listed_and_a_snooze_that_ends_within_it_is_kept() {
    let (hub, id) = hub_of_one().await;
    let admin = hub.grant(Role::Admin, None).await;
    let today = words::date(hub.clock.wall().now_ms()).unwrap();
    let day = |n: u64| today + chrono::Days::new(n);
    let hours = format!("site=north&from={today}&until={}&hours=5&weekends=yes", day(30));
    assert_eq!(post(&hub, &admin, "/rounds/hours", &hours).await, 303);
    let snooze = format!("laptop={id}&act=snooze&until={}&why=exams", day(3));
    assert_eq!(post(&hub, &admin, "/laptops/act", &snooze).await, 303);
    // To the last day of four, it is left out.
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=4").await, 303);
    let page = get(&hub, &admin, "/rounds").await.body;
    assert!(page.contains("Held or snoozed") && page.contains("snoozed to"), "{page}");
    assert!(!page.contains("exams"), "a reason can be erased, and the plan would keep it");
    // A longer plan has it on the first day after.
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
    let page = get(&hub, &admin, "/rounds").await.body;
    assert!(page.contains("1 visit on") && !page.contains("Held or snoozed"), "{page}");
    assert!(page.contains(&format!("/rounds/sheet?site=north&amp;day={}", day(4))), "{page}");
    assert_eq!(post(&hub, &admin, "/rounds/plan", &format!("days=14&from={}", day(4))).await, 303);
    let page = get(&hub, &admin, "/rounds").await.body;
    assert!(page.contains("1 visit") && !page.contains("Held or snoozed"), "{page}");
    assert_eq!(post(&hub, &admin, "/laptops/act", &format!("laptop={id}&act=hold&why=recall")).await, 303);
    assert_eq!(post(&hub, &admin, "/rounds/plan", &format!("days=14&from={}", day(4))).await, 303);
    assert!(get(&hub, &admin, "/rounds").await.body.contains(": held"));
    hub.stop().await;
}

#[tokio::test]
async fn nobody_is_booked_for_a_day_without_a_technician_and_a_booking_can_be_moved() {
    let (hub, id) = hub_of_one().await;
    let admin = hub.grant(Role::Admin, None).await;
    let today = words::date(hub.clock.wall().now_ms()).unwrap();
    let day = |n: u64| today + chrono::Days::new(n);
    for n in [1, 3, 20] {
        let hours = format!("site=north&from={}&hours=5", day(n));
        assert_eq!(post(&hub, &admin, "/rounds/hours", &hours).await, 303);
    }
    let said = |answer: Answer, words: &str| assert!(answer.body.contains(words), "{}", answer.body);
    let send = async |path: &str, form: String| {
        let token = format!("Authorization: Bearer {admin}");
        let kind = "Content-Type: application/x-www-form-urlencoded";
        hub.request("POST", path, &[&token, kind, HTML], form.as_bytes()).await
    };
    let wrong = send("/rounds/hours", format!("site=Nort&from={today}&hours=5")).await;
    assert_eq!(wrong.status, 422);
    said(wrong, "the sites are north");
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
    let book = |day: chrono::NaiveDate| format!("laptop={id}&act=book&day={day}");
    said(send("/rounds/book", book(day(2))).await, &format!("but on {}, {}, {}", day(1), day(3), day(20)));
    said(send("/rounds/book", book(day(400))).await, "must be from today");
    assert_eq!(send("/rounds/book", book(day(20))).await.status, 303);
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
    said(get(&hub, &admin, "/rounds").await, "1 visit is booked for days before or after these");
    assert_eq!(send("/rounds/book", book(day(3))).await.status, 303);
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
    let page = get(&hub, &admin, "/rounds").await.body;
    assert!(page.contains("<b>booked</b>") && !page.contains("booked for days before or after"), "{page}");
    // Its day loses its hours: it is told once, among what cannot be kept, and can be moved from there.
    assert_eq!(send("/rounds/hours", format!("site=north&from={}&hours=0", day(3))).await.status, 303);
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
    let page = get(&hub, &admin, "/rounds").await.body;
    assert!(page.contains("Bookings that cannot be kept") && !page.contains("<b>booked</b>"), "{page}");
    assert_eq!(send("/rounds/book", book(day(1))).await.status, 303);
    let page = get(&hub, &admin, "/rounds").await.body;
    assert!(page.contains("<b>booked</b>") && !page.contains("cannot be kept"), "at once: {page}");
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
    said(get(&hub, &admin, "/rounds").await, "<b>booked</b>");
    hub.stop().await;
}

#[tokio::test]
async fn costs_are_set_by_a_form_that_keeps_what_was_typed() {
    let (hub, _) = hub_of_one().await;
    let (admin, auditor) = (hub.grant(Role::Admin, None).await, hub.grant(Role::Auditor, None).await);
    let page = get(&hub, &auditor, "/rounds/costs").await.body;
    assert!(page.contains("these are the defaults") && !page.contains("<textarea"), "{page}");
    let form =
        |toml: &str| form_urlencoded::Serializer::new(String::new()).append_pair("costs", toml).finish();
    assert_eq!(post(&hub, &auditor, "/rounds/costs", &form("currency = \"crowns\"")).await, 403);
    let token = format!("Authorization: Bearer {admin}");
    let kind = "Content-Type: application/x-www-form-urlencoded";
    let bad = form("currency = \"crowns\"\r\n[minutes]\r\nclean = -1\r\n");
    let refused = hub.request("POST", "/rounds/costs", &[&token, kind, HTML], bad.as_bytes()).await;
    assert_eq!(refused.status, 422);
    for words in ["Nothing was set", "line 3", "crowns", "clean = -1"] {
        assert!(refused.body.contains(words), "{words}: {}", refused.body);
    }
    assert_eq!(post(&hub, &admin, "/rounds/costs", &form("currency = \"crowns\"\r\n")).await, 303);
    let page = get(&hub, &admin, "/rounds/costs").await.body;
    assert!(page.contains("crowns") && page.contains("Set "), "{page}");
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

/// Hours at `north` from today on, all six laptops' site.
async fn hours_ahead(hub: &TestHub, admin: &str, n_days: u64) -> chrono::NaiveDate {
    let today = words::date(hub.clock.wall().now_ms()).unwrap();
    let until = today + chrono::Days::new(n_days - 1);
    let hours = format!("site=north&from={today}&until={until}&hours=5&weekends=yes");
    assert_eq!(post(hub, admin, "/rounds/hours", &hours).await, 303);
    today
}

/// The lines of an event that must stay: name, sequence, state, what it says.
fn event_of(calendar: &str, day: chrono::NaiveDate) -> Option<Vec<String>> {
    let whole = calendar.replace("\r\n ", "");
    let mut events = whole.split("BEGIN:VEVENT").skip(1);
    let event = events.find(|e| e.contains(&format!("VALUE=DATE:{}", day.format("%Y%m%d"))))?;
    let kept = ["UID", "SEQUENCE", "STATUS", "SUMMARY", "DESCRIPTION"];
    let lines = event.lines().filter(|l| kept.iter().any(|name| l.starts_with(name)));
    Some(lines.map(str::to_owned).collect())
}

#[tokio::test]
async fn a_day_that_was_worked_stays_in_the_calendar_and_on_its_sheet_whatever_is_planned_after_it() {
    let (hub, id) = hub_of_one().await;
    let admin = hub.grant(Role::Admin, None).await;
    let today = hours_ahead(&hub, &admin, 14).await;
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
    let told = event_of(&get(&hub, &admin, "/rounds/calendar.ics").await.body, today).unwrap();
    assert!(told.iter().any(|l| l == "STATUS:CONFIRMED"), "{told:?}");
    let code = code_of(&id);

    hub.clock.set(hub.clock.wall().now_ms() + 60_000);
    let visit = format!("visited_on={today}&action=clean&minutes=31");
    assert_eq!(post(&hub, &admin, &format!("/laptops/{id}/visits"), &visit).await, 303);
    // Planned anew before and after the fleet is judged again, and on the next day.
    for later_ms in [0, 60_000, 86_400_000] {
        hub.clock.set(hub.clock.wall().now_ms() + later_ms);
        if later_ms > 0 {
            hub.refresh().await;
        }
        assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
        let calendar = get(&hub, &admin, "/rounds/calendar.ics").await.body;
        assert_eq!(event_of(&calendar, today).as_ref(), Some(&told), "after {later_ms} ms: {calendar}");
        let sheet = get(&hub, &admin, &format!("/rounds/sheet?site=north&day={today}")).await;
        assert!(sheet.status == 200 && sheet.body.contains(&code), "{sheet:?}");
        let page = get(&hub, &admin, "/rounds").await.body;
        assert!(page.contains("0 visits on 0 days at sites"), "{page}");
        assert!(page.contains(&format!("/rounds/sheet?site=north&amp;day={today}")), "{page}");
    }
    // It never took place after all: the next plan no longer speaks of it as done.
    let withdraw = format!("visited_on={today}&corrects=1&withdraw=yes");
    assert_eq!(post(&hub, &admin, &format!("/laptops/{id}/visits"), &withdraw).await, 303);
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
    assert_eq!(get(&hub, &admin, &format!("/rounds/sheet?site=north&day={today}")).await.status, 404);
    hub.stop().await;
}

#[tokio::test]
async fn a_laptop_s_pages_say_so_until_a_visit_or_a_check_is_judged() {
    let (hub, mut laptops) = TestHub::of_six(Limits::default()).await;
    let technician = hub.grant(Role::Technician, None).await;
    let id = laptops[0].device_id();
    let pages = [format!("/laptops/{id}"), format!("/rounds/laptops/{id}")];
    let later = async |is_judged: bool| {
        hub.clock.set(hub.clock.wall().now_ms() + 60_000);
        if is_judged {
            hub.refresh().await;
        }
    };
    let check = async |words: Option<&str>| {
        for path in &pages {
            let page = get(&hub, &technician, path).await.body;
            let is_behind = page.contains("bringing it up to date");
            assert!(is_behind == words.is_some() && words.is_none_or(|w| page.contains(w)), "{path}: {page}");
        }
    };
    later(true).await;
    check(None).await;
    later(false).await;
    let visit = "visited_on=2026-01-31&action=clean&minutes=31";
    assert_eq!(post(&hub, &technician, &format!("/laptops/{id}/visits"), visit).await, 303);
    check(Some("A visit was logged after this judgement")).await;
    later(true).await;
    check(None).await;
    later(false).await;
    let record = laptops[0].whole_check("Marlow 15", &RunPlan::default(), "2026-01-31T08:03:00Z");
    assert_eq!(hub.post_record(&record.bytes).await.status, 200);
    check(Some("A check came in after this judgement")).await;
    later(true).await;
    check(None).await;
    hub.stop().await;
}

#[tokio::test]
async fn a_laptop_that_waits_is_booked_before_and_after_a_plan_is_made() {
    let (hub, id) = hub_of_one().await;
    let admin = hub.grant(Role::Admin, None).await;
    let elsewhere = hub.grant_for(Role::Technician, "Elsewhere").await;
    let today = hours_ahead(&hub, &admin, 30).await;
    let day = |n: u64| today + chrono::Days::new(n);
    let bearer = format!("Authorization: Bearer {admin}");
    let plan_now = async || hub.request("GET", "/v1/rounds", &[&bearer], b"").await.json();
    let told = |plan: &serde_json::Value| {
        let visit = &plan["visits"][0];
        let text = |name: &str| visit[name].as_str().unwrap_or_default().to_owned();
        (text("device_id"), text("day"), text("why"))
    };
    let own = format!("/rounds/laptops/{id}");
    // Forms are for who has signed in.
    let (cookie, _) = super::tests::session(&hub, &admin).await;
    let seen = async |path: &str| hub.request("GET", path, &[&cookie, HTML], b"").await.body;
    // No plan yet: the judgement advises a visit.
    let page = seen(&own).await;
    assert!(page.contains("Book the visit") && !page.contains("End the booking"), "{page}");
    let book = |n: u64| format!("laptop={id}&act=book&day={}&back={own}", day(n));
    assert_eq!(post(&hub, &admin, "/rounds/book", &format!("laptop={id}&act=book")).await, 422, "which day?");
    assert_eq!(post(&hub, &admin, "/rounds/book", &book(40)).await, 422, "nobody has hours");
    assert_eq!(post(&hub, &elsewhere, "/rounds/book", &book(3)).await, 404);
    assert_eq!(post(&hub, &admin, "/rounds/book", &book(3)).await, 303);
    let page = seen(&own).await;
    assert!(page.contains("Booked for") && page.contains("End the booking"), "{page}");
    assert_eq!(post(&hub, &admin, "/rounds/book", &book(4)).await, 303, "moved before any plan");
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14").await, 303);
    assert_eq!(told(&plan_now().await), (id.clone(), day(4).to_string(), "booked".to_owned()));
    // Ended, and waiting in a plan without a day for it: booked from there, shown at once, and kept.
    assert_eq!(post(&hub, &admin, "/rounds/book", &format!("laptop={id}&act=release")).await, 303);
    let far = "currency = \"EUR\"\n[trip]\nmoney = 9000\n";
    let costs = form_urlencoded::Serializer::new(String::new()).append_pair("costs", far).finish();
    assert_eq!(post(&hub, &admin, "/rounds/costs", &costs).await, 303);
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14&fresh=yes").await, 303);
    let page = seen("/rounds").await;
    assert!(page.contains("Book the chosen laptops all the same") && page.contains(&id), "{page}");
    assert_eq!(post(&hub, &admin, "/rounds/book", &book(5)).await, 303);
    let expected = (id.clone(), day(5).to_string(), "booked".to_owned());
    let plan = plan_now().await;
    assert_eq!((told(&plan), &plan["waiting"]), (expected.clone(), &serde_json::json!([])), "{plan}");
    let sheet = get(&hub, &admin, &format!("/rounds/sheet?site=north&day={}", day(5))).await.body;
    assert!(sheet.contains(&code_of(&id)) && sheet.contains("Booked for this day"), "{sheet}");
    assert_eq!(post(&hub, &admin, "/rounds/plan", "days=14&fresh=yes").await, 303);
    assert_eq!(told(&plan_now().await), expected);
    hub.stop().await;
}

#[tokio::test]
async fn who_is_held_snoozed_or_well_is_not_booked_and_the_reason_is_told() {
    let (hub, laptops) = TestHub::of_six(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    let (id, well) = (laptops[0].device_id(), laptops[1].device_id());
    let today = hours_ahead(&hub, &admin, 30).await;
    let day = |n: u64| today + chrono::Days::new(n);
    let book = async |id: &str, n: u64| {
        let token = format!("Authorization: Bearer {admin}");
        let kind = "Content-Type: application/x-www-form-urlencoded";
        let form = format!("laptop={id}&act=book&day={}", day(n));
        let answer = hub.request("POST", "/rounds/book", &[&token, kind, HTML], form.as_bytes()).await;
        (answer.status, answer.body)
    };
    let mark = async |form: String| assert_eq!(post(&hub, &admin, "/laptops/act", &form).await, 303);
    assert_eq!(book(&well, 3).await.0, 404, "no visit of it is advised");
    mark(format!("laptop={id}&act=hold&why=recall")).await;
    let (status, said) = book(&id, 3).await;
    assert!(status == 422 && said.contains("It is held"), "{said}");
    let (cookie, _) = super::tests::session(&hub, &admin).await;
    let page = hub.request("GET", &format!("/rounds/laptops/{id}"), &[&cookie, HTML], b"").await.body;
    assert!(page.contains("Log the visit") && !page.contains("Book the visit"), "{page}");
    mark(format!("laptop={id}&act=release")).await;
    mark(format!("laptop={id}&act=snooze&until={}&why=exams", day(3))).await;
    let (status, said) = book(&id, 3).await;
    assert!(status == 422 && said.contains(&format!("book it for {} or later", day(4))), "{said}");
    assert_eq!(book(&id, 4).await.0, 303);
    hub.stop().await;
}
