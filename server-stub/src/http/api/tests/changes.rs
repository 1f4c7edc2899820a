//! What changed since last week, and the coverage.

use serde_json::{Value, json};
use windrow_model::emulate::{Faults, RunPlan};

use super::{all_pages, get, post, post_json};
use crate::access::Role;
use crate::http::Limits;
use crate::testing::{START_MS, TestHub};

const DAY_MS: i64 = 86_400_000;

#[tokio::test]
async fn a_laptop_that_clogs_within_the_week_is_newly_due_and_nobody_else() {
    let (hub, mut laptops) = TestHub::of_six(Limits::default()).await;
    let auditor = hub.grant(Role::Auditor, None).await;
    let young = get(&hub, &auditor, "/v1/changes").await.json();
    assert_eq!((&young["has_past"], &young["laptops"]), (&json!(false), &json!([])), "{young}");

    let clogged = Faults { airflow: 0.2, ..Faults::NONE };
    for days in [8, 9] {
        hub.clock.set(START_MS + days * DAY_MS);
        let plan = RunPlan { faults: clogged, seed: days as u64, ..RunPlan::default() };
        let record =
            laptops[1].whole_check("Marlow 15", &plan, &format!("2026-02-{:02}T08:00:00Z", days - 1));
        assert_eq!(hub.post_record(&record.bytes).await.status, 200);
    }
    let technician = hub.grant(Role::Technician, None).await;
    let visit = json!({"laptop": laptops[0].device_id(), "actions": ["clean"]});
    assert_eq!(post_json(&hub, &technician, "/v1/visits", &visit).await.status, 201);
    hub.refresh().await;
    let changes = get(&hub, &auditor, "/v1/changes?limit=1").await.json();
    assert_eq!(changes["since"], json!("2026-02-02T08:00:00Z"));
    assert_eq!(
        [&changes["n_checked"], &changes["n_first_checked"], &changes["n_visits"], &changes["n_newly_due"]],
        [&json!(1), &json!(0), &json!(1), &json!(1)],
        "{changes}"
    );
    let moved = all_pages(&hub, &auditor, "/v1/changes?limit=1", "laptops").await;
    let newly: Vec<&Value> =
        moved.iter().filter(|l| l["device_id"] == json!(laptops[1].device_id())).collect();
    assert_eq!(newly.len(), 1, "{moved:?}");
    assert_eq!(newly[0]["from"], json!("no_visit"));
    // The page says the same.
    let page = hub
        .request("GET", "/", &[&format!("Authorization: Bearer {auditor}"), "Accept: text/html"], b"")
        .await;
    assert!(page.body.contains("Newly due</dt><dd><b>1</b>"), "{}", page.body);

    let elsewhere = hub.grant_for(Role::Auditor, "elsewhere").await;
    let theirs = get(&hub, &elsewhere, "/v1/changes?site=north").await.json();
    assert_eq!(
        (&theirs["n_checked"], &theirs["laptops"]),
        (&json!(0), &json!([])),
        "a grant's site comes before the question's"
    );
    assert_eq!(get(&hub, &auditor, "/v1/changes?after=nobody").await.problem(), "bad_query");
    hub.stop().await;
}

#[tokio::test]
async fn the_coverage_counts_with_reasons_and_pages_through_its_lines() {
    let (hub, laptops) = TestHub::of_six(Limits::default()).await;
    let admin = hub.grant(Role::Admin, None).await;
    let list = "tag,site,excluded,why\nT-1,north,,\nT-2,south,,\nT-3,north,yes,lent out\n";
    assert_eq!(post(&hub, &admin, "/v1/scope", "text/csv", list.as_bytes()).await.status, 200);
    let assign = json!({"act": "assign", "tag": "T-1", "laptop": laptops[2].device_id()});
    assert_eq!(post_json(&hub, &admin, "/v1/scope", &assign).await.status, 200);
    hub.refresh().await;
    let all = get(&hub, &admin, "/v1/coverage").await.json();
    assert_eq!((&all["n_due"], &all["checked_share"]), (&json!(2), &json!(0.5)));
    assert_eq!(all["counts"]["not_checked"], json!({"not_joined": 1}));
    assert_eq!((&all["counts"]["n_not_in_list"], &all["n_fitting"]), (&json!(5), &json!(8)));
    let paged = all_pages(&hub, &admin, "/v1/coverage?limit=3", "lines").await;
    assert_eq!(Some(&paged), all["lines"].as_array());
    let held = get(&hub, &admin, "/v1/coverage?state=excluded").await.json();
    assert_eq!((&held["lines"][0]["tag"], &held["lines"][0]["why"]), (&json!("T-3"), &json!("lent out")));
    assert_eq!(held["n_fitting"], json!(1));
    let south = hub.grant_for(Role::Technician, "south").await;
    let theirs = get(&hub, &south, "/v1/coverage").await.json();
    assert_eq!(
        (&theirs["n_fitting"], &theirs["lines"][0]["not_checked_why"]),
        (&json!(1), &json!("not_joined"))
    );
    for path in ["/v1/coverage?after=T-1", "/v1/coverage?state=fine", "/v1/coverage?limit=0"] {
        assert_eq!(get(&hub, &admin, path).await.problem(), "bad_query", "{path}");
    }
    hub.stop().await;
}
