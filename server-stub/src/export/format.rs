//! The forms in which a single table is given out.

use std::io::{self, Write};

use chrono::{DateTime, Utc};

use super::table::Table;
use super::{sheet, text};

/// A form of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Format {
    /// RFC 4180.
    #[default]
    Csv,
    /// A workbook.
    Xlsx,
    /// An array.
    Json,
    /// One object a line.
    Ndjson,
}

impl Format {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Csv, Self::Xlsx, Self::Json, Self::Ndjson];

    /// Its file names' ending, and its name in addresses.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Xlsx => "xlsx",
            Self::Json => "json",
            Self::Ndjson => "ndjson",
        }
    }

    /// Its media type.
    pub const fn media_type(self) -> &'static str {
        match self {
            Self::Csv => "text/csv; charset=utf-8; header=present",
            Self::Xlsx => "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
            Self::Json => "application/json",
            Self::Ndjson => "application/x-ndjson",
        }
    }

    /// Writes a table.
    ///
    /// # Errors
    /// Where it cannot be written or read.
    pub fn write(self, table: &dyn Table, made_at: DateTime<Utc>, out: &mut dyn Write) -> io::Result<()> {
        match self {
            Self::Csv => text::csv(table, out).map(drop),
            Self::Xlsx => sheet::xlsx(table, made_at, out),
            Self::Json => text::json(table, out),
            Self::Ndjson => text::ndjson(table, out),
        }
    }
}
