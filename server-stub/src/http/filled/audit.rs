//! A file that was sent to be verified: taken to a folder of its own within limits, verified, and gone.

use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::http::{Hub, Problem, RETRY_AFTER_S, upload};
use crate::ledger::head::{Head, MAX_HEAD_BYTES, SignedHead};
use crate::store::Store;
use crate::verify::{self, Limits, Report};

/// Largest export that is verified here: a thousand laptops' with records, or a hundred thousand's without. For more there
/// is the command.
pub(in crate::http) const MAX_UPLOAD_BYTES: u64 = 256 << 20;
/// The same unpacked, and what is held of it.
pub(in crate::http) const LIMITS: Limits =
    Limits { packed: MAX_UPLOAD_BYTES, unpacked: 2 << 30, lines: 200_000, leaves: 2_000_000 };

/// What a verification found.
#[derive(Debug)]
pub(in crate::http) struct Verified {
    /// What the sender calls the file.
    pub(in crate::http) name: String,
    pub(in crate::http) report: Report,
}

/// Verifies an export (`export`), and that it extends an older head (`head`) where one is given.
///
/// # Errors
/// If it is larger than may be, isn't an export, or too many are verified at once.
pub(in crate::http) async fn verify<S: Store>(
    hub: &Hub<S>,
    form: upload::Form<'_>,
) -> Result<Verified, Problem> {
    let _place = hub.verifying.try_acquire().map_err(|_| Problem::overloaded(RETRY_AFTER_S))?;
    let sent = receive(form).await?;
    let (name, checked) =
        tokio::task::spawn_blocking(move || check(&sent)).await.map_err(|_| Problem::internal())?;
    let report = checked.map_err(upload::bad_form)?;
    Ok(Verified { name, report })
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

/// Writes what comes to a folder of its own, within the limits.
async fn receive(mut form: upload::Form<'_>) -> Result<Sent, Problem> {
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
