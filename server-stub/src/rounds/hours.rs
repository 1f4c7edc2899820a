//! `hours.csv`: technician hours by site and day. `stock.csv`: parts in stock and their lead time.
//!
//! Both are CSV after RFC 4180 with a header that must be as written here. Every mistake is named with its line and column.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::ops::RangeInclusive;

use chrono::{Datelike as _, NaiveDate};

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
/// Years whose days are planned: the year after the last one still has four digits in every calendar.
const YEARS: RangeInclusive<i32> = 2000..=2199;
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
        let (site, day) = (row.read(0, name_of)?, row.read(1, day_of)?);
        let minutes = row.read(2, minutes_of)?;
        match hours.entry((site, day)) {
            Entry::Vacant(free) => {
                free.insert(minutes);
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
        let part = row.read(0, part_of)?;
        let stocked = Stocked {
            in_stock: row.read(2, |text| count_of(text, MAX_STOCK))?,
            lead_days: row.read(3, |text| count_of(text, MAX_LEAD_DAYS))?,
        };
        match stock.entry((part, row.read(1, name_of)?)) {
            Entry::Vacant(free) => {
                free.insert(stocked);
                Ok(())
            }
            Entry::Occupied(_) => Err(row.complaint(0, "this part and model stand above already")),
        }
    })
    .or(stock)
}

/// What is wrong with a field, in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadField {
    /// Which, as the file's header has it.
    pub field: &'static str,
    /// What.
    pub what: String,
}

fn bad(field: &'static str) -> impl Fn(String) -> BadField {
    move |what| BadField { field, what }
}

/// Technician hours of a site on some days, as a form or a program gives them: one row of the file for each day.
///
/// # Errors
/// What is wrong with it.
pub fn hours_of_days(
    site: &str,
    days: impl Iterator<Item = NaiveDate>,
    hours: &str,
) -> Result<Hours, BadField> {
    let site = name_of(site).map_err(bad("site"))?;
    let minutes = minutes_of(hours).map_err(bad("hours"))?;
    let one = |day: NaiveDate| check_day(day).map(|()| ((site.clone(), day), minutes));
    days.map(one).collect::<Result<Hours, String>>().map_err(bad("date"))
}

/// Stock as a form or a program gives it: one row of the file.
///
/// # Errors
/// What is wrong with it.
pub fn stock_of(part: &str, model: &str, in_stock: &str, lead_days: &str) -> Result<Stock, BadField> {
    let part = part_of(part).map_err(bad("part"))?;
    let model = name_of(model).map_err(bad("model"))?;
    let stocked = Stocked {
        in_stock: count_of(in_stock, MAX_STOCK).map_err(bad("in_stock"))?,
        lead_days: count_of(lead_days, MAX_LEAD_DAYS).map_err(bad("lead_days"))?,
    };
    Ok(Stock::from([((part, model), stocked)]))
}

/// A site's or a model's name.
fn name_of(text: &str) -> Result<String, String> {
    let text = text.trim();
    let is_plain = !text.is_empty() && text.len() <= MAX_NAME_BYTES && !text.chars().any(char::is_control);
    let what = || format!("must be a text of 1 to {MAX_NAME_BYTES} bytes without control characters");
    if is_plain { Ok(text.to_owned()) } else { Err(what()) }
}

fn part_of(text: &str) -> Result<String, String> {
    if ["clean", "fan", "paste"].contains(&text.trim()) {
        Ok(text.trim().to_owned())
    } else {
        Err("a part is `clean`, `fan` or `paste`, after the action that takes it".to_owned())
    }
}

/// Whether rounds can be on that day: others are slips of the keyboard, and no calendar goes so far.
///
/// # Errors
/// Why not, in words.
pub fn check_day(day: NaiveDate) -> Result<(), String> {
    let what = || format!("must be a day of the years {} to {}", YEARS.start(), YEARS.end());
    if YEARS.contains(&day.year()) { Ok(()) } else { Err(what()) }
}

fn day_of(text: &str) -> Result<NaiveDate, String> {
    let day = text.parse().map_err(|_| "must be a day such as `2026-01-31`".to_owned())?;
    check_day(day).map(|()| day)
}

fn minutes_of(text: &str) -> Result<u32, String> {
    let hours = text.parse::<f64>().ok().filter(|h| (0.0..=MAX_HOURS).contains(h));
    let what = || format!("must be hours from 0 to {MAX_HOURS}");
    hours.map(|hours| (hours * 60.0).round() as u32).ok_or_else(what)
}

fn count_of(text: &str, max: u32) -> Result<u32, String> {
    let read = text.parse::<u32>().ok().filter(|n| *n <= max);
    read.ok_or_else(|| format!("must be a whole number from 0 to {max}"))
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

    /// A cell read in its way.
    fn read<T>(&self, cell: usize, read: impl Fn(&str) -> Result<T, String>) -> Result<T, Complaint> {
        read(self.cell(cell)).map_err(|what| self.complaint(cell, what))
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
        refused(
            parse_hours("site,date,hours\nn,+262142-12-31,8\n"),
            "must be a day of the years 2000 to 2199",
        );
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
