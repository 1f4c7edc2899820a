//! `GET /v1/exports/{kind}`: a table as the fleet stands, or the whole audit export, streamed.

use std::fs::File;
use std::io;
use std::path::Path as FilePath;
use std::sync::Arc;

use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, Utc};
use schemars::JsonSchema;
use serde::Deserialize;
use tokio::sync::OwnedSemaphorePermit;

use super::openapi::Operation;
use super::{Hub, Problem, RETRY_AFTER_S, download, streaming};
use crate::access::Viewer;
use crate::export::bundle::{self, Parts};
use crate::export::format::Format;
use crate::export::gather::{self, Judged, LedgerError, Reading};
use crate::export::sink::Sink;
use crate::export::tables::{CoverageTable, FleetTable, RunsTable, VisitLine, VisitsTable, Which};
use crate::http::asked::{BAD_QUERY, Path, Query, bad_query};
use crate::pages::fill::Shown;
use crate::scoring::Standing;
use crate::store::{Store, StoreError};

/// The whole export, as `windrow-hub export` makes it.
pub(super) const AUDIT: &str = "audit";

/// What may be asked of an export.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Of a table; CSV where it isn't given.
    #[serde(default)]
    format: Option<Format>,
    /// Of the audit export: the records themselves too.
    #[serde(default)]
    with_records: Option<bool>,
}

/// What the document says of this route.
pub(super) fn operations() -> Vec<Operation> {
    let words = || serde_json::json!({"type": "string"});
    let rows = serde_json::json!({"type": "array", "items": {"type": "object"}});
    let export = Operation::new("GET", "/v1/exports/{kind}", "A table, or the sealed audit export (a zip)")
        .question::<Asked>()
        .answer_as(200, "as it was last judged", "text/csv", words())
        .answer_as(200, "as it was last judged", Format::Xlsx.media_type(), words())
        .answer_as(200, "as it was last judged", "application/json", rows)
        .answer_as(200, "as it was last judged", "application/x-ndjson", words())
        .answer_as(200, "as it was last judged", "application/zip", words())
        .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
        .problem(StatusCode::NOT_FOUND, "not_found")
        .problem(StatusCode::FORBIDDEN, "one_site_only")
        .problem(StatusCode::SERVICE_UNAVAILABLE, "not_judged_yet")
        .problem(StatusCode::SERVICE_UNAVAILABLE, "no_head_key");
    vec![export]
}

pub(super) async fn serve<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    Path(kind): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    if viewer.site.is_some() {
        let detail = "an export is of the whole fleet; this grant is for one site";
        return Err(Problem::new(StatusCode::FORBIDDEN, "one_site_only", "not allowed", detail));
    }
    let which = Which::from_name(&kind);
    if which.is_none() && kind != AUDIT {
        let names: Vec<&str> = Which::ALL.into_iter().map(Which::name).collect();
        let detail = format!("there is no export `{kind}`; there are {}, {AUDIT}", names.join(", "));
        return Err(Problem::new(StatusCode::NOT_FOUND, "not_found", "no such export", detail));
    }
    let needs_judging = which.is_none_or(Which::is_judged);
    let shown = if needs_judging { Some(super::judged(&hub)?) } else { hub.showroom.now() };
    let place = hub.exporting.clone().try_acquire_owned();
    let place = place.map_err(|_| Problem::overloaded(RETRY_AFTER_S))?;
    if let Some(which) = which {
        if asked.with_records.is_some() {
            return Err(bad_query(format!("`with_records` is of `{AUDIT}`")).about("with_records"));
        }
        let format = asked.format.unwrap_or_default();
        return match shown {
            Some(shown) if which.is_judged() => Ok(judged_table(which, format, shown, place)),
            shown => stored_table(&hub, which, format, shown.as_deref().map(as_of), place).await,
        };
    }
    if asked.format.is_some() {
        return Err(bad_query(format!("`{AUDIT}` is a zip with every form")).about("format"));
    }
    let shown = shown.map_or_else(|| super::judged(&hub), Ok)?;
    audit(&hub, asked.with_records.unwrap_or_default(), shown, place).await
}

/// A table of a judgement.
fn judged_table(which: Which, format: Format, shown: Arc<Shown>, place: OwnedSemaphorePermit) -> Response {
    let as_of = as_of(&shown);
    let body = streaming::body(place, move |out| {
        if which == Which::Fleet {
            format.write(&FleetTable::new(&shown.standings, &shown.coverage), as_of, out)
        } else {
            format.write(&CoverageTable::new(&shown.coverage), as_of, out)
        }
    });
    named(which, format, as_of, body)
}

/// A table of what is stored, as it was when the fleet was last judged; without a judgement, as it is now.
async fn stored_table<S: Store>(
    hub: &Hub<S>,
    which: Which,
    format: Format,
    judged_at: Option<DateTime<Utc>>,
    place: OwnedSemaphorePermit,
) -> Result<Response, Problem> {
    let as_of = judged_at.unwrap_or_else(|| hub.clock.now());
    let as_of_ms = as_of.timestamp_millis();
    let body = match which {
        Which::Fleet | Which::Coverage => return Err(super::not_judged_yet(hub)),
        Which::Runs => {
            let tree_size = gather::tree_size(&hub.store, hub.clock.now_ms()).await.map_err(problem)?;
            let source = Reading::new(hub.store.clone());
            streaming::body(place, move |out| {
                format.write(&RunsTable::new(&source, tree_size, as_of_ms), as_of, out)
            })
        }
        Which::Visits => {
            let visits = visits(hub, as_of_ms).await?;
            streaming::body(place, move |out| format.write(&VisitsTable::new(&visits), as_of, out))
        }
    };
    Ok(named(which, format, as_of, body))
}

