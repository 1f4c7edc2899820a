//! Rounds by programs: hours, stock, plan, bookings, work sheet, calendar; and who may not.

use serde_json::{Value, json};

use super::{all_pages, get, post, post_json};
use crate::access::Role;
use crate::http::Limits;
use crate::rounds::code::code_of;
use crate::testing::TestHub;

const TWO_SITES: &str = "site,date,hours\nnorth,2026-02-02,5\nnorth,2026-02-03,4.5\nsouth,2026-02-02,8\n";
const FILE: &str = "site,date,hours\nnorth,2026-02-02,5\nnorth,2026-02-03,4.5\nnorth,2026-03-20,8\n";

#[tokio::test]
async fn rounds_are_planned_booked_and_given_as_a_work_sheet() {
    let (hub, laptops) = TestHub::of_six(Limits::default()).await;
    let (admin, technician) = (hub.grant(Role::Admin, None).await, hub.grant(Role::Technician, None).await);
    let id = laptops[0].device_id();
    assert_eq!(get(&hub, &admin, "/v1/rounds").await.problem(), "no_rounds");
    let refused = post_json(&hub, &admin, "/v1/rounds/plan", &json!({})).await;
    assert_eq!(
        (refused.problem().as_str(), &refused.json()["field"]),
        ("bad_body", &json!("from")),
        "nobody has hours"
    );
    let hours = json!({"site": "north", "from": "2026-02-02", "until": "2026-02-15", "hours": 5.0});
    assert_eq!(
        post_json(&hub, &admin, "/v1/rounds/hours", &hours).await.json(),
        json!({"n_taken": 10}),
        "working days"
    );
    let stock = json!({"part": "clean", "model": "*", "in_stock": 3, "lead_days": 9});
    assert_eq!(post_json(&hub, &admin, "/v1/rounds/stock", &stock).await.json(), json!({"n_taken": 1}));
    let planned = post_json(&hub, &admin, "/v1/rounds/plan", &json!({"days": 14})).await.json();
    assert_eq!(planned, get(&hub, &technician, "/v1/rounds").await.json());
    assert_eq!(
        (&planned["visits"][0]["device_id"], &planned["visits"][1]),
        (&json!(id), &json!(null)),
        "{planned}"
    );

    let code = code_of(&id);
    let book = json!({"act": "book", "laptops": [code], "day": "2026-02-05"});
    assert_eq!(
        post_json(&hub, &technician, "/v1/rounds/bookings", &book).await.json(),
        json!({"n_visits": 1})
    );
    let fresh = post_json(&hub, &admin, "/v1/rounds/plan", &json!({"fresh": true})).await.json();
    assert_eq!(
        (&fresh["visits"][0]["why"], &fresh["visits"][0]["day"]),
        (&json!("booked"), &json!("2026-02-05"))
    );
    let one = get(&hub, &technician, &format!("/v1/devices/{code}")).await.json();
    assert_eq!((&one["device_id"], &one["planned_visit"]["day"]), (&json!(id), &json!("2026-02-05")));

    let sheet = get(&hub, &technician, "/v1/rounds/sheet?site=north&day=2026-02-05").await.json();
    assert_eq!((&sheet["visits"][0]["code"], &sheet["bring"][0]["n"]), (&json!(code), &json!(1)), "{sheet}");
    let headings: Vec<&Value> = sheet["steps"].as_array().unwrap().iter().map(|s| &s["heading"]).collect();
    assert_eq!(headings, [&json!("first"), &json!("clean vents and fins"), &json!("last")]);
    assert!(sheet["cautions"].to_string().contains("swollen battery"));
    assert_eq!(one["steps"], sheet["steps"]);
    let nobody = get(&hub, &technician, "/v1/rounds/sheet?site=north&day=2026-02-06").await;
    assert_eq!(nobody.problem(), "no_sheet");
    let calendar = get(&hub, &technician, "/v1/rounds/calendar?starts=08:30").await;
    assert!(
        calendar.head.contains("text/calendar") && calendar.body.contains("DTSTART:20260205T083000"),
        "{calendar:?}"
    );
    assert_eq!(get(&hub, &technician, "/v1/rounds/calendar?starts=early").await.problem(), "bad_query");

    let release = json!({"act": "release", "laptops": [id]});
    assert_eq!(
        post_json(&hub, &technician, "/v1/rounds/bookings", &release).await.json(),
        json!({"n_visits": 1})
    );
    let plan = get(&hub, &admin, "/v1/rounds?site=north").await.json();
    assert_eq!(plan["visits"][0]["why"], json!("benefit"));
    assert_eq!(get(&hub, &admin, "/v1/rounds?site=south").await.json()["visits"], json!([]));
    hub.stop().await;
}

