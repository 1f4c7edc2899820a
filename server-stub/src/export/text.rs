//! CSV (RFC 4180), JSON and NDJSON: one row a line each.

use std::io::{self, Write};

use super::table::{Cell, Table};

/// First characters that make spreadsheet programs take a CSV cell for a formula (OWASP, "CSV Injection").
const FORMULA_STARTS: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];

/// Whether a spreadsheet program would take these words for a formula.
pub fn looks_like_formula(text: &str) -> bool {
    text.starts_with(FORMULA_STARTS)
}

/// Words as a CSV cell: an apostrophe goes before what would be taken for a formula, and before an apostrophe, so that
/// taking the first one away gives the words back.
pub fn defused(text: &str) -> String {
    if looks_like_formula(text) || text.starts_with('\'') { format!("'{text}") } else { text.to_owned() }
}

/// The table as CSV with a header. Says how many rows it has.
///
/// # Errors
/// Where it cannot be written.
pub fn csv(table: &dyn Table, out: &mut dyn Write) -> io::Result<u64> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
    writer.write_record(table.columns().iter().map(|c| c.name))?;
    let mut n_rows = 0;
    for row in table.rows() {
        let row = row?;
        n_rows += 1;
        writer.write_record(row.iter().map(|cell| match cell {
            Cell::Text(text) => defused(text),
            other => other.plain(),
        }))?;
    }
    writer.flush()?;
    Ok(n_rows)
}

/// The table as one JSON object a line.
///
/// # Errors
/// Where it cannot be written.
pub fn ndjson(table: &dyn Table, out: &mut dyn Write) -> io::Result<()> {
    for row in table.rows() {
        writeln!(out, "{}", object(table, &row?)?)?;
    }
    Ok(())
}

/// The table as a JSON array, a row a line.
///
/// # Errors
/// Where it cannot be written.
pub fn json(table: &dyn Table, out: &mut dyn Write) -> io::Result<()> {
    let mut before = "[\n";
    for row in table.rows() {
        write!(out, "{before}{}", object(table, &row?)?)?;
        before = ",\n";
    }
    let is_empty = before.starts_with('[');
    out.write_all(if is_empty { b"[]\n" } else { b"\n]\n" })
}

fn object(table: &dyn Table, row: &[Cell]) -> io::Result<String> {
    let mut text = String::with_capacity(32 * row.len());
    for (idx, (column, cell)) in table.columns().iter().zip(row).enumerate() {
        text.push_str(if idx == 0 { "{" } else { "," });
        text.push_str(&serde_json::to_string(column.name)?);
        text.push(':');
        match cell {
            Cell::Empty => text.push_str("null"),
            Cell::Integer(_) => text.push_str(&cell.plain()),
            Cell::Number(v) => text.push_str(&serde_json::to_string(v)?),
            Cell::Text(_) | Cell::Date(_) | Cell::Time(_) => {
                text.push_str(&serde_json::to_string(&cell.plain())?);
            }
        }
    }
    text.push('}');
    Ok(text)
}