fn named(which: Which, format: Format, as_of: DateTime<Utc>, body: Body) -> Response {
    let name = format!("windrow-{}-{}.{}", which.name(), as_of.date_naive(), format.name());
    download(&name, format.media_type(), body)
}

async fn audit<S: Store>(
    hub: &Hub<S>,
    with_records: bool,
    shown: Arc<Shown>,
    place: OwnedSemaphorePermit,
) -> Result<Response, Problem> {
    let as_of = as_of(&shown);
    let visits = visits(hub, as_of.timestamp_millis()).await?;
    let to_prove = shown.standings.iter().map(Standing::digest);
    let ledger = gather::ledger(&hub.store, hub.clock.now_ms(), to_prove).await.map_err(problem)?;
    let source = Reading::new(hub.store.clone());
    let body = streaming::body(place, move |out| {
        let judged = Judged { standings: &shown.standings, coverage: &shown.coverage, as_of };
        let parts = Parts { judged, visits: &visits, ledger: &ledger, source: &source };
        // Built on disk first: what breaks off while it is made is never sent as a whole one.
        let folder = tempfile::tempdir()?;
        let zip = folder.path().join("audit.zip");
        build(&zip, &parts, with_records)?;
        io::copy(&mut File::open(&zip)?, out).map(drop)
    });
    Ok(download(&format!("windrow-audit-{}.zip", as_of.date_naive()), "application/zip", body))
}

fn build(zip: &FilePath, parts: &Parts<'_>, with_records: bool) -> io::Result<()> {
    let mut sink = Sink::create(zip)?;
    bundle::write(&mut sink, parts, &Which::ALL, with_records)?;
    bundle::seal(&mut sink, parts.ledger)?;
    sink.finish()
}

fn as_of(shown: &Shown) -> DateTime<Utc> {
    DateTime::from_timestamp_millis(shown.fleet.as_of_ms).unwrap_or_default()
}

async fn visits<S: Store>(hub: &Hub<S>, as_of_ms: i64) -> Result<Vec<VisitLine>, Problem> {
    gather::visits(&hub.store, as_of_ms).await.map_err(|e: StoreError| Problem::of_store(&e))
}

fn problem(error: LedgerError) -> Problem {
    match error {
        LedgerError::Store(e) => Problem::of_store(&e),
        LedgerError::Head(e) => super::ledger::no_head(&e),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::access::Role;
    use crate::http::Limits;
    use crate::testing::TestHub;
    use crate::verify;

    async fn hub_of_two() -> (TestHub, String) {
        let hub = TestHub::start(Limits::default()).await;
        for seed in [1, 2] {
            let mut laptop = hub.joined(seed).await;
            hub.post_record(&laptop.check().bytes).await;
        }
        hub.refresh().await;
        let token = format!("Authorization: Bearer {}", hub.grant(Role::Auditor, None).await);
        (hub, token)
    }

    #[tokio::test]
    async fn every_table_is_given_in_every_form() {
        let (hub, token) = hub_of_two().await;
        for which in Which::ALL {
            for format in Format::ALL {
                let path = format!("/v1/exports/{}?format={}", which.name(), format.name());
                let (head, body) = hub.download(&path, &token).await;
                assert!(head.starts_with("http/1.0 200"), "{path}: {head}");
                let name = format!("filename=\"windrow-{}-2026-01-31.{}\"", which.name(), format.name());
                assert!(head.contains(&name), "{head}");
                match format {
                    Format::Xlsx => assert!(body.starts_with(b"PK"), "{path}"),
                    Format::Json => drop(serde_json::from_slice::<Vec<serde_json::Value>>(&body).unwrap()),
                    Format::Csv => assert!(body.ends_with(b"\r\n"), "{path}"),
                    Format::Ndjson => assert!(body.is_empty() || body.ends_with(b"}\n"), "{path}"),
                }
            }
        }
        let (_, runs) = hub.download("/v1/exports/runs", &token).await;
        assert_eq!(String::from_utf8(runs).unwrap().lines().count(), 3, "header and two runs");
        hub.stop().await;
    }

    #[tokio::test]
    async fn the_audit_export_verifies() {
        let (hub, token) = hub_of_two().await;
        let folder = tempfile::tempdir().unwrap();
        for (query, n_records) in [("", 0), ("?with_records=true", 2)] {
            let (head, body) = hub.download(&format!("/v1/exports/audit{query}"), &token).await;
            assert!(head.contains("content-type: application/zip"), "{head}");
            let zip = folder.path().join("audit.zip");
            std::fs::write(&zip, body).unwrap();
            let report = verify::verify(&zip, None, verify::Limits::default()).unwrap();
            assert!(report.findings.is_empty(), "{report:?}");
            assert_eq!(report.n_records, n_records);
        }
        hub.stop().await;
    }

    #[tokio::test]
    async fn what_is_not_there_or_not_theirs_is_refused() {
        let (hub, token) = hub_of_two().await;
        for (path, code) in [
            ("/v1/exports/x", "not_found"),
            ("/v1/exports/fleet?format=pdf", "bad_query"),
            ("/v1/exports/fleet?with_records=true", "bad_query"),
            ("/v1/exports/audit?format=csv", "bad_query"),
        ] {
            assert_eq!(hub.request("GET", path, &[&token], b"").await.problem(), code, "{path}");
        }
        let technician = format!("Authorization: Bearer {}", hub.grant(Role::Technician, None).await);
        let answer = hub.request("GET", "/v1/exports/fleet", &[&technician], b"").await;
        assert_eq!(answer.problem(), "role_forbids");
        hub.stop().await;
    }
}
