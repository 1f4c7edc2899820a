//! The forms in which a single table is given out.

use std::fs::File;
use std::io::{self, BufReader, BufWriter, Seek, Write};

use chrono::{DateTime, Utc};

use super::sheet::Xlsx;
use super::table::{RowWriter, Table};
use super::text::{Csv, Json, Ndjson};

/// Bytes of a draft written or read in one go.
const DRAFT_BYTES: usize = 256 * 1024;

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
        let columns = table.columns();
        match self {
            Self::Csv => all_rows(table, &mut [&mut Csv::begin(columns, out)?]).map(drop),
            Self::Json => all_rows(table, &mut [&mut Json::begin(columns, out)?]).map(drop),
            Self::Ndjson => all_rows(table, &mut [&mut Ndjson::begin(columns, out)?]).map(drop),
            Self::Xlsx => {
                let mut book = Xlsx::begin(table.name(), columns, made_at)?;
                all_rows(table, &mut [&mut book])?;
                book.give(out)
            }
        }
    }
}

/// Hands every row to each of the writers, reading the table once; says how many there are.
fn all_rows(table: &dyn Table, writers: &mut [&mut dyn RowWriter]) -> io::Result<u64> {
    let mut n_rows = 0;
    for row in table.rows() {
        let row = row?;
        n_rows += 1;
        for writer in writers.iter_mut() {
            writer.row(&row)?;
        }
    }
    writers.iter_mut().try_for_each(|writer| writer.end())?;
    Ok(n_rows)
}

/// A table in every form, read once, kept on disk until it is given on.
#[derive(Debug)]
pub struct Drafts {
    /// How many rows it has.
    pub n_rows: u64,
    csv: File,
    json: File,
    ndjson: File,
    book: Xlsx,
}

impl Drafts {
    /// Reads the table once and writes it in every form into files of its own, which no name leads to. A watcher sees
    /// every row too.
    ///
    /// # Errors
    /// Where it cannot be written or read.
    pub fn of(table: &dyn Table, made_at: DateTime<Utc>, watcher: &mut dyn RowWriter) -> io::Result<Self> {
        let columns = table.columns();
        let [csv, json, ndjson] = [tempfile::tempfile()?, tempfile::tempfile()?, tempfile::tempfile()?];
        let buffered = |file| BufWriter::with_capacity(DRAFT_BYTES, file);
        let mut book = Xlsx::begin(table.name(), columns, made_at)?;
        let n_rows = all_rows(
            table,
            &mut [
                &mut Csv::begin(columns, buffered(&csv))?,
                &mut Json::begin(columns, buffered(&json))?,
                &mut Ndjson::begin(columns, buffered(&ndjson))?,
                &mut book,
                watcher,
            ],
        )?;
        Ok(Self { n_rows, csv, json, ndjson, book })
    }

    /// Gives each form on, in the order of their names.
    ///
    /// # Errors
    /// Where it cannot be written or read.
    pub fn give(
        self,
        mut to: impl FnMut(Format, &mut dyn FnMut(&mut dyn Write) -> io::Result<()>) -> io::Result<()>,
    ) -> io::Result<()> {
        for (format, mut file) in
            [(Format::Csv, self.csv), (Format::Json, self.json), (Format::Ndjson, self.ndjson)]
        {
            to(format, &mut |out| {
                file.rewind()?;
                io::copy(&mut BufReader::with_capacity(DRAFT_BYTES, &file), out).map(drop)
            })?;
        }
        let mut book = Some(self.book);
        to(Format::Xlsx, &mut |out| book.take().map_or(Ok(()), |book| book.give(out)))
    }
}
