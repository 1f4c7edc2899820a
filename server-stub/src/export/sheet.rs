//! XLSX: typed cells, a frozen header, dates as dates. Rows go to a file on disk while they are written.
//!
//! Words are stored as words, never as formulas, and those that would be taken for one if somebody edited the cell carry
//! the mark that spreadsheet programs set for a leading apostrophe.

use std::io::{self, BufReader, BufWriter, Seek, Write};

use chrono::{DateTime, Utc};
use rust_xlsxwriter::{DocProperties, Format, Workbook, Worksheet, XlsxError};

use super::table::{Cell, Column, Kind, RowWriter};
use super::text::looks_like_formula;

/// Rows of a sheet beside its header: the format has 1 048 576 in all. More go on in a further sheet.
const MAX_ROWS: u32 = 1_048_575;
/// Most characters of a cell, by the format; longer words are cut, which the other files of an export are not.
const MAX_CELL_CHARS: usize = 32_767;
/// How hard the workbook is packed, 1 to 9. Our choice: of a large table, packing takes most of the time.
const COMPRESSION_LEVEL: u8 = 3;
/// Bytes copied in one go.
const COPY_BYTES: usize = 64 * 1024;

struct Formats {
    header: Format,
    defused: Format,
    date: Format,
    time: Format,
}

/// Rows as a workbook. It is given out once it is whole ([`Xlsx::give`]).
pub struct Xlsx {
    workbook: Workbook,
    formats: Formats,
    name: &'static str,
    columns: Vec<Column>,
    /// Sheets so far.
    n_sheets: usize,
    /// Rows of the last sheet.
    n_rows: u32,
}

impl std::fmt::Debug for Xlsx {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Xlsx").field("name", &self.name).field("n_rows", &self.n_rows).finish_non_exhaustive()
    }
}

impl Xlsx {
    /// Begins a workbook of that table. `made_at` stands in its properties in place of the clock: the same table gives
    /// the same bytes.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn begin(name: &'static str, columns: &[Column], made_at: DateTime<Utc>) -> io::Result<Self> {
        let formats = Formats {
            header: Format::new().set_bold(),
            defused: Format::new().set_quote_prefix(),
            date: Format::new().set_num_format("yyyy-mm-dd"),
            time: Format::new().set_num_format("yyyy-mm-dd hh:mm:ss"),
        };
        let mut workbook = Workbook::new();
        workbook.set_properties(&DocProperties::new().set_creation_datetime(&made_at));
        workbook.set_zip_compression_level(COMPRESSION_LEVEL);
        let columns = columns.to_vec();
        let mut begun = Self { workbook, formats, name, columns, n_sheets: 0, n_rows: 0 };
        begun.add_sheet().map_err(io::Error::other)?;
        Ok(begun)
    }

    fn add_sheet(&mut self) -> Result<(), XlsxError> {
        self.n_sheets += 1;
        self.n_rows = 0;
        let sheet = self.workbook.add_worksheet_with_constant_memory()?;
        sheet.set_name(match self.n_sheets {
            1 => self.name.to_owned(),
            n => format!("{} {n}", self.name),
        })?;
        write_header(sheet, &self.columns, &self.formats)
    }

    /// Writes the workbook.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn give(mut self, out: &mut dyn Write) -> io::Result<()> {
        // The library wants a writer that may go to another thread; a zip or a socket of ours may not.
        let mut file = BufWriter::with_capacity(COPY_BYTES, tempfile::tempfile()?);
        self.workbook.save_to_writer(&mut file).map_err(io::Error::other)?;
        let mut file = file.into_inner().map_err(io::IntoInnerError::into_error)?;
        file.rewind()?;
        io::copy(&mut BufReader::with_capacity(COPY_BYTES, file), out).map(drop)
    }
}

impl RowWriter for Xlsx {
    fn row(&mut self, row: &[Cell]) -> io::Result<()> {
        if self.n_rows == MAX_ROWS {
            self.add_sheet().map_err(io::Error::other)?;
        }
        self.n_rows += 1;
        let sheet = self.workbook.worksheet_from_index(self.n_sheets - 1).map_err(io::Error::other)?;
        write_row(sheet, self.n_rows, row, &self.formats).map_err(io::Error::other)
    }

    fn end(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn write_header(sheet: &mut Worksheet, columns: &[Column], formats: &Formats) -> Result<(), XlsxError> {
    for (idx, column) in columns.iter().enumerate() {
        let width = match column.kind {
            Kind::Text => 22.0,
            Kind::Time => 20.0,
            Kind::Integer | Kind::Number | Kind::Date => 12.0,
        };
        sheet.set_column_width(idx as u16, width)?;
    }
    for (idx, column) in columns.iter().enumerate() {
        sheet.write_string_with_format(0, idx as u16, column.name, &formats.header)?;
    }
    sheet.set_freeze_panes(1, 0)?;
    Ok(())
}

fn write_row(sheet: &mut Worksheet, row_idx: u32, row: &[Cell], formats: &Formats) -> Result<(), XlsxError> {
    for (idx, cell) in row.iter().enumerate() {
        let column = idx as u16;
        match cell {
            Cell::Empty => continue,
            Cell::Text(text) if looks_like_formula(text) => {
                sheet.write_string_with_format(row_idx, column, cut(text), &formats.defused)?
            }
            Cell::Text(text) => sheet.write_string(row_idx, column, cut(text))?,
            Cell::Integer(n) => sheet.write_number(row_idx, column, *n as f64)?,
            Cell::Number(v) => sheet.write_number(row_idx, column, *v)?,
            Cell::Date(day) => sheet.write_datetime_with_format(row_idx, column, day, &formats.date)?,
            Cell::Time(time) => {
                sheet.write_datetime_with_format(row_idx, column, time.naive_utc(), &formats.time)?
            }
        };
    }
    Ok(())
}

/// As many characters as a cell may have.
fn cut(text: &str) -> &str {
    if text.len() <= MAX_CELL_CHARS {
        return text;
    }
    text.char_indices().nth(MAX_CELL_CHARS).map_or(text, |(at, _)| &text[..at])
}
