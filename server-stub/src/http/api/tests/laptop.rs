//! One laptop: its runs, curves, peers, and its record as it was received.

use serde_json::{Value, json};
use windrow_model::emulate::RunPlan;
use windrow_model::record::ReceivedRecord;

use super::{all_pages, get, post_json};
use crate::access::Role;
use crate::http::Limits;
use crate::testing::{START_MS, TestHub};

const DAY_MS: i64 = 86_400_000;

#[tokio::test]
async fn a_laptop_tells_what_its_page_does() {
    let (hub, laptops) = TestHub::of_six(Limits::default()).await;
    let technician = hub.grant(Role::Technician, None).await;
    let id = laptops[0].device_id();
    let one = get(&hub, &technician, &format!("/v1/devices/{id}")).await.json();
    assert_eq!((&one["advised"], &one["n_fitted_runs"]), (&json!(["clean"]), &json!(1)), "{one}");
    assert!(!one["because"].as_array().unwrap().is_empty(), "{one}");
    let band = one["judged"]["band"].clone();
    assert_eq!(one["history"].as_array().unwrap().len(), 1);
    let airflow = &one["history"][0]["airflow"];
    let number = |name: &str| airflow[name].as_f64().unwrap();
    assert!(
        number("low") < number("mid") && number("mid") < number("high") && number("p_past_limit") > 0.5,
        "{airflow}"
    );
    hub.clock.set(START_MS + 60_000);
    hub.refresh().await;
    let one = get(&hub, &technician, &format!("/v1/devices/{id}")).await.json();
    assert_eq!(one["is_behind"], json!(false), "{one}");
    let visit = json!({"laptop": id, "visited_on": "2026-01-31", "actions": ["clean"], "minutes": 30});
    assert_eq!(post_json(&hub, &technician, "/v1/visits", &visit).await.status, 201);
    let one = get(&hub, &technician, &format!("/v1/devices/{id}")).await.json();
    assert_eq!(one["services"], json!([{"on": "2026-01-31", "actions": ["clean"]}]));
    assert_eq!((&one["is_behind"], &one["judged"]["band"]), (&json!(true), &band), "{one}");
    hub.stop().await;
}

#[tokio::test]
async fn a_run_has_its_curves_its_phases_and_the_band_of_its_peers() {
    let (hub, laptops) = TestHub::of_six(Limits::default()).await;
    let auditor = hub.grant(Role::Auditor, None).await;
    let address = format!("/v1/devices/{}/runs", laptops[0].device_id());
    let list = get(&hub, &auditor, &address).await.json();
    let digest = list["runs"][0]["digest"].as_str().unwrap();
    let run = get(&hub, &auditor, &format!("{address}/{digest}")).await.json();
    assert_eq!(run["digest"], json!(digest));
    let n_samples = run["time_s"].as_array().unwrap().len();
    for channel in ["cpu_temp_c", "package_power_w", "fan1_rpm"] {
        assert_eq!(run["channels"][channel].as_array().map(Vec::len), Some(n_samples), "{channel}");
    }
    let phases: Vec<&Value> = run["phases"].as_array().unwrap().iter().map(|p| &p["phase"]).collect();
    assert_eq!(phases, [&json!("settle"), &json!("load"), &json!("recovery")]);
    assert_eq!(run["peers"]["n_laptops"], json!(6));
    let band = &run["peers"]["channels"]["cpu_temp_c"];
    assert_eq!(band["low"].as_array().map(Vec::len), run["peers"]["from_load_s"].as_array().map(Vec::len));
    assert!(run["verdict"]["headline"].is_string() && run["figures"].as_array().unwrap().len() > 5);
    assert_eq!((&run["vendor"], &run["firmware"]), (&json!("Halden"), &json!("1.07")));

    let other = laptops[1].device_id();
    for path in [format!("/v1/devices/{other}/runs/{digest}"), format!("{address}/none")] {
        assert_eq!(get(&hub, &auditor, &path).await.problem(), "no_such_run", "{path}");
    }
    let elsewhere = hub.grant_for(Role::Auditor, "elsewhere").await;
    for path in [
        address.clone(),
        format!("{address}/{digest}"),
        address.replace("/runs", &format!("/records/{digest}")),
    ] {
        assert_eq!(get(&hub, &elsewhere, &path).await.problem(), "no_such_laptop", "{path}");
    }
    hub.stop().await;
}

#[tokio::test]
async fn runs_are_paged_from_the_latest_on() {
    let (hub, mut laptops) = TestHub::of_six(Limits::default()).await;
    let auditor = hub.grant(Role::Auditor, None).await;
    let mut sent = Vec::new();
    for days in 1..=4 {
        hub.clock.set(START_MS + days * DAY_MS);
        let plan = RunPlan { seed: days as u64, ..RunPlan::default() };
        // Two of them at the same second.
        let record =
            laptops[2].whole_check("Marlow 15", &plan, &format!("2026-02-0{}T08:00:00Z", (days + 1) / 2));
        assert_eq!(hub.post_record(&record.bytes).await.status, 200);
        sent.push(json!(record.digest.to_hex()));
    }
    let address = format!("/v1/devices/{}/runs", laptops[2].device_id());
    let all = all_pages(&hub, &auditor, &format!("{address}?limit=2"), "runs").await;
    let digests: Vec<&Value> = all.iter().map(|run| &run["digest"]).take(4).collect();
    assert_eq!(digests, sent.iter().rev().collect::<Vec<_>>());
    assert_eq!(all.len(), 5);
    let others = get(&hub, &auditor, &format!("/v1/devices/{}/runs", laptops[3].device_id())).await.json();
    let other = others["runs"][0]["digest"].as_str().unwrap();
    for after in [other, "none"] {
        assert_eq!(get(&hub, &auditor, &format!("{address}?after={after}")).await.problem(), "bad_query");
    }
    hub.stop().await;
}

#[tokio::test]
async fn a_record_is_given_back_as_it_was_received() {
    let hub = TestHub::start(Limits::default()).await;
    let mut laptop = hub.joined(1).await;
    let record = laptop.check();
    assert_eq!(hub.post_record(&record.bytes).await.status, 200);
    let auditor = hub.grant(Role::Auditor, None).await;
    let address = format!("/v1/devices/{}/records", laptop.device_id());
    let given = get(&hub, &auditor, &format!("{address}/{}", record.digest.to_hex())).await;
    assert_eq!(given.status, 200, "{}", given.body);
    // The agent sends it in canonical form already, the two parts in their order.
    assert_eq!(given.body.as_bytes(), record.bytes.trim_ascii_end(), "not a byte is another");
    let again = ReceivedRecord::parse(given.body.as_bytes()).unwrap();
    assert!(again.verify(&laptop.identity.public_key()).is_ok());
    assert_eq!(
        get(&hub, &auditor, &format!("{address}/{}", "0".repeat(64))).await.problem(),
        "no_such_record"
    );
    hub.stop().await;
}
