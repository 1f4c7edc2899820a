//! Models: how their laptops spread, their firmware and months.

use serde_json::json;

use super::get;
use crate::access::Role;
use crate::http::Limits;
use crate::testing::TestHub;

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
