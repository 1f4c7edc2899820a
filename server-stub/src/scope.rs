//! The list of laptops that should be checked, as a file: read strictly, all mistakes at once, and written.
//!
//! CSV (RFC 4180) with a header; columns in any order. `tag` and `site` have to be there; what else is left out is blank.

use std::collections::HashMap;
use std::path::Path;

use chrono::NaiveDate;

use crate::failure::Failure;
use crate::input::{Complaint, Complaints};
use crate::store::facts::ScopeEntry;

/// Largest file read: half a million laptops with a line each.
const MAX_BYTES: usize = 64 << 20;
/// Most laptops in one list.
const MAX_LAPTOPS: usize = 500_000;
/// Longest tag, model, site or place, bytes.
const MAX_NAME_BYTES: usize = 100;
/// Longest reason, bytes.
pub const MAX_WHY_BYTES: usize = 400;

/// The columns, in the order in which they are written.
pub const COLUMNS: [&str; 8] = ["tag", "model", "site", "place", "from", "until", "excluded", "why"];
/// Those that a file cannot do without.
const REQUIRED: [&str; 2] = ["tag", "site"];

/// Reads a scope list from the disk.
///
/// # Errors
/// A file that cannot be read, or is no scope list; every bad line is named.
pub fn read(path: &Path) -> Result<Vec<ScopeEntry>, Failure> {
    let bytes = std::fs::read(path).map_err(|e| {
        Failure::at("read", path, e).remedy("check the path and that the file can be read by you")
    })?;
    parse(&bytes).map_err(|complaints| {
        Failure::at("take the list in", path, complaints)
            .remedy("correct these lines and import again; nothing of the file was taken")
    })
}

/// Reads a scope list. All complaints are gathered, each with its line.
///
/// # Errors
/// A file that is too large, has no such header, or lines that cannot be taken.
pub fn parse(bytes: &[u8]) -> Result<Vec<ScopeEntry>, Complaints> {
    if bytes.len() > MAX_BYTES {
        return Err(whole(format!("larger than {} MiB", MAX_BYTES >> 20)));
    }
    // Spreadsheets put a byte-order mark before UTF-8.
    let bytes = bytes.strip_prefix("\u{feff}".as_bytes()).unwrap_or(bytes);
    let text = std::str::from_utf8(bytes).map_err(|e| {
        let at = bytes[..e.valid_up_to()].split(|b| *b == b'\n').count();
        Complaints::one(Complaint::at(at, 0, "not UTF-8; save the file as CSV in UTF-8"))
    })?;
    let mut reader = csv::ReaderBuilder::new().flexible(true).has_headers(false).from_reader(text.as_bytes());
    let mut records = reader.records();
    let header = match records.next() {
        None => return Err(whole("empty; its first line names the columns")),
        Some(Err(e)) => return Err(whole(e.to_string())),
        Some(Ok(header)) => header,
    };
    let columns = Columns::of(&header)?;
    let mut reader = Reader { columns, complaints: Complaints::default(), line_of_tag: HashMap::new() };
    let mut entries = Vec::new();
    for record in records {
        match record {
            Ok(record) if entries.len() < MAX_LAPTOPS => entries.extend(reader.entry(&record)),
            Ok(_) => return Err(whole(format!("more than {MAX_LAPTOPS} laptops"))),
            Err(e) => reader.complaints.push(Complaint::whole(e.to_string())),
        }
    }
    if entries.is_empty() && reader.complaints.iter().next().is_none() {
        reader.complaints.push(Complaint::whole("it names no laptop"));
    }
    reader.complaints.or(entries)
}

fn whole(what: impl Into<String>) -> Complaints {
    Complaints::one(Complaint::whole(what))
}

/// Where each known column stands in the file.
struct Columns {
    at: [Option<usize>; COLUMNS.len()],
    n: usize,
}

impl Columns {
    fn of(header: &csv::StringRecord) -> Result<Self, Complaints> {
        let mut at = [None; COLUMNS.len()];
        let mut complaints = Complaints::default();
        let mut complain = |what: String| complaints.push(Complaint::at(1, 0, what));
        if header.len() == 1 && header[0].contains([';', '\t']) {
            complain("the columns are not separated by commas; save the file as comma-separated CSV".into());
            return complaints.or(Self { at, n: 1 });
        }
        for (place, name) in header.iter().enumerate() {
            match COLUMNS.iter().position(|known| *known == name.trim()) {
                None => complain(format!(
                    "unknown column `{}`; known are `{}`",
                    shortened(name),
                    COLUMNS.join("`, `")
                )),
                Some(known) if at[known].is_some() => {
                    complain(format!("the column `{}` stands twice", name.trim()));
                }
                Some(known) => at[known] = Some(place),
            }
        }
        let has =
            |name: &str| COLUMNS.iter().zip(&at).any(|(known, place)| *known == name && place.is_some());
        for missing in REQUIRED.into_iter().filter(|name| !has(name)) {
            complain(format!("the column `{missing}` is missing"));
        }
        complaints.or(Self { at, n: header.len() })
    }

