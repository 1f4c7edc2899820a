//! A fleet of trace files: the manifest that names them, and the services that were done. Both are read row by row:
//! a bad row is complained about and left out, the others stand.

use chrono::{DateTime, NaiveDate, Utc};
use csv::ByteRecord;

use super::table::{Complaints, Problem, Shape, Table, number, quoted};

/// Largest manifest or service file, bytes: 400,000 rows of about 150 bytes.
pub const MAX_BYTES: usize = 64 * 1024 * 1024;
/// Most rows: a monthly check of 100,000 laptops is 100,000 a file; four files' worth in one.
pub const MAX_ROWS: usize = 400_000;
/// Longest text in a cell, bytes.
const MAX_TEXT_BYTES: usize = 256;
/// Room temperatures that a person can have meant, °C.
const AMBIENT_RANGE_C: (f64, f64) = (-30.0, 60.0);

const MANIFEST: [&str; 7] = ["device_id", "model", "site", "tested_at", "ambient_c", "on_ac", "trace"];
const SERVICES: [&str; 3] = ["device_id", "date", "action"];
const TIME_FORM: &str = "an RFC 3339 time such as `2026-01-31T08:15:00Z`";
const DATE_FORM: &str = "a date such as `2026-01-31`";

/// What was read, and what was left out.
#[derive(Debug, Clone, PartialEq)]
pub struct FleetFile<T> {
    /// The good rows, in the file's order.
    pub rows: Vec<T>,
    /// What is wrong with the others; a wrong header leaves no rows.
    pub complaints: Complaints,
}

/// One imported run.
#[derive(Debug, Clone, PartialEq)]
pub struct ManifestRow {
    /// Its line, from 1.
    pub line: u64,
    /// The laptop's name in that fleet.
    pub device_id: String,
    /// Its model.
    pub model: String,
    /// Its site; empty where unknown.
    pub site: String,
    /// When it was tested.
    pub tested_at: DateTime<Utc>,
    /// Room temperature, where known.
    pub ambient_c: Option<f64>,
    /// On mains power, where known.
    pub on_ac: Option<bool>,
    /// Path of the trace file relative to the manifest, forward slashes, never out of its folder.
    pub trace: String,
}

/// One service action; a visit with two actions has two rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ServiceRow {
    /// Its line, from 1.
    pub line: u64,
    /// The laptop's name in that fleet.
    pub device_id: String,
    /// On which day.
    pub date: NaiveDate,
    /// What was done.
    pub action: ServiceAction,
}

/// What a service did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ServiceAction {
    /// Vents and fins cleaned.
    Clean,
    /// Fan replaced.
    Fan,
    /// Paste renewed.
    Paste,
    /// Looked at, nothing done.
    None,
}

impl ServiceAction {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Clean, Self::Fan, Self::Paste, Self::None];

    /// Its name in files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Clean => "clean",
            Self::Fan => "fan",
            Self::Paste => "paste",
            Self::None => "none",
        }
    }

    /// From its name in files.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|a| a.name() == name)
    }
}

/// Reads a manifest. All columns are required; `site`, `ambient_c` and `on_ac` may be blank.
pub fn read_manifest(bytes: &[u8]) -> FleetFile<ManifestRow> {
    read(bytes, &MANIFEST, |cells| {
        Ok(ManifestRow {
            line: cells.line,
            device_id: cells.text("device_id")?,
            model: cells.text("model")?,
            site: cells.optional_text("site")?,
            tested_at: cells.parse("tested_at", tested_at)?,
            ambient_c: cells.parse_optional("ambient_c", ambient_c)?,
            on_ac: cells.parse_optional("on_ac", on_ac)?,
            trace: cells.parse("trace", trace_path)?,
        })
    })
}

/// Reads a service file.
pub fn read_services(bytes: &[u8]) -> FleetFile<ServiceRow> {
    read(bytes, &SERVICES, |cells| {
        Ok(ServiceRow {
            line: cells.line,
            device_id: cells.text("device_id")?,
            date: cells.parse("date", date)?,
            action: cells.parse("action", action)?,
        })
    })
}