#[tokio::test]
async fn hours_and_stock_come_in_as_files_and_go_out_page_by_page() {
    let hub = TestHub::start(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    let taken = post(&hub, &admin, "/v1/rounds/hours", "text/csv", TWO_SITES.as_bytes()).await;
    assert_eq!(taken.json(), json!({"n_taken": 3}));
    let all = all_pages(&hub, &admin, "/v1/rounds/hours?limit=1", "hours").await;
    assert_eq!(all[1], json!({"site": "north", "date": "2026-02-03", "hours": 4.5}));
    assert_eq!(all.len(), 3);
    let late = get(&hub, &admin, "/v1/rounds/hours?from=2026-02-03").await.json();
    assert_eq!(late["hours"].as_array().map(Vec::len), Some(1));
    let south = hub.grant_for(Role::Technician, "south").await;
    let theirs = get(&hub, &south, "/v1/rounds/hours").await.json();
    assert_eq!(theirs["hours"], json!([{"site": "south", "date": "2026-02-02", "hours": 8.0}]));
    let file = "part,model,in_stock,lead_days\nfan,Marlow 15,2,9\nfan,*,0,14\n";
    assert_eq!(
        post(&hub, &admin, "/v1/rounds/stock", "text/csv", file.as_bytes()).await.json(),
        json!({"n_taken": 2})
    );
    let stock = all_pages(&hub, &admin, "/v1/rounds/stock?limit=1", "stock").await;
    assert_eq!(stock[1], json!({"part": "fan", "model": "Marlow 15", "in_stock": 2, "lead_days": 9}));
    for path in ["/v1/rounds/hours?after=north", "/v1/rounds/stock?after=fan", "/v1/rounds/hours?from=soon"] {
        assert_eq!(get(&hub, &admin, path).await.problem(), "bad_query", "{path}");
    }
    hub.stop().await;
}

#[tokio::test]
async fn what_cannot_be_taken_is_told_with_its_field() {
    let (hub, laptops) = TestHub::of_six(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    for (path, body, field) in [
        ("hours", json!({"site": "", "from": "2026-02-02", "hours": 5}), "site"),
        ("hours", json!({"site": "north", "from": "2026-02-02", "hours": 401}), "hours"),
        ("hours", json!({"site": "north", "from": "2026-02-02", "hours": -0.5}), "hours"),
        ("hours", json!({"site": "north", "from": "2026-02-02", "until": "2026-02-01", "hours": 5}), "until"),
        ("hours", json!({"site": "north", "from": "2026-02-02", "until": "2028-02-01", "hours": 5}), "until"),
        ("hours", json!({"site": "north", "from": "+262142-12-31", "hours": 5}), "from"),
        ("stock", json!({"part": "belt", "model": "*", "in_stock": 1, "lead_days": 1}), "part"),
        ("stock", json!({"part": "fan", "model": " ", "in_stock": 1, "lead_days": 1}), "model"),
        ("stock", json!({"part": "fan", "model": "*", "in_stock": 100_001, "lead_days": 1}), "in_stock"),
        ("plan", json!({"days": 0}), "days"),
        ("plan", json!({"days": 93}), "days"),
        ("plan", json!({"random": 101}), "random"),
        ("plan", json!({"from": "+262142-12-31"}), "from"),
        ("plan", json!({"from": "9999-12-31"}), "from"),
        ("plan", json!({"from": "2026-01-30"}), "from"),
        ("bookings", json!({"act": "book", "laptops": []}), "laptops"),
        ("bookings", json!({"act": "release", "laptops": [laptops[1].device_id()]}), "laptops"),
    ] {
        let answer = post_json(&hub, &admin, &format!("/v1/rounds/{path}"), &body).await;
        assert_eq!((answer.status, answer.problem().as_str()), (422, "bad_body"), "{body}");
        assert_eq!(answer.json()["field"], json!(field), "{body}");
    }
    let file =
        post(&hub, &admin, "/v1/rounds/hours", "text/csv", b"site,date,hours\nnorth,2026-02-30,5\n").await;
    assert!(file.json()["detail"].as_str().unwrap().contains("line 2, column 7"), "{file:?}");
    assert_eq!(
        post(&hub, &admin, "/v1/rounds/stock", "text/plain", b"").await.problem(),
        "unsupported_media_type"
    );
    post(&hub, &admin, "/v1/rounds/hours", "text/csv", FILE.as_bytes()).await;
    post_json(&hub, &admin, "/v1/rounds/plan", &json!({})).await;
    let past = json!({"act": "book", "laptops": [laptops[0].device_id()], "day": "2026-01-30"});
    assert_eq!(post_json(&hub, &admin, "/v1/rounds/bookings", &past).await.json()["field"], json!("day"));
    let unplanned = json!({"act": "book", "laptops": [laptops[1].device_id()]});
    assert_eq!(post_json(&hub, &admin, "/v1/rounds/bookings", &unplanned).await.problem(), "no_such_visit");
    let elsewhere = hub.grant_for(Role::Technician, "elsewhere").await;
    let theirs = json!({"act": "book", "laptops": [laptops[0].device_id()]});
    assert_eq!(post_json(&hub, &elsewhere, "/v1/rounds/bookings", &theirs).await.problem(), "no_such_laptop");
    hub.stop().await;
}

#[tokio::test]
async fn a_booking_past_the_plan_is_listed_and_can_be_ended() {
    let (hub, laptops) = TestHub::of_six(Limits::default()).await;
    let (admin, technician) = (hub.grant(Role::Admin, None).await, hub.grant(Role::Technician, None).await);
    let id = laptops[0].device_id();
    post(&hub, &admin, "/v1/rounds/hours", "text/csv", FILE.as_bytes()).await;
    post_json(&hub, &admin, "/v1/rounds/plan", &json!({"days": 7})).await;
    let book = json!({"act": "book", "laptops": [id], "day": "2026-03-20"});
    assert_eq!(post_json(&hub, &technician, "/v1/rounds/bookings", &book).await.status, 200);
    let plan = post_json(&hub, &admin, "/v1/rounds/plan", &json!({"days": 7})).await.json();
    let outside = &plan["visits"][0];
    assert_eq!((&outside["device_id"], &outside["day"]), (&json!(id), &json!("2026-03-20")), "{plan}");
    assert_eq!((&outside["why"], plan["visits"].as_array().unwrap().len()), (&json!("booked"), 1), "{plan}");
    let sheet = get(&hub, &technician, "/v1/rounds/sheet?site=north&day=2026-03-20").await.json();
    assert_eq!(sheet["visits"][0]["device_id"], json!(id), "{sheet}");
    let elsewhere = hub.grant_for(Role::Technician, "elsewhere").await;
    let theirs = get(&hub, &elsewhere, "/v1/rounds").await.json();
    assert_eq!(theirs["visits"], json!([]));
    let bearer = format!("Authorization: Bearer {technician}");
    let page = hub.request("GET", "/rounds", &[&bearer, "Accept: text/html"], b"").await.body;
    assert!(
        page.contains("1 visit is booked for days before or after these") && page.contains("20 Mar 2026"),
        "{page}"
    );
    let release = json!({"act": "release", "laptops": [id]});
    let released = post_json(&hub, &technician, "/v1/rounds/bookings", &release).await;
    assert_eq!(released.json(), json!({"n_visits": 1}), "{released:?}");
    let listed = get(&hub, &admin, "/v1/rounds").await.json();
    assert_eq!(listed["visits"], json!([]));
    let plan = post_json(&hub, &admin, "/v1/rounds/plan", &json!({"days": 7})).await.json();
    assert_eq!(plan["visits"][0]["why"], json!("benefit"), "{plan}");
    hub.stop().await;
}

#[tokio::test]
async fn costs_and_days_off_are_set_as_a_file_and_count_from_then_on() {
    let (hub, _) = TestHub::of_six(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    let before = get(&hub, &admin, "/v1/rounds/costs").await.json();
    assert_eq!(
        (&before["source"], &before["values"]["minutes.clean"]),
        (&json!("defaults"), &json!(22.0)),
        "{before}"
    );
    post(&hub, &admin, "/v1/rounds/hours", "text/csv", FILE.as_bytes()).await;
    let plan = post_json(&hub, &admin, "/v1/rounds/plan", &json!({})).await.json();
    assert_eq!((&plan["visits"][0]["day"], &plan["currency"]), (&json!("2026-02-02"), &json!("EUR")));

    let file = "currency = \"crowns\"\ndays_off = [2026-02-02]\n[minutes]\nclean = 24\n";
    let set = post(&hub, &admin, "/v1/rounds/costs", "application/toml", file.as_bytes()).await;
    assert_eq!(set.status, 200, "{set:?}");
    let now = get(&hub, &admin, "/v1/rounds/costs").await.json();
    assert_eq!(set.json(), now);
    assert_eq!(
        (&now["source"], &now["values"]["minutes.clean"], &now["days_off"]),
        (&json!("set"), &json!(24.0), &json!(["2026-02-02"]))
    );
    assert_ne!(now["version"], before["version"]);
    let plan = post_json(&hub, &admin, "/v1/rounds/plan", &json!({"fresh": true})).await.json();
    assert_eq!(
        (&plan["visits"][0]["day"], &plan["currency"]),
        (&json!("2026-02-03"), &json!("crowns")),
        "{plan}"
    );
    // Twice in the same millisecond: the later one counts.
    post(&hub, &admin, "/v1/rounds/costs", "text/plain", b"").await;
    assert_eq!(get(&hub, &admin, "/v1/rounds/costs").await.json()["version"], before["version"]);

    let bad = post(&hub, &admin, "/v1/rounds/costs", "application/toml", b"outage = -1\nclaen = 3\n").await;
    assert_eq!((bad.problem().as_str(), &bad.json()["field"]), ("bad_body", &json!("costs")));
    let detail = bad.json()["detail"].as_str().unwrap().to_owned();
    assert!(detail.contains("line 1") && detail.contains("line 2"), "{detail}");
    assert_eq!(
        post_json(&hub, &admin, "/v1/rounds/costs", &json!({})).await.problem(),
        "unsupported_media_type"
    );
    hub.stop().await;
}

#[tokio::test]
async fn only_who_may_changes_the_rounds() {
    let hub = TestHub::start(Limits::default()).await;
    let technician = hub.grant(Role::Technician, None).await;
    let auditor = hub.grant(Role::Auditor, None).await;
    for path in ["hours", "stock", "plan", "costs"] {
        let path = format!("/v1/rounds/{path}");
        for token in [&technician, &auditor] {
            assert_eq!(post_json(&hub, token, &path, &json!({})).await.problem(), "role_forbids", "{path}");
        }
    }
    assert_eq!(post_json(&hub, &auditor, "/v1/rounds/bookings", &json!({})).await.problem(), "role_forbids");
    hub.stop().await;
}
