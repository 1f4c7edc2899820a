//! What the CSV readers share: the header, numbers, and complaints that name line and column.

use std::fmt;

use csv::{ByteRecord, Reader, ReaderBuilder};

/// Most complaints that are kept; the rest is counted. A person mends a file's cause, not each line.
pub const MAX_COMPLAINTS: usize = 20;
/// Longest part of a cell that is quoted back.
const MAX_QUOTED_CHARS: usize = 40;
/// A byte order mark, which some spreadsheets put before a UTF-8 file.
const BYTE_ORDER_MARK: &[u8] = b"\xef\xbb\xbf";

/// What is wrong in a CSV file, where.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub struct Complaint {
    /// Line, from 1; 0 for the whole file.
    pub line: u64,
    /// Column name, where it is about one.
    pub column: Option<String>,
    /// What.
    pub problem: Problem,
}

/// The problems of a CSV file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Problem {
    /// Larger than a file may be.
    #[error("{n_bytes} bytes, at most {max} are read")]
    FileTooLarge {
        /// Its size.
        n_bytes: usize,
        /// The limit.
        max: usize,
    },
    /// More rows than are read.
    #[error("more than {max} rows")]
    TooManyRows {
        /// The limit.
        max: usize,
    },
    /// Nothing in it.
    #[error("no header row; the first line names the columns")]
    NoHeader,
    /// A column that isn't there but must be.
    #[error("the column is missing from the header")]
    MissingColumn,
    /// A column that nobody knows.
    #[error("no such column; known are {known}")]
    UnknownColumn {
        /// The known ones.
        known: String,
    },
    /// A column named twice.
    #[error("the column is named twice in the header")]
    DuplicateColumn,
    /// A row that is longer or shorter than the header.
    #[error("{n_cells} cells under a header of {n_columns}")]
    RowLength {
        /// Cells in the row.
        n_cells: usize,
        /// Columns of the header.
        n_columns: usize,
    },
    /// Not a finite decimal number.
    #[error("`{cell}` is not a number")]
    NotANumber {
        /// What stands there.
        cell: String,
    },
    /// Blank where something must stand.
    #[error("blank")]
    Blank,
    /// Not one of the words that may stand here.
    #[error("`{cell}` is not one of {words}")]
    UnknownWord {
        /// What stands there.
        cell: String,
        /// What may stand there.
        words: String,
    },
    /// Not a time or a date of the form that is needed.
    #[error("`{cell}` is not {form}")]
    NotATime {
        /// What stands there.
        cell: String,
        /// The form with an example.
        form: &'static str,
    },
    /// Time that stands still or steps back.
    #[error("`{time_s}` is not after the time before it, `{before_s}`")]
    TimeNotIncreasing {
        /// This row's time, s.
        time_s: f64,
        /// The time before, s.
        before_s: f64,
    },
    /// A value that cannot be true.
    #[error("`{value}` is outside {min} to {max}")]
    OutOfRange {
        /// The value.
        value: f64,
        /// Least.
        min: f64,
        /// Largest.
        max: f64,
    },
    /// Phases out of order.
    #[error("`{phase}` after `{before}`; the order is settle, load, recovery, each once")]
    PhaseOrder {
        /// This row's phase.
        phase: &'static str,
        /// The phase before.
        before: &'static str,
    },
    /// A text that cannot be used here.
    #[error("`{cell}` {why}")]
    BadText {
        /// What stands there.
        cell: String,
        /// Why not.
        why: &'static str,
    },
    /// The file cannot be split into cells.
    #[error("not CSV: {why}")]
    NotCsv {
        /// The reader's words.
        why: String,
    },
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.line > 0 {
            write!(f, "line {}: ", self.line)?;
        }
        if let Some(column) = &self.column {
            write!(f, "column `{column}`: ")?;
        }
        write!(f, "{}", self.problem)
    }
}