    /// A line's cell, trimmed; blank where the file hasn't the column.
    fn cell<'a>(&self, record: &'a csv::StringRecord, name: &str) -> &'a str {
        let known = COLUMNS.iter().position(|column| *column == name);
        known.and_then(|known| record.get(self.at[known]?)).unwrap_or("").trim()
    }
}

/// Walks the lines and gathers complaints.
struct Reader {
    columns: Columns,
    complaints: Complaints,
    line_of_tag: HashMap<String, usize>,
}

impl Reader {
    fn entry(&mut self, record: &csv::StringRecord) -> Option<ScopeEntry> {
        let line = record.position().map_or(0, |p| p.line() as usize);
        let mut wrong = Vec::new();
        if record.len() != self.columns.n {
            let what = format!("{} cells where the header has {}", record.len(), self.columns.n);
            self.complaints.push(Complaint::at(line, 0, what));
            return None;
        }
        let cell = |name: &str| self.columns.cell(record, name);
        let tag = name_cell("tag", cell("tag"), &mut wrong);
        if tag.is_empty() {
            wrong.push("`tag` is blank".to_owned());
        } else if let Some(first) = self.line_of_tag.get(&tag) {
            wrong.push(format!("the tag `{tag}` stands in line {first} already"));
        }
        let entry = ScopeEntry {
            model: name_cell("model", cell("model"), &mut wrong),
            site: name_cell("site", cell("site"), &mut wrong),
            place: name_cell("place", cell("place"), &mut wrong),
            from_on: day_cell("from", cell("from"), &mut wrong),
            until_on: day_cell("until", cell("until"), &mut wrong),
            is_excluded: yes_no_cell("excluded", cell("excluded"), &mut wrong),
            why: why(cell("why")).unwrap_or_else(|what| {
                wrong.push(format!("`why`: {what}"));
                String::new()
            }),
            tag,
        };
        wrong.extend(contradictions(&entry));
        let is_good = wrong.is_empty();
        for what in wrong {
            self.complaints.push(Complaint::at(line, 0, what));
        }
        self.line_of_tag.entry(entry.tag.clone()).or_insert(line);
        is_good.then_some(entry)
    }
}

fn contradictions(entry: &ScopeEntry) -> Option<String> {
    if entry.site.is_empty() {
        return Some("`site` is blank".to_owned());
    }
    if let (Some(from), Some(until)) = (entry.from_on, entry.until_on)
        && until < from
    {
        return Some(format!("`until` ({until}) is before `from` ({from})"));
    }
    (entry.is_excluded && entry.why.is_empty()).then(|| "excluded, and `why` is blank".to_owned())
}

fn name_cell(column: &str, cell: &str, wrong: &mut Vec<String>) -> String {
    name(cell).unwrap_or_else(|what| {
        wrong.push(format!("`{column}`: {what}"));
        String::new()
    })
}

/// A tag, model, site or place.
///
/// # Errors
/// Why it is refused, in words.
pub fn name(text: &str) -> Result<String, String> {
    plain(text, MAX_NAME_BYTES)
}

/// Whether a tag can be retired after a day.
///
/// # Errors
/// Why not, in words.
pub fn check_last_day(list: &[ScopeEntry], tag: &str, last_on: NaiveDate) -> Result<(), String> {
    let from_on = list.iter().find(|e| e.tag == tag).and_then(|e| e.from_on);
    match from_on.filter(|from_on| last_on < *from_on) {
        Some(from_on) => Err(format!("the last day {last_on} is before the first day of `{tag}`, {from_on}")),
        None => Ok(()),
    }
}

/// A reason, as in the column `why`.
///
/// # Errors
/// Why it is refused, in words.
pub fn why(text: &str) -> Result<String, String> {
    plain(text, MAX_WHY_BYTES)
}

fn plain(text: &str, max_bytes: usize) -> Result<String, String> {
    let text = text.trim();
    if text.chars().any(char::is_control) {
        return Err("control characters and line breaks are not allowed".into());
    }
    if text.len() > max_bytes {
        return Err(format!("at most {max_bytes} bytes"));
    }
    Ok(text.to_owned())
}

fn day_cell(column: &str, cell: &str, wrong: &mut Vec<String>) -> Option<NaiveDate> {
    if cell.is_empty() {
        return None;
    }
    let day = cell.parse::<NaiveDate>().ok().filter(|_| cell.len() == "2026-01-31".len());
    if day.is_none() {
        wrong.push(format!("`{column}`: `{}` is no day; write it as 2026-01-31", shortened(cell)));
    }
    day
}

