//! `GET /audit` and `POST /audit/verify`.

use std::path::{Path, PathBuf};

use axum::extract::{Multipart, State};
use axum::response::{IntoResponse, Response};
use chrono::DateTime;
use tempfile::TempDir;

use super::{reader, respond, shown};
use crate::access::Viewer;
use crate::coverage::CoverageCounts;
use crate::http::{Hub, Problem, RETRY_AFTER_S, upload};
use crate::ledger::head::{Head, MAX_HEAD_BYTES, SignedHead};
use crate::ledger::signing;
use crate::pages::audit;
use crate::pages::layout::{Content, Room};
use crate::store::Store;
use crate::verify::{self, Limits, Report};

/// Largest export that is verified here: a thousand laptops' with records, or a hundred thousand's without. For more there
/// is the command.
pub(in crate::http) const MAX_UPLOAD_BYTES: u64 = 256 << 20;
/// The same unpacked, and what is held of it.
const LIMITS: Limits =
    Limits { packed: MAX_UPLOAD_BYTES, unpacked: 2 << 30, lines: 200_000, leaves: 2_000_000 };

pub(super) async fn page<S: Store>(State(hub): State<Hub<S>>, viewer: Viewer) -> Result<Response, Problem> {
    let shown = shown(&hub)?;
    let sites: Vec<(String, CoverageCounts)> =
        shown.coverage.by_site().into_iter().filter(|(site, _)| viewer.sees(site)).collect();
    let head = match signing::head_now(&hub.store, hub.clock.now_ms()).await {
        Ok(head) => Some(head),
        Err(e) => {
            tracing::error!(error = &e as &dyn std::error::Error, "no head can be signed");
            None
        }
    };
    let view = audit::View {
        sites: &sites,
        as_of: DateTime::from_timestamp_millis(shown.fleet.as_of_ms).unwrap_or_default().date_naive(),
        may_export: viewer.site.is_none(),
        head: head.as_ref(),
        limits_mib: (LIMITS.packed >> 20, LIMITS.unpacked >> 20),
    };
    let body = audit::body(&view, &reader(&viewer));
    Ok(respond(&Content { title: "Audit", room: Room::Audit, class: "", notice: None, body }, &viewer))
}

/// What was sent to be verified, on disk until it is.
struct Sent {
    folder: TempDir,
    name: String,
    has_head: bool,
}

impl Sent {
    fn export(&self) -> PathBuf {
        self.folder.path().join("export.zip")
    }

    fn head(&self) -> PathBuf {
        self.folder.path().join("head.json")
    }
}

pub(super) async fn verify<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Result<Multipart, axum::extract::multipart::MultipartRejection>,
) -> Result<Response, Problem> {
    let form = form.map_err(|e| upload::bad_form(e.body_text()))?;
    let _place = hub.verifying.try_acquire().map_err(|_| Problem::overloaded(RETRY_AFTER_S))?;
    let sent = receive(&hub, &viewer, form).await?;
    let (name, checked) =
        tokio::task::spawn_blocking(move || check(&sent)).await.map_err(|_| Problem::internal())?;
    let report = checked.map_err(upload::bad_form)?;
    let body = audit::verified(&report, &name);
    let content = Content { title: "Verification", room: Room::Audit, class: "", notice: None, body };
    Ok(respond(&content, &viewer).into_response())
}

/// Writes what comes to a folder of its own, within the limits.
async fn receive<S: Store>(hub: &Hub<S>, viewer: &Viewer, form: Multipart) -> Result<Sent, Problem> {
    let mut form = upload::Form::open(form, viewer, &hub.limits).await?;
    let folder = tempfile::tempdir().map_err(|e| upload::no_room(&e))?;
    let mut sent = Sent { folder, name: String::new(), has_head: false };
    while let Some(file) = form.next_file().await? {
        match file.field() {
            "export" => {
                sent.name = file.name();
                file.write_to(&sent.export(), MAX_UPLOAD_BYTES).await?;
            }
            // A field for a file that nobody chose comes as an empty one.
            "head" => sent.has_head = file.write_to(&sent.head(), MAX_HEAD_BYTES as u64).await? > 0,
            other => return Err(upload::bad_form(format!("there is no field `{other}` here"))),
        }
    }
    if sent.name.is_empty() {
        return Err(upload::bad_form("choose a file to verify".to_owned()));
    }
    Ok(sent)
}

fn check(sent: &Sent) -> (String, Result<Report, String>) {
    (sent.name.clone(), report(sent))
}

fn report(sent: &Sent) -> Result<Report, String> {
    let head = sent.has_head.then(|| read_head(&sent.head())).transpose()?;
    verify::verify(&sent.export(), head.as_ref(), LIMITS).map_err(|e| {
        format!("`{}` cannot be read as an export: {e}; give the zip as it was downloaded", sent.name)
    })
}

fn read_head(path: &Path) -> Result<Head, String> {
    let bytes = std::fs::read(path).map_err(|e| format!("the head cannot be read: {e}"))?;
    SignedHead::read(&bytes).map(|(_, head)| head).map_err(|e| {
        format!("the older head proves nothing: {e}; give `ledger/head.json` of an earlier export")
    })
}