/// All that is wrong with a file: the first complaints and how many more there were.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Complaints {
    /// The first ones, at most [`MAX_COMPLAINTS`].
    pub first: Vec<Complaint>,
    /// How many more.
    pub n_more: usize,
}

impl std::error::Error for Complaints {}

impl Complaints {
    /// Whether there is nothing to complain about.
    pub fn is_empty(&self) -> bool {
        self.first.is_empty()
    }

    pub(super) fn add(&mut self, line: u64, column: Option<&str>, problem: Problem) {
        if self.first.len() < MAX_COMPLAINTS {
            self.first.push(Complaint { line, column: column.map(str::to_owned), problem });
        } else {
            self.n_more += 1;
        }
    }
}

impl fmt::Display for Complaints {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (idx, complaint) in self.first.iter().enumerate() {
            let line_feed = if idx > 0 { "\n" } else { "" };
            write!(f, "{line_feed}{complaint}")?;
        }
        if self.n_more > 0 {
            write!(f, "\nand {} more", self.n_more)?;
        }
        Ok(())
    }
}

/// A CSV file's rows under a checked header.
pub(super) struct Table<'a> {
    reader: Reader<&'a [u8]>,
    lines: Lines<'a>,
    row: ByteRecord,
    n_columns: usize,
    n_rows: usize,
    max_rows: usize,
    /// For each of the known columns, in their order, where it stands in a row.
    pub(super) places: Vec<Option<usize>>,
}

/// What a kind of file may be.
pub(super) struct Shape<'a> {
    pub(super) known: &'a [&'static str],
    pub(super) required: &'a [&'static str],
    pub(super) max_bytes: usize,
    pub(super) max_rows: usize,
}

impl<'a> Table<'a> {
    /// Reads the header. `None` after a complaint: without a header no cell has a meaning.
    pub(super) fn open(bytes: &'a [u8], shape: &Shape<'_>, complaints: &mut Complaints) -> Option<Self> {
        if bytes.len() > shape.max_bytes {
            let problem = Problem::FileTooLarge { n_bytes: bytes.len(), max: shape.max_bytes };
            complaints.add(0, None, problem);
            return None;
        }
        let text = bytes.strip_prefix(BYTE_ORDER_MARK).unwrap_or(bytes);
        let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text);
        let mut row = ByteRecord::new();
        match reader.read_byte_record(&mut row) {
            Ok(true) => {}
            Ok(false) => complaints.add(0, None, Problem::NoHeader),
            Err(e) => complaints.add(1, None, Problem::NotCsv { why: e.to_string() }),
        }
        let places = places(&row, shape, complaints);
        let table = Self {
            reader,
            lines: Lines::of(text),
            n_columns: row.len(),
            row,
            n_rows: 0,
            max_rows: shape.max_rows,
            places,
        };
        complaints.is_empty().then_some(table)
    }

    /// The next row that is as long as the header, with its line; `None` at the end.
    pub(super) fn next_row(&mut self, complaints: &mut Complaints) -> Option<(u64, &ByteRecord)> {
        loop {
            match self.reader.read_byte_record(&mut self.row) {
                Ok(true) => {}
                Ok(false) => return None,
                Err(e) => {
                    complaints.add(0, None, Problem::NotCsv { why: e.to_string() });
                    return None;
                }
            }
            let line = self.lines.at(self.row.position().map_or(0, csv::Position::byte) as usize);
            if self.n_rows == self.max_rows {
                complaints.add(line, None, Problem::TooManyRows { max: self.max_rows });
                return None;
            }
            self.n_rows += 1;
            if self.row.len() == self.n_columns {
                return Some((line, &self.row));
            }
            let problem = Problem::RowLength { n_cells: self.row.len(), n_columns: self.n_columns };
            complaints.add(line, None, problem);
        }
    }
}

/// Line numbers as an editor shows them. The CSV reader's own are one too low after CRLF, since it leaves the LF to the
/// next row.
struct Lines<'a> {
    text: &'a [u8],
    counted_to: usize,
    n_before: u64,
}