/// A row's complaint: column and problem.
type BadCell = (&'static str, Problem);

fn read<T>(
    bytes: &[u8],
    columns: &[&'static str],
    row: impl Fn(&Cells<'_>) -> Result<T, BadCell>,
) -> FleetFile<T> {
    let mut complaints = Complaints::default();
    let mut rows = Vec::new();
    let shape = Shape { known: columns, required: columns, max_bytes: MAX_BYTES, max_rows: MAX_ROWS };
    if let Some(mut table) = Table::open(bytes, &shape, &mut complaints) {
        let places = std::mem::take(&mut table.places);
        while let Some((line, cells)) = table.next_row(&mut complaints) {
            match row(&Cells { line, row: cells, columns, places: &places }) {
                Ok(row) => rows.push(row),
                Err((column, problem)) => complaints.add(line, Some(column), problem),
            }
        }
    }
    FleetFile { rows, complaints }
}

/// One row's cells by name.
struct Cells<'a> {
    line: u64,
    row: &'a ByteRecord,
    columns: &'a [&'static str],
    places: &'a [Option<usize>],
}

impl Cells<'_> {
    fn optional_text(&self, column: &'static str) -> Result<String, BadCell> {
        let place = self.columns.iter().position(|c| *c == column).and_then(|idx| self.places[idx]);
        let cell = place.and_then(|place| self.row.get(place)).unwrap_or_default();
        let bad = |why| Err((column, Problem::BadText { cell: quoted(cell), why }));
        match std::str::from_utf8(cell) {
            Err(_) => bad("is not UTF-8"),
            Ok(text) if text.len() > MAX_TEXT_BYTES => bad("... is too long"),
            Ok(text) if text.chars().any(char::is_control) => bad("has control characters"),
            Ok(text) => Ok(text.to_owned()),
        }
    }

    fn text(&self, column: &'static str) -> Result<String, BadCell> {
        let text = self.optional_text(column)?;
        if text.is_empty() { Err((column, Problem::Blank)) } else { Ok(text) }
    }

    fn parse<T>(&self, column: &'static str, of: impl Fn(&str) -> Result<T, Problem>) -> Result<T, BadCell> {
        of(&self.text(column)?).map_err(|problem| (column, problem))
    }

    fn parse_optional<T>(
        &self,
        column: &'static str,
        of: impl Fn(&str) -> Result<T, Problem>,
    ) -> Result<Option<T>, BadCell> {
        let text = self.optional_text(column)?;
        if text.is_empty() {
            return Ok(None);
        }
        of(&text).map(Some).map_err(|problem| (column, problem))
    }
}

fn tested_at(text: &str) -> Result<DateTime<Utc>, Problem> {
    let time = DateTime::parse_from_rfc3339(text).map(|t| t.with_timezone(&Utc));
    time.map_err(|_| Problem::NotATime { cell: quoted(text.as_bytes()), form: TIME_FORM })
}

fn date(text: &str) -> Result<NaiveDate, Problem> {
    let date = NaiveDate::parse_from_str(text, "%Y-%m-%d");
    date.map_err(|_| Problem::NotATime { cell: quoted(text.as_bytes()), form: DATE_FORM })
}

fn ambient_c(text: &str) -> Result<f64, Problem> {
    let (min, max) = AMBIENT_RANGE_C;
    let value = number(text.as_bytes())?;
    if (min..=max).contains(&value) { Ok(value) } else { Err(Problem::OutOfRange { value, min, max }) }
}

fn on_ac(text: &str) -> Result<bool, Problem> {
    text.parse().map_err(|_| unknown_word(text, "true, false"))
}

fn action(text: &str) -> Result<ServiceAction, Problem> {
    ServiceAction::from_name(text)
        .ok_or_else(|| unknown_word(text, &ServiceAction::ALL.map(ServiceAction::name).join(", ")))
}

fn unknown_word(text: &str, words: &str) -> Problem {
    Problem::UnknownWord { cell: quoted(text.as_bytes()), words: words.to_owned() }
}

/// A foreign manifest must not be able to point at the hub's other files.
fn trace_path(text: &str) -> Result<String, Problem> {
    let is_inside = !text.contains(['\\', ':'])
        && text.split('/').all(|part| !part.is_empty() && part != "." && part != "..");
    if is_inside {
        return Ok(text.to_owned());
    }
    let why = "is not a plain path below the manifest's folder";
    Err(Problem::BadText { cell: quoted(text.as_bytes()), why })
}
