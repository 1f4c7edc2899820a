//! XLSX: typed cells, a frozen header, dates as dates. Rows go to a file on disk while they are written.
//!
//! Words are stored as words, never as formulas, and those that would be taken for one if somebody edited the cell carry
//! the mark that spreadsheet programs set for a leading apostrophe.

use std::io::{self, Read, Seek, Write};

use chrono::{DateTime, Utc};
use rust_xlsxwriter::{DocProperties, Format, Workbook, Worksheet, XlsxError};

use super::table::{Cell, Kind, Table};
use super::text::looks_like_formula;

/// Rows of a sheet beside its header: the format has 1 048 576 in all. More go on in a further sheet.
const MAX_ROWS: usize = 1_048_575;
/// Most characters of a cell, by the format; longer words are cut, which the other files of an export are not.
const MAX_CELL_CHARS: usize = 32_767;

struct Formats {
    header: Format,
    words: Format,
    defused: Format,
    date: Format,
    time: Format,
}

/// The table as a workbook. `made_at` stands in its properties in place of the clock: the same table gives the same bytes.
///
/// # Errors
/// Where it cannot be written.
pub fn xlsx(table: &dyn Table, made_at: DateTime<Utc>, out: &mut dyn Write) -> io::Result<()> {
    let mut workbook = workbook(table, made_at)?;
    // The writer has to seek; a zip or a socket cannot.
    let mut file = tempfile::tempfile()?;
    workbook.save_to_writer(&mut file).map_err(io::Error::other)?;
    file.rewind()?;
    let mut buffer = vec![0; 64 * 1024];
    loop {
        let n = file.read(&mut buffer)?;
        if n == 0 {
            return Ok(());
        }
        out.write_all(&buffer[..n])?;
    }
}

fn workbook(table: &dyn Table, made_at: DateTime<Utc>) -> io::Result<Workbook> {
    let formats = Formats {
        header: Format::new().set_bold(),
        words: Format::new(),
        defused: Format::new().set_quote_prefix(),
        date: Format::new().set_num_format("yyyy-mm-dd"),
        time: Format::new().set_num_format("yyyy-mm-dd hh:mm:ss"),
    };
    let mut workbook = Workbook::new();
    workbook.set_properties(&DocProperties::new().set_creation_datetime(&made_at));
    let mut rows = table.rows().peekable();
    for sheet_no in 1_usize.. {
        let sheet = workbook.add_worksheet_with_constant_memory().map_err(io::Error::other)?;
        let name =
            if sheet_no == 1 { table.name().to_owned() } else { format!("{} {sheet_no}", table.name()) };
        sheet.set_name(name).map_err(io::Error::other)?;
        write_header(sheet, table, &formats).map_err(io::Error::other)?;
        for (idx, row) in rows.by_ref().take(MAX_ROWS).enumerate() {
            write_row(sheet, idx as u32 + 1, &row?, &formats).map_err(io::Error::other)?;
        }
        if rows.peek().is_none() {
            break;
        }
    }
    Ok(workbook)
}

fn write_header(sheet: &mut Worksheet, table: &dyn Table, formats: &Formats) -> Result<(), XlsxError> {
    for (idx, column) in table.columns().iter().enumerate() {
        let width = match column.kind {
            Kind::Text => 22.0,
            Kind::Time => 20.0,
            Kind::Integer | Kind::Number | Kind::Date => 12.0,
        };
        sheet.set_column_width(idx as u16, width)?;
    }
    for (idx, column) in table.columns().iter().enumerate() {
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
            Cell::Text(text) => {
                let format = if looks_like_formula(text) { &formats.defused } else { &formats.words };
                let text: String = text.chars().take(MAX_CELL_CHARS).collect();
                sheet.write_string_with_format(row_idx, column, text, format)?
            }
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