fn yes_no_cell(column: &str, cell: &str, wrong: &mut Vec<String>) -> bool {
    match cell {
        "yes" => true,
        "no" | "" => false,
        other => {
            wrong.push(format!("`{column}`: `{}`; write yes or no, blank is no", shortened(other)));
            false
        }
    }
}

/// What of a strange cell is repeated in a message.
fn shortened(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}

/// The list as a file that [`parse`] reads again.
///
/// # Errors
/// None that memory doesn't give.
pub fn csv(entries: &[ScopeEntry]) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(COLUMNS)?;
    let day = |day: Option<NaiveDate>| day.map(|d| d.to_string()).unwrap_or_default();
    for e in entries {
        let excluded = if e.is_excluded { "yes" } else { "no" };
        let (from, until) = (day(e.from_on), day(e.until_on));
        writer.write_record([&e.tag, &e.model, &e.site, &e.place, &from, &until, excluded, &e.why])?;
    }
    writer.into_inner().map_err(|e| e.into_error().into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn refused(text: &str, words: &[&str]) {
        let complaints = parse(text.as_bytes()).unwrap_err().to_string();
        for words in words {
            assert!(complaints.contains(words), "{complaints}");
        }
    }

    #[test]
    fn a_list_is_read_and_written_again() {
        let text = "tag,model,site,place,from,until,excluded,why\r\n\
                    HB-1,Fjordbook 14,Lowfield,\"bay 3, top\",2026-01-01,,no,\r\n\
                    HB-2,,Lowfield,,,2026-06-30,yes,\"lent out, \"\"for good\"\"\"\r\n";
        let entries = parse(text.as_bytes()).unwrap();
        assert_eq!(entries.len(), 2);
        assert_eq!(
            (entries[0].place.as_str(), entries[0].from_on),
            ("bay 3, top", "2026-01-01".parse().ok())
        );
        assert!(entries[1].is_excluded && entries[1].why == "lent out, \"for good\"");
        assert_eq!(String::from_utf8(csv(&entries).unwrap()).unwrap(), text);
    }

    #[test]
    fn columns_may_stand_in_any_order_and_most_may_be_missing() {
        let entries = parse("\u{feff}site,tag\nLowfield, HB-1 \n".as_bytes()).unwrap();
        assert_eq!((entries[0].tag.as_str(), entries[0].site.as_str()), ("HB-1", "Lowfield"));
        assert!(!entries[0].is_excluded && entries[0].from_on.is_none());
    }

    #[test]
    fn every_bad_line_is_named() {
        refused(
            "tag,site,from,until,excluded,why\n\
             ,Lowfield,,,,\n\
             HB-1,,,,,\n\
             HB-2,Lowfield,31.1.2026,,,\n\
             HB-3,Lowfield,2026-02-01,2026-01-31,,\n\
             HB-4,Lowfield,,,x,\n\
             HB-5,Lowfield,,,yes,\n\
             HB-2,Lowfield,,,,\n\
             HB-6,Lowfield\n",
            &[
                "line 2: `tag` is blank",
                "line 3: `site` is blank",
                "line 4: `from`: `31.1.2026` is no day",
                "line 5: `until` (2026-01-31) is before `from` (2026-02-01)",
                "line 6: `excluded`: `x`; write yes or no",
                "line 7: excluded, and `why` is blank",
                "line 8: the tag `HB-2` stands in line 4 already",
                "line 9: 2 cells where the header has 6",
            ],
        );
    }

    #[test]
    fn a_file_of_another_kind_says_what_is_wrong_with_it() {
        refused("", &["empty"]);
        refused("tag;site\nHB-1;Lowfield\n", &["not separated by commas"]);
        refused("tag,site,serial\n", &["line 1: unknown column `serial`; known are `tag`"]);
        assert_eq!(parse(b"tag,site\nHB-1\n").unwrap_err().iter().count(), 1, "one mistake is told once");
        refused("tag,tag\n", &["stands twice", "`site` is missing"]);
        refused("tag,site\n", &["names no laptop"]);
        refused("tag,site\nHB-\u{7},Lowfield\n", &["line 2: `tag`: control characters"]);
        refused("tag,site\n\"HB-1\n2\",Lowfield\n", &["line 2: `tag`: control characters"]);
        refused(&format!("tag,site\n{},Lowfield\n", "x".repeat(101)), &["line 2: `tag`: at most 100 bytes"]);
        let complaints = parse(b"tag,site\nHB-1,L\xf8wfield\n").unwrap_err().to_string();
        assert!(complaints.contains("line 2: not UTF-8"), "{complaints}");
    }

    #[test]
    fn complaints_are_bounded() {
        let text = format!("tag,site\n{}", ",\n".repeat(5000));
        let complaints = parse(text.as_bytes()).unwrap_err();
        assert_eq!(complaints.iter().count(), crate::input::MAX_COMPLAINTS);
        assert!(complaints.to_string().contains("more"));
    }
}
