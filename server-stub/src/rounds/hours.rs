//! `hours.csv`: technician hours by site and day. `stock.csv`: parts in stock and their lead time.
//!
//! Both are CSV after RFC 4180 with a header that must be as written here. Every mistake is named with its line and column.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use chrono::NaiveDate;

use crate::failure::Failure;
use crate::input::{Complaint, Complaints};

/// Largest file read.
pub const MAX_BYTES: usize = 8 << 20;
/// Most rows: a thousand sites in a quarter.
pub const MAX_ROWS: usize = 100_000;
/// Most technician hours of one site and day: forty people.
const MAX_HOURS: f64 = 400.0;
/// Most parts of a kind.
const MAX_STOCK: u32 = 100_000;
/// Longest lead time.
const MAX_LEAD_DAYS: u32 = 366;
/// Longest name.
const MAX_NAME_BYTES: usize = 100;

/// Technician minutes by site and day.
pub type Hours = BTreeMap<(String, NaiveDate), u32>;
/// Stock by part and model. The model `*` stands for all models without a row of their own.
pub type Stock = BTreeMap<(String, String), Stocked>;

/// A part in stock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stocked {
    /// How many are there.
    pub in_stock: u32,
    /// Days until ordered ones are there.
    pub lead_days: u32,
}

/// Reads `hours.csv`: `site,date,hours`.
///
/// # Errors
/// All mistakes with their places.
pub fn parse_hours(text: &str) -> Result<Hours, Complaints> {
    let mut hours = Hours::new();
    read_rows(text, &["site", "date", "hours"], |row| {
        let (site, day) = (row.name(0)?, row.day(1)?);
        let minutes = row.hours(2)? * 60.0;
        match hours.entry((site, day)) {
            Entry::Vacant(free) => {
                free.insert(minutes.round() as u32);
                Ok(())
            }
            Entry::Occupied(_) => Err(row.complaint(0, "this site and day stand above already")),
        }
    })
    .or(hours)
}

/// Reads `stock.csv`: `part,model,in_stock,lead_days`.
///
/// # Errors
/// All mistakes with their places.
pub fn parse_stock(text: &str) -> Result<Stock, Complaints> {
    let mut stock = Stock::new();
    read_rows(text, &["part", "model", "in_stock", "lead_days"], |row| {
        let part = row.name(0)?;
        if !["clean", "fan", "paste"].contains(&part.as_str()) {
            return Err(
                row.complaint(0, "a part is `clean`, `fan` or `paste`, after the action that takes it")
            );
        }
        let stocked = Stocked { in_stock: row.count(2, MAX_STOCK)?, lead_days: row.count(3, MAX_LEAD_DAYS)? };
        match stock.entry((part, row.name(1)?)) {
            Entry::Vacant(free) => {
                free.insert(stocked);
                Ok(())
            }
            Entry::Occupied(_) => Err(row.complaint(0, "this part and model stand above already")),
        }
    })
    .or(stock)
}

/// Hours as a form gives them: one row of the file.
///
/// # Errors
/// What is wrong with it, in words.
pub fn read_hours(cells: [&str; 3]) -> Result<Hours, String> {
    let text =
        write_rows(&["site", "date", "hours"], std::iter::once(owned(&cells))).map_err(|e| e.to_string())?;
    parse_hours(&text).map_err(|complaints| only_words(&complaints))
}

/// Stock as a form gives it: one row of the file.
///
/// # Errors
/// What is wrong with it, in words.
pub fn read_stock(cells: [&str; 4]) -> Result<Stock, String> {
    let header = ["part", "model", "in_stock", "lead_days"];
    let text = write_rows(&header, std::iter::once(owned(&cells))).map_err(|e| e.to_string())?;
    parse_stock(&text).map_err(|complaints| only_words(&complaints))
}

fn owned(cells: &[&str]) -> Vec<String> {
    cells.iter().map(|cell| (*cell).to_owned()).collect()
}

/// A form has no lines and columns.
fn only_words(complaints: &Complaints) -> String {
    let words = complaints.iter().map(|c| c.what.clone());
    words.collect::<Vec<_>>().join("; ")
}

/// Hours as the file that [`parse_hours`] reads.
///
/// # Errors
/// None that can happen in memory.
pub fn write_hours(hours: &Hours) -> Result<String, Failure> {
    let rows = hours.iter().map(|((site, day), minutes)| {
        vec![site.clone(), day.to_string(), (f64::from(*minutes) / 60.0).to_string()]
    });
    write_rows(&["site", "date", "hours"], rows)
}

/// Stock as the file that [`parse_stock`] reads.
///
/// # Errors
/// None that can happen in memory.
pub fn write_stock(stock: &Stock) -> Result<String, Failure> {
    let rows = stock.iter().map(|((part, model), stocked)| {
        vec![part.clone(), model.clone(), stocked.in_stock.to_string(), stocked.lead_days.to_string()]
    });
    write_rows(&["part", "model", "in_stock", "lead_days"], rows)
}

fn write_rows(header: &[&str], rows: impl Iterator<Item = Vec<String>>) -> Result<String, Failure> {
    let failed = |e: &dyn std::fmt::Display| Failure::new(format!("cannot write CSV: {e}"));
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(header).map_err(|e| failed(&e))?;
    for row in rows {
        writer.write_record(row).map_err(|e| failed(&e))?;
    }
    let bytes = writer.into_inner().map_err(|e| failed(&e))?;
    String::from_utf8(bytes).map_err(|e| failed(&e))
}

/// A row and the text that it stands in.
struct Row<'a> {
    text: &'a str,
    record: &'a csv::StringRecord,
    line: usize,
}

