//! Models: how their laptops spread, their firmware and months.

use serde_json::json;

use super::get;
use crate::access::Role;
use crate::http::Limits;
use crate::store::Store;
use crate::store::sql::SqlStore;
use crate::testing::{START_MS, TestHub, measured_in_two_ways};

#[tokio::test]
async fn a_model_tells_what_its_page_does() {
    let (hub, laptops) = TestHub::of_six(Limits::default()).await;
    let auditor = hub.grant(Role::Auditor, None).await;
    let list = get(&hub, &auditor, "/v1/models").await.json();
    let [model] = list["models"].as_array().unwrap().as_slice() else { panic!("{list}") };
    assert_eq!((&model["n_laptops"], &model["n_due"]), (&json!(6), &json!(1)), "{model}");
    assert_eq!(
        (&model["airflow_fraction"]["n_laptops"], &model["airflow_fraction"]["n_past_limit"]),
        (&json!(6), &json!(1))
    );
    let kind = &model["kinds"][0];
    assert_eq!((&kind["n_laptops"], &kind["provenance"]), (&json!(6), &json!("emulated")));
    assert_eq!(kind["fit_has_converged"], json!(true));
    let reference = kind["reference"]["address"].as_str().unwrap();
    assert_eq!(get(&hub, &auditor, reference).await.json()["model_id"], kind["model_id"]);

    let id = model["id"].as_str().unwrap();
    let one = get(&hub, &auditor, &format!("/v1/models/{id}")).await.json();
    assert_eq!(get(&hub, &auditor, &reference.replace("/reference", "")).await.json(), one, "by either id");
    assert_eq!(one["n_runs_read"], json!(6));
    assert_eq!(
        (&one["firmwares"][0]["version"], &one["firmwares"][0]["n_laptops"]),
        (&json!("1.07"), &json!(6))
    );
    assert_eq!((&one["months"][0]["month"], &one["months"][0]["n_runs"]), (&json!("2026-01"), &json!(6)));
    assert_eq!(one["weakest"][0]["device_id"], json!(laptops[0].device_id()));
    // The page shows the same medians.
    let page = hub
        .request("GET", &format!("/models/{id}"), &[&format!("Authorization: Bearer {auditor}")], b"")
        .await;
    let rpm = one["months"][0]["fan_max_rpm"].as_f64().unwrap();
    assert!(page.body.contains(&format!(">{rpm:.0}<")), "{rpm}: {}", page.body);

    hub.unsettle_fits().await;
    let told = get(&hub, &auditor, &format!("/v1/models/{id}")).await.json();
    assert_eq!(told["kinds"][0]["fit_has_converged"], json!(false), "{told}");
    let page = hub
        .request("GET", &format!("/models/{id}"), &[&format!("Authorization: Bearer {auditor}")], b"")
        .await;
    assert!(page.body.contains("the fit of its runs came to no optimum"), "{}", page.body);

    let elsewhere = hub.grant_for(Role::Technician, "elsewhere").await;
    assert_eq!(get(&hub, &elsewhere, &format!("/v1/models/{id}")).await.json()["weakest"], json!([]));
    assert_eq!(get(&hub, &auditor, "/v1/models/none").await.problem(), "no_such_model");
    assert_eq!(get(&hub, &auditor, "/v1/models?after=zzz").await.json()["models"], json!([]));
    hub.stop().await;
}

#[tokio::test]
async fn a_model_whose_laptops_are_measured_in_two_ways_tells_of_each() {
    let folder = tempfile::TempDir::new().unwrap();
    let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
    store.run_import_batch(measured_in_two_ways()).await.unwrap();
    let hub = TestHub::over(store, Limits::default()).await;
    hub.clock.set(START_MS + 31 * 86_400_000);
    hub.refresh().await;
    let auditor = hub.grant(Role::Auditor, None).await;
    let model = get(&hub, &auditor, "/v1/models").await.json()["models"][0].clone();
    assert_eq!((&model["n_laptops"], &model["airflow_fraction"]["n_laptops"]), (&json!(12), &json!(12)));
    let kinds = model["kinds"].as_array().unwrap();
    assert_eq!(kinds.len(), 2, "{model}");
    for (kind, has_power) in kinds.iter().zip([true, false]) {
        let measured = json!({"has_power": has_power, "has_fan_speed": true, "by_work_rate": false});
        assert_eq!((&kind["measured"], &kind["n_laptops"]), (&measured, &json!(6)), "{kind}");
        assert_eq!((&kind["reference"]["laptops"], &kind["reference"]["runs"]), (&json!(6), &json!(12)));
        assert_eq!(kind["fit_has_converged"], json!(true));
    }
    let reference = get(&hub, &auditor, kinds[0]["reference"]["address"].as_str().unwrap()).await.json();
    assert_eq!((&reference["laptops"], &reference["measured"]["has_power"]), (&json!(6), &json!(true)));
    let other = &reference["others"][0];
    assert_eq!((&other["laptops"], &other["measured"]["has_power"]), (&json!(6), &json!(false)));
    assert!(other["peers"]["airflow_fraction"].is_object(), "{other}");
    let id = model["id"].as_str().unwrap();
    let authorization = format!("Authorization: Bearer {auditor}");
    let page = hub.request("GET", &format!("/models/{id}"), &[&authorization], b"").await;
    for how in ["with power and fan speed", "without power"] {
        let told = format!("measured {how}; their reference rests on 6 laptops and 12 runs");
        assert!(page.body.contains(&told), "{told}: {}", page.body);
    }
    hub.stop().await;
}
