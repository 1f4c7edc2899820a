//! The OpenAPI document, put together from the list of routes, the wire types and what each room says of its routes.
//!
//! Who may call a route, and the answers that the layers around every handler give, come from [`super::ROUTES`] and not
//! from a second list. A route for programs that no room describes, or a description without a route, fails a test.

mod operation;
mod schemas;
#[cfg(test)]
mod tests;

use std::sync::LazyLock;

use axum::http::header;
use axum::response::IntoResponse;
use serde_json::{Map, Value, json};

pub(super) use operation::Operation;
use schemas::Schemas;

use super::{Authority, ROUTES, api, devices, exports, ledger, metrics, records, references};
use crate::access::{Role, Roles};
use crate::notices::post;

/// Name of the way to say who one is, as the document calls it.
const TOKEN: &str = "token";
/// Name of the way in which a laptop says who it is.
const DEVICE: &str = "device";

/// What the rooms say of their routes. A new room adds its line here.
fn operations() -> Vec<Operation> {
    [
        own(),
        devices::operations(),
        records::operations(),
        ledger::operations(),
        exports::operations(),
        metrics::operations(),
        references::operations(),
        api::operations(),
    ]
    .concat()
}

/// The routes that have no room of their own.
fn own() -> Vec<Operation> {
    let text = |text| json!({"type": "string", "const": text});
    let document = json!({"type": "object"});
    vec![
        Operation::new("GET", "/healthz", "Whether the process is alive").answer_as(
            200,
            "it is, however busy",
            "text/plain",
            text("ok\n"),
        ),
        Operation::new("GET", "/readyz", "Whether a write would succeed now").answer_as(
            200,
            "it would",
            "text/plain",
            text("ready\n"),
        ),
        Operation::new("GET", "/openapi.json", "This document").answer_as(
            200,
            "OpenAPI 3.1",
            "application/json",
            document.clone(),
        ),
        Operation::new("GET", "/v1/record-schema", "JSON Schema of the record").answer_as(
            200,
            "draft 2020-12",
            "application/schema+json",
            document,
        ),
    ]
}

#[cfg(test)]
/// Whether a route is for programs: pages and what belongs to them are not in the document.
fn is_for_programs(path: &str) -> bool {
    path.starts_with("/v1/") || ["/healthz", "/readyz", "/metrics", "/openapi.json"].contains(&path)
}

/// Names of an authority's roles.
fn role_names(roles: Roles) -> String {
    let names: Vec<&str> = Role::ALL.into_iter().filter(|r| roles.contains(*r)).map(Role::name).collect();
    names.join(", ")
}

/// What the hub posts itself, to those whom its administrator listed.
fn notice_told(notice: &Value) -> Value {
    let header = |name: &str, what: &str| json!({"name": name, "in": "header", "required": true, "description": what, "schema": {"type": "string"}});
    json!({"post": {
        "summary": "Bands of laptops changed",
        "description": "docs/notices.md tells how it is signed, tried again and given up",
        "security": [],
        "parameters": [
            header(post::ID_HEADER, "the notice's id; the same at every try"),
            header(post::TIME_HEADER, "when it was posted, seconds since the Unix epoch"),
            header(post::SIGNATURE_HEADER, "`v1=` and HMAC-SHA256 over time, full stop and body, hexadecimal"),
        ],
        "requestBody": {"required": true, "content": {"application/json": {"schema": notice}}},
        "responses": {"2XX": {"description": "taken"}},
    }})
}

/// The document.
pub(super) fn document() -> Value {
    let mut schemas = Schemas::default();
    let mut paths = Map::new();
    for operation in operations() {
        let listed = ROUTES.iter().find(|(m, p, _)| (*m, *p) == operation.route());
        let Some((_, _, authority)) = listed else { continue };
        let (method, path) = operation.route();
        let item = paths.entry(path).or_insert_with(|| json!({}));
        item[method.to_ascii_lowercase()] = operation.told(*authority, &mut schemas);
    }
    let notice = schemas.answered::<crate::notices::document::Notice>();
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Windrow hub",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "Collects laptop cooling checks and ranks the fleet by who needs service. \
                Errors are RFC 9457 problem documents; programs may branch on the code that ends their `type`.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "paths": paths,
        "webhooks": {"bandChanges": notice_told(&notice)},
        "components": {
            "schemas": schemas.finish(),
            "securitySchemes": {TOKEN: {
                "type": "http",
                "scheme": "bearer",
                "description": "a token from `windrow-hub grant`",
            }, DEVICE: {
                "type": "apiKey",
                "in": "header",
                "name": "Authorization",
                "description": "`Windrow-Device id=\"…\", at=\"…\", signature=\"…\"`: signed by the laptop's key",
            }},
        },
    })
}

/// What the document says of an authority: in words, and the way to say who one is.
fn told_authority(authority: Authority) -> (String, Value) {
    match authority {
        Authority::Anybody => ("Anybody may.".to_owned(), json!([])),
        Authority::Invite => ("Whoever holds an invite, by the body's own proof.".to_owned(), json!([])),
        Authority::DeviceSignature => {
            ("An enrolled laptop, by each record's own signature.".to_owned(), json!([]))
        }
        Authority::Token => ("Whoever holds a token, by the form's own field.".to_owned(), json!([])),
        Authority::People(roles) | Authority::Page(roles) | Authority::Upload(roles) => {
            (format!("With a grant of the role {}.", role_names(roles)), json!([{TOKEN: []}]))
        }
        Authority::DeviceOrPeople(roles) => (
            format!(
                "An enrolled laptop by its signed request, or with a grant of the role {}.",
                role_names(roles)
            ),
            json!([{TOKEN: []}, {DEVICE: []}]),
        ),
    }
}

/// `GET /openapi.json`.
pub(super) async fn serve() -> impl IntoResponse {
    static TEXT: LazyLock<String> = LazyLock::new(|| format!("{:#}\n", document()));
    ([(header::CONTENT_TYPE, "application/json")], TEXT.as_str())
}