impl<'a> Lines<'a> {
    const fn of(text: &'a [u8]) -> Self {
        Self { text, counted_to: 0, n_before: 0 }
    }

    /// Line of the row whose ends of line before it begin at `offset`; offsets never go back.
    fn at(&mut self, offset: usize) -> u64 {
        let from = offset.min(self.text.len());
        let is_end = |b: &&u8| matches!(b, b'\r' | b'\n');
        let start = from + self.text[from..].iter().take_while(is_end).count();
        let passed = &self.text[self.counted_to.min(start)..start];
        self.n_before += passed.iter().map(|&b| u64::from(b == b'\n')).sum::<u64>();
        self.counted_to = start;
        self.n_before + 1
    }
}

fn places(header: &ByteRecord, shape: &Shape<'_>, complaints: &mut Complaints) -> Vec<Option<usize>> {
    let mut places = vec![None; shape.known.len()];
    for (place, name) in header.iter().enumerate() {
        let known = shape.known.iter().position(|k| k.as_bytes() == name);
        match known.map(|idx| &mut places[idx]) {
            Some(free @ None) => *free = Some(place),
            Some(Some(_)) => complaints.add(1, Some(&quoted(name)), Problem::DuplicateColumn),
            None => {
                let problem = Problem::UnknownColumn { known: shape.known.join(", ") };
                complaints.add(1, Some(&quoted(name)), problem);
            }
        }
    }
    for required in shape.required {
        let idx = shape.known.iter().position(|k| k == required);
        if !header.is_empty() && idx.is_none_or(|idx| places[idx].is_none()) {
            complaints.add(1, Some(required), Problem::MissingColumn);
        }
    }
    places
}

/// A cell as it can be shown: cut, and with control characters as escapes.
pub(super) fn quoted(cell: &[u8]) -> String {
    let text = String::from_utf8_lossy(cell);
    let mut shown = String::new();
    for c in text.chars().take(MAX_QUOTED_CHARS) {
        if c.is_control() { shown.extend(c.escape_unicode()) } else { shown.push(c) }
    }
    shown
}

/// A finite number.
///
/// Nearly all cells are plain decimals of a few digits. Up to 15 digits and a power of ten up to 10^22 are exact in a
/// double, so that one division rounds correctly (W. D. Clinger, How to read floating point numbers accurately,
/// 1990); all else goes through the standard library.
pub(super) fn number(cell: &[u8]) -> Result<f64, Problem> {
    short_decimal(cell)
        .or_else(|| std::str::from_utf8(cell).ok().and_then(|t| t.parse().ok()))
        .filter(|v: &f64| v.is_finite())
        .ok_or_else(|| Problem::NotANumber { cell: quoted(cell) })
}

const MAX_EXACT_DIGITS: usize = 15;
const POWERS_OF_TEN: [f64; MAX_EXACT_DIGITS + 1] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];

fn short_decimal(cell: &[u8]) -> Option<f64> {
    let (is_negative, digits) = match cell {
        [b'-', rest @ ..] => (true, rest),
        _ => (false, cell),
    };
    if digits.is_empty() || digits.len() > MAX_EXACT_DIGITS {
        return None;
    }
    let mut mantissa = 0_u64;
    let mut point = None;
    for (idx, &byte) in digits.iter().enumerate() {
        match byte {
            b'0'..=b'9' => mantissa = mantissa * 10 + u64::from(byte - b'0'),
            b'.' if point.is_none() => point = Some(idx),
            _ => return None,
        }
    }
    let n_decimals = point.map_or(0, |idx| digits.len() - idx - 1);
    if point.is_some() && digits.len() == 1 {
        return None;
    }
    let magnitude = mantissa as f64 / POWERS_OF_TEN[n_decimals];
    Some(if is_negative { -magnitude } else { magnitude })
}
