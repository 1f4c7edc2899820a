//! Reads a costs file strictly: every mistake at once, each with its place.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{Costs, DAY, FIELDS, MAX_BYTES, MAX_DAYS_OFF, MAX_NAME_BYTES, MAX_SITES, MONEY, SiteCosts};
use crate::input::{Complaint, Complaints};

/// Reads a costs file. All complaints are gathered, each with its line and column.
///
/// # Errors
/// A file that is too large, not TOML, or has unknown keys, values of another kind or out of range.
pub fn parse(text: &str) -> Result<Costs, Complaints> {
    if text.len() > MAX_BYTES {
        return Err(Complaints::one(Complaint::whole(format!("larger than {MAX_BYTES} bytes"))));
    }
    let mut reader = Reader { text, complaints: Complaints::default() };
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        reader.complain(error.span().map_or(0, |s| s.start), error.message());
    }
    let mut costs = Costs::default();
    if errors.is_empty() {
        reader.root(table.get_ref(), &mut costs);
    }
    reader.complaints.or(costs)
}

/// Walks the parsed table and gathers complaints.
struct Reader<'a> {
    text: &'a str,
    complaints: Complaints,
}

type Entry<'t, 'i> = (&'t Spanned<std::borrow::Cow<'i, str>>, &'t Spanned<DeValue<'i>>);

impl Reader<'_> {
    fn complain(&mut self, offset: usize, what: impl Into<String>) {
        self.complaints.push(Complaint::at_offset(self.text, offset, what));
    }

    fn root(&mut self, table: &DeTable<'_>, costs: &mut Costs) {
        for (key, value) in table {
            let name: &str = key.get_ref();
            let is_section = FIELDS.iter().any(|f| f.section == name);
            match (name, value.get_ref()) {
                ("currency", _) => self.text_into(value, &mut costs.currency),
                ("days_off", _) => self.days_into(value, &mut costs.days_off),
                ("site", DeValue::Table(sites)) => self.sites(sites, costs),
                (_, DeValue::Table(section)) if is_section => {
                    for entry in section {
                        self.number(name, entry, costs);
                    }
                }
                _ if is_section || name == "site" => {
                    self.complain(
                        value.span().start,
                        format!("`{name}` must be a section, written `[{name}]`"),
                    );
                }
                _ => self.number("", (key, value), costs),
            }
        }
    }

    fn number(&mut self, section: &str, (key, value): Entry<'_, '_>, costs: &mut Costs) {
        let name: &str = key.get_ref();
        let Some(field) = FIELDS.iter().find(|f| f.section == section && f.key == name) else {
            return self.unknown(section, key);
        };
        if let Some(read) = self.number_up_to(value, field.max) {
            *(field.of)(costs) = read;
        }
    }

    fn unknown(&mut self, section: &str, key: &Spanned<std::borrow::Cow<'_, str>>) {
        let known: Vec<&str> = FIELDS.iter().filter(|f| f.section == section).map(|f| f.key).collect();
        let known = known.join("`, `");
        let place = if section.is_empty() { String::new() } else { format!(" in `[{section}]`") };
        let what = format!("unknown key `{}`{place}; known are `{known}`", cut(key.get_ref()));
        self.complain(key.span().start, what);
    }

    fn sites(&mut self, sites: &DeTable<'_>, costs: &mut Costs) {
        for (name, value) in sites {
            let start = name.span().start;
            if costs.sites.len() >= MAX_SITES {
                return self.complain(start, format!("more than {MAX_SITES} sites"));
            }
            if !is_plain(name.get_ref()) {
                self.complain(
                    start,
                    format!("a site's name has 1 to {MAX_NAME_BYTES} bytes and no control characters"),
                );
            } else if let DeValue::Table(table) = value.get_ref() {
                let site = self.site(table);
                costs.sites.insert(name.get_ref().to_string(), site);
            } else {
                self.complain(start, "a site is a section, written `[site.\"name\"]`");
            }
        }
    }

    fn site(&mut self, table: &DeTable<'_>) -> SiteCosts {
        let mut site = SiteCosts::default();
        for (key, value) in table {
            match key.get_ref().as_ref() {
                "trip_minutes" => site.trip_minutes = self.number_up_to(value, DAY),
                "trip_money" => site.trip_money = self.number_up_to(value, MONEY),
                "spare_units" => site.spare_units = self.count(value),
                "days_off" => self.days_into(value, &mut site.days_off),
                other => {
                    let what = format!(
                        "unknown key `{}` of a site; known are `trip_minutes`, `trip_money`, `spare_units`, `days_off`",
                        cut(other)
                    );
                    self.complain(key.span().start, what);
                }
            }
        }
        site
    }

    fn number_up_to(&mut self, value: &Spanned<DeValue<'_>>, max: f64) -> Option<f64> {
        let read = match value.get_ref() {
            DeValue::Integer(i) if i.radix() == 10 => i.as_str().replace('_', "").parse::<f64>().ok(),
            DeValue::Float(f) => f.as_str().replace('_', "").parse::<f64>().ok(),
            _ => None,
        };
        let in_range = read.filter(|v| (0.0..=max).contains(v));
        if in_range.is_none() {
            self.complain(value.span().start, format!("must be a number from 0 to {max}"));
        }
        in_range
    }

    fn count(&mut self, value: &Spanned<DeValue<'_>>) -> Option<u32> {
        const MAX: u32 = 10_000;
        let read = match value.get_ref() {
            DeValue::Integer(i) if i.radix() == 10 => i.as_str().replace('_', "").parse::<u32>().ok(),
            _ => None,
        };
        let in_range = read.filter(|n| *n <= MAX);
        if in_range.is_none() {
            self.complain(value.span().start, format!("must be a whole number from 0 to {MAX}"));
        }
        in_range
    }

    fn text_into(&mut self, value: &Spanned<DeValue<'_>>, into: &mut String) {
        match value.get_ref() {
            DeValue::String(text) if is_plain(text) => *into = text.to_string(),
            _ => self.complain(
                value.span().start,
                format!("must be a text of 1 to {MAX_NAME_BYTES} bytes without control characters"),
            ),
        }
    }

    fn days_into(&mut self, value: &Spanned<DeValue<'_>>, into: &mut BTreeSet<NaiveDate>) {
        let DeValue::Array(days) = value.get_ref() else {
            return self.complain(value.span().start, "must be a list of days such as `[2026-12-25]`");
        };
        for day in days {
            if into.len() >= MAX_DAYS_OFF {
                return self.complain(day.span().start, format!("more than {MAX_DAYS_OFF} days"));
            }
            let written = match day.get_ref() {
                DeValue::Datetime(d) => d.to_string(),
                DeValue::String(s) => s.to_string(),
                _ => String::new(),
            };
            match written.parse::<NaiveDate>() {
                Ok(date) => {
                    into.insert(date);
                }
                Err(_) => self.complain(day.span().start, "must be a day such as `2026-12-25`"),
            }
        }
    }
}

fn is_plain(text: &str) -> bool {
    !text.trim().is_empty() && text.len() <= MAX_NAME_BYTES && !text.chars().any(char::is_control)
}

/// What of a strange key is repeated in a message.
fn cut(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}
