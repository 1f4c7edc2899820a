use std::collections::BTreeSet;

use serde_json::Value;

use super::*;
use crate::http::Limits;
use crate::testing::TestHub;

fn routes() -> BTreeSet<(String, String)> {
    let of_programs = ROUTES.iter().filter(|(_, path, _)| is_for_programs(path));
    of_programs.map(|(method, path, _)| ((*method).to_owned(), (*path).to_owned())).collect()
}

#[test]
fn the_document_has_every_route_for_programs_and_no_other() {
    let document = document();
    let mut told = BTreeSet::new();
    for (path, item) in document["paths"].as_object().unwrap() {
        for method in item.as_object().unwrap().keys() {
            told.insert((method.to_ascii_uppercase(), path.clone()));
        }
    }
    assert_eq!(told, routes());
    // A description without a route isn't told; it must not be there at all.
    let described: BTreeSet<_> =
        operations().iter().map(|o| (o.route().0.to_owned(), o.route().1.to_owned())).collect();
    assert_eq!(described, routes());
    assert_eq!(operations().len(), described.len(), "a route is described twice");
}

#[test]
fn every_reference_leads_to_a_schema() {
    fn references(value: &Value, found: &mut BTreeSet<String>) {
        match value {
            Value::Object(object) => {
                if let Some(Value::String(target)) = object.get("$ref") {
                    found.insert(target.clone());
                }
                object.values().for_each(|v| references(v, found));
            }
            Value::Array(items) => items.iter().for_each(|v| references(v, found)),
            _ => {}
        }
    }
    let document = document();
    let mut found = BTreeSet::new();
    references(&document, &mut found);
    assert!(found.len() > 5, "{found:?}");
    for target in found {
        let pointer = target.strip_prefix('#').unwrap();
        assert!(document.pointer(pointer).is_some(), "{target}");
    }
}

#[test]
fn places_of_a_path_are_described_and_answers_told() {
    let document = document();
    for (path, item) in document["paths"].as_object().unwrap() {
        for operation in item.as_object().unwrap().values() {
            let named = operation["parameters"].as_array().into_iter().flatten();
            let named: BTreeSet<_> =
                named.filter(|p| p["in"] == "path").map(|p| p["name"].as_str()).collect();
            let in_path = path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'));
            assert_eq!(named, in_path.map(Some).collect(), "{path}");
            let answers = operation["responses"].as_object().unwrap();
            assert!(answers.keys().any(|status| status.starts_with('2')), "{path}");
            assert!(answers.contains_key("500"), "{path}");
        }
    }
}

#[test]
fn what_needs_a_grant_says_so() {
    let document = document();
    let head = &document["paths"]["/v1/ledger/head"]["get"];
    assert_eq!(head["security"], json!([{"token": []}]));
    for status in ["401", "403", "429", "503"] {
        assert!(head["responses"][status].is_object(), "{status}");
    }
    assert_eq!(document["paths"]["/healthz"]["get"]["security"], json!([]));
}

#[tokio::test]
async fn it_is_served() {
    let hub = TestHub::start(Limits::default()).await;
    let answer = hub.get("/openapi.json").await;
    assert_eq!((answer.status, answer.json()), (200, document()));
    hub.stop().await;
}
