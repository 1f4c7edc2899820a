//! CSV (RFC 4180), JSON and NDJSON: one row a line each.

use std::borrow::Cow;
use std::io::{self, Write};

use super::table::{Cell, Column, RowWriter};

/// First characters that make spreadsheet programs take a CSV cell for a formula (OWASP, "CSV Injection").
const FORMULA_STARTS: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];

/// Whether a spreadsheet program would take these words for a formula.
pub fn looks_like_formula(text: &str) -> bool {
    text.starts_with(FORMULA_STARTS)
}

/// Words as a CSV cell: an apostrophe goes before what would be taken for a formula, and before an apostrophe, so that
/// taking the first one away gives the words back.
pub fn defused(text: &str) -> Cow<'_, str> {
    let is_live = looks_like_formula(text) || text.starts_with('\'');
    if is_live { format!("'{text}").into() } else { text.into() }
}

/// Rows as CSV with a header.
pub struct Csv<W: Write>(csv::Writer<W>);

impl<W: Write> std::fmt::Debug for Csv<W> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Csv").finish_non_exhaustive()
    }
}

impl<W: Write> Csv<W> {
    /// Writes the header.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn begin(columns: &[Column], out: W) -> io::Result<Self> {
        let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
        writer.write_record(columns.iter().map(|c| c.name))?;
        Ok(Self(writer))
    }
}

impl<W: Write> RowWriter for Csv<W> {
    fn row(&mut self, row: &[Cell]) -> io::Result<()> {
        for cell in row {
            match cell {
                Cell::Text(text) => self.0.write_field(&*defused(text))?,
                other => self.0.write_field(other.plain())?,
            }
        }
        Ok(self.0.write_record(None::<&[u8]>)?)
    }

    fn end(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

/// Rows as one JSON object a line.
#[derive(Debug)]
pub struct Ndjson<W> {
    names: Names,
    line: Vec<u8>,
    out: W,
}

impl<W: Write> Ndjson<W> {
    /// Begins; nothing is written before the first row.
    ///
    /// # Errors
    /// Names of columns that JSON cannot hold; ours are.
    pub fn begin(columns: &[Column], out: W) -> io::Result<Self> {
        Ok(Self { names: Names::new(columns)?, line: Vec::new(), out })
    }
}

impl<W: Write> RowWriter for Ndjson<W> {
    fn row(&mut self, row: &[Cell]) -> io::Result<()> {
        self.line.clear();
        self.names.object(row, &mut self.line)?;
        self.line.push(b'\n');
        self.out.write_all(&self.line)
    }

    fn end(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// Rows as a JSON array, a row a line.
#[derive(Debug)]
pub struct Json<W> {
    names: Names,
    line: Vec<u8>,
    is_empty: bool,
    out: W,
}

impl<W: Write> Json<W> {
    /// Begins; nothing is written before the first row.
    ///
    /// # Errors
    /// Names of columns that JSON cannot hold; ours are.
    pub fn begin(columns: &[Column], out: W) -> io::Result<Self> {
        Ok(Self { names: Names::new(columns)?, line: Vec::new(), is_empty: true, out })
    }
}

impl<W: Write> RowWriter for Json<W> {
    fn row(&mut self, row: &[Cell]) -> io::Result<()> {
        self.line.clear();
        self.line.extend_from_slice(if self.is_empty { b"[\n" } else { b",\n" });
        self.is_empty = false;
        self.names.object(row, &mut self.line)?;
        self.out.write_all(&self.line)
    }

    fn end(&mut self) -> io::Result<()> {
        self.out.write_all(if self.is_empty { b"[]\n" } else { b"\n]\n" })?;
        self.out.flush()
    }
}

/// What stands before each value of an object: the comma or brace, the name, the colon.
#[derive(Debug)]
struct Names(Vec<Vec<u8>>);

impl Names {
    fn new(columns: &[Column]) -> io::Result<Self> {
        let before = |(idx, column): (usize, &Column)| {
            let name = serde_json::to_string(column.name)?;
            Ok(format!("{}{name}:", if idx == 0 { '{' } else { ',' }).into_bytes())
        };
        columns.iter().enumerate().map(before).collect::<io::Result<_>>().map(Self)
    }

    fn object(&self, row: &[Cell], out: &mut Vec<u8>) -> io::Result<()> {
        for (before, cell) in self.0.iter().zip(row) {
            out.extend_from_slice(before);
            match cell {
                Cell::Empty => out.extend_from_slice(b"null"),
                Cell::Integer(n) => serde_json::to_writer(&mut *out, n)?,
                Cell::Number(v) => serde_json::to_writer(&mut *out, v)?,
                Cell::Text(text) => serde_json::to_writer(&mut *out, text)?,
                Cell::Date(_) | Cell::Time(_) => serde_json::to_writer(&mut *out, &cell.plain())?,
            }
        }
        out.push(b'}');
        Ok(())
    }
}
