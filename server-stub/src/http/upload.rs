//! A form with files (RFC 7578): read piece by piece, each file straight to disk, within limits.
//!
//! The gate cannot read such a form's token without reading the files, so it lets the request through after looking
//! at its origin, and [`Form::open`] wants the token as the first field, before any file is read.

use std::path::Path;
use std::time::Duration;

use axum::extract::multipart::{Field, MultipartError};
use axum::extract::{DefaultBodyLimit, Multipart};
use axum::http::StatusCode;
use tokio::fs::File;
use tokio::io::AsyncWriteExt;
use tokio::time::{Instant, timeout, timeout_at};

use super::filled::audit::MAX_UPLOAD_BYTES;
use super::gate::{CSRF_FIELD, forged};
use super::{Limits, Problem, body};
use crate::access::Viewer;

/// Longest time for a whole form with files: 256 MiB in 10 min is 450 kB/s.
const WHOLE: Duration = Duration::from_mins(10);
/// Most bytes of a field that isn't a file.
const MAX_WORDS_BYTES: u64 = 4096;
/// Most characters of a file's name that are shown.
const MAX_NAME_CHARS: usize = 100;

/// What a form with files has beside the largest file.
const FORM_BYTES: usize = 1 << 20;

/// The limit of a route that takes such a form.
pub(super) fn limit() -> DefaultBodyLimit {
    DefaultBodyLimit::max(MAX_UPLOAD_BYTES as usize + FORM_BYTES)
}

/// Waits of a form that is being read.
#[derive(Clone, Copy)]
struct Waits {
    idle: Duration,
    end: Instant,
}

impl Waits {
    async fn of<T>(
        self,
        next: impl Future<Output = Result<T, MultipartError>>,
        limits: &Limits,
    ) -> Result<T, Problem> {
        match timeout_at(self.end, timeout(self.idle, next)).await {
            Ok(Ok(Ok(next))) => Ok(next),
            Ok(Ok(Err(e))) if e.status() == StatusCode::PAYLOAD_TOO_LARGE => {
                Err(body::too_large("as sent", MAX_UPLOAD_BYTES as usize))
            }
            Ok(Ok(Err(_))) => Err(broken_form()),
            Ok(Err(_)) | Err(_) => Err(body::too_slow(limits)),
        }
    }
}

/// A form that is being read.
pub(super) struct Form<'a> {
    parts: Multipart,
    waits: Waits,
    limits: &'a Limits,
}

impl<'a> Form<'a> {
    /// A form whose sender has no page of ours: the gate has seen to it.
    pub(super) fn of_program(form: Multipart, limits: &'a Limits) -> Self {
        let waits = Waits { idle: limits.body_idle, end: Instant::now() + WHOLE };
        Self { parts: form, waits, limits }
    }

    /// Reads the token, which must be the first field.
    ///
    /// # Errors
    /// If it isn't the session's, or nothing comes in time.
    pub(super) async fn open(form: Multipart, viewer: &Viewer, limits: &'a Limits) -> Result<Self, Problem> {
        let mut form = Self::of_program(form, limits);
        let waits = form.waits;
        let Some(csrf) = &viewer.csrf else { return Ok(form) };
        let no_token = || forged("the form's token is missing or another session's; load the page again");
        let field = waits.of(form.parts.next_field(), limits).await?.ok_or_else(no_token)?;
        let is_first = field.name() == Some(CSRF_FIELD);
        let mut words = Vec::new();
        let mut part = Part { field, waits, limits };
        while let Some(piece) = part.next().await? {
            words.extend_from_slice(&piece);
            if words.len() as u64 > MAX_WORDS_BYTES {
                return Err(no_token());
            }
        }
        let given = String::from_utf8(words).unwrap_or_default();
        if is_first && csrf.is(&given) { Ok(form) } else { Err(no_token()) }
    }

    /// The next file.
    ///
    /// # Errors
    /// If the form breaks off or is none.
    pub(super) async fn next_file(&mut self) -> Result<Option<Part<'_>>, Problem> {
        let (waits, limits) = (self.waits, self.limits);
        let field = waits.of(self.parts.next_field(), limits).await?;
        Ok(field.map(|field| Part { field, waits, limits }))
    }
}

/// A field of the form.
pub(super) struct Part<'a> {
    field: Field<'a>,
    waits: Waits,
    limits: &'a Limits,
}

impl Part<'_> {
    /// The field's name.
    pub(super) fn field(&self) -> &str {
        self.field.name().unwrap_or_default()
    }

    /// What the sender calls the file, to be shown; empty where no file was chosen.
    pub(super) fn name(&self) -> String {
        let given = self.field.file_name().unwrap_or_default();
        given.chars().filter(|c| !c.is_control()).take(MAX_NAME_CHARS).collect()
    }

    async fn next(&mut self) -> Result<Option<axum::body::Bytes>, Problem> {
        self.waits.of(self.field.chunk(), self.limits).await
    }

    /// Writes it to a new file; says how many bytes it had.
    ///
    /// # Errors
    /// If it is larger than may be, comes too slowly, or the disk has no room.
    pub(super) async fn write_to(mut self, path: &Path, max_bytes: u64) -> Result<u64, Problem> {
        let mut file = File::create_new(path).await.map_err(|e| no_room(&e))?;
        let mut n_bytes = 0;
        while let Some(piece) = self.next().await? {
            n_bytes += piece.len() as u64;
            if n_bytes > max_bytes {
                return Err(body::too_large("as sent", max_bytes as usize));
            }
            file.write_all(&piece).await.map_err(|e| no_room(&e))?;
        }
        file.flush().await.map_err(|e| no_room(&e))?;
        Ok(n_bytes)
    }
}

/// A form with files that breaks off, or isn't one.
pub(super) fn broken_form() -> Problem {
    bad_form(
        "it breaks off, or it is no form with files (`multipart/form-data`); choose the file and send it again".to_owned(),
    )
}

/// A form that cannot be taken.
pub(super) fn bad_form(why: String) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "bad_form", "the form cannot be taken", why)
}

/// The disk for temporary files failed.
pub(super) fn no_room(error: &std::io::Error) -> Problem {
    if error.kind() == std::io::ErrorKind::AlreadyExists {
        return bad_form("a field came twice".to_owned());
    }
    tracing::error!(
        error = error as &dyn std::error::Error,
        "a file that was sent could not be kept for its verification"
    );
    Problem::internal()
}