fn read_rows(
    text: &str,
    header: &[&str],
    mut take: impl FnMut(&Row<'_>) -> Result<(), Complaint>,
) -> Complaints {
    let mut complaints = Complaints::default();
    if text.len() > MAX_BYTES {
        return Complaints::one(Complaint::whole(format!("larger than {MAX_BYTES} bytes")));
    }
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
    for (idx, record) in reader.records().enumerate() {
        let record = match record {
            Ok(record) => record,
            Err(e) => {
                let line = e.position().map_or(0, |p| p.line() as usize);
                complaints.push(Complaint::at(line, 0, format!("must have {} cells", header.len())));
                continue;
            }
        };
        if idx == 0 {
            if record != *header {
                return Complaints::one(Complaint::at(
                    1,
                    1,
                    format!("the header must be `{}`", header.join(",")),
                ));
            }
            continue;
        }
        let line = record.position().map_or(0, |p| p.line() as usize);
        if idx > MAX_ROWS {
            complaints.push(Complaint::at(line, 0, format!("more than {MAX_ROWS} rows")));
            break;
        }
        if let Err(complaint) = take(&Row { text, record: &record, line }) {
            complaints.push(complaint);
        }
    }
    if text.is_empty() {
        complaints.push(Complaint::at(1, 1, format!("the header must be `{}`", header.join(","))));
    }
    complaints
}

impl Row<'_> {
    fn complaint(&self, cell: usize, what: impl Into<String>) -> Complaint {
        let before: usize = self.record.iter().take(cell).map(|c| c.chars().count() + 1).sum();
        // Quoted cells are longer in the file than read; the column is then that of the row's begin.
        let line_text = self.text.lines().nth(self.line.saturating_sub(1)).unwrap_or("");
        let column = if line_text.contains('"') { 1 } else { before + 1 };
        Complaint::at(self.line, column, what)
    }

    fn cell(&self, cell: usize) -> &str {
        self.record.get(cell).unwrap_or("")
    }

    fn name(&self, cell: usize) -> Result<String, Complaint> {
        let text = self.cell(cell).trim();
        let is_plain =
            !text.is_empty() && text.len() <= MAX_NAME_BYTES && !text.chars().any(char::is_control);
        let what = || format!("must be a text of 1 to {MAX_NAME_BYTES} bytes without control characters");
        if is_plain { Ok(text.to_owned()) } else { Err(self.complaint(cell, what())) }
    }

    fn day(&self, cell: usize) -> Result<NaiveDate, Complaint> {
        self.cell(cell).parse().map_err(|_| self.complaint(cell, "must be a day such as `2026-01-31`"))
    }

    fn hours(&self, cell: usize) -> Result<f64, Complaint> {
        let read = self.cell(cell).parse::<f64>().ok().filter(|h| (0.0..=MAX_HOURS).contains(h));
        read.ok_or_else(|| self.complaint(cell, format!("must be hours from 0 to {MAX_HOURS}")))
    }

    fn count(&self, cell: usize, max: u32) -> Result<u32, Complaint> {
        let read = self.cell(cell).parse::<u32>().ok().filter(|n| *n <= max);
        read.ok_or_else(|| self.complaint(cell, format!("must be a whole number from 0 to {max}")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn refused<T: std::fmt::Debug>(read: Result<T, Complaints>, place: &str) {
        let complaints = read.unwrap_err().to_string();
        assert!(complaints.contains(place), "{complaints}");
    }

    #[test]
    fn hours_and_stock_are_read() {
        let hours =
            parse_hours("site,date,hours\nnorth,2026-02-02,7.5\n\"hall, west\",2026-02-03,0\n").unwrap();
        let day = |d: &str| d.parse::<NaiveDate>().unwrap();
        assert_eq!(hours[&("north".to_owned(), day("2026-02-02"))], 450);
        assert_eq!(hours[&("hall, west".to_owned(), day("2026-02-03"))], 0);
        let stock = parse_stock("part,model,in_stock,lead_days\r\nfan,Fjordbook 14,3,10\r\n").unwrap();
        let fan = Stocked { in_stock: 3, lead_days: 10 };
        assert_eq!(stock[&("fan".to_owned(), "Fjordbook 14".to_owned())], fan);
    }

    #[test]
    fn mistakes_are_named_with_line_and_column() {
        refused(parse_hours(""), "line 1, column 1: the header must be `site,date,hours`");
        refused(parse_hours("site,day,hours\n"), "line 1, column 1: the header must be");
        refused(parse_hours("site,date,hours\nnorth,2026-02-30,8\n"), "line 2, column 7: must be a day");
        refused(parse_hours("site,date,hours\nnorth,2026-02-02,NaN\n"), "line 2, column 18: must be hours");
        refused(parse_hours("site,date,hours\nnorth,2026-02-02,400.1\n"), "must be hours from 0 to 400");
        refused(
            parse_hours("site,date,hours\nn,2026-02-02,8\nn,2026-02-02,8\n"),
            "line 3, column 1: this site",
        );
        refused(parse_hours("site,date,hours\nnorth,2026-02-02\n"), "line 2: must have 3 cells");
        refused(parse_stock("part,model,in_stock,lead_days\nbelt,A,1,1\n"), "line 2, column 1: a part is");
        refused(
            parse_stock("part,model,in_stock,lead_days\nfan,A,-1,1\n"),
            "line 2, column 7: must be a whole",
        );
    }

    #[test]
    fn all_complaints_are_gathered() {
        let complaints = parse_hours("site,date,hours\n,2026-02-02,8\nn,x,8\n").unwrap_err();
        assert_eq!(complaints.iter().count(), 2);
    }
}
